package poll

import (
	"math"
	"time"

	"tackline/daemon/clock"
	"tackline/sensors"
)

// Limit is what a quantity can do at a place.
type Limit struct {
	Low, High float64       // the readings that can be, in the unit of the quantity
	Tolerance float64       // a change of this much is believed however sudden
	PerMinute float64       // and this much more for each minute since the last reading that was believed
	FlatAfter time.Duration // bit-identical for this long is a notice; 0 never
}

// DefaultLimits gives the limits used where none are set. All are ours: what a shed's air, a panel in the sun or a barometer in a storm does,
// with room to spare.
func DefaultLimits() map[sensors.Quantity]Limit {
	return map[sensors.Quantity]Limit{
		sensors.Temperature: {Low: -40, High: 85, Tolerance: 1.5, PerMinute: 1.5, FlatAfter: 6 * time.Hour},
		sensors.Humidity:    {Low: 0, High: 100, Tolerance: 8, PerMinute: 12, FlatAfter: 6 * time.Hour},
		sensors.Pressure:    {Low: 600, High: 1100, Tolerance: 1, PerMinute: 0.5, FlatAfter: 6 * time.Hour},
		sensors.Moisture:    {Low: 0, High: 250, Tolerance: 1, PerMinute: 0.2},
	}
}

const (
	railHigh  = 99.9          // % humidity: the chip may be clamping
	railLow   = 0.1           // likewise
	aheadMS   = 5 * 60 * 1000 // a reading stamped further ahead of a set clock is of the future
	flatLeast = 100           // readings that must be alike, so that a trace with few rows is not taken for a frozen one
	// A thermometer with steps as coarse as this stays on one step for days in a still shed.
	coarse      = 0.05
	coarseAfter = 96 * time.Hour
)

// channel is one quantity of one probe. Its filter never latches: a reading that is too far from the last one believed is held back; if it
// comes back, what was held was a spike; if the readings after it agree with it, it was true and all are believed.
type channel struct {
	q       sensors.Quantity
	limit   Limit
	confirm int64

	known  bool // last and lastAt hold a reading that was believed
	last   float64
	lastAt int64
	held   []held
	newest int64 // newest At of readings with a time of their own

	any   bool // raw holds a reading
	raw   float64
	since int64   // when raw took its value
	alike int64   // readings since
	grain float64 // the least step seen
}

type held struct {
	rec  Record
	axis int64
}

func newChannel(q sensors.Quantity, limit Limit, confirm int64) *channel {
	return &channel{q: q, limit: limit, confirm: confirm, newest: math.MinInt64}
}

// judge gives the records that can be handed on now, in the order of time: those held back that are settled, and the new one unless it is
// held back itself. own says that the reading has a time of its own; changes are then measured by that, else by the time since boot, which no
// step of the wall clock disturbs.
func (c *channel) judge(rec Record, own bool, stamp clock.Stamp, e *entry) []Record {
	axis, late := rec.Mono, false
	if own {
		axis, late = rec.At, rec.At < c.newest
	}
	if !late {
		c.track(rec.Raw, axis, e)
	}
	if rec.Status == sensors.OK {
		rec.Status = c.alone(rec, axis, stamp, e.moved)
	}
	if own && rec.Status != sensors.Future {
		c.newest = max(c.newest, rec.At)
	}
	if late && rec.Status.Usable() {
		rec.Status = sensors.Late
		return []Record{rec}
	}
	if !rec.Status.Usable() {
		return []Record{rec} // known to be bad: neither a measure for others nor measured
	}
	return c.follow(held{rec, axis})
}

// alone judges a reading by itself.
func (c *channel) alone(rec Record, axis int64, stamp clock.Stamp, moved int64) sensors.Status {
	switch {
	case rec.Raw < c.limit.Low || rec.Raw > c.limit.High:
		return sensors.OutOfRange
	case rec.At > stamp.Wall+aheadMS && stamp.State.Trusted():
		return sensors.Future
	case c.q == sensors.Humidity && (rec.Raw >= railHigh || rec.Raw <= railLow):
		return sensors.Saturated
	case c.flat(axis, moved):
		return sensors.Flat
	}
	return sensors.OK
}

