package timber

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/internal/refcase"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

const day = 86400.0

var panel = Panel{Thickness: 0.009, Density12: 504, BackSealed: true}

// climateOf gives hourly traces of air over days.
func climateOf(days float64, f func(d float64) (c, rh float64)) (airC, rh trace.Trace) {
	for h := 0.0; h <= days*24; h++ {
		c, r := f(h / 24)
		airC.At, airC.V = append(airC.At, t0+h*3600), append(airC.V, c)
		rh.At, rh.V = append(rh.At, t0+h*3600), append(rh.V, r)
	}
	airC.MaxGap, rh.MaxGap = 7200, 7200
	return airC, rh
}

func steady(c, rh float64) func(float64) (float64, float64) {
	return func(float64) (float64, float64) { return c, rh }
}

// The diffusion solve against Crank's series for a sheet that is open at one face, with a constant D.
func TestDiffusionAgainstTheSeries(t *testing.T) {
	const d = 4e-11
	f := newField(panel, 0.45, 20, 0)
	f.diffusion = func(_, _ float64) float64 { return d }
	l := float64(panel.Thickness)
	for now := 0.0; now < 40*day; {
		f.step(20, 10, 3600)
		now += 3600
		fo := d * now / (l * l)
		if fo < 0.05 {
			continue // the first hours are finer than the cells
		}
		want := refcase.SheetMean(fo)
		require.InDelta(t, want, (f.mean()-10)/10, 3e-3, "Fo %v", fo)
		require.InDelta(t, 1-want, f.meanShare(), 3e-3, "Fo %v", fo)
	}
}

func TestHalvingTheCellsOfTheFieldIsNotNeeded(t *testing.T) {
	// Both faces open is the one-sided case of half the thickness: the middle is a closed face.
	both := newField(Panel{Thickness: 0.018, Density12: 504}, 0.45, 20, 0)
	one := newField(Panel{Thickness: 0.009, Density12: 504, BackSealed: true}, 0.45, 20, 0)
	for range 24 * 20 {
		both.step(15, 10, 3600)
		one.step(15, 10, 3600)
	}
	require.InDelta(t, one.mean(), both.mean(), 0.02)
	require.InDelta(t, both.m[0], both.m[cells-1], 1e-9)
}

func TestUnknownUntilTheLogIsLongEnough(t *testing.T) {
	through, err := panel.Through(15, 12)
	require.NoError(t, err)
	airC, rh := climateOf(60, steady(15, 65))
	short, err := panel.MoistureAt(t0+0.5*float64(through), airC, rh, nil)
	require.NoError(t, err)
	require.False(t, short.Known)
	require.Empty(t, short.From)
	require.InDelta(t, 0.5, short.LogShare, 0.02)
	require.InEpsilon(t, 0.5*float64(through), float64(short.Wait), 0.05)
	long, err := panel.MoistureAt(t0+1.1*float64(through), airC, rh, nil)
	require.NoError(t, err)
	require.True(t, long.Known)
	require.Equal(t, "log", long.From)
	require.Zero(t, long.Wait)
	emc, err := EMC(15, 65)
	require.NoError(t, err)
	require.InDelta(t, float64(emc), float64(long.Mean), 0.05)
	require.InDelta(t, emcU, float64(long.U), 0.3)
	none, err := panel.MoistureAt(t0, trace.Trace{}, trace.Trace{}, nil)
	require.NoError(t, err)
	require.Equal(t, Moisture{}, none)
}

// A panel that starts at 20 % in a shed that holds 12 %: a reading tells at once, and the model dries it in weeks as the physics says.
func TestAReadingAtTheStartAndTheDryingAfterIt(t *testing.T) {
	airC, rh := climateOf(60, steady(15, 65))
	reading := []MeterReading{{At: t0, Percent: 20, U: 0.5}}
	truth := newField(panel, 0.45, 20, 0)
	m, err := panel.MoistureAt(t0+1, airC, rh, reading)
	require.NoError(t, err)
	require.True(t, m.Known)
	require.Equal(t, "meter", m.From)
	require.InDelta(t, 20, float64(m.Mean), 0.15)
	emc, err := EMC(15, 65)
	require.NoError(t, err)
	for d := 1.0; d <= 45; d++ {
		for range 24 {
			truth.step(15, float64(emc), 3600)
		}
		m, err = panel.MoistureAt(t0+d*day, airC, rh, reading)
		require.NoError(t, err)
		require.InDelta(t, truth.mean(), float64(m.Mean), 0.25, "day %v", d)
		require.Less(t, m.Front, m.Mean+0.01)
		require.True(t, float64(m.U) > 0.3 && float64(m.U) <= 1.6, "day %v: %v", d, m.U)
	}
	require.Equal(t, "log", m.From, "the log has overtaken the reading")
	require.InDelta(t, float64(emc), float64(m.Mean), 0.4)
}

