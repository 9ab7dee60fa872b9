package cure

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/trace"
)

func TestMediumByHand(t *testing.T) {
	_, rows := reference(t, "cure_medium_by_hand.csv")
	m := model(t, load(t, "medium"))
	for _, row := range rows {
		min, ok := m.MarkMinutes(num(t, row[0]))
		for i, mark := range []Mark{TackOpens, RecoatCloses, Firm} {
			require.True(t, ok[mark])
			tol := 0.51
			if strings.Contains(row[i+1], ".") {
				tol = 0.051
			}
			require.InDelta(t, num(t, row[i+1]), min[mark], tol, "%s at %s C", mark, row[0])
		}
	}
}

// No recoat window outlasts the sheet's, scaled by reduced time; cold brings firm and sandable no later than the rule allows.
func TestShippedSystemsInTheCold(t *testing.T) {
	for _, name := range shipped {
		t.Run(name, func(t *testing.T) {
			s := load(t, name)
			require.Contains(t, s.Name, "invented")
			require.Contains(t, s.Source, "invented")
			m := model(t, s)
			sheet, ok := m.MarkMinutes(m.SheetC())
			require.Equal(t, [5]bool{true, true, true, true, true}, ok)
			for temp := 5.0; temp <= 30; temp += 0.5 {
				min, ok := m.MarkMinutes(temp)
				require.True(t, ok[RecoatCloses])
				scaled := sheet[RecoatCloses] * m.Equivalent(m.SheetC()) / m.Equivalent(temp)
				require.LessOrEqual(t, min[RecoatCloses], scaled*(1+1e-6), "at %g C", temp)
				for i := 1; i < 5; i++ {
					require.True(t, ok[i])
					require.LessOrEqual(t, min[i-1], min[i])
				}
			}
			at25, _ := m.MarkMinutes(25)
			at12, _ := m.MarkMinutes(12)
			require.Less(t, at12[Firm], 3*at25[Firm])
			require.Less(t, at12[Sandable], 3*at25[Sandable])
		})
	}
}

// At the sheet's temperature its times come out to the minute, for a film on few knots or many.
func TestTimesAreReproduced(t *testing.T) {
	hot := byTimes()
	hot.Times = &Times{AtC: 20, TackOpens: 35, TackCloses: 200, RecoatCloses: 480, Firm: 600, Sandable: 1500}
	hot.Pot = &Pot{MassG: 200, Minutes: 15, AtC: 23, DiameterMM: 90, WorkingConversion: 0.15}
	for _, s := range []System{byTimes(), load(t, "slow"), hot} {
		m := model(t, s)
		require.True(t, m.Fitted())
		pot, ok := m.PotMinutes()
		require.True(t, ok)
		require.InDelta(t, s.Pot.Minutes, pot, 1e-6)
		film := trace.Trace{}
		for at := 1.8e9; at <= 1.8e9+2*86400; at += 600 {
			film.At, film.V = append(film.At, at), append(film.V, s.Times.AtC)
		}
		c, err := m.Course(film, 1.8e9+37, 1.8e9+2*86400)
		require.NoError(t, err)
		for i, want := range s.Times.all() {
			at, ok := c.MarkAt(Mark(i))
			require.True(t, ok)
			require.InDelta(t, want, (at-1.8e9-37)/60, 0.05, "%s of %s", Mark(i), s.Name)
		}
	}
}

// Complete kinetics with [times] are used as they stand, and the pot is a check.
func TestTimesWithKinetics(t *testing.T) {
	s := byTimes()
	k := Generic()
	s.Kinetics, s.Pot = &k, nil
	m := model(t, s)
	require.False(t, m.Fitted())
	require.Equal(t, k, m.Kinetics())
	min, _ := m.MarkMinutes(25)
	for i, want := range s.Times.all() {
		require.InDelta(t, want, min[i], 0.01)
	}
	_, ok := m.PotMinutes()
	require.False(t, ok, "no pot, nothing to check")
	med := model(t, load(t, "medium"))
	pot, ok := med.PotMinutes()
	require.True(t, ok)
	require.InEpsilon(t, 21, pot, 0.02)
}

// Marks by conversion stay as given at any temperature.
func TestMarksByConversion(t *testing.T) {
	s := medium()
	mk := *s.Marks
	mk.By = "conversion"
	s.Marks = &mk
	m := model(t, s)
	for _, temp := range []float64{10, 25, 35} {
		c, err := m.isothermal(temp, longest, tight)
		require.NoError(t, err)
		for i, want := range mk.all() {
			at, ok := c.MarkAt(Mark(i))
			require.True(t, ok)
			a, _ := c.ConversionAt(at)
			require.InDelta(t, want, a, 1e-7)
		}
	}
}

// A front turns the film glassy at once: the marks by Tg come, at the very knot, and never out of order.
func TestFrontKeepsOrder(t *testing.T) {
	m := model(t, medium())
	film := trace.Trace{At: []float64{0, 5000, 5060, 40000}, V: []float64{20, 20, -15, -15}}
	c, err := m.Course(film, 0, 40000)
	require.NoError(t, err)
	before := 0.0
	for _, mark := range []Mark{TackOpens, TackCloses, RecoatCloses} {
		at, ok := c.MarkAt(mark)
		require.True(t, ok)
		require.LessOrEqual(t, before, at)
		before = at
	}
	recoat, _ := c.MarkAt(RecoatCloses)
	closes, _ := c.MarkAt(TackCloses)
	require.Equal(t, recoat, closes, "the tack window shuts with the recoat window")
	require.InDelta(t, 5050, recoat, 15)
}

