package heat

import (
	"fmt"
	"math"

	"tackline/advisor/internal/tridiag"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// gamma is where the trapezoidal stage of TR-BDF2 ends, as a share of the step; at this value both stages have the same matrix.
const gamma = 2 - math.Sqrt2

// Weights of the fluxes at the three times of a TR-BDF2 step in the step's change of energy: beginning, gamma, end.
const (
	weightEarly = math.Sqrt2 / 4
	weightEnd   = gamma / 2
)

// The trapezoidal stage and the beginning of the step, as they enter the BDF2 stage.
const (
	bdfStage = 1 / (gamma * (2 - gamma))
	bdfBegin = (1 - gamma) * (1 - gamma) / (gamma * (2 - gamma))
)

// startSteps is how many steps at the beginning of a stretch are backward Euler in any scheme: a start that does not fit the air, such as
// warm resin on a cold panel, would make TR-BDF2 swing. Two steps leave its order as it is. Source: R. Rannacher, Numer. Math. 43 (1984) 309.
const startSteps = 2

// solver holds one stretch of a run.
type solver struct {
	grid
	front, back  Face
	scheme       Scheme
	air, radiant cursor
	source       func(at, step float64, layer units.Celsius) float64
	t            []float64 // temperatures of the cells at the step's beginning
	rate, stage  []float64 // work space
	factors      []factor
}

// factor is the eliminated matrix of one step length and pair of coefficients; there are four pairs at most, and mostly one.
type factor struct {
	dt, front, back float64 // s, and W/(m2 K) from the outermost cells' middles to the surroundings
	m               *tridiag.Factored
}

// bounds are what the faces meet at one moment: conductance to the surroundings, and their temperature.
type bounds struct{ uFront, tFront, uBack, tBack float64 }

func newSolver(p Panel, g grid, d Drive, from float64) *solver {
	n := len(g.capacity)
	s := &solver{
		grid: g, front: p.Front, back: p.Back, scheme: d.Scheme, source: d.Source,
		air: cursor{t: d.Air}, radiant: cursor{t: d.Radiant},
		t: make([]float64, n), rate: make([]float64, n), stage: make([]float64, n),
	}
	a, _ := s.air.value(from)
	s.start(Uniform(units.Celsius(a)))
	return s
}

func (s *solver) start(p Profile) {
	for i, x := range s.depth {
		t, _ := p.At(x)
		s.t[i] = float64(t)
	}
}

// march steps through a stretch in equal steps no longer than step, recording every one.
func (s *solver) march(span trace.Span, step float64, rec *recorder, bal *Balance) error {
	n := max(1, int64(math.Ceil(span.Len()/step-1e-9)))
	dt := span.Len() / float64(n)
	before := s.stored()
	hFront, hBack := s.coefficients(span.From)
	s.record(span.From, hFront, hBack, rec)
	for k := range n {
		at := span.From + float64(k)*dt
		heat := 0.0
		if s.source != nil {
			heat = s.source(at, dt, units.Celsius(s.coatMean()))
			if math.IsNaN(heat) || math.IsInf(heat, 0) {
				return fmt.Errorf("heat: the source gives %g W/m3 at %s", heat, clock(at))
			}
		}
		end := span.From + float64(k+1)*dt
		if k == n-1 {
			end = span.To
		}
		hFront, hBack = s.coefficients(at)
		scheme := s.scheme
		if k < startSteps {
			scheme = BackwardEuler
		}
		in, err := s.step(scheme, at, end, dt, hFront, hBack, heat)
		if err != nil {
			return err
		}
		bal.In += in
		bal.Released += heat * dt * s.coatThickness()
		s.record(end, hFront, hBack, rec)
	}
	bal.Stored += s.stored() - before
	return nil
}

// coefficients picks each face's coefficient by whether it is warmer than its surroundings now; it is held for the step.
func (s *solver) coefficients(at float64) (front, back float64) {
	a, r := s.around(at)
	n := len(s.t) - 1
	return s.front.total(s.t[0], (a+r)/2), s.back.total(s.t[n], (a+r)/2)
}

func (s *solver) around(at float64) (air, radiant float64) {
	a, _ := s.air.value(at)
	if r, ok := s.radiant.value(at); ok {
		return a, r
	}
	return a, a
}

func (s *solver) bounds(at, hFront, hBack float64) bounds {
	a, r := s.around(at)
	return bounds{
		uFront: inSeries(hFront, s.first), tFront: s.front.around(hFront, a, r),
		uBack: inSeries(hBack, s.last), tBack: s.back.around(hBack, a, r),
	}
}

func inSeries(h, g float64) float64 {
	if h == 0 {
		return 0
	}
	return h * g / (h + g)
}

// step advances the cells from begin to end and gives the heat in J/m2 that came in through the faces. dt is the exact length of the
// step: end - begin has lost its last digits to the size of Unix seconds, and every step would want a matrix of its own.
func (s *solver) step(scheme Scheme, begin, end, dt, hFront, hBack, heat float64) (in float64, err error) {
	if scheme == BackwardEuler {
		b1 := s.bounds(end, hFront, hBack)
		f, err := s.factor(dt, b1)
		if err != nil {
			return 0, err
		}
		for i, t := range s.t {
			s.t[i] = s.capacity[i] * t
		}
		s.addOutside(s.t, b1, heat, dt)
		f.Solve(s.t)
		return dt * s.inflow(s.t, b1), nil
	}
	b0, bg, b1 := s.bounds(begin, hFront, hBack), s.bounds(begin+gamma*dt, hFront, hBack), s.bounds(end, hFront, hBack)
	half := gamma / 2 * dt
	f, err := s.factor(half, b1)
	if err != nil {
		return 0, err
	}
	in = weightEarly * s.inflow(s.t, b0)
	s.rates(b0)
	for i, t := range s.t {
		s.stage[i] = s.capacity[i]*t + half*s.rate[i]
	}
	s.addOutside(s.stage, bg, 2*heat, half) // the source is the same at both ends of the stage
	f.Solve(s.stage)
	in += weightEarly * s.inflow(s.stage, bg)
	for i, t := range s.t {
		s.t[i] = s.capacity[i] * (bdfStage*s.stage[i] - bdfBegin*t)
	}
	s.addOutside(s.t, b1, heat, half)
	f.Solve(s.t)
	return dt * (in + weightEnd*s.inflow(s.t, b1)), nil
}

// rates fills s.rate with the heat flowing into each cell, W/m2, the source left out.
func (s *solver) rates(b bounds) {
	t, rate, link := s.t, s.rate[:len(s.t)], s.link[:len(s.t)]
	flow := b.uFront * (b.tFront - t[0])
	for i := range len(t) - 1 {
		out := link[i] * (t[i] - t[i+1])
		rate[i] = flow - out
		flow = out
	}
	n := len(t) - 1
	rate[n] = flow + b.uBack*(b.tBack-t[n])
}

// addOutside adds to a right-hand side what the surroundings and the source give over a time.
func (s *solver) addOutside(rhs []float64, b bounds, heat, dt float64) {
	rhs[0] += dt * b.uFront * b.tFront
	rhs[len(rhs)-1] += dt * b.uBack * b.tBack
	if heat != 0 {
		for i := range s.coat {
			rhs[i] += dt * heat * s.width[i]
		}
	}
}

func (s *solver) inflow(t []float64, b bounds) float64 {
	return b.uFront*(b.tFront-t[0]) + b.uBack*(b.tBack-t[len(t)-1])
}

// factor gives the eliminated matrix C - dt K.
func (s *solver) factor(dt float64, b bounds) (*tridiag.Factored, error) {
	for _, f := range s.factors {
		if f.dt == dt && f.front == b.uFront && f.back == b.uBack {
			return f.m, nil
		}
	}
	n := len(s.capacity)
	lower, diag, upper := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range n {
		diag[i] = s.capacity[i]
		if i > 0 {
			lower[i] = -dt * s.link[i-1]
			diag[i] += dt * s.link[i-1]
		}
		if i < n-1 {
			upper[i] = -dt * s.link[i]
			diag[i] += dt * s.link[i]
		}
	}
	diag[0] += dt * b.uFront
	diag[n-1] += dt * b.uBack
	m, err := tridiag.Factor(lower, diag, upper)
	if err != nil {
		return nil, fmt.Errorf("heat: %w", err)
	}
	s.factors = append(s.factors, factor{dt, b.uFront, b.uBack, m})
	return m, nil
}

func (s *solver) stored() float64 {
	var sum float64
	for i, t := range s.t {
		sum += s.capacity[i] * t
	}
	return sum
}

func (s *solver) coatMean() float64 {
	var sum float64
	for i := range s.coat {
		sum += s.t[i]
	}
	return sum / float64(s.coat) // the cells of a layer are of one width
}

func (s *solver) coatThickness() float64 { return float64(s.coat) * s.width[0] }

// faces gives the temperatures of the two surfaces, from the flow through the outermost half cells.
func (s *solver) faces(b bounds) (front, back float64) {
	n := len(s.t) - 1
	return s.t[0] + b.uFront/s.first*(b.tFront-s.t[0]), s.t[n] + b.uBack/s.last*(b.tBack-s.t[n])
}

func (s *solver) record(at, hFront, hBack float64, rec *recorder) {
	front, back := s.faces(s.bounds(at, hFront, hBack))
	i, w := rec.core.i, rec.core.w
	rec.at = append(rec.at, at)
	rec.front = append(rec.front, front)
	rec.back = append(rec.back, back)
	rec.mid = append(rec.mid, s.t[i]+w*(s.t[i+1]-s.t[i]))
	rec.coat = append(rec.coat, s.coatMean())
}

func (s *solver) profile() Profile {
	p := Profile{Depth: append([]float64(nil), s.depth...)}
	for _, t := range s.t {
		p.T = append(p.T, units.Celsius(t))
	}
	return p
}

// cursor reads a trace at times that mostly rise, without searching it anew each time.
type cursor struct {
	t trace.Trace
	i int // of the sample at or before the time asked last
}

// value is as trace.Trace.Value; where that has none it gives the sample before, and false.
func (c *cursor) value(at float64) (float64, bool) {
	ts := c.t.At
	n := len(ts)
	if n == 0 {
		return 0, false
	}
	for c.i < n-1 && ts[c.i+1] <= at {
		c.i++
	}
	for c.i > 0 && ts[c.i] > at {
		c.i--
	}
	i := c.i
	switch {
	case at == ts[i]:
		return c.t.V[i], true
	case at < ts[i] || i == n-1 || c.t.MaxGap > 0 && ts[i+1]-ts[i] > c.t.MaxGap:
		return c.t.V[i], false
	}
	w := (at - ts[i]) / (ts[i+1] - ts[i])
	return c.t.V[i] + w*(c.t.V[i+1]-c.t.V[i]), true
}
