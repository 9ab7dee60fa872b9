package cure

import (
	"fmt"
	"math"
	"sort"

	"tackline/advisor/units"
)

// Never is the time of a mark that is not reached by the end of the film.
const Never = math.MaxFloat64

// SweepMarks are the marks of a coat in seconds from the first sample of the film, Never where the film ends before. Without `Sandable`: a
// Sweep serves what must follow what, and sanding is days away.
type SweepMarks struct {
	TackOpens, TackCloses, RecoatCloses, Firm, Gel float64
}

// Sweep gives the marks of a coat for every start on an even grid of one film at once: what a plan asks hundreds of starts times hundreds of
// members for. It is the same law as Course, in another order of work. With y the reduced time that a conversion is worth without diffusion,
//
//	dy/dt = s A(T) V(a(y), T)
//
// and V, the diffusion factor, is 1 within 0.002 until shortly before the film turns glassy. Up to there a mark is one look-up in the film's
// cumulative reduced time, shared by all starts; from there on the grid is stepped by the midpoint rule with V from tables.
//
// Against Course, on films sampled each quarter of an hour and linear between, as cold as stalls a coat and with fronts and heaters: tack
// marks and gel within a minute, the later ones within 5 % (of the answer for a film that is off by no more than 0.005 K: where a film is coldest
// just as a mark is near, it comes there or hours later, by a hair). A Sweep is made once for a model (about a millisecond) and never changes.
type Sweep struct {
	m     Model
	of    []sweepCell // on even film temperatures
	steep []float64   // exp(C (a - 1)) on even y
	perY  float64     // 1/spacing of steep
	y     [eventGel + 1]float64
	yAt   func(a float64) float64
}

// sweepCell is what a film temperature decides.
type sweepCell struct {
	arr, q, recoat, firm float64 // A(T), exp(C (1 - ac(T))), y of both marks carried by Tg
}

const (
	sweepLow, sweepHigh = lowestFilmC, highestFilmC
	sweepPerK           = 8     // cells to the kelvin: linear between them A(T) is within 3e-5
	sweepDeep           = 4096  // cells of steep
	sweepNear           = 0.002 // 1 - V from which the grid is stepped
	unreached           = 1e15  // y of what no film gets to, s
)

// NewSweep makes the tables.
func (m Model) NewSweep() *Sweep {
	s := &Sweep{m: m}
	c := m.curve
	if c == nil {
		c = newCurve(m.law)
	}
	s.yAt = func(a float64) float64 {
		if !(a < c.end-1e-9) {
			return unreached
		}
		return c.reduced(a)
	}
	for i, a := range m.marks.conv {
		s.y[i] = s.yAt(a)
	}
	s.y[eventGel], s.y[eventReduced] = s.yAt(m.gel), m.marks.recoatSec*m.law.arrhenius(m.marks.sheetC)
	n := int64((sweepHigh-sweepLow)*sweepPerK) + 1
	s.of = make([]sweepCell, n+1)
	for i := range s.of {
		t := sweepLow + float64(i)/sweepPerK
		cell := sweepCell{arr: m.law.arrhenius(t), recoat: s.y[RecoatCloses], firm: s.y[Firm]}
		if m.marks.byTg {
			cell.recoat = s.yAt(max(0, m.law.conversionOfTg(t+m.marks.above[RecoatCloses])))
			cell.firm = s.yAt(max(0, m.law.conversionOfTg(t+m.marks.above[Firm])))
		}
		if m.law.diffusion {
			cell.q = math.Exp(m.law.steep * (1 - m.law.conversionOfTg(t+m.law.offset)))
		}
		s.of[i] = cell
	}
	if m.law.diffusion {
		end := s.yAt(0.98 * c.end)
		s.perY = sweepDeep / end
		s.steep = make([]float64, sweepDeep+2)
		hint := 0
		for i := range s.steep {
			s.steep[i] = math.Exp(m.law.steep * (c.conversion(float64(i)/s.perY, &hint) - 1))
		}
	}
	return s
}

// cell gives the row of a temperature, linear between rows.
func (s *Sweep) cell(tempC float64) sweepCell {
	x := (tempC - sweepLow) * sweepPerK
	i := int64(x)
	w := x - float64(i)
	a, b := &s.of[i], &s.of[i+1]
	return sweepCell{a.arr + w*(b.arr-a.arr), a.q + w*(b.q-a.q), a.recoat + w*(b.recoat-a.recoat), a.firm + w*(b.firm-a.firm)}
}

// open gives V for a coat at y over a film with q.
func (s *Sweep) open(y, q float64) float64 {
	if s.steep == nil {
		return 1
	}
	x := y * s.perY
	if x >= sweepDeep {
		x = sweepDeep
	}
	i := int64(x)
	p := s.steep[i] + (x-float64(i))*(s.steep[i+1]-s.steep[i])
	return 1 / (1 + p*q)
}

