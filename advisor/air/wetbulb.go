package air

import (
	"fmt"
	"math"

	"tackline/advisor/units"
)

// The range of total pressures that is accepted, in Pa: above the highest barometer ever read, down to about 7 km of height.
const (
	MinPressure units.Pascal = 40000
	MaxPressure units.Pascal = 110000
)

// StandardAtmosphere is the total pressure at sea level in Pa, for where no barometer is.
const StandardAtmosphere units.Pascal = 101325

// massRatio is the molar mass of water over that of dry air. Source: ASHRAE Fundamentals (2017), chapter 1, eq. 20.
const massRatio = 0.621945

// StandardPressure gives the pressure of the standard atmosphere in Pa at a height of -500..7000 m above the sea:
// 101325 (1 - 2.25577e-5 h)^5.2559. Outside is an error. Source: ASHRAE Fundamentals (2017), chapter 1, eq. 3.
func StandardPressure(height units.Metre) (units.Pascal, error) {
	if !(height >= -500 && height <= 7000) {
		return 0, fmt.Errorf("air: height %g m: want -500..7000 m", float64(height))
	}
	return units.Pascal(101325 * math.Pow(1-2.25577e-5*float64(height), 5.2559)), nil
}

// HumidityRatio gives the mass of vapour to that of dry air in kg/kg: 0.621945 e/(p - e), for a vapour pressure e from 0 up to half of
// the total pressure p (40000..110000 Pa). Outside is an error. Source: ASHRAE Fundamentals (2017), chapter 1, eq. 20.
func HumidityRatio(e, p units.Pascal) (float64, error) {
	if err := checkPressure(p); err != nil {
		return 0, err
	}
	if !(e >= 0 && e <= p/2) {
		return 0, fmt.Errorf("air: vapour pressure %g Pa: want 0 up to half of the total %g Pa", float64(e), float64(p))
	}
	return massRatio * float64(e/(p-e)), nil
}

// WetBulb gives the thermodynamic wet-bulb temperature in C: that at which the balance of ASHRAE Fundamentals (2017), chapter 1, eq. 33
// (water on the bulb) or 35 (ice on it) closes, with the saturation pressures of this package. The bulb carries water wherever a wet bulb
// of 0 C or above exists, and ice below; the two meet with a step of up to 1 K in dry air. Air that is saturated over ice
// but not over water would hold an iced bulb above the air's own temperature; the air's temperature is given then.
//
// Air -45..60 C, above 0 to 100 %, pressure 40000..110000 Pa; outside is an error. Accuracy: 0.05 K against psychrolib at 5..30 C.
func WetBulb(t units.Celsius, rh units.Percent, p units.Pascal) (units.Celsius, error) {
	e, err := VapourPressure(t, rh)
	if err != nil {
		return 0, err
	}
	w, err := HumidityRatio(e, p)
	if err != nil {
		return 0, err
	}
	if rh == 100 {
		return t, nil
	}
	c := float64(t)
	if c >= 0 && ratioOverWater(c, 0, float64(p)) <= w {
		return units.Celsius(bisect(func(b float64) bool { return ratioOverWater(c, b, float64(p)) > w }, 0, c)), nil
	}
	return units.Celsius(bisect(func(b float64) bool { return ratioOverIce(c, b, float64(p)) > w }, lowestSaturation, math.Min(c, 0))), nil
}

// HumidityFromWetBulb gives the relative humidity in % of a well ventilated psychrometer, such as one that is whirled: dry bulb t -45..60 C, wet
// bulb from -45 C up to t, pressure 40000..110000 Pa. It is the balance that WetBulb solves, read the other way: ASHRAE Fundamentals (2017),
// chapter 1, eq. 33, and 35 where the bulb is below 0 C and carries ice. Bulbs that no air can give (the wet one so low that no vapour is
// left) and values outside are errors. An error of 0.1 K of one bulb is about 1 % at 15 C and 2 % at 0 C; a bulb that is not ventilated by
// 3 m/s or more reads high.
func HumidityFromWetBulb(t, wet units.Celsius, p units.Pascal) (units.Percent, error) {
	if err := checkPressure(p); err != nil {
		return 0, err
	}
	if !(t >= -45 && t <= 60) {
		return 0, fmt.Errorf("air: dry bulb %g C: want -45..60 C", float64(t))
	}
	if !(wet >= -45 && wet <= t) {
		return 0, fmt.Errorf("air: wet bulb %g C: want -45 C up to the dry bulb, %g C", float64(wet), float64(t))
	}
	if wet == t && wet >= 0 {
		return 100, nil
	}
	ratio := ratioOverIce
	if wet >= 0 {
		ratio = ratioOverWater
	}
	w := ratio(float64(t), float64(wet), float64(p))
	rh := 100 * w * float64(p) / (massRatio + w) / float64(SaturationPressureWater(t))
	if !(w > 0 && rh > 0) {
		return 0, fmt.Errorf("air: dry bulb %g C and wet bulb %g C: no air is so dry; look whether the wick is wet and the bulbs are not mixed up", float64(t), float64(wet))
	}
	return units.Percent(math.Min(100, rh)), nil
}

// ratioOverWater is the humidity ratio of air at t whose wet bulb reads b with water on it (eq. 33).
func ratioOverWater(t, b, p float64) float64 {
	es := float64(SaturationPressureWater(units.Celsius(b)))
	return ((2501-2.326*b)*massRatio*es/(p-es) - 1.006*(t-b)) / (2501 + 1.86*t - 4.186*b)
}

// ratioOverIce is the same with ice on the bulb (eq. 35).
func ratioOverIce(t, b, p float64) float64 {
	es := float64(SaturationPressureIce(units.Celsius(b)))
	return ((2830-0.24*b)*massRatio*es/(p-es) - 1.006*(t-b)) / (2830 + 1.86*t - 2.1*b)
}

// bisect gives where over turns true between lo and hi, to the last bits; hi if it stays false.
func bisect(over func(float64) bool, lo, hi float64) float64 {
	if !over(hi) {
		return hi
	}
	for range 60 {
		mid := lo + (hi-lo)/2
		if over(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return lo + (hi-lo)/2
}

func checkPressure(p units.Pascal) error {
	if !(p >= MinPressure && p <= MaxPressure) {
		return fmt.Errorf("air: pressure %g Pa: want %g..%g Pa", float64(p), float64(MinPressure), float64(MaxPressure))
	}
	return nil
}
