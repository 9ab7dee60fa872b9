package heat

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/internal/refcase"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

func TestAGapHasNoValueAndStartsAnew(t *testing.T) {
	air := trace.Trace{At: []float64{t0, t0 + 3600, t0 + 20000, t0 + 36000}, V: []float64{10, 12, 4, 5}, MaxGap: 16000}
	p := Panel{Layers: []Layer{ply(0.009)}, Front: FaceTowards(Sideways), Back: FaceTowards(Sideways)}
	res, err := p.Run(Drive{Air: air, Start: Uniform(20)}, t0, t0+36000)
	require.NoError(t, err)
	require.NoError(t, res.Front.Check())
	_, ok := res.Front.Value(t0 + 10000)
	require.False(t, ok)
	require.InDelta(t, 4, valueAt(t, res.Front, t0+20000), 1e-9)
	require.Len(t, res.Settled, 2)
	require.Equal(t, t0, res.Settled[0].From, "the first start was known")
	require.InDelta(t, t0+20000+3*float64(p.Lag()), res.Settled[1].From, 1e-6)
	_, err = p.Run(Drive{Air: air}, t0+5000, t0+15000)
	require.ErrorContains(t, err, "no air temperature from 2026-01-01 01:23 UTC")
}

func TestRunRefuses(t *testing.T) {
	good := Panel{Layers: []Layer{ply(0.009)}, Front: plain(8), Back: plain(8)}
	air := steady(10, t0, t0+3600)
	for _, c := range []struct {
		want string
		edit func(p *Panel, d *Drive)
	}{
		{"without layers", func(p *Panel, _ *Drive) { p.Layers = nil }},
		{"layer 1: thickness", func(p *Panel, _ *Drive) { p.Layers = []Layer{ply(0)} }},
		{"layer 1: conductivity", func(p *Panel, _ *Drive) { p.Layers = []Layer{{0.009, math.NaN(), 500, 1600}} }},
		{"layer 1: density", func(p *Panel, _ *Drive) { p.Layers = []Layer{{0.009, 0.12, -1, 1600}} }},
		{"layer 1: heat capacity", func(p *Panel, _ *Drive) { p.Layers = []Layer{{0.009, 0.12, 500, 1.6}} }},
		{"front face", func(p *Panel, _ *Drive) { p.Front.Warm = -1 }},
		{"back face: radiation", func(p *Panel, _ *Drive) { p.Back = Face{Warm: 1, Cool: 1, Radiant: 2} }},
		{"cell of", func(p *Panel, _ *Drive) { p.Cell = -1 }},
		{"step of", func(_ *Panel, d *Drive) { d.Step = -1 }},
		{"scheme 9", func(_ *Panel, d *Drive) { d.Scheme = 9 }},
		{"air: trace: sample 1", func(_ *Panel, d *Drive) { d.Air = trace.Trace{At: []float64{0, 1}, V: []float64{0, math.NaN()}} }},
		{"radiant", func(_ *Panel, d *Drive) { d.Radiant = trace.Trace{At: []float64{0}} }},
		{"profile, point 1", func(_ *Panel, d *Drive) { d.Start = Uniform(units.Celsius(math.NaN())) }},
		{"the source gives NaN", func(_ *Panel, d *Drive) {
			d.Source = func(float64, float64, units.Celsius) float64 { return math.NaN() }
		}},
		{"no air temperature", func(_ *Panel, d *Drive) { d.Air = trace.Trace{} }},
	} {
		p, d := good, Drive{Air: air}
		c.edit(&p, &d)
		_, err := p.Run(d, t0, t0+3600)
		require.ErrorContains(t, err, c.want)
	}
	_, err := good.Run(Drive{Air: air}, t0, t0)
	require.ErrorContains(t, err, "end after the beginning")
	_, err = RadiativeCoefficient(101)
	require.ErrorContains(t, err, "-60..100")
}

