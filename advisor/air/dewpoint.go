package air

import (
	"fmt"
	"math"

	"tackline/advisor/units"
)

// DewPoint gives the temperature in C to which the air must cool before water condenses from it, always over liquid water, below 0 C as
// well: td = b L/(a - L), L = ln(RH/100) + a t/(b + t), a = 17.502, b = 240.97 C.
//
// Air -45..60 C, relative humidity above 0 to 100 %; outside is an error. Never above t, and exactly t at 100 %. Accuracy, against the
// ASHRAE formulation for dew points above 0 C: 0.01 K at 0..30 C and 30 % and above, 0.04 K elsewhere. Source: A. L. Buck, J. Appl.
// Meteorol. 20 (1981) 1527-1532.
func DewPoint(t units.Celsius, rh units.Percent) (units.Celsius, error) {
	if !(t >= MinAir && t <= MaxAir && rh > 0 && rh <= 100) {
		return 0, checkAir(t, rh)
	}
	if rh == 100 {
		return t, nil
	}
	l := math.Log(float64(rh)/100) + exponent(float64(t))
	return min(t, units.Celsius(buckB*l/(buckA-l))), nil
}

// DewPointOfVapour gives the dew point over water in C of a vapour pressure (1e-6 Pa and above) in air of a temperature (-45..60 C): DewPoint at
// RH = 100 e/ew(t). Above saturation it is the air's own temperature: what is more has condensed. Outside the ranges is an error.
func DewPointOfVapour(t units.Celsius, e units.Pascal) (units.Celsius, error) {
	rh, err := rhOfVapour(t, e)
	if err != nil {
		return 0, err
	}
	return DewPoint(t, rh)
}

// SurfaceRHOfVapour gives the relative humidity in per cent at a surface (-45..90 C) of a vapour pressure in air of a temperature, as SurfaceRH
// does of a humidity; ranges and errors as for DewPointOfVapour.
func SurfaceRHOfVapour(t units.Celsius, e units.Pascal, surface units.Celsius) (units.Percent, error) {
	rh, err := rhOfVapour(t, e)
	if err != nil {
		return 0, err
	}
	return SurfaceRH(t, rh, surface)
}

// rhOfVapour is the humidity of a vapour pressure in air of a temperature, 100 % at most.
func rhOfVapour(t units.Celsius, e units.Pascal) (units.Percent, error) {
	if err := checkAirTemperature(t); err != nil {
		return 0, err
	}
	if err := checkVapour(e); err != nil {
		return 0, err
	}
	return min(100, units.Percent(100*float64(e)/float64(SaturationPressureWater(t)))), nil
}

// FrostPoint gives the temperature in C to which the air must cool before hoar forms on ice: the inverse of the saturation pressure over
// ice, at the vapour pressure that L of DewPoint stands for. It exists only where it lies below 0 C; ok is false otherwise, and the dew point
// is what matters then. Ranges and errors as for DewPoint. It is above the dew point of the same air, by up to a tenth of its distance
// from 0 C. Sources: WMO No. 8, annex 4.B (ice); Buck (1981).
func FrostPoint(t units.Celsius, rh units.Percent) (frost units.Celsius, ok bool, err error) {
	if err := checkAir(t, rh); err != nil {
		return 0, false, err
	}
	frost, ok = frostPoint(math.Log(float64(rh)/100) + exponent(float64(t)))
	return frost, ok, nil
}

// FrostPointFromVapourPressure gives the frost point in C of a vapour pressure of 1e-6..20000 Pa; outside is an error. ok is false where it
// would be 0 C or above. Source: WMO No. 8, annex 4.B.
func FrostPointFromVapourPressure(e units.Pascal) (frost units.Celsius, ok bool, err error) {
	if err := checkVapour(e); err != nil {
		return 0, false, err
	}
	frost, ok = frostPoint(math.Log(float64(e) / magnusE0))
	return frost, ok, nil
}

// frostPoint inverts the pressure over ice; l is the logarithm of the pressure over that at 0 C.
func frostPoint(l float64) (units.Celsius, bool) {
	if l >= 0 {
		return 0, false
	}
	return units.Celsius(magnusIceB * l / (magnusIceA - l)), true
}

