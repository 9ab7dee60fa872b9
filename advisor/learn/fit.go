package learn

import (
	"math"
	"sort"

	"tackline/advisor/cure"
	"tackline/advisor/internal/symmetric"
)

// The unknowns, each in standard deviations of its prior.
const (
	dimSpeed  = iota // the drum
	dimEnergy        // the drum
	dimFilm          // the shed's heat model
	dimBatch         // the batch of the coat that is asked about
	dimOwn           // the film of the coat that is asked about, beside the shed's
	dimFirm
	dimSand
	fixedDims // then two tack marks for each kind
)

const (
	newtonSteps  = 8
	momentSteps  = 10
	newtonDamp   = 0.8
	momentDamp   = 0.7
	lagDeviation = 2.33 // standard deviations behind all others: one in a hundred by chance
	lagRatio     = 1.3  // and at least this much later
	strayBatch   = 0.5  // ln speed of a batch that was measured wrong or not mixed: it is kept, and hardly teaches the drum
	mostSuspects = 3    // coats that are held against all others, which costs a fit each
	strayFrom    = 1.0  // standard deviations beside its interval from which a statement is looked at closely
)

// Fit is what is known of a drum after all findings.
type Fit struct {
	prior  Prior
	coats  []Coat
	kinds  []string
	sites  []site
	mode   []float64   // maximum a posteriori
	mean   []float64   // of the spread around it
	cov    [][]float64 // of the spread
	scale  float64     // by which findings were blurred more, since they contradict each other
	behind []lag       // of each coat
	stray  []bool      // coats that are taken as measured wrong or not mixed; nil for none
	looks  int64
}

// lag is how far a coat lies behind what all others say; ratio 0 where it does not.
type lag struct {
	ratio  float64
	others int64
}

// New fits a drum to its coats. Coats without looks cost nothing and teach nothing. Cost grows with the number of coats that have looks and
// not with that of their looks.
//
// The maximum a posteriori is found by Newton's method; from there each statement is replaced by the normal that has the moments which the
// statement gives it (expectation propagation: Minka, Proc. UAI 17 (2001) 362, from memory), which holds where one-sided statements skew the
// posterior. Where statements lie further from what they say than a finger errs, all are blurred more by the root mean square of their
// distance (Birge's ratio: Phys. Rev. 40 (1932) 207, from memory): contradictions are kept, and widen.
func New(p Prior, coats []Coat) *Fit {
	f := &Fit{prior: p, coats: coats, scale: 1, behind: make([]lag, len(coats))}
	for i := range coats {
		f.kind(coats[i].Kind)
		for _, s := range sites(p, int64(i), &coats[i]) {
			s.slope = make([]float64, 0, 16)
			f.sites = append(f.sites, s)
		}
		f.looks += int64(len(coats[i].Looks))
	}
	f.settle()
	if len(f.sites) == 0 {
		return f
	}
	if f.stray = f.strays(); f.stray != nil {
		f.settle()
	}
	for range 2 {
		if s := f.misfit(); s > 1.05 {
			f.scale *= s
			f.settle()
		}
	}
	return f
}

// Of gives the last coat of a kind, 0 where there is none.
func (f *Fit) Of(kind string) int64 {
	last := int64(0)
	for i := range f.coats {
		if f.coats[i].Kind == kind {
			last = int64(i)
		}
	}
	return last
}

// kind gives the place of a kind's tack marks among the unknowns.
func (f *Fit) kind(k string) int64 {
	for i, x := range f.kinds {
		if x == k {
			return int64(fixedDims + 2*i)
		}
	}
	f.kinds = append(f.kinds, k)
	return int64(fixedDims + 2*(len(f.kinds)-1))
}

// settle finds mode, mean and spread. Coats in out are left out.
func (f *Fit) settle(out ...int64) {
	n := fixedDims + 2*len(f.kinds)
	f.mean = make([]float64, n)
	for i := range f.sites {
		f.sites[i].tau, f.sites[i].nu = 0, 0
	}
	f.cov = f.solve(out)
	for step := range newtonSteps + momentSteps {
		if step == newtonSteps {
			f.mode = append([]float64(nil), f.mean...)
		}
		for i := range f.sites {
			f.place(&f.sites[i])
		}
		for i := range f.sites {
			s := &f.sites[i]
			var tau, nu, damp float64
			if step < newtonSteps {
				tau, nu = s.curvature()
				damp = newtonDamp
			} else {
				tau, nu = s.moments(variance(f.cov, s.slope))
				damp = momentDamp
			}
			s.tau += damp * (tau - s.tau)
			s.nu += damp * (nu - s.nu)
		}
		f.cov = f.solve(out)
		if len(f.sites) == 0 {
			f.mode = append([]float64(nil), f.mean...)
			return
		}
	}
}

// batch gives the spread of a coat's batch around its drum.
func (f *Fit) batch(coat int64) float64 {
	if f.stray != nil && f.stray[coat] {
		return strayBatch
	}
	return f.prior.Batch
}

// natural gives speed, energy and film error of a coat at the present point.
func (f *Fit) natural(u []float64, c *Coat, batch float64) (s, e, b float64) {
	p := &f.prior
	s, e = p.Speed*u[dimSpeed], p.Activation*u[dimEnergy]
	if c.Modelled {
		b = p.Surface * u[dimFilm]
	}
	if c.Now {
		s += batch * u[dimBatch]
		b += c.FilmU * u[dimOwn]
	}
	return s, e, b
}

