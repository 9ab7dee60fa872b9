package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"time"

	"tackline/advisor/cure"
	"tackline/daemon/alert"
	"tackline/daemon/jobbook"
	"tackline/daemon/wire"
	"tackline/dashboard"
)

// commands brings what people say on the page into the job book. Every one is in the journal before it is answered.
type commands struct{ d *Daemon }

var _ dashboard.Commands = commands{}
var _ dashboard.Entries = commands{}
var _ dashboard.Photos = commands{}

// Enter does as dashboard.Entries says.
func (c commands) Enter(ctx context.Context, e dashboard.Entry) (dashboard.Receipt, error) {
	p, err := c.d.formed(ctx, e.Kind, e.Fields)
	if err != nil {
		return dashboard.Receipt{}, refusal(err)
	}
	return c.do(ctx, e.Key, e.Who, p)
}

// Photo does as dashboard.Photos says.
func (c commands) Photo(ctx context.Context, p dashboard.PhotoEntry) (dashboard.Receipt, error) {
	return c.do(ctx, p.Key, p.Who, jobbook.AddPhoto{About: jobbook.About(p.About), Caption: p.Caption, Data: p.Data})
}

// formed makes a command of a form's fields.
func (d *Daemon) formed(ctx context.Context, kind string, fields url.Values) (jobbook.Payload, error) {
	raw, err := wire.FromForm(kind, fields, d.o.Config.Shed.Zone)
	if err != nil {
		return nil, err
	}
	p, err := wire.Decode(kind, raw)
	if err != nil {
		return nil, err
	}
	return d.completed(ctx, p)
}

// StartCoat does as dashboard.Commands says.
func (c commands) StartCoat(ctx context.Context, req dashboard.StartCoat) (dashboard.Receipt, error) {
	system, err := c.d.systems.Find(req.System)
	if err != nil {
		return dashboard.Receipt{}, &dashboard.Refusal{Field: "system", Sentence: err.Error()}
	}
	raw, err := json.Marshal(system)
	if err != nil {
		return dashboard.Receipt{}, fmt.Errorf("daemon: system %q: %w", req.System, err)
	}
	p := jobbook.StartCoat{When: millis(req.At), CoatData: jobbook.CoatData{Piece: req.Piece, Kind: req.Kind, SystemName: system.Name, System: raw, ResinC: req.ResinC}}
	if req.Lot != "" {
		p.Note = "lot " + req.Lot
	}
	if req.AmountG != nil && *req.AmountG > 0 {
		p.AmountG = *req.AmountG
		if req.Vessel != "" {
			p.Inline = &jobbook.BatchData{SystemName: system.Name, System: raw, MassG: *req.AmountG, ResinC: req.ResinC, Vessel: req.Vessel}
		}
	}
	return c.do(ctx, req.Key, req.Who, p)
}

// Touch does as dashboard.Commands says.
func (c commands) Touch(ctx context.Context, req dashboard.Touch) (dashboard.Receipt, error) {
	return c.do(ctx, req.Key, req.Who, jobbook.Touch{Coat: req.Coat, State: req.State, When: millis(req.At), Witness: req.Witness})
}

// EndCoat does as dashboard.Commands says. Its trace is frozen by the loop, at once and again until it has worked.
func (c commands) EndCoat(ctx context.Context, req dashboard.EndCoat) (dashboard.Receipt, error) {
	facts, err := c.d.book.State(ctx)
	if err != nil {
		return dashboard.Receipt{}, err
	}
	coat, ok := facts.Coat(req.Coat)
	if !ok {
		return dashboard.Receipt{}, fmt.Errorf("daemon: coat %d: %w", req.Coat, dashboard.ErrNotFound)
	}
	return c.do(ctx, req.Key, req.Who, jobbook.EndCoat{Coat: req.Coat, Saw: coat.Rev, When: millis(req.At)})
}

