package air_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/air"
	"tackline/advisor/units"
)

func drawAir(t *rapid.T) (units.Celsius, units.Percent) {
	return units.Celsius(rapid.Float64Range(-45, 60).Draw(t, "air")), units.Percent(rapid.Float64Range(0.01, 100).Draw(t, "rh"))
}

func TestRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, rh := drawAir(t)
		td, err := air.DewPoint(c, rh)
		require.NoError(t, err)
		require.LessOrEqual(t, td, c)
		back, err := air.RHFromDewPoint(c, td)
		require.NoError(t, err)
		require.InEpsilon(t, float64(rh), float64(back), 1e-9)
		e, err := air.VapourPressure(c, rh)
		require.NoError(t, err)
		td2, err := air.DewPointOfVapour(c, e)
		require.NoError(t, err)
		require.InDelta(t, float64(td), float64(td2), 1e-9)
		if td >= air.MinAir { // a surface at the dew point is just saturated
			at, err := air.SurfaceRH(c, rh, td)
			require.NoError(t, err)
			require.InEpsilon(t, 100, float64(at), 1e-9)
			at2, err := air.SurfaceRHOfVapour(c, e, td)
			require.NoError(t, err)
			require.InEpsilon(t, float64(at), float64(at2), 1e-9)
		}
		frost, ok, err := air.FrostPoint(c, rh)
		require.NoError(t, err)
		require.Equal(t, td < 0, ok, "%v", td)
		if ok {
			require.GreaterOrEqual(t, frost, td)
			require.Less(t, frost, units.Celsius(0))
		}
	})
}

func TestOrderOfTheTemperatures(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, rh := drawAir(t)
		p := units.Pascal(rapid.Float64Range(80000, 110000).Draw(t, "p"))
		td, err := air.DewPoint(c, rh)
		require.NoError(t, err)
		twb, err := air.WetBulb(c, rh, p)
		require.NoError(t, err)
		require.LessOrEqual(t, twb, c)
		require.GreaterOrEqual(t, float64(twb), float64(td)-1e-9)
		wetter, err := air.WetBulb(c, min(100, rh*1.05), p)
		require.NoError(t, err)
		require.GreaterOrEqual(t, wetter, twb)
	})
}

// The wet bulb closes the balance that it is defined by, and saturated air has its wet bulb and its dew point at its own temperature.
func TestSaturatedAir(t *testing.T) {
	for c := units.Celsius(-45); c <= 60; c += 0.7 {
		td, err := air.DewPoint(c, 100)
		require.NoError(t, err)
		require.Equal(t, c, td)
		twb, err := air.WetBulb(c, 100, air.StandardAtmosphere)
		require.NoError(t, err)
		require.Equal(t, c, twb)
		m, err := air.Margin(c+3, c, 100)
		require.NoError(t, err)
		require.InDelta(t, 3, float64(m), 1e-12)
	}
}

// The whole domain, edges included: no result is NaN or infinite, and each stays where it can be.
func TestSweepWithoutNaN(t *testing.T) {
	for c := -45.0; c <= 60; c += 1.25 {
		for _, rh := range []float64{1e-300, 1e-9, 0.01, 1, 20, 50, 80, 99.999, 100} {
			tc, r := units.Celsius(c), units.Percent(rh)
			td, err := air.DewPoint(tc, r)
			require.NoError(t, err)
			fp, _, err := air.FrostPoint(tc, r)
			require.NoError(t, err)
			twb, err := air.WetBulb(tc, r, 101325)
			require.NoError(t, err)
			a, err := air.AbsoluteHumidity(tc, r)
			require.NoError(t, err)
			u, err := air.MarginU(tc, r, 0.3, 2, 0.5)
			require.NoError(t, err)
			for _, v := range []float64{float64(td), float64(fp), float64(twb), a, float64(u)} {
				require.False(t, math.IsNaN(v) || math.IsInf(v, 0), "%v C %v %%: %v", c, rh, v)
			}
			require.Greater(t, float64(td), -273.15)
			for s := -45.0; s <= 90; s += 15 {
				rhs, err := air.SurfaceRH(tc, r, units.Celsius(s))
				require.NoError(t, err)
				us, err := air.SurfaceRHU(tc, r, units.Celsius(s), 0.3, 2, 0.5)
				require.NoError(t, err)
				require.False(t, math.IsNaN(float64(rhs)) || math.IsNaN(float64(us)))
			}
		}
	}
	for c := -400.0; c < 400; c++ {
		w, i := air.SaturationPressureWater(units.Celsius(c)), air.SaturationPressureIce(units.Celsius(c))
		require.Greater(t, w, units.Pascal(0))
		require.Greater(t, i, units.Pascal(0))
		if c >= -130 && c < 100 {
			require.Greater(t, air.SaturationPressureWater(units.Celsius(c+1)), w)
		}
		if c < 0 && c >= -130 {
			require.Less(t, i, w, "ice holds less vapour than water at %v C", c)
		}
	}
	require.Equal(t, units.Pascal(0), air.SaturationPressureWater(units.Celsius(math.NaN())))
}

