package timber

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/heat"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

const t0 = 1767225600.0 // 2026-01-01

func line(at0, v0, at1, v1 float64) trace.Trace {
	return trace.Trace{At: []float64{at0, at1}, V: []float64{v0, v1}}
}

// The first case that fools people: the air is falling, and the timber, which is still colder than it, is still warming.
func TestAirFallsAndTimberStillWarms(t *testing.T) {
	air := line(t0, 16, t0+2*3600, 14)
	panel := heat.Panel{
		Layers: []heat.Layer{{Thickness: 0.03, Conductivity: 0.12, Density: 520, HeatCapacity: 1600}},
		Front:  heat.FaceTowards(heat.Sideways), Back: heat.FaceTowards(heat.Sideways),
	}
	res, err := panel.Run(heat.Drive{Air: air, Start: heat.Uniform(9)}, t0, t0+2*3600)
	require.NoError(t, err)
	b := Breath{Timber: res.Core, PressureHPa: line(t0, 1015, t0+2*3600, 1015), AW: 0.65}
	g, err := b.Over(t0, t0+2*3600)
	require.NoError(t, err)
	require.Equal(t, Out, g.Direction)
	require.Greater(t, g.Ratio, 1.01)
	require.True(t, g.PressureKnown)
	require.True(t, g.Grows(StillWithin))
	fooled, err := Breath{Timber: air, PressureHPa: b.PressureHPa, AW: 0.65}.Over(t0, t0+2*3600)
	require.NoError(t, err)
	require.Equal(t, In, fooled.Direction, "by the air alone it would have been praised")
}

// The second: the temperature is steady, and the barometer falls.
func TestSteadyTemperatureAndFallingBarometer(t *testing.T) {
	b := Breath{Timber: line(t0, 15, t0+6*3600, 15), PressureHPa: line(t0, 1025, t0+6*3600, 995), AW: 0.6}
	g, err := b.Over(t0, t0+6*3600)
	require.NoError(t, err)
	require.InEpsilon(t, 1.03046, g.Ratio, 1e-4) // the worked case of the law
	require.Equal(t, Out, g.Direction)
	require.InDelta(t, 0, g.U, 1e-12)
}

// Without a barometer the answer carries that: U is the change that a barometer may make unseen, and the ratio is that of temperature alone.
func TestWithoutABarometer(t *testing.T) {
	b := Breath{Timber: line(t0, 15, t0+8*3600, 14), AW: 0.6, TimberU: 0.5}
	g, err := b.Over(t0, t0+8*3600)
	require.NoError(t, err)
	require.False(t, g.PressureKnown)
	want, err := GasRatio(15, 14, 101325, 101325, 0.6)
	require.NoError(t, err)
	require.InEpsilon(t, want, g.Ratio, 1e-12)
	require.Greater(t, g.U, float64(UnknownPressureU(8*3600))/101325)
	require.Less(t, g.U, 0.006)
	half := b
	half.PressureHPa = line(t0, 1010, t0+4*3600, 1009)
	h, err := half.Over(t0, t0+8*3600)
	require.NoError(t, err)
	require.False(t, h.PressureKnown)
	require.Less(t, h.U, g.U)
	none := b
	none.PressureHPa = line(t0-9000, 1010, t0-8000, 1009) // read before, not since: held
	n, err := none.Over(t0, t0+8*3600)
	require.NoError(t, err)
	require.InEpsilon(t, want, n.Ratio, 1e-4)
	require.InEpsilon(t, g.U, n.U, 0.01)
}

// The root mean square changes of the station's barometer, to which UnknownPressureU is fitted. Source: see there.
func TestUnknownPressure(t *testing.T) {
	for h, rms := range map[float64]float64{1: 62, 2: 118, 4: 234, 8: 390, 12: 528, 24: 873, 48: 1265} {
		require.InEpsilon(t, rms, float64(UnknownPressureU(units.Second(h*3600))), 0.09, "%v h", h)
	}
	require.Zero(t, UnknownPressureU(-1))
}