// track follows how long the raw value has stood still, how fine its steps are, and when anything of the probe last moved.
func (c *channel) track(raw float64, axis int64, e *entry) {
	if !c.any || raw != c.raw {
		if c.any {
			if d := math.Abs(raw - c.raw); c.grain == 0 || d < c.grain {
				c.grain = d
			}
		}
		c.any, c.raw, c.since, c.alike = true, raw, axis, 0
		e.moved = max(e.moved, axis)
	}
	c.alike++
}

// flat tells whether the value has been bit-identical for too long, and no other quantity of the probe has moved.
func (c *channel) flat(axis, moved int64) bool {
	after := c.limit.FlatAfter
	if after == 0 || c.alike < flatLeast {
		return false
	}
	if c.grain == 0 || c.grain >= coarse {
		after = max(after, coarseAfter)
	}
	return axis-c.since >= after.Milliseconds() && axis-moved >= after.Milliseconds()
}

// near tells whether a change from a to b is possible in the time between.
func (c *channel) near(a float64, aAt int64, b float64, bAt int64) bool {
	return math.Abs(b-a) <= c.limit.Tolerance+c.limit.PerMinute*math.Max(0, float64(bAt-aAt))/60_000
}

// goesOn tells whether a reading goes on where those held back were going: near the last of them, or further the same way by a smaller step,
// as a probe settles after a door has opened on it.
func (c *channel) goesOn(h held) bool {
	n := len(c.held)
	end := c.held[n-1]
	if c.near(end.rec.Raw, end.axis, h.rec.Raw, h.axis) {
		return true
	}
	before := c.last
	if n > 1 {
		before = c.held[n-2].rec.Raw
	}
	was, is := end.rec.Raw-before, h.rec.Raw-end.rec.Raw
	return was*is > 0 && math.Abs(is) < math.Abs(was)
}

// follow judges a reading by those before it.
func (c *channel) follow(h held) []Record {
	v := h.rec.Raw
	if !c.known {
		c.believe(h)
		return []Record{h.rec}
	}
	if c.near(c.last, c.lastAt, v, h.axis) {
		out := c.settle(v, h.axis)
		c.believe(h)
		return append(out, h.rec)
	}
	var out []Record
	if len(c.held) > 0 && !c.goesOn(h) {
		out = c.giveUp() // it agrees with nothing so far
	}
	c.held = append(c.held, h)
	if int64(len(c.held)) < c.confirm {
		return out
	}
	for _, k := range c.held {
		out = append(out, k.rec)
	}
	c.held = c.held[:0]
	c.believe(h)
	return out
}

// settle names what was held back, now that a reading has come that is believed: spikes if it came back, true if it stayed near them.
func (c *channel) settle(v float64, axis int64) []Record {
	n := len(c.held)
	if n == 0 {
		return nil
	}
	end := c.held[n-1]
	stayed := c.near(end.rec.Raw, end.axis, v, axis) && math.Abs(v-end.rec.Raw) < math.Abs(v-c.last)
	var out []Record
	for _, k := range c.held {
		if !stayed {
			k.rec.Status = sensors.Spike
		}
		out = append(out, k.rec)
	}
	c.held = c.held[:0]
	return out
}

// giveUp hands on what is held back as too fast and not confirmed.
func (c *channel) giveUp() []Record {
	var out []Record
	for _, k := range c.held {
		k.rec.Status = sensors.TooFast
		out = append(out, k.rec)
	}
	c.held = c.held[:0]
	return out
}

func (c *channel) believe(h held) { c.known, c.last, c.lastAt = true, h.rec.Raw, h.axis }