// SweepRun is the memory of one run, to be used again for the next film. It is not for two runs at once.
type SweepRun struct {
	red, red0, red1, red2 []float64 // reduced time at each sample, and A(T) within each step as red0 + red1 x + red2 x^2
	q, recoat, firm       []float64 // q in the middle of each step, both y at each sample
	step                  float64
}

// SweepDrum is how a drum and a builder's marks differ from the sheet.
type SweepDrum struct {
	Speed    float64    // times as fast as the model says; over 0
	EnergyKJ float64    // kJ/mol of activation energy above the model's; the rates at the sheet's own temperature stay
	Later    [4]float64 // ln reduced time by which TackOpens, TackCloses, RecoatCloses and Firm come later; 0 is as the model has them
}

// Run gives the marks for starts at the first n samples of a film in C, one sample each step seconds, for a drum; n is the length of out. Gel
// is looked for where it is wanted, since a cold film may never get there; else it is Never. A mark that is moved keeps its order: tack marks
// are not later than the end of green, firm is not before it.
// A film outside -60..150 C or a speed not over 0 is an error.
func (s *Sweep) Run(r *SweepRun, filmC []float64, step float64, d SweepDrum, gel bool, out []SweepMarks) error {
	speed := d.Speed
	if !(speed > 0) || math.IsInf(speed, 0) || !(step > 0) || len(out) > len(filmC) || len(filmC) < 2 {
		return fmt.Errorf("cure: sweep at speed %g over %d samples of %g s for %d starts: want a speed and a step over 0, and a film as long as the starts",
			speed, len(filmC), step, len(out))
	}
	lowest, err := s.prepare(r, filmC, step, d.EnergyKJ)
	if err != nil {
		return err
	}
	w := sweepWork{s: s, r: r, speed: speed * s.m.law.speed, late: lowest}
	limit := s.y[eventReduced] / max(1, s.m.scaled*speed)
	moved := d.Later != [4]float64{}
	for k := range out {
		from := r.red[k]
		var o SweepMarks
		o.TackOpens = w.early(&w.opens, from, s.y[TackOpens])
		o.TackCloses = w.early(&w.closes, from, s.y[TackCloses])
		if o.Gel = Never; gel {
			o.Gel = w.early(&w.gel, from, s.y[eventGel])
		}
		w.step(k, gel, &o)
		if s.m.marks.byTg {
			o.RecoatCloses = min(o.RecoatCloses, r.find(&w.cap, from+limit))
			o.TackOpens, o.TackCloses = min(o.TackOpens, o.RecoatCloses), min(o.TackCloses, o.RecoatCloses)
		}
		if moved {
			r.move(&o, from, d.Later)
		}
		out[k] = o
	}
	return nil
}

// move brings marks of a coat that began at reduced time from to where a drum has them.
func (r *SweepRun) move(o *SweepMarks, from float64, later [4]float64) {
	for i, at := range [...]*float64{&o.TackOpens, &o.TackCloses, &o.RecoatCloses, &o.Firm} {
		if later[i] == 0 || *at == Never {
			continue
		}
		k, last := int64(*at/r.step), int64(len(r.red))-1
		red := r.red[last]
		if k < last {
			x := *at/r.step - float64(k)
			red = r.red[k] + r.step*x*(r.red0[k]+x*(r.red1[k]/2+x*r.red2[k]/3))
		}
		want := from + (red-from)*math.Exp(later[i])
		found := int64(sort.SearchFloat64s(r.red, want)) - 1
		if found = max(found, 0); found >= last {
			*at = Never
			continue
		}
		*at = (float64(found) + r.within(found, want-r.red[found])) * r.step
	}
	o.TackCloses = min(o.TackCloses, o.RecoatCloses)
	o.TackOpens = min(o.TackOpens, o.TackCloses)
	o.Firm = max(o.Firm, o.RecoatCloses)
}

// prepare lays the tables along a film, and gives the y from which the grid is stepped.
func (s *Sweep) prepare(r *SweepRun, filmC []float64, step, energyKJ float64) (late float64, err error) {
	perK, sheet := energyKJ*1000/units.GasConstant, 1/(s.m.marks.sheetC+units.ZeroCelsius)
	row := func(t float64) sweepCell {
		c := s.cell(t)
		if perK != 0 {
			c.arr *= math.Exp(perK * (sheet - 1/(t+units.ZeroCelsius)))
		}
		return c
	}
	n := len(filmC)
	r.step = step
	for _, v := range []*[]float64{&r.red, &r.red0, &r.red1, &r.red2, &r.q, &r.recoat, &r.firm} {
		if cap(*v) < n {
			*v = make([]float64, n)
		}
		*v = (*v)[:n]
	}
	late, most := unreached, 0.0
	var before sweepCell
	for k, t := range filmC {
		if !(t >= sweepLow && t <= sweepHigh) {
			return 0, fmt.Errorf("cure: film temperature of sample %d is %g C: want %g to %g C", k, t, sweepLow, sweepHigh)
		}
		c := row(t)
		r.recoat[k], r.firm[k] = c.recoat, c.firm
		late, most = min(late, min(c.recoat, c.firm)), max(most, c.q)
		if k == 0 {
			r.red[0] = 0
		} else {
			mid := row((t + filmC[k-1]) / 2)
			i := k - 1
			r.q[i] = mid.q
			r.red0[i] = before.arr
			r.red1[i] = -3*before.arr + 4*mid.arr - c.arr
			r.red2[i] = 2*before.arr - 4*mid.arr + 2*c.arr
			r.red[k] = r.red[i] + step*(before.arr+4*mid.arr+c.arr)/6
		}
		before = c
	}
	if s.steep != nil { // a where C (a - ac) = ln(near), for the coldest sample
		near := 1 + math.Log(sweepNear/most)/s.m.law.steep
		late = min(late, s.yAt(max(0, near)))
	}
	return late, nil
}