func TestSlopesAreDerivatives(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := units.Celsius(rapid.Float64Range(-40, 55).Draw(t, "air"))
		rh := units.Percent(rapid.Float64Range(5, 95).Draw(t, "rh"))
		k, pct, err := air.DewPointSlopes(c, rh)
		require.NoError(t, err)
		const h = 1e-3
		diff := func(t1 units.Celsius, r1 units.Percent, t2 units.Celsius, r2 units.Percent) float64 {
			a, err := air.DewPoint(t1, r1)
			require.NoError(t, err)
			b, err := air.DewPoint(t2, r2)
			require.NoError(t, err)
			return float64(b-a) / (2 * h)
		}
		require.InEpsilon(t, diff(c-h, rh, c+h, rh), k, 1e-4)
		require.InEpsilon(t, diff(c, rh-h, c, rh+h), pct, 1e-4)
	})
}

func TestUncertainties(t *testing.T) {
	u, err := air.MarginU(15, 80, 0.3, 2, 0.5)
	require.NoError(t, err)
	require.InDelta(t, 0.69, float64(u), 0.005) // root of the sum of squares: (2 x 0.189), (0.3 x 0.974), 0.5
	u, err = air.DewPointU(15, 80, 1, 3)
	require.NoError(t, err)
	require.InDelta(t, 1.13, float64(u), 0.005) // a probe of 3 % and 1 C
	zero, err := air.MarginU(15, 80, 0, 0, 0)
	require.NoError(t, err)
	require.Zero(t, zero)
	for _, bad := range []float64{-1, math.NaN(), math.Inf(1)} {
		_, err = air.MarginU(15, 80, 0.3, 2, units.Diff(bad))
		require.ErrorContains(t, err, "standard uncertainty")
		_, err = air.DewPointU(15, 80, units.Diff(bad), 2)
		require.ErrorContains(t, err, "standard uncertainty")
	}
}

// SurfaceRHU against central differences of SurfaceRH.
func TestSurfaceRHUIsTheSumOfItsParts(t *testing.T) {
	const h = 1e-4
	rapid.Check(t, func(t *rapid.T) {
		c := units.Celsius(rapid.Float64Range(-20, 40).Draw(t, "air"))
		rh := units.Percent(rapid.Float64Range(5, 95).Draw(t, "rh"))
		s := units.Celsius(rapid.Float64Range(-20, 40).Draw(t, "surface"))
		f := func(c units.Celsius, rh units.Percent, s units.Celsius) float64 {
			v, err := air.SurfaceRH(c, rh, s)
			require.NoError(t, err)
			return float64(v)
		}
		a := 2 * (f(c, rh+h, s) - f(c, rh-h, s)) / (2 * h)
		b := 0.3 * (f(c+h, rh, s) - f(c-h, rh, s)) / (2 * h)
		d := 0.5 * (f(c, rh, s+h) - f(c, rh, s-h)) / (2 * h)
		u, err := air.SurfaceRHU(c, rh, s, 0.3, 2, 0.5)
		require.NoError(t, err)
		require.InEpsilon(t, math.Sqrt(a*a+b*b+d*d), float64(u), 1e-4)
	})
}

// The worked case of the 3 K rule: a panel below 15.45 C breaks it, though the air is at 70 % only.
func TestColdPanelInDryLookingAir(t *testing.T) {
	td, err := air.DewPoint(18, 70)
	require.NoError(t, err)
	require.InDelta(t, dewPointASHRAE(18, 70), float64(td), 0.01)
	m, err := air.Margin(15.44, 18, 70)
	require.NoError(t, err)
	require.Less(t, m, units.Diff(3))
	m, err = air.Margin(15.46, 18, 70)
	require.NoError(t, err)
	require.Greater(t, m, units.Diff(3))
}

