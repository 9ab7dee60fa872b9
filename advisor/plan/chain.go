package plan

import (
	"math"

	"tackline/advisor/cure"
)

// What a room of 1 is, by rule: how far from its limit a rule is when it no longer worries. They only order rules that are all kept. Ours.
const (
	marginRoom = 3.0  // K
	dryRoom    = 10.0 // %
	coldRoom   = 5.0  // K
	// moistureRoom is as wide as from good to too wet, %.
	moistureRoom = 4.0
	timeRoom     = 2 * 3600 / Step
)

// chain follows the sequence from start j in member m, as far as it goes, and counts what is not kept.
func (r *runner) chain(j, m int64) {
	var c chain
	c.r, c.m, c.start = r, m, j
	c.cells = r.cells[j*r.nSteps*rules : (j+1)*r.nSteps*rules]
	times := r.times[j*r.nSteps*r.nMembers:]
	c.begin = float64(j * r.in.every())
	if r.in.Beneath != nil {
		c.beneath, c.coated = inSamples(r.in.Beneath[m]), true
	}
	i := int64(0)
	for ; i < r.nSteps && c.take(i); i++ {
		times[i*r.nMembers+m] = float32(c.begin)
	}
	for ; i < r.nSteps; i++ {
		times[i*r.nMembers+m] = -1
	}
	if c.failed == 0 {
		r.met[j]++
	}
	for k := range int64(rules) {
		if c.failed&(1<<k) != 0 {
			r.failed[j*rules+k]++
		}
	}
}

// chain is one start in one member. All times are in samples from the origin.
type chain struct {
	r        *runner
	m, start int64
	cells    []cell
	beneath  cure.SweepMarks
	coated   bool    // beneath is a coat
	begin    float64 // of the step last taken
	free     float64 // from when on she has time for the next
	failed   uint32  // a bit for each rule
}

// far stands for a time without end where it is summed.
const far = 1e6

// note keeps how a rule fares at a step: its room to the limit, below 0 where it is not kept, its number, and when.
func (c *chain) note(step, rule int64, room, value, when float64) {
	value, when = min(max(value, -far), far), min(max(when, -far), far)
	x := &c.cells[step*rules+rule]
	if room < 0 {
		c.failed |= 1 << rule
		x.failed++
		x.value += value
		x.at += when
	}
	if float32(room) < x.room {
		x.room, x.near, x.when = float32(room), float32(value), float32(when)
	}
}

// take brings step i. It is false where the step does not come at all: what would follow it is then not known.
func (c *chain) take(i int64) bool {
	s := &c.r.in.Steps[i]
	opens, closes := math.Inf(-1), cure.Never
	if c.coated {
		opens, closes = s.Wait.span(&c.beneath)
	}
	if i == 0 {
		c.first(opens, closes)
	} else if !c.follow(i, opens, closes) {
		return false
	}
	c.free = c.begin + c.r.work[i]
	if !s.Coat {
		return true
	}
	c.cure(i, s)
	return true
}

// first takes the first step at its start, whatever that means.
func (c *chain) first(opens, closes float64) {
	if opens > c.begin || closes < c.begin {
		c.note(0, window, -1, opens, closes)
	} else if closes != cure.Never {
		c.note(0, window, (closes-c.begin)/timeRoom, opens, closes)
	}
	begin, left, ok := c.r.hours.next(c.begin, c.r.work[0])
	if !ok || begin > c.begin {
		c.note(0, hours, -1, c.begin, c.begin)
	} else {
		c.note(0, hours, left/timeRoom, c.begin, c.begin+left)
	}
}

// follow takes a later step at the first moment of its window in working hours; false where there is none.
func (c *chain) follow(i int64, opens, closes float64) bool {
	if opens == cure.Never {
		c.note(i, horizon, -1, c.begin, c.begin)
		return false
	}
	from := max(opens, c.free, c.begin+c.r.in.Steps[i].AfterMin*60/Step)
	if from > closes {
		c.note(i, window, -1, opens, closes)
		return false
	}
	begin, left, ok := c.r.hours.next(from, c.r.work[i])
	if !ok || begin > closes {
		c.note(i, hours, -1, from, min(closes, float64(c.r.n-1)))
		return false
	}
	if closes != cure.Never {
		c.note(i, window, (closes-begin)/timeRoom, opens, closes)
	}
	c.note(i, hours, left/timeRoom, begin, begin+left)
	c.begin = begin
	return true
}