// sweepWork is the walk of all starts along one film. Later starts reach everything later, so that each mark's place only moves on.
type sweepWork struct {
	s                              *Sweep
	r                              *SweepRun
	speed, late                    float64
	opens, closes, gel, cap, enter int64
}

// early gives when y is reached while V is 1, or Never where that is for the stepping to find.
func (w *sweepWork) early(at *int64, from, y float64) float64 {
	if y > w.late {
		return Never
	}
	return w.r.find(at, from+y/w.speed)
}

// find gives when the film's reduced time passes a target, from the step at on.
func (r *SweepRun) find(at *int64, target float64) float64 {
	i, last := *at, int64(len(r.red))-1
	for i < last && r.red[i+1] < target {
		i++
	}
	*at = i
	if i >= last {
		return Never
	}
	return (float64(i) + r.within(i, target-r.red[i])) * r.step
}

// within gives the share of step i in which its reduced time grows by more: the root of a cubic that rises, by Newton.
func (r *SweepRun) within(i int64, more float64) float64 {
	a, b, c := r.red0[i], r.red1[i]/2, r.red2[i]/3
	more /= r.step
	x := more / (a + b + c)
	for range 3 {
		x -= (x*(a+x*(b+x*c)) - more) / (a + x*(2*b+x*3*c))
	}
	return min(max(x, 0), 1)
}

// step follows the coat of start k from where V leaves 1 until it is firm, and fills in the marks that come there.
func (w *sweepWork) step(k int, gel bool, o *SweepMarks) {
	s, r := w.s, w.r
	o.RecoatCloses, o.Firm = Never, Never
	from := r.red[k] + w.late/w.speed
	at := r.find(&w.enter, from)
	if at == Never {
		return
	}
	y, now := w.late, from
	last := int64(len(r.red)) - 1
	x := at/r.step - float64(w.enter)
	opens, closes := o.TackOpens == Never, o.TackCloses == Never
	gel = gel && o.Gel == Never
	for i := w.enter; i < last; i++ {
		dRed := w.speed * (r.red[i+1] - now)
		v := s.open(y, r.q[i])
		v = s.open(y+dRed*v/2, r.q[i])
		end := y + dRed*v
		if opens && end >= s.y[TackOpens] {
			o.TackOpens, opens = r.inside(i, now, (s.y[TackOpens]-y)/(v*w.speed)), false
		}
		if closes && end >= s.y[TackCloses] {
			o.TackCloses, closes = r.inside(i, now, (s.y[TackCloses]-y)/(v*w.speed)), false
		}
		if gel && end >= s.y[eventGel] {
			o.Gel, gel = r.inside(i, now, (s.y[eventGel]-y)/(v*w.speed)), false
		}
		if o.RecoatCloses == Never && end >= r.recoat[i+1] {
			o.RecoatCloses = r.crossing(i, x, y, end, r.recoat)
		}
		if o.Firm == Never && end >= r.firm[i+1] {
			o.Firm = r.crossing(i, x, y, end, r.firm)
		}
		if o.Firm != Never && !gel && (s.m.marks.byTg || !opens && !closes) { // by Tg, the end of green caps both tack marks
			return
		}
		y, now, x = end, r.red[i+1], 0
	}
}

// inside gives the time in step i at which reduced time has grown by more since now.
func (r *SweepRun) inside(i int64, now, more float64) float64 {
	return (float64(i) + r.within(i, now+more-r.red[i])) * r.step
}

// crossing gives the time in step i, from x of it on, at which y passes a mark that moves with the film.
func (r *SweepRun) crossing(i int64, x, y, end float64, mark []float64) float64 {
	before := y - (mark[i] + x*(mark[i+1]-mark[i]))
	after := end - mark[i+1]
	share := 1.0
	if before >= 0 {
		share = 0
	} else if after > before {
		share = before / (before - after)
	}
	return (float64(i) + x + share*(1-x)) * r.step
}
