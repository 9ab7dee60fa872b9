package daemon

import (
	"context"
	"fmt"
	"sort"
	"strings"
	"time"

	"tackline/daemon/assess"
	"tackline/daemon/jobbook"
	"tackline/daemon/store"
	"tackline/dashboard"
	"tackline/sensors"
)

// handReach is how far back readings taken by hand are looked for in the store when the daemon starts, in ms.
const handReach = 18 * 86_400_000

// keepHand copies what was read by hand into the readings, where history and charts look. The job book has the facts: advice rests on those, and
// what an undo takes back there is not used any more. A time said while the clock was unset waits until it is known.
func (d *Daemon) keepHand(ctx context.Context, values []jobbook.HandValue) error {
	var rows []store.Row
	for i := range values {
		h := &values[i]
		if !h.When.Sure() {
			continue
		}
		for _, q := range sensors.Quantities() {
			if v, ok := h.Of(q); ok {
				rows = append(rows, store.Row{Probe: assess.HandProbe(sensors.Place(h.Place), h.Piece), Place: h.Place, Quantity: q, At: h.When.MS,
					Clock: store.ClockSource, Raw: v, Value: v, Status: sensors.ByHand})
			}
		}
	}
	if len(rows) == 0 {
		return nil
	}
	if err := d.store.Append(ctx, rows); err != nil {
		return fmt.Errorf("daemon: keep a reading by hand: %w", err)
	}
	return nil
}

// takeHand keeps the reading that a command entered.
func (d *Daemon) takeHand(ctx context.Context, p jobbook.Payload, id int64) error {
	if _, ok := p.(jobbook.HandReading); !ok {
		return nil
	}
	facts, err := d.book.State(ctx)
	if err != nil {
		return err
	}
	for _, h := range facts.Hand {
		if h.ID == id {
			return d.keepHand(ctx, []jobbook.HandValue{h})
		}
	}
	return nil
}

// bringHand copies what was entered shortly before the daemon ended and did not reach the card.
func (d *Daemon) bringHand(ctx context.Context) error {
	facts, err := d.book.State(ctx)
	if err != nil {
		return err
	}
	channels, err := d.store.Channels(ctx)
	if err != nil {
		return err
	}
	last := map[string]int64{}
	for _, c := range channels {
		last[c.Probe] = max(last[c.Probe], c.Last)
	}
	var missing []jobbook.HandValue
	for _, h := range facts.Hand {
		if h.When.MS > max(last[assess.HandProbe(sensors.Place(h.Place), h.Piece)], d.clock.Now().Wall-handReach) {
			missing = append(missing, h)
		}
	}
	return d.keepHand(ctx, missing)
}

// handLines shows the newest readings by hand of each place like those of a probe, for a day.
func handLines(facts *jobbook.State, now int64, fresh time.Duration) []dashboard.Probe {
	lines := map[string]*dashboard.Probe{}
	for i := range facts.Hand { // by time
		h := &facts.Hand[i]
		if h.When.MS > now || now-h.When.MS > 86_400_000 {
			continue
		}
		name := assess.HandProbe(sensors.Place(h.Place), h.Piece)
		line := lines[name]
		if line == nil {
			line = &dashboard.Probe{Name: name, Place: sensors.Place(h.Place), StaleAfter: fresh}
			if p, ok := facts.Piece(h.Piece); ok {
				line.Piece = p.Name
			}
			lines[name] = line
		}
		line.Seen = at(h.When.MS)
		for _, q := range sensors.Quantities() {
			if v, ok := h.Of(q); ok {
				line.Last = withLast(line.Last, dashboard.Last{Quantity: q, Value: v, At: line.Seen, Status: sensors.ByHand})
			}
		}
	}
	var out []dashboard.Probe
	for _, line := range lines {
		if now-line.Seen.UnixMilli() > fresh.Milliseconds() {
			line.Problem = fmt.Sprintf("read by hand more than %s ago: not used any more", strings.TrimSuffix(strings.TrimSuffix(fresh.String(), "0s"), "0m"))
		}
		out = append(out, *line)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Name < out[j].Name })
	return out
}

// withLast puts the newest of a quantity in the place of the one before it.
func withLast(all []dashboard.Last, l dashboard.Last) []dashboard.Last {
	for i := range all {
		if all[i].Quantity == l.Quantity {
			all[i] = l
			return all
		}
	}
	return append(all, l)
}

// knownByHand tells whether readings are kept under a name that a hand gave.
func knownByHand(facts *jobbook.State, probe string) bool {
	for i := range facts.Hand {
		if assess.HandProbe(sensors.Place(facts.Hand[i].Place), facts.Hand[i].Piece) == probe {
			return true
		}
	}
	return false
}
