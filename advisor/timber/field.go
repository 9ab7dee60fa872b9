package timber

import (
	"math"
	"sort"

	"tackline/advisor/internal/tridiag"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// cells is the number of cells through a panel, an even one.
const cells = 16

// moistureStep is the longest step of the diffusion solve in s: a cell of 9 mm timber takes two hours to follow.
const moistureStep = 7200.0

// field is the moisture content through a panel, by finite volumes and backward Euler, which never leaves the bounds of its input.
type field struct {
	front, back bool // open
	gravity     float64
	width       float64 // of a cell, m
	bias        float64 // added to the EMC at the faces
	m           [cells]float64
	share       [cells]float64 // how much of a lasting shift at the faces has arrived, 0..1: a shift of the start is still there by 1 - share
	speed       float64        // D by the mean, at the last step, m2/s
	diffusion   func(t, m float64) float64
	matrix      tridiag.Factored
}

func newField(p Panel, gravity, start, bias float64) *field {
	f := &field{
		front: !p.FrontSealed, back: !p.BackSealed, gravity: gravity, bias: bias,
		width: float64(p.Thickness) / cells,
	}
	f.diffusion = func(t, m float64) float64 {
		return throughPores(boundDiffusion(t, m), voidFraction(gravity, m))
	}
	for i := range f.m {
		f.m[i] = start
	}
	return f
}

func (f *field) mean() float64 { return mean(f.m[:]) }

func (f *field) meanShare() float64 { return mean(f.share[:]) }

func mean(v []float64) float64 {
	var sum float64
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

// step advances both fields by dt seconds at a temperature in C, with the faces at a moisture content in %, and gives D at the mean in m2/s.
// D is taken at the step's beginning.
func (f *field) step(temp, face, dt float64) float64 {
	f.speed = f.diffusion(temp, clampMoisture(f.mean()))
	if dt <= 0 {
		return f.speed
	}
	face = clampMoisture(face + f.bias)
	var d [cells]float64
	for i, m := range f.m {
		d[i] = f.diffusion(temp, clampMoisture(m))
	}
	var lower, diag, upper [cells]float64
	r := dt / (f.width * f.width)
	for i := range cells {
		diag[i]++
		if i > 0 {
			link := r * 2 * d[i] * d[i-1] / (d[i] + d[i-1])
			lower[i] = -link
			upper[i-1] = -link
			diag[i] += link
			diag[i-1] += link
		}
	}
	add := func(i int, link float64) {
		diag[i] += link
		f.m[i] += link * face
		f.share[i] += link
	}
	if f.front {
		add(0, 2*r*d[0])
	}
	if f.back {
		add(cells-1, 2*r*d[cells-1])
	}
	if err := f.matrix.Refactor(lower[:], diag[:], upper[:]); err != nil {
		return f.speed // cannot be: every pivot is 1 or more
	}
	f.matrix.Solve(f.m[:])
	f.matrix.Solve(f.share[:])
	return f.speed
}

// climate is the log of the air as the faces of a panel meet it.
type climate struct {
	airC, rh trace.Trace
	first    float64      // of the common stretch
	some     bool         // there is one
	gaps     []trace.Span // of the estimate's span, in which one of the two is missing
	mean     float64      // EMC of the log's mean air; the first reading where there is no log
}

// begin gives the first time at which both traces have a value.
func (c *climate) begin() (float64, bool) {
	a, ok1 := c.airC.First()
	b, ok2 := c.rh.First()
	if !ok1 || !ok2 {
		return 0, false
	}
	c.first = math.Max(a, b)
	endA, _, _ := c.airC.Last()
	endB, _, _ := c.rh.Last()
	c.some = c.first <= math.Min(endA, endB)
	return c.first, c.some
}

// fill finds the gaps and the mean of the span.
func (c *climate) fill(from, to float64, readings []MeterReading) {
	c.gaps = union(c.airC.Gaps(from, to), c.rh.Gaps(from, to))
	var sum, n float64
	if c.some {
		for at := c.first; at <= to; at += 3 * moistureStep {
			if m, _, ok := c.emcAt(at); ok {
				sum, n = sum+m, n+1
			}
		}
	}
	switch {
	case n > 0:
		c.mean = sum / n
	case len(readings) > 0:
		c.some, c.mean = false, float64(readings[0].Percent)
	}
}

// union merges two rising lists of spans.
func union(a, b []trace.Span) []trace.Span {
	var out []trace.Span
	for len(a) > 0 || len(b) > 0 {
		var s trace.Span
		if len(b) == 0 || len(a) > 0 && a[0].From <= b[0].From {
			s, a = a[0], a[1:]
		} else {
			s, b = b[0], b[1:]
		}
		if n := len(out); n > 0 && s.From <= out[n-1].To {
			out[n-1].To = math.Max(out[n-1].To, s.To)
			continue
		}
		out = append(out, s)
	}
	return out
}

// emcAt gives the EMC and the temperature at a time of the log.
func (c *climate) emcAt(at float64) (m, temp float64, ok bool) {
	t, ok1 := c.airC.Value(at)
	rh, ok2 := c.rh.Value(at)
	if !ok1 || !ok2 {
		return 0, 0, false
	}
	t = math.Max(float64(MinTemperature), math.Min(float64(MaxTemperature), t))
	return emc(t, math.Max(0, math.Min(100, rh))), t, true
}

// samples is how often the log is read within a step.
const samples = 4

// over gives the mean temperature and EMC over a step, and whether the log has them throughout.
func (c *climate) over(from, to float64) (temp, face float64, known bool) {
	known = true
	for i := range samples {
		at := from + (float64(i)+0.5)/samples*(to-from)
		m, t, ok := c.emcAt(at)
		if !ok {
			m, t = c.bridge(at)
			known = false
		}
		temp += t / samples
		face += m / samples
	}
	return temp, face, known
}

// bridge gives EMC and temperature inside a gap: on a line between its ends, or at the one end that there is.
func (c *climate) bridge(at float64) (m, temp float64) {
	const mild = 12 // C, where there is no log at all
	if !c.some {
		return c.mean, mild
	}
	i := sort.Search(len(c.gaps), func(k int) bool { return c.gaps[k].To > at })
	if i == len(c.gaps) {
		return c.mean, mild
	}
	g := c.gaps[i]
	m1, t1, ok1 := c.emcAt(g.From)
	m2, t2, ok2 := c.emcAt(g.To)
	switch {
	case ok1 && ok2:
		w := (at - g.From) / (g.To - g.From)
		return m1 + w*(m2-m1), t1 + w*(t2-t1)
	case ok1:
		return m1, t1
	case ok2:
		return m2, t2
	}
	return c.mean, mild
}

// Through gives the time in s that moisture takes through a panel at a temperature and a moisture content, L2/D: how long a log must be
// before it alone tells. +Inf where both faces are sealed. Ranges and errors as for TransverseDiffusion and Gravity.
func (p Panel) Through(t units.Celsius, moisture units.Percent) (units.Second, error) {
	g, err := Gravity(p.Density12)
	if err != nil {
		return 0, err
	}
	if err := checkThickness(p.Thickness); err != nil {
		return 0, err
	}
	d, err := TransverseDiffusion(t, moisture, g)
	if err != nil {
		return 0, err
	}
	return units.Second(p.path() * p.path() / d), nil
}
