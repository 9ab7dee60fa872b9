package learn

import (
	"math"
	"math/rand/v2"
	"sort"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/cure"
	"tackline/advisor/trace"
)

// sheet is an invented system by the sheet's times.
func sheet() cure.System {
	return cure.System{Name: "medium (invented)", Source: "invented", MixByWeight: [2]float64{100, 34}, MixByVolume: [2]float64{2.5, 1}, DensityKgM3: 1110,
		LowestC: 10, HighestSurfaceRHPct: 85,
		Times: &cure.Times{AtC: 25, TackOpens: 50, TackCloses: 150, RecoatCloses: 300, Firm: 420, Sandable: 720},
		Pot:   &cure.Pot{MassG: 100, Minutes: 22, AtC: 25, DiameterMM: 80, WorkingConversion: 0.2}}
}

// shed gives a film over four days around a mean, C, with a daily swing.
func shed(r *rand.Rand, mean float64) trace.Trace {
	var t trace.Trace
	swing, phase := 1+2*r.Float64(), 2*math.Pi*r.Float64()
	for at := 0.0; at <= 4*86400; at += 1800 {
		t.At, t.V = append(t.At, at), append(t.V, mean+swing*math.Cos(2*math.Pi*at/86400+phase))
	}
	return t
}

// points are as many points in seven standard normals, each axis in even strides (a rank-1 lattice).
func points(n int64) [][Draws]float64 {
	out := make([][Draws]float64, n)
	for k := range out {
		for d, a := range [Draws]int64{1, 5, 7, 11, 13, 17, 19} {
			u := (float64(int64(k)*a%n) + 0.5) / float64(n)
			out[k][d] = math.Sqrt2 * math.Erfinv(2*u-1)
		}
	}
	return out
}

// tally collects how windows came out: error of the likely time and width of early to late, both over the time from the start.
type tally struct {
	errors, widths []float64
	inside         float64
}

func (t *tally) add(early, likely, late, truth float64) {
	t.errors = append(t.errors, math.Abs(likely-truth)/truth)
	t.widths = append(t.widths, (late-early)/truth)
	if truth >= early && truth <= late {
		t.inside++
	}
}

func median(v []float64) float64 {
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	return s[len(s)/2]
}

// predict adds the three marks that bound the windows, by 48 members of the spread.
func predict(t *testing.T, out map[cure.Mark]*tally, f *Fit, i int64, model cure.Model, film trace.Trace, truth *cure.Course) {
	t.Helper()
	spread := f.Spread(i)
	at := map[cure.Mark][]float64{}
	for _, z := range points(47) {
		m := spread.Member(z)
		run, err := m.Run(model, film, 0, 3*86400)
		require.NoError(t, err)
		for _, mark := range []cure.Mark{cure.TackOpens, cure.TackCloses, cure.RecoatCloses} {
			x, ok := run.MarkAt(mark)
			if !ok {
				x = math.Inf(1)
			}
			at[mark] = append(at[mark], x)
		}
	}
	for mark, v := range at {
		want, ok := truth.MarkAt(mark)
		if !ok {
			continue
		}
		sort.Float64s(v)
		if out[mark] == nil {
			out[mark] = &tally{}
		}
		out[mark].add(v[4], v[23], v[42], want) // 10, 50 and 90 % of 47
	}
}

// finding draws one finding of a mark: the builder perceives it with a standard deviation of 0.15 in ln time and looks in at strides of 0.3 in
// ln time, so that it lies between two of her looks; of half of the findings both looks are known, of a quarter each only one.
func finding(r *rand.Rand, truth float64, mark cure.Mark) []Look {
	const stride = 0.3
	felt, u := math.Log(truth)+0.15*r.NormFloat64(), r.Float64()
	before := Look{After: math.Exp(felt - u*stride), Past: None, NotYet: mark}
	after := Look{After: math.Exp(felt + (1-u)*stride), Past: mark, NotYet: None}
	switch r.IntN(4) {
	case 0:
		return []Look{before}
	case 1:
		return []Look{after}
	}
	return []Look{before, after}
}

// TestThreeTouchesTeachADrum is the promise of touches, with a truth that is not the prior's: activation energy 45 or 65 kJ/mol, a film
// 1.5 K off the model, speed uniform within 40 % of the sheet. Three findings on earlier coats of the same drum; then the windows of the next
// coat at its start, at a temperature within 5 K of theirs.
func TestThreeTouchesTeachADrum(t *testing.T) {
	const seed = 20261125
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	model, err := cure.New(sheet())
	require.NoError(t, err)
	kinds := []string{"seal", "bedding", "fill"}
	touchable := []cure.Mark{cure.TackOpens, cure.TackCloses, cure.Firm, cure.Sandable}
	taught, untaught := map[cure.Mark]*tally{}, map[cure.Mark]*tally{}
	for range 500 {
		energy := [2]float64{45, 65}[r.IntN(2)]
		off := [2]float64{-1.5, 1.5}[r.IntN(2)]
		truth := model.WithActivation(energy).Scaled(0.6 + 0.8*r.Float64())
		mean := 12 + 8*r.Float64()
		var coats []Coat
		for n := 0; n < 3; n++ {
			film := shed(r, mean+5*r.Float64()-2.5)
			c, err := truth.Course(warmer(film, off), 0, 4*86400)
			require.NoError(t, err)
			response, err := Respond(model, film, 0)
			require.NoError(t, err)
			mark := touchable[r.IntN(len(touchable))]
			at, ok := c.MarkAt(mark)
			if !ok {
				n--
				continue
			}
			coats = append(coats, Coat{Kind: kinds[n], Response: response, Modelled: true, Looks: finding(r, at, mark)})
		}
		film := shed(r, mean+5*r.Float64()-2.5)
		next := Coat{Kind: kinds[r.IntN(3)], Modelled: true, Now: true}
		c, err := truth.Course(warmer(film, off), 0, 4*86400)
		require.NoError(t, err)
		predict(t, taught, New(DefaultPrior(), append(coats, next)), 3, model, film, &c)
		predict(t, untaught, New(DefaultPrior(), []Coat{next}), 0, model, film, &c)
	}
	var all, bare tally
	for _, mark := range []cure.Mark{cure.TackOpens, cure.TackCloses, cure.RecoatCloses} {
		a, b := taught[mark], untaught[mark]
		n := float64(len(a.errors))
		t.Logf("%-13s error %5.1f %% (untaught %5.1f %%, ratio %.2f), inside %.1f %% (%.1f %%), width %.1f %% (%.1f %%)", mark, 100*median(a.errors),
			100*median(b.errors), median(a.errors)/median(b.errors), 100*a.inside/n, 100*b.inside/n, 100*median(a.widths), 100*median(b.widths))
		all.errors, all.widths, all.inside = append(all.errors, a.errors...), append(all.widths, a.widths...), all.inside+a.inside
		bare.errors, bare.widths, bare.inside = append(bare.errors, b.errors...), append(bare.widths, b.widths...), bare.inside+b.inside
	}
	ratio, inside, width := median(all.errors)/median(bare.errors), all.inside/float64(len(all.errors)), median(all.widths)
	t.Logf("all: error %.1f %% against %.1f %% untaught, ratio %.2f (goal 0.33); inside %.1f %%; width %.1f %% (goal 25)", 100*median(all.errors),
		100*median(bare.errors), ratio, 100*inside, 100*width)
	require.LessOrEqual(t, ratio, 0.5, "median error against the untaught one")
	require.GreaterOrEqual(t, inside, 0.72)
	require.LessOrEqual(t, inside, 0.88)
	require.LessOrEqual(t, width, 0.35)
}
