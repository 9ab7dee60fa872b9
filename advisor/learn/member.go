package learn

import (
	"math"
	"sort"

	"tackline/advisor/cure"
	"tackline/advisor/internal/symmetric"
	"tackline/advisor/trace"
)

// Draws is the number of standard normals that make a Member.
const Draws = 7

// Member is one way in which the coat that is asked about may differ from its sheet.
type Member struct {
	LnSpeed float64    // of its batch against the sheet
	Energy  float64    // kJ/mol above the sheet's
	FilmK   float64    // by how much the film is warmer than it was measured or computed
	Shift   [5]float64 // ln reduced time by which each mark comes later
}

// Spread is the normal from which the members of one coat come.
type Spread struct {
	mean   [Draws]float64
	factor [][]float64
}

// Spread gives what may be of coat i of the fit, findings on itself and on all others taken in.
func (f *Fit) Spread(i int64) Spread {
	p, c, n := &f.prior, &f.coats[i], len(f.mean)
	rows := make([][]float64, Draws)
	for k := range rows {
		rows[k] = make([]float64, n)
	}
	rows[0][dimSpeed] = p.Speed
	rows[1][dimEnergy] = p.Activation
	if c.Modelled {
		rows[2][dimFilm] = p.Surface
	}
	if c.Now {
		rows[0][dimBatch], rows[2][dimOwn] = f.batch(i), c.FilmU
	}
	kind := f.kind(c.Kind)
	rows[3][kind], rows[4][kind+1] = p.Tack, p.Tack
	rows[5][dimFirm], rows[6][dimSand] = p.Hard, p.Hard
	var s Spread
	cov := symmetric.Zero(Draws)
	for a := range rows {
		s.mean[a] = symmetric.Dot(rows[a], f.mean)
		along := symmetric.Times(f.cov, rows[a])
		for b := range rows {
			cov[b][a] = symmetric.Dot(rows[b], along)
		}
	}
	s.factor = symmetric.Factor(cov)
	return s
}

// Member gives the member of a point in standard normals: speed, energy, film, the two tack marks, firm, sandable.
func (s *Spread) Member(z [Draws]float64) Member {
	x := s.mean
	for i := range x {
		x[i] += symmetric.Dot(s.factor[i], z[:])
	}
	return Member{LnSpeed: x[0], Energy: x[1], FilmK: x[2], Shift: [5]float64{x[3], x[4], 0, x[5], x[6]}}
}

// Model gives the model of the member's drum and batch.
func (m *Member) Model(model cure.Model) cure.Model { return drum(model, m.LnSpeed, m.Energy) }

// Run is a coat's course under one member, with its marks where the member has them.
type Run struct {
	cure.Course
	at [5]float64
	ok [5]bool
}

// Run solves the coat along a film without gaps, C, that lacks the member's own error.
func (m *Member) Run(model cure.Model, film trace.Trace, start, until float64) (Run, error) {
	c, err := m.Model(model).Course(warmer(film, m.FilmK), start, until)
	if err != nil {
		return Run{}, err
	}
	r := Run{Course: c}
	for _, mark := range cure.AllMarks() {
		if r.at[mark], r.ok[mark] = c.MarkAt(mark); r.ok[mark] && m.Shift[mark] != 0 {
			r.at[mark], r.ok[mark] = later(&c, r.at[mark], m.Shift[mark])
		}
	}
	for _, mark := range [2]cure.Mark{cure.TackCloses, cure.TackOpens} { // a shift must not put the marks out of order
		if r.ok[mark+1] && (!r.ok[mark] || r.at[mark] > r.at[mark+1]) {
			r.at[mark], r.ok[mark] = r.at[mark+1], true
		}
	}
	for _, mark := range [2]cure.Mark{cure.Firm, cure.Sandable} {
		if !r.ok[mark-1] {
			r.ok[mark] = false
		}
		r.at[mark] = math.Max(r.at[mark], r.at[mark-1])
	}
	return r, nil
}

// later gives the time at which the reduced time of at, times exp(shift), has passed; ok is false where the course ends before.
func later(c *cure.Course, at, shift float64) (float64, bool) {
	now, _ := c.ReducedAt(at)
	end, _ := c.ReducedAt(c.End())
	want := now * math.Exp(shift)
	if want > end {
		return 0, false
	}
	from, to := c.Start(), at
	if shift > 0 {
		from, to = at, math.Min(c.End(), at+2*(math.Exp(shift)-1)*(at-c.Start())+1)
		if x, _ := c.ReducedAt(to); x < want {
			to = c.End()
		}
	}
	steps := sort.Search(1<<20, func(i int) bool {
		x, _ := c.ReducedAt(from + (to-from)*float64(i)/(1<<20))
		return x >= want
	})
	return from + (to-from)*float64(steps)/(1<<20), true
}

// MarkAt gives the time of a mark, Unix seconds; ok is false where it is not reached by End.
func (r *Run) MarkAt(m cure.Mark) (at float64, ok bool) {
	if m < cure.TackOpens || m > cure.Sandable {
		return 0, false
	}
	return r.at[m], r.ok[m]
}