// place gives a site its ln time, its slopes by the unknowns and its blur at the present point.
func (f *Fit) place(s *site) {
	p, c, u := &f.prior, &f.coats[s.coat], f.mean
	batch, rough := f.batch(s.coat), c.Response.rough(s.mark, p)
	x, e, b := f.natural(u, c, batch)
	g, d := c.Response.at(s.mark, x, e, b)
	s.slope = append(s.slope[:0], make([]float64, len(u))...)
	s.slope[dimSpeed] = d[axisSpeed] * p.Speed
	s.slope[dimEnergy] = d[axisEnergy] * p.Activation
	if c.Modelled {
		s.slope[dimFilm] = d[axisFilm] * p.Surface
	}
	if c.Now {
		s.slope[dimBatch] = d[axisSpeed] * batch
		s.slope[dimOwn] = d[axisFilm] * c.FilmU
		s.sigma = root(f.scale*s.finger, c.BlurLn, rough)
	} else {
		s.sigma = root(f.scale*s.finger, c.BlurLn, rough, batch, d[axisFilm]*c.FilmU)
	}
	if i, sd := f.shift(s.mark, c.Kind); i >= 0 {
		s.slope[i] = sd
		g += sd * u[i]
	}
	s.g = g
}

// shift gives the unknown by which a mark lies elsewhere than on the sheet, and its standard deviation; -1 for none. A window's end is no
// finger's finding: it moves with the drum alone.
func (f *Fit) shift(m cure.Mark, kind string) (dim int64, sd float64) {
	switch m {
	case cure.TackOpens:
		return f.kind(kind), f.prior.Tack
	case cure.TackCloses:
		return f.kind(kind) + 1, f.prior.Tack
	case cure.Firm:
		return dimFirm, f.prior.Hard
	case cure.Sandable:
		return dimSand, f.prior.Hard
	}
	return -1, 0
}

// solve gives the covariance of the normal that prior and sites make, and moves the mean to its own.
func (f *Fit) solve(out []int64) [][]float64 {
	n := len(f.mean)
	precision, eta := symmetric.Zero(n), make([]float64, n)
	for i := range precision {
		precision[i][i] = 1
	}
	for i := range f.sites {
		s := &f.sites[i]
		if s.tau == 0 && s.nu == 0 || has(out, s.coat) {
			continue
		}
		along := s.nu - s.tau*(s.g-symmetric.Dot(s.slope, f.mean)) // of the linear part
		for a, x := range s.slope {
			if x == 0 {
				continue
			}
			eta[a] += along * x
			for b, y := range s.slope {
				precision[a][b] += s.tau * x * y
			}
		}
	}
	cov, _ := symmetric.Inverse(precision) // which is at least the identity
	f.mean = symmetric.Times(cov, eta)
	return cov
}

// strays finds the coats that lag behind what all others say.
func (f *Fit) strays() []bool {
	var stray []bool
	for _, k := range f.suspects() {
		f.settle(k)
		if f.behind[k] = f.lagOf(k); f.behind[k].ratio > 0 {
			if stray == nil {
				stray = make([]bool, len(f.coats))
			}
			stray[k] = true
		}
	}
	f.settle()
	return stray
}

// suspects gives the coat that is asked about, where a finding says that it had not come to a mark, and the few others that lie furthest behind.
func (f *Fit) suspects() []int64 {
	far := map[int64]float64{}
	for i := range f.sites {
		s := &f.sites[i]
		z := (s.lo - s.g) / s.sigma
		switch {
		case math.IsInf(s.lo, -1):
		case f.coats[s.coat].Now:
			far[s.coat] = math.Inf(1)
		case z > strayFrom:
			far[s.coat] = math.Max(far[s.coat], z)
		}
	}
	all := make([]int64, 0, len(far))
	for k := range far {
		all = append(all, k)
	}
	sort.Slice(all, func(a, b int) bool {
		if far[all[a]] != far[all[b]] {
			return far[all[a]] > far[all[b]]
		}
		return all[a] < all[b]
	})
	return all[:min(len(all), mostSuspects)]
}

// lagOf says how far a coat lies behind a fit that was made without it. One that is ahead by another of its findings contradicts itself, and is
// no slow batch.
func (f *Fit) lagOf(k int64) lag {
	others := map[int64]bool{}
	worst := 0.0
	for i := range f.sites {
		s := &f.sites[i]
		if s.coat != k {
			others[s.coat] = true
			continue
		}
		if s.g-s.hi > strayFrom*s.sigma {
			return lag{}
		}
		sd := root(s.sigma, math.Sqrt(variance(f.cov, s.slope)))
		if late := s.lo - s.g; late > lagDeviation*sd && late > math.Log(lagRatio) {
			worst = math.Max(worst, math.Exp(late))
		}
	}
	return lag{ratio: worst, others: int64(len(others))}
}

// misfit is the root mean square of the statements' distance from what they say, in standard deviations.
func (f *Fit) misfit() float64 {
	sum, n := 0.0, 0.0
	for i := range f.sites {
		s := &f.sites[i]
		if f.stray != nil && f.stray[s.coat] {
			continue
		}
		d := math.Max(0, math.Max(s.lo-s.g, s.g-s.hi)) / s.sigma
		sum += d * d
		n++
	}
	if n == 0 {
		return 1
	}
	return math.Sqrt(sum / n)
}

func has(list []int64, x int64) bool {
	for _, y := range list {
		if x == y {
			return true
		}
	}
	return false
}