// Drying takes days, never minutes; and a shed that is heated dries the face long before the core.
func TestDaysNotMinutesAndFaceBeforeCore(t *testing.T) {
	airC, rh := climateOf(30, func(d float64) (float64, float64) {
		if d < 25 {
			return 8, 80
		}
		return 22, 35
	})
	thick := Panel{Thickness: 0.018, Density12: 504}
	before, err := thick.MoistureAt(t0+25*day, airC, rh, nil)
	require.NoError(t, err)
	minutes, err := thick.MoistureAt(t0+25*day+600, airC, rh, nil)
	require.NoError(t, err)
	require.InDelta(t, float64(before.Mean), float64(minutes.Mean), 0.1)
	after, err := thick.MoistureAt(t0+26*day, airC, rh, nil)
	require.NoError(t, err)
	require.Less(t, after.Front+4, before.Front)
	require.Greater(t, after.Core+1, before.Core)
}

// Readings correct both the state and the lasting error: timber whose equilibrium is 2 % off is followed better after each.
func TestReadingsTeachTheEquilibriumOfThisTimber(t *testing.T) {
	f := func(d float64) (float64, float64) {
		return 12 + 3*math.Sin(2*math.Pi*d), 70 + 8*math.Sin(2*math.Pi*d/14)
	}
	airC, rh := climateOf(90, f)
	truth := newField(panel, 0.45, 16, 2)
	var readings []MeterReading
	var errs []float64
	for h := 0.0; h < 90*24; h++ {
		c, r := f((h + 0.5) / 24)
		truth.step(c, emc(c, r), 3600)
		if d := (h + 1) / 24; d == 5 || d == 30 || d == 55 || d == 80 {
			readings = append(readings, MeterReading{At: t0 + d*day, Percent: units.Percent(truth.mean()), U: 0.7})
		}
	}
	for n := range len(readings) + 1 {
		m, err := panel.MoistureAt(t0+90*day, airC, rh, readings[:n])
		require.NoError(t, err)
		errs = append(errs, math.Abs(float64(m.Mean)-truth.mean()))
		require.LessOrEqual(t, errs[n], 2.5*float64(m.U), "within what it claims")
	}
	require.Greater(t, errs[0], 1.0, "the log alone does not know this timber")
	require.Less(t, errs[len(errs)-1], 0.35, "%v", errs)
}

func TestAGapWidensTheAnswerAndDoesNotCount(t *testing.T) {
	airC, rh := climateOf(60, steady(15, 65))
	whole, err := panel.MoistureAt(t0+40*day, airC, rh, nil)
	require.NoError(t, err)
	cut := func(tr trace.Trace) trace.Trace {
		var out trace.Trace
		out.MaxGap = tr.MaxGap
		for i, at := range tr.At {
			if at < t0+25*day || at > t0+38*day {
				out.At, out.V = append(out.At, at), append(out.V, tr.V[i])
			}
		}
		return out
	}
	gap, err := panel.MoistureAt(t0+40*day, airC, cut(rh), nil)
	require.NoError(t, err)
	require.Greater(t, gap.U, whole.U+0.5)
	require.InDelta(t, float64(whole.Mean), float64(gap.Mean), 0.05)
	stopped, err := panel.MoistureAt(t0+200*day, airC, rh, nil) // the log ended long ago
	require.NoError(t, err)
	require.Greater(t, stopped.U, units.Percent(4))
}

// A reading older than the log, and a reading with no log at all.
func TestReadingWithoutALog(t *testing.T) {
	r := []MeterReading{{At: t0, Percent: 14, U: 1}}
	m, err := panel.MoistureAt(t0+3600, trace.Trace{}, trace.Trace{}, r)
	require.NoError(t, err)
	require.True(t, m.Known)
	require.Equal(t, "meter", m.From)
	require.InDelta(t, 14, float64(m.Mean), 0.01)
	old, err := panel.MoistureAt(t0+60*day, trace.Trace{}, trace.Trace{}, r)
	require.NoError(t, err)
	require.Greater(t, old.U, units.Percent(3), "an old reading says less and less")
	airC, rh := climateOf(10, steady(15, 65))
	late := []MeterReading{{At: t0 - 5*day, Percent: 18, U: 1}}
	m, err = panel.MoistureAt(t0+day, airC, rh, late)
	require.NoError(t, err)
	require.True(t, m.Known)
	require.True(t, m.Mean > 14 && m.Mean < 18, "%v", m.Mean)
	future := []MeterReading{{At: t0 + 5*day, Percent: 18, U: 1}}
	m, err = panel.MoistureAt(t0+day, airC, rh, future)
	require.NoError(t, err)
	require.False(t, m.Known, "a reading later than the moment is not looked at")
	sealed := Panel{Thickness: 0.009, Density12: 504, FrontSealed: true, BackSealed: true}
	m, err = sealed.MoistureAt(t0+10*day, airC, rh, nil)
	require.NoError(t, err)
	require.False(t, m.Known, "what is sealed all round cannot be told from the air")
	require.Zero(t, m.Wait)
}