// Over 5 C and 50 % the dew point over water is -4.56 C and the frost point -4.03 C: two different temperatures of the same air.
func TestDewAndFrostPointDiffer(t *testing.T) {
	td, err := air.DewPoint(5, 50)
	require.NoError(t, err)
	require.InDelta(t, dewPointASHRAE(5, 50), float64(td), 0.01)
	fp, ok, err := air.FrostPoint(5, 50)
	require.NoError(t, err)
	require.True(t, ok)
	require.InDelta(t, -4.03, float64(fp), 0.05)
	_, ok, err = air.FrostPoint(20, 50)
	require.NoError(t, err)
	require.False(t, ok)
}

func TestRHAfterOffsetKeepsTheVapour(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := units.Celsius(rapid.Float64Range(-30, 45).Draw(t, "air"))
		rh := units.Percent(rapid.Float64Range(1, 60).Draw(t, "rh"))
		off := units.Diff(rapid.Float64Range(-3, 3).Draw(t, "offset"))
		before, err := air.DewPoint(c, rh)
		require.NoError(t, err)
		rh2, err := air.RHAfterOffset(c, rh, off)
		require.NoError(t, err)
		after, err := air.DewPoint(c.Add(off), rh2)
		require.NoError(t, err)
		require.InDelta(t, float64(before), float64(after), 1e-9)
	})
	rh, err := air.RHAfterOffset(20, 99, -1)
	require.NoError(t, err)
	require.Greater(t, rh, units.Percent(100), "the contradiction is shown, not cut off")
}

func TestOutOfRangeIsAnError(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		t, rh float64
		want  string
	}{
		{-45.01, 50, "air temperature"}, {60.01, 50, "air temperature"}, {nan, 50, "air temperature"}, {math.Inf(-1), 50, "air temperature"},
		{20, 0, "relative humidity"}, {20, -1, "relative humidity"}, {20, 100.01, "relative humidity"}, {20, nan, "relative humidity"},
	} {
		tc, rh := units.Celsius(c.t), units.Percent(c.rh)
		_, err := air.DewPoint(tc, rh)
		require.ErrorContains(t, err, c.want)
		_, err = air.VapourPressure(tc, rh)
		require.ErrorContains(t, err, c.want)
		_, _, err = air.FrostPoint(tc, rh)
		require.ErrorContains(t, err, c.want)
		_, err = air.WetBulb(tc, rh, 101325)
		require.ErrorContains(t, err, c.want)
		_, err = air.SurfaceRH(tc, rh, 10)
		require.ErrorContains(t, err, c.want)
		_, err = air.Margin(10, tc, rh)
		require.ErrorContains(t, err, c.want)
		_, err = air.AbsoluteHumidity(tc, rh)
		require.ErrorContains(t, err, c.want)
		_, err = air.RHAfterOffset(tc, rh, 0)
		require.ErrorContains(t, err, c.want)
	}
	_, err := air.Margin(units.Celsius(nan), 20, 50)
	require.ErrorContains(t, err, "surface temperature")
	_, err = air.SurfaceRH(20, 50, 91)
	require.ErrorContains(t, err, "-45..90 C")
	_, err = air.WetBulb(20, 50, 1013)
	require.ErrorContains(t, err, "pressure 1013 Pa: want 40000..110000 Pa") // hPa given for Pa
	_, err = air.RHFromDewPoint(10, 11)
	require.ErrorContains(t, err, "dew point")
	_, err = air.DewPointOfVapour(20, 0)
	require.ErrorContains(t, err, "vapour pressure")
	_, err = air.StandardPressure(9000)
	require.ErrorContains(t, err, "height")
	_, _, err = air.SaltHumidity("NaOH", 20)
	require.ErrorContains(t, err, "NaCl")
	_, _, err = air.SaltHumidity(air.SodiumChloride, 4)
	require.ErrorContains(t, err, "5..30 C")
}

func TestDewPointAllocatesNothing(t *testing.T) {
	require.Zero(t, testing.AllocsPerRun(100, func() { _, _ = air.DewPoint(12.3, 71) }))
}

func BenchmarkDewPoint(b *testing.B) {
	b.ReportAllocs()
	c := units.Celsius(5)
	for b.Loop() {
		td, err := air.DewPoint(c, 71.5)
		if err != nil {
			b.Fatal(err)
		}
		c = 5 + td*1e-9
	}
}

func BenchmarkWetBulb(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := air.WetBulb(12, 71.5, 101325); err != nil {
			b.Fatal(err)
		}
	}
}
