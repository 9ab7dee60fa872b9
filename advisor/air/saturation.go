// Package air has the laws of moist air that decide whether a surface stays dry: saturation pressure, dew and frost point, wet bulb,
// absolute humidity, the humidity at a surface and the margin of that surface over the dew point, each with the uncertainty that the
// probes' own hand down to it.
//
// Relative humidity is always over liquid water, also below 0 C, as WMO No. 8 defines it and as every capacitive probe reports it.
// Pressures follow the Magnus form of WMO No. 8, annex 4.B, without the enhancement factor of moist air, which cancels between humidity
// and dew point and is 0.5 % of the pressures themselves. Where only the ratio of two saturation pressures matters (dew and frost point from a
// humidity, humidity at a surface, humidity after an offset), the exponent over water is that of Buck (1981): its slope is nearer to the
// ASHRAE formulation, so that a dew point is within 0.01 K of it at 0..30 C and 30 % and above, where the WMO exponent is up to 0.034 K off.
package air

import (
	"fmt"
	"math"

	"tackline/advisor/units"
)

// Constants of the Magnus form e = e0 exp(a t/(b + t)), t in C. Source: WMO No. 8 (CIMO Guide), annex 4.B; over water for -45..60 C, over
// ice for -65..0 C.
const (
	magnusE0     = 611.2 // Pa
	magnusWaterA = 17.62
	magnusWaterB = 243.12 // C
	magnusIceA   = 22.46
	magnusIceB   = 272.62 // C
)

// Constants of Buck's exponent over water, a t/(b + t), t in C, fitted for -20..50 C. Source: A. L. Buck, J. Appl. Meteorol. 20 (1981)
// 1527-1532, curve ew4.
const (
	buckA = 17.502
	buckB = 240.97 // C
)

// exponent is the logarithm of the saturation pressure over water at t over that at 0 C, by Buck (1981).
func exponent(t float64) float64 { return buckA * t / (buckB + t) }

// slopeOfLog is its derivative, per K.
func slopeOfLog(t float64) float64 { return buckA * buckB / ((buckB + t) * (buckB + t)) }

// The range of air temperatures that is accepted, in C: that of the WMO form over water. A surface may be hotter than air ever is (sun on
// a dark panel): it is accepted up to MaxSurface, where the form is still within 2 % of the ASHRAE table.
const (
	MinAir     units.Celsius = -45
	MaxAir     units.Celsius = 60
	MaxSurface units.Celsius = 90
)

// The ends between which the saturation laws themselves are evaluated; beyond them the value at the end holds.
const (
	lowestSaturation  = -130.0
	highestSaturation = 100.0
)

// SaturationPressureWater gives the saturation vapour pressure over liquid water in Pa: 611.2 exp(17.62 t/(243.12 + t)), t in C.
//
// Range -45..60 C; usable for a rough figure at -130..100 C, and held at those ends beyond; not a number gives 0. Accuracy: the guide
// states 0.6 % over -50..60 C; at 0..30 C it is within 0.35 % of Sonntag (1990). Source: WMO No. 8, annex 4.B, Magnus form.
func SaturationPressureWater(t units.Celsius) units.Pascal {
	return saturation(float64(t), magnusWaterA, magnusWaterB)
}

// SaturationPressureIce gives the saturation vapour pressure over ice in Pa: 611.2 exp(22.46 t/(272.62 + t)), t in C.
//
// Range -65..0 C; held at the values for -130 and 100 C beyond those, though nothing above 0 C has a meaning; not a number gives 0.
// Accuracy: within 0.05 % of Sonntag (1990) at -20..0 C. Source: WMO No. 8, annex 4.B, Magnus form.
func SaturationPressureIce(t units.Celsius) units.Pascal {
	return saturation(float64(t), magnusIceA, magnusIceB)
}

func saturation(t, a, b float64) units.Pascal {
	if math.IsNaN(t) {
		return 0
	}
	t = math.Max(lowestSaturation, math.Min(highestSaturation, t))
	return units.Pascal(magnusE0 * math.Exp(a*t/(b+t)))
}

