package air

import (
	"fmt"
	"math"

	"tackline/advisor/units"
)

// DewPoint gives the temperature in C to which the air must cool before water condenses from it, always over liquid water, below 0 C as
// well: td = b L/(a - L), L = ln(RH/100) + a t/(b + t), a = 17.62, b = 243.12 C.
//
// Air -45..60 C, relative humidity above 0 to 100 %; outside is an error. Never above t, and exactly t at 100 %. Accuracy, against the
// ASHRAE formulation for dew points above 0 C: 0.03 K at 0..30 C and 37..100 %, 0.034 K down to 30 %, 0.05 K elsewhere. Source: WMO No. 8, annex 4.B.
func DewPoint(t units.Celsius, rh units.Percent) (units.Celsius, error) {
	if !(t >= MinAir && t <= MaxAir && rh > 0 && rh <= 100) {
		return 0, checkAir(t, rh)
	}
	if rh == 100 {
		return t, nil
	}
	l := math.Log(float64(rh)/100) + magnusWaterA*float64(t)/(magnusWaterB+float64(t))
	return min(t, units.Celsius(magnusWaterB*l/(magnusWaterA-l))), nil
}

// DewPointFromVapourPressure gives the dew point over water in C of a vapour pressure of 1e-6..20000 Pa (dew points of -130 C to
// 60 C); outside is an error. Source and accuracy as for DewPoint.
func DewPointFromVapourPressure(e units.Pascal) (units.Celsius, error) {
	if err := checkVapour(e); err != nil {
		return 0, err
	}
	l := math.Log(float64(e) / magnusE0)
	return units.Celsius(magnusWaterB * l / (magnusWaterA - l)), nil
}

// FrostPoint gives the temperature in C to which the air must cool before hoar forms on ice: the inverse of the saturation pressure over
// ice. It exists only where it lies below 0 C; ok is false otherwise, and the dew point is what matters then. Ranges and errors as for
// DewPoint. It is above the dew point of the same air, by up to a tenth of its distance from 0 C. Source: WMO No. 8, annex 4.B.
func FrostPoint(t units.Celsius, rh units.Percent) (frost units.Celsius, ok bool, err error) {
	e, err := VapourPressure(t, rh)
	if err != nil {
		return 0, false, err
	}
	return frostPoint(float64(e))
}

// FrostPointFromVapourPressure gives the frost point of a vapour pressure of 1e-6..20000 Pa, as FrostPoint does.
func FrostPointFromVapourPressure(e units.Pascal) (frost units.Celsius, ok bool, err error) {
	if err := checkVapour(e); err != nil {
		return 0, false, err
	}
	return frostPoint(float64(e))
}

func frostPoint(e float64) (units.Celsius, bool, error) {
	if e >= magnusE0 {
		return 0, false, nil
	}
	l := math.Log(e / magnusE0)
	return units.Celsius(magnusIceB * l / (magnusIceA - l)), true, nil
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
	l := math.Log(float64(rh)/100) + magnusWaterA*c/(magnusWaterB+c)
	dtd := magnusWaterA * magnusWaterB / ((magnusWaterA - l) * (magnusWaterA - l))
	return dtd * slopeOfLog(c), dtd / float64(rh), nil
}

// slopeOfLog is d ln ew/dt per K.
func slopeOfLog(t float64) float64 {
	return magnusWaterA * magnusWaterB / ((magnusWaterB + t) * (magnusWaterB + t))
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