func TestPeakAndTurnOfTheTemperature(t *testing.T) {
	up := trace.Trace{At: []float64{t0, t0 + 3600, t0 + 7200, t0 + 10800}, V: []float64{10, 14, 8, 9}}
	b := Breath{Timber: up, PressureHPa: line(t0, 1013.25, t0+10800, 1013.25), AW: 0.6}
	g, err := b.Over(t0, t0+10800)
	require.NoError(t, err)
	require.Equal(t, In, g.Direction)
	require.Equal(t, t0+3600, g.PeakAt, "the sign turns where the temperature does")
	want, err := GasRatio(10, 14, 101325, 101325, 0.6)
	require.NoError(t, err)
	require.InEpsilon(t, want, g.Peak, 1e-12)
	require.True(t, g.Grows(StillWithin))
	b.Timber = trace.Trace{At: []float64{t0, t0 + 3600, t0 + 7200}, V: []float64{12, 8, 11}} // in, and out again
	g, err = b.Over(t0, t0+7200)
	require.NoError(t, err)
	require.Equal(t, In, g.Direction)
	require.Equal(t, 1.0, g.Peak)
	require.Equal(t, []float64{t0 + 3600, t0 + 7200}, []float64{g.RiseFrom, g.RiseTo})
	require.True(t, g.Grows(StillWithin), "what was drawn in is pushed out again")
}

// U against differences of the ratio itself.
func TestGrowthUncertainty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(-10, 30).Draw(t, "a")
		c := rapid.Float64Range(-10, 30).Draw(t, "b")
		aw := rapid.Float64Range(0.1, 0.9).Draw(t, "aw")
		end := t0 + 7200
		b := Breath{Timber: line(t0, a, end, c), PressureHPa: line(t0, 1010, end, 1000), AW: aw, TimberU: 0.01, PressureU: 2, AWU: 0.001}
		g, err := b.Over(t0, end)
		require.NoError(t, err)
		ratio := func(edit func(*Breath)) float64 {
			x := b
			edit(&x)
			r, err := x.Over(t0, end)
			require.NoError(t, err)
			return r.Ratio - g.Ratio
		}
		dt := ratio(func(x *Breath) { x.Timber = line(t0, a, end, c+0.01) })
		dp := ratio(func(x *Breath) { x.PressureHPa = line(t0, 1010, end, 1000.02) })
		da := ratio(func(x *Breath) { x.AW += 0.001 })
		require.InEpsilon(t, math.Sqrt(dt*dt+dp*dp+da*da), g.U, 5e-3)
		require.GreaterOrEqual(t, g.Peak, max(1, g.Ratio))
		require.GreaterOrEqual(t, g.Rise, g.Peak)
	})
}

func TestGrowthRefuses(t *testing.T) {
	good := Breath{Timber: trace.Trace{At: []float64{t0, t0 + 9000}, V: []float64{10, 11}, MaxGap: 9000}, AW: 0.6}
	for _, c := range []struct {
		want string
		edit func(*Breath)
	}{
		{"no timber temperature from 2026-01-01 00:00 UTC to 2026-01-01 01:00 UTC", func(b *Breath) { b.Timber = trace.Trace{} }},
		{"no timber temperature", func(b *Breath) { b.Timber.MaxGap = 7200 }},
		{"water activity", func(b *Breath) { b.AW = 60 }},
		{"standard uncertainty", func(b *Breath) { b.TimberU = -1 }},
		{"temperature 99 C", func(b *Breath) { b.Timber = line(t0, 99, t0+9000, 99) }},
		{"pressure 101 Pa", func(b *Breath) { b.PressureHPa = line(t0, 1.01, t0+9000, 1.01) }},
		{"temperature: trace", func(b *Breath) { b.Timber.V = nil }},
		{"pressure: trace", func(b *Breath) { b.PressureHPa.V = []float64{1} }},
	} {
		b := good
		c.edit(&b)
		_, err := b.Over(t0, t0+3600)
		require.ErrorContains(t, err, c.want)
	}
	_, err := good.Over(t0, t0)
	require.ErrorContains(t, err, "end after the beginning")
}