// VapourPressure gives the partial pressure of water vapour in Pa, from the temperature of the air (-45..60 C) and its relative humidity
// over water (above 0, up to 100 %): e = RH/100 ew(t). An input outside its range is an error.
func VapourPressure(t units.Celsius, rh units.Percent) (units.Pascal, error) {
	if err := checkAir(t, rh); err != nil {
		return 0, err
	}
	return units.Pascal(float64(rh) / 100 * float64(SaturationPressureWater(t))), nil
}

// RHFromDewPoint gives the relative humidity over water in per cent, from the temperature of the air (-45..60 C) and its dew point over
// water (-130 C up to the air's temperature): RH = 100 ew(td)/ew(t). A dew point above the temperature is an error.
func RHFromDewPoint(t, dewPoint units.Celsius) (units.Percent, error) {
	if err := checkAirTemperature(t); err != nil {
		return 0, err
	}
	if !(dewPoint >= lowestSaturation && dewPoint <= t) {
		return 0, fmt.Errorf("air: dew point %g C: want -130 C up to the air's own %g C", float64(dewPoint), float64(t))
	}
	return units.Percent(100 * math.Exp(exponent(float64(dewPoint))-exponent(float64(t)))), nil
}

// AbsoluteHumidity gives the mass of water vapour in the air in g/m3: 1000 e/(461.5 T), with 461.5 J/(kg K) the gas constant of water
// vapour. Ranges and errors as for VapourPressure. Source: ideal gas law; ASHRAE Fundamentals (2017), chapter 1.
func AbsoluteHumidity(t units.Celsius, rh units.Percent) (gramsPerM3 float64, err error) {
	e, err := VapourPressure(t, rh)
	if err != nil {
		return 0, err
	}
	return 1000 * float64(e) / (461.5 * float64(t.Kelvin())), nil
}

// SurfaceRH gives the relative humidity in per cent that the air takes on where it touches a surface: its vapour pressure over the
// saturation pressure at the surface's temperature. Above 100 means that water condenses there; it is not cut off, so that the caller
// sees by how much. Air -45..60 C, above 0 to 100 %; surface -45..90 C; outside is an error.
func SurfaceRH(t units.Celsius, rh units.Percent, surface units.Celsius) (units.Percent, error) {
	if err := checkAir(t, rh); err != nil {
		return 0, err
	}
	if err := checkSurface(surface); err != nil {
		return 0, err
	}
	return rescale(rh, t, surface), nil
}

// RHAfterOffset gives the relative humidity that goes with a corrected air temperature. When a probe's temperature is found to be wrong by
// an offset (corrected = measured + offset) because the probe itself is warmer or colder than the air, the vapour pressure that it saw is
// right and its relative humidity is not: RH' = RH ew(t)/ew(t + offset). The result may pass 100 %, which says that offset and reading
// do not go together; the caller decides. Both temperatures -45..60 C; outside is an error.
func RHAfterOffset(t units.Celsius, rh units.Percent, offset units.Diff) (units.Percent, error) {
	if err := checkAir(t, rh); err != nil {
		return 0, err
	}
	if err := checkAirTemperature(t.Add(offset)); err != nil {
		return 0, fmt.Errorf("%w, after an offset of %g K", err, float64(offset))
	}
	return rescale(rh, t, t.Add(offset)), nil
}

// rescale carries a relative humidity from one temperature to another at constant vapour pressure.
func rescale(rh units.Percent, from, to units.Celsius) units.Percent {
	if from == to {
		return rh
	}
	return units.Percent(float64(rh) * math.Exp(exponent(float64(from))-exponent(float64(to))))
}

func checkAir(t units.Celsius, rh units.Percent) error {
	if err := checkAirTemperature(t); err != nil {
		return err
	}
	if !(rh > 0 && rh <= 100) {
		return fmt.Errorf("air: relative humidity %g %%: want above 0 and up to 100 %%", float64(rh))
	}
	return nil
}

func checkAirTemperature(t units.Celsius) error {
	if !(t >= MinAir && t <= MaxAir) {
		return fmt.Errorf("air: air temperature %g C: want %g..%g C", float64(t), float64(MinAir), float64(MaxAir))
	}
	return nil
}

func checkSurface(s units.Celsius) error {
	if !(s >= MinAir && s <= MaxSurface) {
		return fmt.Errorf("air: surface temperature %g C: want %g..%g C", float64(s), float64(MinAir), float64(MaxSurface))
	}
	return nil
}