func TestMoistureStaysBetweenItsSources(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lo, hi := 100.0, 0.0
		var airC, rh trace.Trace
		at := t0
		for range rapid.IntRange(2, 40).Draw(t, "n") {
			at += rapid.Float64Range(60, 2*day).Draw(t, "dt")
			c, r := rapid.Float64Range(-30, 50).Draw(t, "c"), rapid.Float64Range(0, 100).Draw(t, "rh")
			airC.At, airC.V = append(airC.At, at), append(airC.V, c)
			rh.At, rh.V = append(rh.At, at), append(rh.V, r)
			for _, x := range []float64{-20, 0, 20, 50} {
				lo, hi = min(lo, emc(x, r)), max(hi, emc(x, r))
			}
		}
		airC.MaxGap = rapid.Float64Range(0, 2*day).Draw(t, "gap")
		p := Panel{
			Thickness: units.Metre(rapid.Float64Range(0.0005, 0.06).Draw(t, "l")), Density12: rapid.Float64Range(100, 1100).Draw(t, "rho"),
			FrontSealed: rapid.Bool().Draw(t, "front"), BackSealed: rapid.Bool().Draw(t, "back"),
		}
		m, err := p.MoistureAt(at, airC, rh, nil)
		require.NoError(t, err)
		for _, v := range []units.Percent{m.Mean, m.Front, m.Core} {
			require.True(t, float64(v) >= lo-0.3 && float64(v) <= min(30, hi)+0.3, "%v not in %v..%v", v, lo, hi)
		}
		require.False(t, math.IsNaN(float64(m.U)))
		require.True(t, m.LogShare >= 0 && m.LogShare <= 1)
	})
}

func TestMoistureRefuses(t *testing.T) {
	airC, rh := climateOf(1, steady(15, 65))
	for _, c := range []struct {
		want string
		p    Panel
		rh   trace.Trace
		r    MeterReading
	}{
		{"thickness", Panel{Density12: 500}, rh, MeterReading{U: 1}},
		{"density", Panel{Thickness: 0.009}, rh, MeterReading{U: 1}},
		{"humidity: trace", panel, trace.Trace{At: []float64{1}}, MeterReading{U: 1}},
		{"meter reading 1: timber: moisture content 60", panel, rh, MeterReading{Percent: 60, U: 1}},
		{"meter reading 1: want a time", panel, rh, MeterReading{Percent: 12}},
		{"meter reading 1: want a time", panel, rh, MeterReading{At: math.NaN(), Percent: 12, U: 1}},
	} {
		_, err := c.p.MoistureAt(t0+3600, airC, c.rh, []MeterReading{c.r})
		require.ErrorContains(t, err, c.want)
	}
	_, err := panel.MoistureAt(t0, trace.Trace{V: []float64{1}}, rh, nil)
	require.ErrorContains(t, err, "air temperature: trace")
}

// A season of hourly air, with a reading now and then.
func BenchmarkMoistureSeason(b *testing.B) {
	airC, rh := climateOf(180, func(d float64) (float64, float64) { return 10 + 4*math.Sin(2*math.Pi*d), 70 })
	readings := []MeterReading{{At: t0 + 30*day, Percent: 14, U: 1}, {At: t0 + 100*day, Percent: 13, U: 1}}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := panel.MoistureAt(t0+180*day, airC, rh, readings); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkGrowth(b *testing.B) {
	var timber trace.Trace
	for i := range 241 {
		timber.At, timber.V = append(timber.At, t0+float64(i)*60), append(timber.V, 12+float64(i)*0.01)
	}
	br := Breath{Timber: timber, PressureHPa: line(t0, 1010, t0+14400, 1008), AW: 0.6}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := br.Over(t0, t0+14400); err != nil {
			b.Fatal(err)
		}
	}
}
