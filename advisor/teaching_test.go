package advisor

import (
	"math"
	"math/rand/v2"
	"os"
	"sort"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/cure"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// swung gives air of an invented shed over days around a moment: a daily swing about a mean, C, every five minutes.
func swung(at, before, after, mean, swing float64) trace.Trace {
	air := trace.Trace{MaxGap: 1800}
	for t := at - before*86400; t <= at+after*86400; t += 300 {
		air.At, air.V = append(air.At, t), append(air.V, mean+swing*math.Cos(2*math.Pi*(t-at)/86400))
	}
	return air
}

// trueFilm is the surface that the heat model gives along the air that really comes, off by what the model is off.
func trueFilm(t *testing.T, s *Situation, p *Piece, mean, swing, off float64) trace.Trace {
	t.Helper()
	later := *s
	later.At += 4 * 86400
	later.Climate.AirC.Trace = swung(float64(s.At), 10, 4, mean, swing)
	later.Coats = []Coat{{Started: s.At, System: medium()}}
	w := read(&later)
	k := surfaceOf(&w, p)
	require.Empty(t, k.missing)
	return k.past.Slice(float64(s.At)-3600, float64(later.At)).Thin(1800).Map(func(v float64) float64 { return v + off })
}

// TestAdviseLearnsADrum is the promise of touches through the whole of Advise, forecast and all: truth as in the simulation of the fit (activation
// energy 45 or 65 kJ/mol, film 1.5 K off, speed uniform within 40 % of the sheet), three earlier coats in the same shed, a finding of 15 % noise on
// each, and the windows at the start of the next.
func TestAdviseLearnsADrum(t *testing.T) {
	const seed = 20261126
	coats := 6
	if os.Getenv("TACKLINE_LONG") == "1" {
		coats = 80
	}
	t.Logf("seed %d, %d coats", seed, coats)
	r := rand.New(rand.NewPCG(seed, 3))
	model, err := cure.New(medium())
	require.NoError(t, err)
	var taught, untaught, widths []float64
	inside := 0.0
	for range coats {
		off := [2]float64{-1.5, 1.5}[r.IntN(2)]
		truth := model.WithActivation([2]float64{45, 65}[r.IntN(2)]).Scaled(0.6 + 0.8*r.Float64())
		mean, swing := 13+6*r.Float64(), 1.5*r.Float64()
		s := situation(10, mean, swing, 50)
		s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At}}
		for i := int64(0); i < 3; i++ {
			m, k := mean+5*r.Float64()-2.5, 1.5*r.Float64()
			then := situation(2, m, k, 50)
			film := trueFilm(t, &then, &s.Pieces[1], m, k, 0)
			c, err := truth.Course(film.Map(func(v float64) float64 { return v + off }), float64(then.At), float64(then.At)+4*86400)
			require.NoError(t, err)
			mark := [...]cure.Mark{cure.TackOpens, cure.TackCloses, cure.Firm}[r.IntN(3)]
			at, ok := c.MarkAt(mark)
			if !ok {
				i--
				continue
			}
			felt, u := math.Log(at-float64(then.At))+0.15*r.NormFloat64(), r.Float64()
			back := units.Instant(86400 * (20 + i))
			e := Earlier{Coat: 100 + i, Kind: Kinds()[i], System: medium(), Started: then.At - back, Modelled: true, U: 1.04, SurfaceC: film.Shift(-float64(back))}
			e.Touches = []Touch{{At: e.Started + units.Instant(math.Exp(felt-0.3*u)), State: [...]State{StateWet, StateTacky, "", StateGreen}[mark]},
				{At: e.Started + units.Instant(math.Exp(felt+0.3*(1-u))), State: [...]State{StateTacky, StateGreen, "", StateFirm}[mark]}}
			switch r.IntN(4) {
			case 0:
				e.Touches = e.Touches[:1]
			case 1:
				e.Touches = e.Touches[1:]
			}
			s.Earlier = append(s.Earlier, e)
		}
		film := trueFilm(t, &s, &s.Pieces[1], mean, swing, off)
		c, err := truth.Course(film, float64(s.At), float64(s.At)+4*86400)
		require.NoError(t, err)
		a := Advise(s)
		s.Earlier = nil
		b := Advise(s)
		for _, m := range []cure.Mark{cure.TackOpens, cure.TackCloses, cure.RecoatCloses} {
			at, ok := c.MarkAt(m)
			when, bare := a.Coats[0].Marks[m].When, b.Coats[0].Marks[m].When
			if !ok || at-float64(s.At) > 0.8*Horizon || !when.Late.Known() || !bare.Likely.Known() {
				continue
			}
			span := at - float64(s.At)
			taught = append(taught, math.Abs(float64(when.Likely)-at)/span)
			untaught = append(untaught, math.Abs(float64(bare.Likely)-at)/span)
			widths = append(widths, float64(when.Late-when.Early)/span)
			if float64(when.Early) <= at && at <= float64(when.Late) {
				inside++
			}
		}
	}
	middle := func(v []float64) float64 {
		sort.Float64s(v)
		return v[len(v)/2]
	}
	n := float64(len(taught))
	ratio, share, width := middle(taught)/middle(untaught), inside/n, middle(widths)
	t.Logf("median error %.1f %% against %.1f %% untaught, ratio %.2f; inside %.1f %% of %.0f; width %.1f %%", 100*middle(taught), 100*middle(untaught), ratio,
		100*share, n, 100*width)
	if coats >= 80 {
		require.LessOrEqual(t, ratio, 0.5)
		require.LessOrEqual(t, width, 0.35)
		require.GreaterOrEqual(t, share, 0.72)
		require.LessOrEqual(t, share, 0.88)
	}
	require.Less(t, ratio, 0.8)
}