// Acknowledge does as dashboard.Commands says.
func (c commands) Acknowledge(ctx context.Context, req dashboard.Acknowledge) (dashboard.Receipt, error) {
	for _, s := range c.d.alerts.standing() {
		if alertID(s.Key, s.Since) != req.Alert {
			continue
		}
		if req.Again > 0 {
			return c.do(ctx, req.Key, req.Who, jobbook.Snooze{AlertKey: s.Key, Until: c.d.now().Add(req.Again).UnixMilli()})
		}
		return c.do(ctx, req.Key, req.Who, jobbook.Acknowledge{AlertKey: s.Key})
	}
	return dashboard.Receipt{}, fmt.Errorf("daemon: alert %d: %w", req.Alert, dashboard.ErrNotFound)
}

// do keeps a command and has the loop look at once.
func (c commands) do(ctx context.Context, key, who string, p jobbook.Payload) (dashboard.Receipt, error) {
	r, err := c.d.Do(ctx, key, who, p)
	if err != nil {
		return dashboard.Receipt{}, refusal(err)
	}
	return dashboard.Receipt{ID: r.ID, Repeated: r.Repeat}, nil
}

// Do keeps a command of the job book, stamped now, and has the loop assess at once.
func (d *Daemon) Do(ctx context.Context, key, who string, p jobbook.Payload) (jobbook.Result, error) {
	if who == "" {
		who = "shed"
	}
	if _, ok := p.(jobbook.ClockFound); ok { // by itself it would part what people said from the readings
		return jobbook.Result{}, &jobbook.Invalid{Kind: p.Kind(), Fields: []jobbook.FieldError{{Field: "kind", Problem: "is for the daemon alone: POST /api/v1/clock sets the clock"}}}
	}
	if err := d.wireless.checkBinding(p); err != nil {
		return jobbook.Result{}, err
	}
	if err := d.alerts.obey(ctx, p, who); err != nil {
		return jobbook.Result{}, err
	}
	r, err := d.book.Do(ctx, jobbook.Command{Who: who, At: bookStamp(d.clock.Now()), Key: key, Payload: p})
	if err != nil {
		return r, err
	}
	if u, ok := p.(jobbook.Undo); ok && !r.Repeat {
		if err := d.undone(ctx, u); err != nil {
			return r, err
		}
	}
	if err := d.takeHand(ctx, p, r.ID); err != nil {
		d.log.Error("a reading by hand is in the job book, and not in the history; the next start brings it in", "error", err)
	}
	if err := d.wireless.rebind(ctx); err != nil {
		d.log.Error("nodes could not be bound anew; the next command does it", "error", err)
	}
	d.nudge()
	d.beats.ring()
	return r, nil
}

// undone has the alerts follow an undo.
func (d *Daemon) undone(ctx context.Context, u jobbook.Undo) error {
	rows, err := d.book.Journal(ctx, u.Seq-1, 1)
	if err != nil || len(rows) == 0 {
		return err
	}
	p, err := jobbook.Decode(rows[0].Kind, rows[0].Payload)
	if err != nil {
		return err
	}
	return d.alerts.undone(ctx, p)
}

// refusal turns what a person can mend into the page's words.
func refusal(err error) error {
	var invalid *jobbook.Invalid
	var conflict *jobbook.Conflict
	switch {
	case errors.As(err, &invalid) && len(invalid.Fields) > 0:
		return &dashboard.Refusal{Field: invalid.Fields[0].Field, Sentence: invalid.Fields[0].Problem}
	case errors.As(err, &conflict):
		return &dashboard.Refusal{Sentence: conflict.Error()}
	case errors.Is(err, jobbook.ErrNotFound), errors.Is(err, alert.ErrNotRaised):
		return fmt.Errorf("%w: %w", dashboard.ErrNotFound, err)
	case errors.Is(err, jobbook.ErrNotKept):
		return fmt.Errorf("%w: %w", dashboard.ErrNotKept, err)
	}
	return err
}

func millis(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMilli()
}

// firstSystem is what a piece without a coat is judged by; nil where the config names none.
func (d *Daemon) firstSystem() *cure.System {
	names := append(append([]string(nil), d.o.Config.Systems.Shipped...), d.systems.Names()...)
	for _, prefer := range []string{"medium"} {
		if s, err := d.systems.Find(prefer); err == nil {
			return &s
		}
	}
	for _, n := range names {
		if s, err := d.systems.Find(n); err == nil {
			return &s
		}
	}
	return nil
}