func checkVapour(e units.Pascal) error {
	if !(e >= 1e-6 && e <= 20000) {
		return fmt.Errorf("air: vapour pressure %g Pa: want 1e-6..20000 Pa", float64(e))
	}
	return nil
}

// Margin gives surface temperature minus dew point in K: how far the surface is from condensation. Negative means that it is wet.
// Surface -45..90 C; air as for DewPoint. ISO 8502-4 practice asks for 3 K at least.
func Margin(surface, t units.Celsius, rh units.Percent) (units.Diff, error) {
	if err := checkSurface(surface); err != nil {
		return 0, err
	}
	td, err := DewPoint(t, rh)
	if err != nil {
		return 0, err
	}
	return surface.Sub(td), nil
}

// DewPointSlopes gives how the dew point follows its inputs: K per K of air temperature and K per % of relative humidity, by analytic
// derivative of the formula of DewPoint. Ranges and errors as there.
func DewPointSlopes(t units.Celsius, rh units.Percent) (perKelvin, perPercent float64, err error) {
	if err := checkAir(t, rh); err != nil {
		return 0, 0, err
	}
	c := float64(t)
	l := math.Log(float64(rh)/100) + exponent(c)
	dtd := buckA * buckB / ((buckA - l) * (buckA - l))
	return dtd * slopeOfLog(c), dtd / float64(rh), nil
}

// DewPointU gives the standard uncertainty of the dew point in K, from those of air temperature (K) and relative humidity (%), taken as
// independent: the root of the sum of squares of slope times u. A negative u is an error; the rest as for DewPoint.
// Source: JCGM 100:2008 (GUM), 5.1.2.
func DewPointU(t units.Celsius, rh units.Percent, uT units.Diff, uRH units.Percent) (units.Diff, error) {
	if err := checkU(float64(uT), float64(uRH)); err != nil {
		return 0, err
	}
	perK, perPct, err := DewPointSlopes(t, rh)
	if err != nil {
		return 0, err
	}
	return units.Diff(math.Hypot(perK*float64(uT), perPct*float64(uRH))), nil
}

// MarginU gives the standard uncertainty of the margin in K, from those of air temperature, relative humidity and surface temperature,
// taken as independent: 0.69 K at 15 C and 80 % for probes of 0.3 K, 2 % and 0.5 K. Errors as for DewPointU.
func MarginU(t units.Celsius, rh units.Percent, uT units.Diff, uRH units.Percent, uSurface units.Diff) (units.Diff, error) {
	if err := checkU(float64(uSurface)); err != nil {
		return 0, err
	}
	u, err := DewPointU(t, rh, uT, uRH)
	if err != nil {
		return 0, err
	}
	return units.Diff(math.Hypot(float64(u), float64(uSurface))), nil
}

// SurfaceRHU gives the standard uncertainty in % of SurfaceRH, from those of air temperature, relative humidity and surface temperature,
// taken as independent. d ln RHs = d RH/RH + s(t) dt - s(ts) dts, with s = d ln ew/dt. Errors as for SurfaceRH and DewPointU.
func SurfaceRHU(t units.Celsius, rh units.Percent, surface units.Celsius, uT units.Diff, uRH units.Percent,
	uSurface units.Diff) (units.Percent, error) {
	if err := checkU(float64(uT), float64(uRH), float64(uSurface)); err != nil {
		return 0, err
	}
	rhs, err := SurfaceRH(t, rh, surface)
	if err != nil {
		return 0, err
	}
	a := float64(uRH / rh)
	b := slopeOfLog(float64(t)) * float64(uT)
	c := slopeOfLog(float64(surface)) * float64(uSurface)
	return units.Percent(float64(rhs) * math.Sqrt(a*a+b*b+c*c)), nil
}

func checkU(us ...float64) error {
	for _, u := range us {
		if !(u >= 0 && u <= math.MaxFloat32) {
			return fmt.Errorf("air: standard uncertainty %g: want 0 or more, and finite", u)
		}
	}
	return nil
}