// cure lets the coat of step i cure, and holds what it goes through against the rules. Once the coat no longer minds, nothing more is held
// against it; the next coat on it goes through its own.
func (c *chain) cure(i int64, s *Task) {
	r, sys := c.r, &c.r.in.Systems[s.System]
	if c.coated = true; r.exact != nil {
		c.beneath = r.exact(s.System, c.m, c.begin)
	} else {
		c.beneath = r.marksFrom(s.System, c.begin)
	}
	end := float64(r.n - 1)
	green, firm, gel := min(c.beneath.RecoatCloses, end), min(c.beneath.Firm, end), min(c.beneath.Gel, end)

	low := r.margin.least(c.begin, green)
	c.note(i, margin, low/marginRoom, low, r.whenLow(&r.margin, low < 0, c.begin, green))
	if limit := sys.HighestSurfaceRHPct; limit > 0 {
		wet := -r.dry.least(c.begin, green)
		room := (limit - wet) / dryRoom
		if wet >= limit {
			room = min(room, -1e-9)
		}
		c.note(i, surfaceRH, room, wet, r.whenLow(&r.dry, room < 0, c.begin, green))
	}
	cold := r.surface.least(c.begin, firm)
	c.note(i, lowest, (cold-sys.LowestC)/coldRoom, cold, r.whenLow(&r.surface, cold < sys.LowestC, c.begin, firm))
	if s.OnTimber {
		c.breathe(i, s, gel)
		if wet := r.in.Limits.MoisturePct; wet != nil {
			c.note(i, moisture, (r.in.Limits.MoistureStopPct-*wet)/moistureRoom, *wet, c.begin)
		}
	}
	if s.UseMin > 0 && len(s.Pot) > 0 {
		lasts := s.working(at(r.in.Members[c.m].AirC, c.begin)) * batchShare
		c.note(i, batch, lasts/s.UseMin-1, lasts, c.begin)
	}
	if c.beneath.RecoatCloses == cure.Never {
		c.note(i, horizon, -1, c.begin, c.begin)
	}
}

// batchShare is the part of a batch's working time that may be used: a tenth stays in hand. Ours.
const batchShare = 0.9

// whenLow looks for the moment of a low only where somebody will be told of it.
func (r *runner) whenLow(l *lows, wanted bool, from, to float64) float64 {
	if !wanted {
		return from
	}
	return l.when(from, to)
}

// breathe holds the growth of the pore gas until gel, from any earlier moment, against the limit.
func (c *chain) breathe(i int64, s *Task, gel float64) {
	r := c.r
	own := s.own(r.surface.at(c.begin))
	low, rise, when := at(r.gas, c.begin)+at(r.gasPerK, c.begin)*own.at(0), 0.0, c.begin
	for k := int64(c.begin) + 1; float64(k) < gel; k++ {
		v := r.gas[k] + r.gasPerK[k]*own.at(float64(k)-c.begin)
		if v-low > rise {
			rise, when = v-low, float64(k)
		}
		low = min(low, v)
	}
	if v := at(r.gas, gel) + at(r.gasPerK, gel)*own.at(gel-c.begin); v-low > rise {
		rise, when = v-low, gel
	}
	limit := r.in.Limits.GasGrowth
	grown := math.Expm1(rise)
	room := math.Inf(1)
	if limit > 0 {
		room = 1 - grown/limit
	}
	if grown > limit {
		room = min(room, -1e-9)
	} else {
		room = max(room, 0)
	}
	c.note(i, outgassing, min(room, 1e6), grown, when)
}

// heat is how far a coat's own reaction has warmed the timber at a surface temperature: between two rows.
type heat struct {
	a, b []float64
	w    float64
}

func (h heat) at(x float64) float64 {
	if len(h.a) == 0 {
		return 0
	}
	if h.w == 0 {
		return at(h.a, x)
	}
	return at(h.a, x) + h.w*(at(h.b, x)-at(h.a, x))
}

func (s *Task) own(surfaceC float64) heat {
	n := len(s.Own)
	if n == 0 {
		return heat{}
	}
	k := 0
	for k < n && s.Own[k].SurfaceC <= surfaceC {
		k++
	}
	if k == 0 || k == n {
		k = min(k, n-1)
		return heat{a: s.Own[k].RiseK, b: s.Own[k].RiseK}
	}
	a, b := &s.Own[k-1], &s.Own[k]
	return heat{a: a.RiseK, b: b.RiseK, w: (surfaceC - a.SurfaceC) / (b.SurfaceC - a.SurfaceC)}
}

// InTime tells whether a batch is used before nine tenths of its working time are over, in air of a temperature in C. What is not known counts
// as in time.
func (s *Task) InTime(airC float64) bool {
	return s.UseMin <= 0 || len(s.Pot) == 0 || s.UseMin <= batchShare*s.working(airC)
}

// working gives how long a batch can be worked at an air temperature, min; held at the ends of the table.
func (s *Task) working(airC float64) float64 {
	p := s.Pot
	k := 0
	for k < len(p) && p[k].AirC <= airC {
		k++
	}
	switch k {
	case 0:
		return p[0].WorkingMin
	case len(p):
		return p[k-1].WorkingMin
	}
	a, b := p[k-1], p[k]
	return a.WorkingMin + (b.WorkingMin-a.WorkingMin)*(airC-a.AirC)/(b.AirC-a.AirC)
}