// Whole domain of panels: no result is NaN.
func TestSweepWithoutNaN(t *testing.T) {
	air := trace.Trace{At: []float64{t0, t0 + 7200}, V: []float64{-30, 50}}
	for _, l := range []units.Metre{1e-5, 1e-3, 0.06, 0.5} {
		for _, k := range []float64{0.01, 0.2, 500} {
			for _, rho := range []float64{1, 600, 20000} {
				for _, f := range []Face{{}, plain(1000), FaceTowards(Up)} {
					p := Panel{Layers: []Layer{{l, k, rho, 1000}, ply(0.004)}, Front: f, Back: FaceTowards(Down)}
					for _, s := range []Scheme{TRBDF2, BackwardEuler} {
						res, err := p.Run(Drive{Air: air, Scheme: s}, t0, t0+7200)
						require.NoError(t, err)
						for _, tr := range []trace.Trace{res.Front, res.Core, res.Back, res.Coat} {
							require.NoError(t, tr.Check())
						}
					}
				}
			}
		}
	}
}

func TestFirstOrderLagOfARamp(t *testing.T) {
	const tau = 600.0
	air := trace.Trace{At: []float64{t0, t0 + 1000, t0 + 8200}, V: []float64{0, 0, 7200}}
	got, err := FirstOrderLag(air, tau)
	require.NoError(t, err)
	require.NoError(t, got.Check())
	for i, at := range got.At {
		want := 0.0
		if at > t0+1000 {
			want = refcase.LagOfRamp(tau, at-t0-1000)
		}
		require.InDelta(t, want, got.V[i], 1e-6*tau)
	}
	for x := 0.0; x < 7200; x += 13 { // between the samples
		require.InDelta(t, refcase.LagOfRamp(tau, x), valueAt(t, got, t0+1000+x), 0.005*tau)
	}
}

// Against the solver: a thin panel that conducts well is a lumped body.
func TestFirstOrderLagAgainstThePanel(t *testing.T) {
	var air trace.Trace
	for i := range 49 {
		x := float64(i) * 1800
		air.At, air.V = append(air.At, t0+x), append(air.V, 8+6*math.Sin(2*math.Pi*x/86400))
	}
	p := Panel{Layers: []Layer{{0.004, 100, 600, 1500}}, Front: plain(7.69), Back: plain(7.69)}
	res, err := p.Run(Drive{Air: air, Step: 30}, t0, t0+86400)
	require.NoError(t, err)
	lag, err := FirstOrderLag(air, 0.004*600*1500/(2*7.69))
	require.NoError(t, err)
	for x := 0.0; x <= 86400; x += 60 {
		require.InDelta(t, valueAt(t, res.Front, t0+x), valueAt(t, lag, t0+x), 3e-3)
	}
}

func TestFirstOrderLagHoldsBetweenItsInputs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 30).Draw(t, "n")
		air := trace.Trace{MaxGap: 4000}
		at, lo, hi := t0, math.Inf(1), math.Inf(-1)
		for range n {
			at += rapid.Float64Range(1, 5000).Draw(t, "dt")
			v := rapid.Float64Range(-20, 40).Draw(t, "v")
			air.At, air.V = append(air.At, at), append(air.V, v)
			lo, hi = min(lo, v), max(hi, v)
		}
		tau := units.Second(rapid.Float64Range(0, 20000).Draw(t, "tau"))
		out, err := FirstOrderLag(air, tau)
		require.NoError(t, err)
		require.NoError(t, out.Check())
		for _, v := range out.V {
			require.True(t, v >= lo-1e-9 && v <= hi+1e-9)
		}
		from, to := air.At[0], air.At[n-1]
		require.Equal(t, air.Gaps(from, to), out.Gaps(from, to), "the lag has the air's gaps, no more and no fewer")
		for _, s := range Settled(air, tau) {
			_, ok := out.Value(s.From)
			require.True(t, ok)
		}
	})
	_, err := FirstOrderLag(steady(1, 0, 1), -1)
	require.ErrorContains(t, err, "time constant")
	_, err = FirstOrderLag(trace.Trace{At: []float64{1, 1}, V: []float64{1, 1}}, 1)
	require.ErrorContains(t, err, "heat: air")
	require.Nil(t, Settled(trace.Trace{}, 1))
}