// A brief crossing inside a warming stretch is seen: Tg outruns the film at first, then the film outruns Tg.
func TestCrossingWithinAStep(t *testing.T) {
	m := model(t, medium())
	for rate := 0.5; rate < 12; rate += 0.25 { // K an hour
		end := 20 / rate * 3600
		film := trace.Trace{At: []float64{0, end}, V: []float64{8, 28}}
		c, err := m.Course(film, 0, end)
		require.NoError(t, err)
		seen := false
		for at := 0.0; at <= end && !seen; at += 5 {
			tg, _ := c.TgAt(at)
			f, _ := c.FilmAt(at)
			seen = tg-f >= m.marks.above[Firm]+0.01
		}
		_, found := c.MarkAt(Firm)
		if seen {
			require.True(t, found, "film warming by %g K/h", rate)
		}
	}
}

func TestStallIsNamed(t *testing.T) {
	m := model(t, medium())
	c, err := m.isothermal(5, 10*86400, Options{})
	require.NoError(t, err)
	firm, ok := c.MarkAt(Firm)
	require.True(t, ok)
	require.True(t, c.Stalled(firm+60), "hard by Tg, not cured")
	require.False(t, c.Stalled(firm/2), "still soft")
	sands, ok := c.MarkAt(Sandable)
	require.True(t, ok)
	require.Greater(t, sands, 3*firm, "dust waits for conversion")
	require.False(t, c.Stalled(sands+60))
	a, _ := c.ConversionAt(sands)
	require.GreaterOrEqual(t, a, SandableShare*0.86-1e-9)

	// Warmth restarts it: the same coat, warmed after two days.
	film := trace.Trace{At: []float64{0, 86400, 90000, 2e6}, V: []float64{5, 5, 24, 24}}
	w, err := m.Course(film, 0, 2e6)
	require.NoError(t, err)
	require.True(t, w.Stalled(86400))
	require.False(t, w.Stalled(150000))
	require.Greater(t, m.WarmthNeeded(5), 12.0)
	require.Equal(t, 40.0, m.WarmthNeeded(40))
	warm, _ := w.ConversionAt(150000)
	stay, _ := c.ConversionAt(150000)
	require.Greater(t, warm, stay+0.1)

	cured, ok := w.CuredAt(2e6)
	require.True(t, ok)
	require.True(t, cured)
	cured, _ = w.CuredAt(86400)
	require.False(t, cured)
}

func TestWrongMixIsToldApart(t *testing.T) {
	m := model(t, medium())
	require.Equal(t, StallNone, m.WithRatio(0.95).Stall(0.5, 20), "a small slip cures")
	for _, used := range []float64{0.6, 1.7} {
		off := m.WithRatio(used)
		for _, temp := range []float64{5, 20, 35} {
			c, err := off.isothermal(temp, 30*86400, Options{})
			require.NoError(t, err)
			s, ok := c.StallAt(c.End())
			require.True(t, ok)
			require.Equal(t, StallRatio, s, "at %g C", temp)
			require.False(t, c.Stalled(c.End()), "named apart")
			_, ok = c.MarkAt(Sandable)
			require.False(t, ok, "not at any warmth")
		}
	}
	same := m.WithRatio(1)
	require.Equal(t, m.Rate(0.3, 15), same.Rate(0.3, 15))
	slip := model(t, s1()).WithRatio(0.8)
	c, err := slip.isothermal(25, 40*86400, Options{})
	require.NoError(t, err)
	a, _ := c.ConversionAt(c.End())
	require.Less(t, a, 0.8)
	require.Greater(t, a, 0.75)
}

func TestScaledAndActivation(t *testing.T) {
	m := model(t, medium())
	base, _ := m.MarkMinutes(18)
	fast, _ := m.Scaled(1.25).MarkMinutes(18)
	slow, _ := m.Scaled(0.8).MarkMinutes(18)
	for i := range base {
		require.InEpsilon(t, base[i]/1.25, fast[i], 1e-6)
	}
	require.InEpsilon(t, base[Firm]/0.8, slow[Firm], 1e-6)
	capped := 150.18459 / m.Equivalent(18)
	require.LessOrEqual(t, slow[RecoatCloses], capped*1.0001, "a slow drum does not stretch the sheet's recoat time")
	other := m.WithActivation(65)
	require.InEpsilon(t, m.Rate(0.3, 25), other.Rate(0.3, 25), 1e-12)
	require.Less(t, other.Rate(0.3, 10), m.Rate(0.3, 10))
	require.Equal(t, 65.0, other.Kinetics().ActivationKJMol)
	touched, err := m.WithTack(0.08, 0.35)
	require.NoError(t, err)
	later, _ := touched.MarkMinutes(18)
	require.Greater(t, later[TackOpens], base[TackOpens])
	require.Less(t, later[TackCloses], base[TackCloses])
	require.Equal(t, base[Firm], later[Firm])
	_, err = m.WithTack(0.3, 0.75)
	require.ErrorContains(t, err, "recoat_closes")
	_, ok := m.IsothermalMinutes(0.5, math.NaN())
	require.False(t, ok)
	_, ok = m.IsothermalMinutes(0.5, -273.15)
	require.False(t, ok)
	require.Panics(t, func() { m.Scaled(0) })
	require.Panics(t, func() { m.WithActivation(math.NaN()) })
	require.Panics(t, func() { m.WithRatio(-1) })
}

func TestMarkWords(t *testing.T) {
	for _, mark := range AllMarks() {
		back, ok := MarkNamed(mark.String())
		require.True(t, ok)
		require.Equal(t, mark, back)
	}
	_, ok := MarkNamed("dry")
	require.False(t, ok)
	require.Equal(t, "recoat_closes", RecoatCloses.String())
}
