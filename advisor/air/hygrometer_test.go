package air

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/units"
)

// ASHRAE Handbook, Fundamentals (2017), chapter 1, as carried by the tests of psychrolib: humidity ratio 0.0192281274 at 30 C, wet bulb 25 C,
// 95461 Pa, and 0.00120399820 at -1 C, iced wet bulb -5 C. The relative humidity follows by eq. 20 and 22 with ASHRAE's saturation pressures, 4246.03
// Pa at 30 C and, over water as ours is, 568 Pa at -1 C; 0.6 % is WMO's claim for the saturation pressures that go in.
func TestHumidityFromWetBulbByTheHandbook(t *testing.T) {
	for _, c := range []struct{ t, wet, p, w, es float64 }{{30, 25, 95461, 0.0192281274, 4246.03}, {-1, -5, 95461, 0.00120399820, 568}} {
		rh, err := HumidityFromWetBulb(units.Celsius(c.t), units.Celsius(c.wet), units.Pascal(c.p))
		require.NoError(t, err)
		want := 100 * c.w * c.p / (0.621945 + c.w) / c.es
		require.InEpsilon(t, want, float64(rh), 0.006)
	}
}

// The psychrometer formula of WMO No. 8 (CIMO Guide), annex 4.B, for a ventilated psychrometer, from memory: e = ew(tw) - 6.53e-4 (1 + 0.000944 tw) p (t - tw)
// with p and e in hPa. It is of the instrument, ours is of the air: they are to agree within what such an instrument is good for, 1 % RH at
// depressions up to 5 K.
func TestHumidityFromWetBulbAgainstTheInstrumentsOwnFormula(t *testing.T) {
	for wet := 0.0; wet <= 25; wet += 2.5 {
		for d := 0.0; d <= 5; d += 0.5 {
			rh, err := HumidityFromWetBulb(units.Celsius(wet+d), units.Celsius(wet), StandardAtmosphere)
			if err != nil {
				continue
			}
			e := float64(SaturationPressureWater(units.Celsius(wet)))/100 - 6.53e-4*(1+0.000944*wet)*1013.25*d
			require.InDelta(t, 100*e/(float64(SaturationPressureWater(units.Celsius(wet+d)))/100), float64(rh), 1, "%g C, %g K", wet, d)
		}
	}
}

func TestWetBulbThereAndBack(t *testing.T) {
	for c := -40.0; c <= 55; c += 2.5 {
		for _, h := range []float64{5, 20, 50, 80, 95, 100} {
			b, err := WetBulb(units.Celsius(c), units.Percent(h), 100000)
			require.NoError(t, err)
			if c < 0 && h >= 95 || b == units.Celsius(c) && h < 100 {
				continue // saturated over ice: the bulb cannot tell
			}
			rh, err := HumidityFromWetBulb(units.Celsius(c), b, 100000)
			require.NoError(t, err)
			require.InDelta(t, h, float64(rh), 1e-6, "%g C", c)
		}
	}
}

func TestBulbsThatCannotBe(t *testing.T) {
	for want, c := range map[string][3]float64{"no air is so dry": {30, 5, 101325}, "up to the dry bulb": {10, 10.1, 101325}, "dry bulb 61": {61, 20, 101325},
		"pressure": {10, 9, 1013.25}, "dry bulb NaN": {math.NaN(), 5, 101325}, "wet bulb NaN": {10, math.NaN(), 101325}} {
		_, err := HumidityFromWetBulb(units.Celsius(c[0]), units.Celsius(c[1]), units.Pascal(c[2]))
		require.ErrorContains(t, err, want)
	}
}
