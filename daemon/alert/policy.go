package alert

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// Policy is how a person wants to be told.
type Policy struct {
	Quiet        Quiet
	NightWindows NightWindows
	Repeats      map[Severity]Growth // a severity without an entry is not repeated
	FallHold     time.Duration       // a lower severity must last this long before a rise rings again
	ForgetEvents time.Duration       // an Event that was not passed for this long may ring again
	Off          []string            // keys switched off by hand; one that ends in "/" takes everything below it
}

// Quiet are the hours of the night, in minutes after local midnight, [From, To). From equal to To is none. On the day on which clocks go back
// each bound counts when it is first shown; on the day on which they go forward a bound that is skipped counts at the jump.
type Quiet struct {
	From, To int64
	Passes   Severity // this and above pass; 0 is Critical
}

// NightWindows says what to do when a window opens in quiet hours.
type NightWindows struct {
	Wake bool  // tell it at once
	At   int64 // else tell it at this minute after local midnight; at or after Quiet.To
}

// Growth is how repeats grow: First, then First x Factor, and so on up to Max.
type Growth struct {
	First  time.Duration
	Factor float64
	Max    time.Duration
}

// after gives the wait after n repeats have been told.
func (g Growth) after(n int64) time.Duration {
	d := float64(g.First)
	for range n {
		d *= g.Factor
		if d >= float64(g.Max) {
			return g.Max
		}
	}
	return time.Duration(d)
}

// DefaultPolicy is quiet from 22:00 to 06:00 but for what is critical, windows of the night told at 07:00, critical repeated after 10 min and
// warnings after 1 h, each time twice as long later, up to 2 h and 8 h. The figures are ours.
func DefaultPolicy() Policy {
	return Policy{
		Quiet:        Quiet{From: 22 * 60, To: 6 * 60, Passes: Critical},
		NightWindows: NightWindows{At: 7 * 60},
		Repeats: map[Severity]Growth{
			Critical: {First: 10 * time.Minute, Factor: 2, Max: 2 * time.Hour},
			Warning:  {First: time.Hour, Factor: 2, Max: 8 * time.Hour},
		},
		FallHold:     15 * time.Minute,
		ForgetEvents: 7 * 24 * time.Hour,
	}
}

// Validate gives all that is wrong with a policy, each with what would be right.
func (p Policy) Validate() error {
	var errs []error
	minute := func(name string, m int64) {
		if m < 0 || m >= 24*60 {
			errs = append(errs, fmt.Errorf("alert: %s is minute %d of the day: want 0 to 1439", name, m))
		}
	}
	minute("quiet from", p.Quiet.From)
	minute("quiet to", p.Quiet.To)
	minute("night windows at", p.NightWindows.At)
	if p.Quiet.From != p.Quiet.To && !p.NightWindows.Wake && span(p.Quiet.From, p.NightWindows.At) < span(p.Quiet.From, p.Quiet.To) {
		errs = append(errs, errors.New("alert: windows of the night are told before the quiet hours end: want a time at or after their end"))
	}
	if p.Quiet.Passes > Critical {
		errs = append(errs, fmt.Errorf("alert: quiet hours let severity %d pass: want notice, warning or critical", p.Quiet.Passes))
	}
	for _, s := range Severities() {
		if g, ok := p.Repeats[s]; ok && (g.First <= 0 || !(g.Factor >= 1) || g.Max < g.First) {
			errs = append(errs, fmt.Errorf("alert: repeats of %s start at %v, times %v, up to %v: want a first above 0, a factor of 1 or more, "+
				"a longest not below the first", s, g.First, g.Factor, g.Max))
		}
	}
	if p.FallHold < 0 || p.ForgetEvents < 0 {
		errs = append(errs, errors.New("alert: a hold time is below 0"))
	}
	return errors.Join(errs...)
}

func (p Policy) passes(s Severity) bool {
	least := p.Quiet.Passes
	if least == 0 {
		least = Critical
	}
	return s >= least
}

func (p Policy) off(key string) bool {
	for _, o := range p.Off {
		if key == o || strings.HasSuffix(o, "/") && strings.HasPrefix(key, o) {
			return true
		}
	}
	return false
}

// span is the minutes from one time of day to the next such other.
func span(from, to int64) int64 { return ((to-from)%1440 + 1440) % 1440 }

// Contains tells whether an instant lies in the quiet hours of a zone (nil is UTC).
func (q Quiet) Contains(t time.Time, zone *time.Location) bool {
	if q.From == q.To {
		return false
	}
	if zone == nil {
		zone = time.UTC
	}
	year, month, day := t.In(zone).Date()
	for back := range 2 {
		start := firstShown(year, month, day-back, q.From, zone)
		endDay := day - back
		if q.To < q.From {
			endDay++
		}
		end := firstShown(year, month, endDay, q.To, zone)
		if !t.Before(start) && t.Before(end) {
			return true
		}
	}
	return false
}

// firstShown gives the first instant of a civil day at which a wall clock in the zone shows the minute or, where the day skips it, the instant
// of the jump. time.Date does not say which of two it returns, hence the search.
func firstShown(year int, month time.Month, day int, minute int64, zone *time.Location) time.Time {
	shown := time.Date(year, month, day, 0, int(minute), 0, 0, time.UTC)
	near := time.Date(year, month, day, 0, int(minute), 0, 0, zone)
	before, after := near.ZoneBounds()
	looks := []time.Time{near}
	if !before.IsZero() {
		looks = append(looks, before.Add(-time.Second))
	}
	if !after.IsZero() {
		looks = append(looks, after)
	}
	var first time.Time
	for _, look := range looks {
		_, offset := look.Zone()
		t := shown.Add(-time.Duration(offset) * time.Second).In(zone)
		if _, o := t.Zone(); o == offset && (first.IsZero() || t.Before(first)) {
			first = t
		}
	}
	if !first.IsZero() {
		return first
	}
	if !before.IsZero() && near.Sub(before).Abs() <= 24*time.Hour {
		return before.In(zone)
	}
	return after.In(zone)
}
