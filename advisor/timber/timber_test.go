package timber

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/units"
)

func TestEMCRisesWithHumidityAndComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := units.Celsius(rapid.Float64Range(-20, 60).Draw(t, "t"))
		rh := units.Percent(rapid.Float64Range(0.1, 99).Draw(t, "rh"))
		m, err := EMC(c, rh)
		require.NoError(t, err)
		more, err := EMC(c, rh+1)
		require.NoError(t, err)
		require.Greater(t, more, m)
		back, err := WaterActivity(c, m)
		require.NoError(t, err)
		require.InDelta(t, float64(rh), float64(back), 1e-9)
	})
	m, err := EMC(20, 0)
	require.NoError(t, err)
	require.Zero(t, m)
	full, err := WaterActivity(20, 30)
	require.NoError(t, err)
	require.Equal(t, units.Percent(100), full)
}

func TestSweepWithoutNaN(t *testing.T) {
	finite := func(vs ...float64) {
		for _, v := range vs {
			require.False(t, math.IsNaN(v) || math.IsInf(v, 0) || v < 0, "%v", vs)
		}
	}
	for c := units.Celsius(-20); c <= 60; c += 2 {
		for rh := units.Percent(0); rh <= 100; rh += 2.5 {
			m, err := EMC(c, rh)
			require.NoError(t, err)
			finite(float64(m))
			require.LessOrEqual(t, m, MaxMoisture)
			cp, err := HeatCapacity(c, m)
			require.NoError(t, err)
			for _, density := range []float64{100, 400, 700, 1100} {
				g, err := Gravity(density)
				require.NoError(t, err)
				k, err := Conductivity(g, m)
				require.NoError(t, err)
				rho, err := Density(g, m)
				require.NoError(t, err)
				tau, err := ResponseTime(0.009, density, c, m)
				require.NoError(t, err)
				require.InEpsilon(t, rho*cp*0.009/(2*7.69), float64(tau), 1e-12)
				d, err := TransverseDiffusion(c, m, g)
				require.NoError(t, err)
				finite(cp, k, rho, float64(tau), d)
			}
		}
	}
	for c := units.Celsius(-20); c < 60; c += 4 {
		for _, p := range []units.Pascal{40000, 90000, 110000} {
			for _, aw := range []float64{0, 0.5, 1} {
				r, err := GasRatio(c, c+3.9, p, p, aw)
				require.NoError(t, err)
				finite(r)
				require.Greater(t, r, 1.0, "warming drives gas out")
				require.Equal(t, Out, DirectionOf(r))
			}
		}
	}
}

// A 9 mm panel of density 500 in 12 C and 75 %: the worked figures of the laws together.
func TestNineMillimetrePanelResponds(t *testing.T) {
	m, err := EMC(12, 75)
	require.NoError(t, err)
	tau, err := ResponseTime(0.009, 500, 12, m)
	require.NoError(t, err)
	require.InDelta(t, 8.5, float64(tau)/60, 0.5) // min; a thin free panel follows the air in 10 to 25 min
}

func TestGasRatioProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := func(n string) units.Celsius { return units.Celsius(rapid.Float64Range(-20, 60).Draw(t, n)) }
		p := func(n string) units.Pascal { return units.Pascal(rapid.Float64Range(90000, 108000).Draw(t, n)) }
		aw := rapid.Float64Range(0, 1).Draw(t, "aw")
		t1, t2, t3, p1, p2, p3 := c("t1"), c("t2"), c("t3"), p("p1"), p("p2"), p("p3")
		a, err := GasRatio(t1, t2, p1, p2, aw)
		require.NoError(t, err)
		b, err := GasRatio(t2, t3, p2, p3, aw)
		require.NoError(t, err)
		whole, err := GasRatio(t1, t3, p1, p3, aw)
		require.NoError(t, err)
		require.InEpsilon(t, whole, a*b, 1e-12, "two stretches in turn are the whole")
		back, err := GasRatio(t2, t1, p2, p1, aw)
		require.NoError(t, err)
		require.InEpsilon(t, 1, a*back, 1e-12)
	})
	r, err := GasRatio(10, 9, 101325, 101325-400, 0.6) // 1 K of cooling and 4 hPa of fall about cancel
	require.NoError(t, err)
	require.InDelta(t, 1, r, 3e-4)
	require.Equal(t, Still, DirectionOf(r))
	require.Equal(t, Still, DirectionOf(math.NaN()))
	require.Equal(t, []Direction{Out, Still, Still, In}, []Direction{
		DirectionOf(1.00051), DirectionOf(1.00049), DirectionOf(0.99951), DirectionOf(0.99949)})
}

func TestOutOfRangeIsAnError(t *testing.T) {
	nan := units.Celsius(math.NaN())
	for _, c := range []struct {
		want string
		call func() error
	}{
		{"temperature NaN C: want -20..60 C", func() error { _, err := EMC(nan, 50); return err }},
		{"relative humidity 101 %", func() error { _, err := EMC(10, 101); return err }},
		{"moisture content 31 %", func() error { _, err := WaterActivity(10, 31); return err }},
		{"temperature", func() error { _, err := WaterActivity(61, 10); return err }},
		{"want 100..1100 kg/m3", func() error { _, err := Gravity(0.5); return err }},
		{"specific gravity", func() error { _, err := Conductivity(500, 12); return err }},
		{"moisture content", func() error { _, err := Density(0.5, -1); return err }},
		{"moisture content", func() error { _, err := HeatCapacity(10, 31); return err }},
		{"temperature", func() error { _, err := HeatCapacity(-21, 3); return err }},
		{"specific gravity", func() error { _, err := VoidFraction(1.5, 12); return err }},
		{"specific gravity", func() error { _, err := LargestMoisture(0); return err }},
		{"want 0.0005..0.5 m", func() error { _, err := ResponseTime(9, 500, 10, 12); return err }}, // mm given for m
		{"density", func() error { _, err := ResponseTime(0.009, 5, 10, 12); return err }},
		{"temperature", func() error { _, err := BoundDiffusion(nan, 12); return err }},
		{"specific gravity", func() error { _, err := TransverseDiffusion(10, 12, 2); return err }},
		{"temperature", func() error { _, err := GasRatio(10, nan, 101325, 101325, 0); return err }},
		{"pressure 1013.25 Pa", func() error { _, err := GasRatio(10, 20, 1013.25, 1013.25, 0); return err }},
		{"water activity 60", func() error { _, err := GasRatio(10, 20, 101325, 101325, 60); return err }},
		{"void fraction", func() error { _, err := GasVolume(0.009, 1.1, 1, false); return err }},
		{"volume ratio", func() error { _, err := GasVolume(0.009, 0.6, 0, false); return err }},
		{"thickness", func() error { _, err := GasVolume(9, 0.6, 1, false); return err }},
		{"temperature", func() error { _, err := ClosedPoreRise(nan, 1, 101325, 0); return err }},
		{"pore radius", func() error { _, err := BubblePressure(10, 0.04); return err }},
		{"surface tension", func() error { _, err := BubblePressure(1e-5, 40); return err }},
		{"density", func() error { _, err := Panel{Thickness: 0.009}.Through(10, 12); return err }},
		{"thickness", func() error { _, err := Panel{Density12: 500}.Through(10, 12); return err }},
	} {
		require.ErrorContains(t, c.call(), c.want)
		require.ErrorContains(t, c.call(), "timber: ")
	}
}
