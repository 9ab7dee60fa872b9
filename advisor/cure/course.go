package cure

import (
	"fmt"
	"math"
	"sort"

	"tackline/advisor/trace"
)

// Course is how a thin coat cures along a film temperature, from its start to the last moment that the film is known for. Times are Unix
// seconds. Where the film has gaps the course bridges them by a straight line, and cold and warm are what it would be if they had been as
// cold, or as warm, as anything measured near them: the truth lies between as far as one can tell, and nothing is taken as time stood still.
type Course struct {
	m          Model
	start      float64
	end        float64 // s from start
	steps      []step
	at         [events]float64 // s from start
	found      [events]bool
	red0       float64 // reduced time, speed included, that the start conversion is worth; where the curve serves
	gaps       []trace.Span
	cold, warm *Course
}

// Course solves the coat that was spread at start (Unix seconds) along the film's temperature in C, linear between its samples, up to
// until or to the film's last sample, whichever is first. Steps over the film's MaxGap, and time before its first sample, are gaps. Conversion
// is within 1e-6 of the exact solution on films of -5 to 35 C, however rough. ErrNoTemperature where the film has nothing at all to say.
func (m Model) Course(film trace.Trace, start, until float64) (Course, error) {
	return m.CourseWith(film, start, until, Options{})
}

// CourseWith is Course with options.
func (m Model) CourseWith(film trace.Trace, start, until float64, opt Options) (Course, error) {
	if err := checkFilm(film, start, until); err != nil {
		return Course{}, err
	}
	last, _, ok := film.Last()
	first, _ := film.First()
	if !ok || last <= start || first >= until {
		return Course{}, ErrNoTemperature
	}
	end := math.Min(until, last)
	gaps := film.Gaps(start, end)
	if len(gaps) == 0 {
		return m.solve(film, start, end, opt)
	}
	c, err := m.solve(bridge(film, gaps, straight), start, end, opt)
	if err != nil {
		return Course{}, err
	}
	c.gaps = gaps
	for _, side := range []struct {
		way bridging
		to  **Course
	}{{coldest, &c.cold}, {warmest, &c.warm}} {
		one, err := m.solve(bridge(film, gaps, side.way), start, end, opt)
		if err != nil {
			return Course{}, err
		}
		*side.to = &one
	}
	return c, nil
}

// checkFilm refuses what no film can be.
func checkFilm(film trace.Trace, start, until float64) error {
	if err := film.Check(); err != nil {
		return fmt.Errorf("cure: film temperature: %w", err)
	}
	if !(until > start) || math.IsInf(start, 0) || math.IsInf(until, 0) {
		return fmt.Errorf("cure: course from %g to %g s: want an end after its start", start, until)
	}
	for i, v := range film.V {
		if v < lowestFilmC || v > highestFilmC {
			return fmt.Errorf("cure: film temperature of sample %d is %g C: want %g to %g C", i, v, lowestFilmC, highestFilmC)
		}
	}
	return nil
}

// Start gives the time at which the coat was spread.
func (c *Course) Start() float64 { return c.start }

// End gives the time up to which the course is known; it is before until where the film ends first.
func (c *Course) End() float64 { return c.start + c.end }

// Gaps lists the stretches that had no temperature and were bridged.
func (c *Course) Gaps() []trace.Span { return c.gaps }

// GapMinutes gives their sum in minutes.
func (c *Course) GapMinutes() float64 {
	sum := 0.0
	for _, g := range c.gaps {
		sum += g.Len()
	}
	return sum / 60
}

// find gives the step of a time and the place in it; ok is false outside [Start, End].
func (c *Course) find(at float64) (s *step, x float64, ok bool) {
	t := at - c.start
	if len(c.steps) == 0 || !(t >= 0 && t <= c.end) {
		return nil, 0, false
	}
	i := sort.Search(len(c.steps), func(k int) bool { return c.steps[k].t > t }) - 1
	s = &c.steps[i]
	return s, math.Min((t-s.t)/s.h, 1), true
}

