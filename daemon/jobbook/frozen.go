package jobbook

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
)

// Frozen is what is kept of the machine's side of a coat for good when it ends: from then on its record needs no readings.
type Frozen struct {
	From, To    int64           // Unix ms, [From, To)
	MinuteTrace []byte          // of MinuteTrace.Encode
	Advice      json.RawMessage // the last advice on the coat
	Probes      json.RawMessage // which probes it rests on, with calibration state and dates
	Limits      json.RawMessage // in force, with their sources
	Alerts      json.RawMessage // told while it ran; nil for none
	Model       string          // version of the laws
	Reason      string          // why it replaces an earlier one; "" for the first
}

// FrozenInfo is what the journal says of a frozen trace: digests of its parts (SHA-256, hexadecimal), so that the chain covers them.
type FrozenInfo struct {
	Head
	freeze
}

// freeze is the command that FreezeCoat gives.
type freeze struct {
	Coat   int64  `json:"coat"`
	From   int64  `json:"from_ms"`
	To     int64  `json:"to_ms"`
	Trace  string `json:"trace_sha256"`
	Advice string `json:"advice_sha256"`
	Probes string `json:"probes_sha256"`
	Limits string `json:"limits_sha256"`
	Alerts string `json:"alerts_sha256"`
	Model  string `json:"model"`
	Reason string `json:"reason,omitempty"`
}

// Kind is "freeze-coat".
func (freeze) Kind() string { return "freeze-coat" }

func (p freeze) digests() []string { return []string{p.Trace, p.Advice, p.Probes, p.Limits, p.Alerts} }

func (p freeze) check(c *checker) {
	c.exists("coat", classCoat, p.Coat, nil)
	if p.From <= 0 || p.To <= p.From {
		c.fail("to_ms", "%d is not after from_ms, %d", p.To, p.From)
	}
	c.name("model", p.Model)
	c.text("reason", p.Reason)
}

func (p freeze) apply(a *applier) error {
	return a.l.set(classFrozen, &FrozenInfo{Head: a.newHead(), freeze: p})
}

// frozenCommand is a freeze with its contents.
type frozenCommand struct {
	freeze
	contents []content
}

func (p frozenCommand) unload() (Payload, []content, error) { return p.freeze, p.contents, nil }

// FreezeCoat stores the machine's side of a coat, with the digests of its parts in the journal. Call it when a coat ends, in the daemon's
// own name, with a stamp as for any command. A second call for a coat (its end was corrected, or
// its readings were: Reason says so) adds another; the newest holds. The trace must
// decode and the others must be JSON.
func (b *Book) FreezeCoat(ctx context.Context, at Stamp, coat int64, f Frozen) (Result, error) {
	var bad []FieldError
	if f.Alerts == nil {
		f.Alerts = json.RawMessage("null")
	}
	if _, err := DecodeMinutes(f.MinuteTrace); err != nil {
		bad = append(bad, FieldError{Field: "trace", Problem: err.Error()})
	}
	parts := []struct {
		name string
		raw  json.RawMessage
	}{{"advice", f.Advice}, {"probes", f.Probes}, {"limits", f.Limits}, {"alerts", f.Alerts}}
	contents := []content{{media: "application/x-minute-trace", bytes: f.MinuteTrace}}
	for _, p := range parts {
		if !json.Valid(p.raw) {
			bad = append(bad, FieldError{Field: p.name, Problem: "is no JSON"})
		}
		contents = append(contents, content{media: "application/json", bytes: p.raw, pack: true})
	}
	total := 0
	for _, c := range contents {
		total += len(c.bytes)
	}
	if total > mostUnpacked {
		bad = append(bad, FieldError{Field: "trace", Problem: fmt.Sprintf("the parts have %d bytes: at most %d", total, mostUnpacked)})
	}
	if len(bad) > 0 {
		return Result{}, &Invalid{Kind: (freeze{}).Kind(), Fields: bad}
	}
	p := freeze{Coat: coat, From: f.From, To: f.To, Trace: contents[0].digest(), Advice: contents[1].digest(), Probes: contents[2].digest(),
		Limits: contents[3].digest(), Alerts: contents[4].digest(), Model: f.Model, Reason: f.Reason}
	whole, err := canonical(p)
	if err != nil {
		return Result{}, fmt.Errorf("jobbook: freeze coat %d: %w", coat, err)
	}
	key := "freeze " + content{bytes: whole}.digest() // the same again after a crash is one
	return b.Do(ctx, Command{Who: machine, At: at, Key: key, Payload: frozenCommand{freeze: p, contents: contents}})
}

// Frozen gives what was kept of a coat. The error wraps ErrNotFound where nothing was.
func (b *Book) Frozen(ctx context.Context, coat int64) (Frozen, error) {
	s, err := b.State(ctx)
	if err != nil {
		return Frozen{}, err
	}
	for i := len(s.Frozen) - 1; i >= 0; i-- {
		info := s.Frozen[i]
		if info.Coat != coat {
			continue
		}
		parts := make([][]byte, 5)
		var errs []error
		for k, d := range info.digests() {
			var err error
			parts[k], err = loadContent(ctx, b.read, d)
			errs = append(errs, err)
		}
		if err := errors.Join(errs...); err != nil {
			return Frozen{}, fmt.Errorf("jobbook: frozen trace of coat %d: %w", coat, err)
		}
		f := Frozen{From: info.From, To: info.To, MinuteTrace: parts[0], Advice: parts[1], Probes: parts[2], Limits: parts[3], Model: info.Model, Reason: info.Reason}
		if string(parts[4]) != "null" {
			f.Alerts = parts[4]
		}
		return f, nil
	}
	return Frozen{}, fmt.Errorf("jobbook: frozen trace of coat %d: %w", coat, ErrNotFound)
}