// ConversionAt gives the conversion at a time, 0..1; ok is false outside [Start, End].
func (c *Course) ConversionAt(at float64) (a float64, ok bool) {
	s, x, ok := c.find(at)
	if !ok {
		return 0, false
	}
	if c.m.curve == nil {
		return math.Min(math.Max(s.a.at(x), 0), 1), true
	}
	hint := 0
	return c.m.curve.conversion(c.m.law.speed*s.red.at(x)+c.red0, &hint), true
}

// TgAt gives Tg in C at a time; ok is false outside [Start, End].
func (c *Course) TgAt(at float64) (tgC float64, ok bool) {
	a, ok := c.ConversionAt(at)
	if !ok {
		return 0, false
	}
	return c.m.law.tg(a), true
}

// FilmAt gives the film temperature in C that the course used at a time, bridged where it had to be; ok is false outside [Start, End].
func (c *Course) FilmAt(at float64) (tempC float64, ok bool) {
	s, x, ok := c.find(at)
	if !ok {
		return 0, false
	}
	return s.temp + s.slope*x*s.h, true
}

// ReducedAt gives the seconds at 25 C that the time from Start to at is worth; ok is false outside [Start, End].
func (c *Course) ReducedAt(at float64) (seconds float64, ok bool) {
	s, x, ok := c.find(at)
	if !ok {
		return 0, false
	}
	return s.red.at(x), true
}

// ConversionBetween gives the lowest and highest conversion at a time that the gaps leave open; both are ConversionAt without gaps.
func (c *Course) ConversionBetween(at float64) (low, high float64, ok bool) {
	low, ok = c.ConversionAt(at)
	high = low
	if c.cold == nil || !ok {
		return low, high, ok
	}
	for _, side := range []*Course{c.cold, c.warm} {
		a, _ := side.ConversionAt(at)
		low, high = math.Min(low, a), math.Max(high, a)
	}
	return low, high, true
}

// GelAt gives the time of the gel point; ok is false where it is not reached by End.
func (c *Course) GelAt() (at float64, ok bool) {
	if !c.found[eventGel] {
		return 0, false
	}
	return c.start + c.at[eventGel], true
}

// MarkAt gives the time of a mark; ok is false where it is not reached by End. RecoatCloses is never later than the sheet's time scaled
// by reduced time, and both tack marks are never later than RecoatCloses: with marks carried by Tg. By conversion all are as given.
func (c *Course) MarkAt(mark Mark) (at float64, ok bool) {
	if mark < TackOpens || mark > Sandable {
		return 0, false
	}
	t, ok := c.at[mark], c.found[mark]
	if c.m.marks.byTg && mark <= RecoatCloses {
		for _, e := range [2]int{int(RecoatCloses), eventReduced} {
			if c.found[e] && (!ok || c.at[e] < t) {
				t, ok = c.at[e], true
			}
		}
	}
	if !ok {
		return 0, false
	}
	return c.start + t, true
}

// MarkBetween gives the earliest and the latest time of a mark that the gaps leave open; both are MarkAt without gaps. lateOK is false
// where one of the ways to bridge them does not reach the mark by End.
func (c *Course) MarkBetween(mark Mark) (early, late float64, earlyOK, lateOK bool) {
	early, earlyOK = c.MarkAt(mark)
	late, lateOK = early, earlyOK
	if c.cold == nil {
		return early, late, earlyOK, lateOK
	}
	for _, side := range []*Course{c.cold, c.warm} {
		at, ok := side.MarkAt(mark)
		if ok && (!earlyOK || at < early) {
			early, earlyOK = at, true
		}
		lateOK = lateOK && ok
		late = math.Max(late, at)
	}
	if !lateOK {
		late = 0
	}
	return early, late, earlyOK, lateOK
}
