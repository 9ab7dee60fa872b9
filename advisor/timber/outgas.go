package timber

import (
	"fmt"
	"math"

	"tackline/advisor/air"
	"tackline/advisor/units"
)

// Direction says which way the gas in the pores goes.
type Direction string

// The directions.
const (
	Out   Direction = "out"   // it grows: bubbles into a wet coat
	In    Direction = "in"    // it shrinks: resin is drawn in
	Still Direction = "still" // neither, within StillWithin
)

// StillWithin is the change of volume, as a ratio, below which the gas counts as still: about 0.15 K or 0.5 hPa. Ours, no source.
const StillWithin = 0.0005

// DirectionOf gives the direction of a volume ratio; what is not above 0 counts as still.
func DirectionOf(ratio float64) Direction {
	switch {
	case ratio > 1+StillWithin:
		return Out
	case ratio > 0 && ratio < 1-StillWithin:
		return In
	}
	return Still
}

// GasRatio gives V2/V1, the volume of the gas in the pores at timber temperature t2 and barometer p2 over that at t1 and p1. The pores stay
// at the pressure of the air around, their dry air stays the same amount, and their vapour is held at the timber's water activity aw
// (0..1: the relative humidity, as a fraction, that it is in balance with; 0 is dry air):
//
//	V2/V1 = (T2/T1) (p1 - aw e(t1))/(p2 - aw e(t2))
//
// with e the saturation pressure over water. Temperatures -20..60 C, pressures 40000..110000 Pa; outside is an error. The temperatures are
// the timber's, which lags behind the air. Source: ideal gas law; e by WMO No. 8, annex 4.B.
func GasRatio(t1, t2 units.Celsius, p1, p2 units.Pascal, aw float64) (float64, error) {
	for _, t := range []units.Celsius{t1, t2} {
		if err := checkTemperature(t); err != nil {
			return 0, err
		}
	}
	for _, p := range []units.Pascal{p1, p2} {
		if err := checkPressure(p); err != nil {
			return 0, err
		}
	}
	if err := checkActivity(aw); err != nil {
		return 0, err
	}
	return gasVolume(t2, p2, aw) / gasVolume(t1, p1, aw), nil
}

// DryGasRatio is GasRatio for dry air: (T2/T1)(p1/p2).
func DryGasRatio(t1, t2 units.Celsius, p1, p2 units.Pascal) (float64, error) {
	return GasRatio(t1, t2, p1, p2, 0)
}

// gasVolume is the volume of a fixed amount of dry air with its vapour, in units that cancel in a ratio.
func gasVolume(t units.Celsius, p units.Pascal, aw float64) float64 {
	return float64(t.Kelvin()) / dryPressure(t, p, aw)
}

// dryPressure is the partial pressure of the dry air in the pores, Pa. At 60 C the vapour is half of the lowest total that is accepted.
func dryPressure(t units.Celsius, p units.Pascal, aw float64) float64 {
	return float64(p) - aw*float64(air.SaturationPressureWater(t))
}

// GasVolume gives how much gas at most leaves each m2 of a panel's wet face, in mL (below 0: how much is drawn in): (V2/V1 - 1) times
// the volume of the pores, half of it through each face, or all of it through the wet one where the back is sealed. An upper bound: pores
// that are closed give off nothing, and how many are is not known. Thickness 0.0005..0.5 m, void fraction 0..1, ratio 0.5..2; outside is
// an error. Source: geometry.
func GasVolume(thickness units.Metre, void, ratio float64, sealedBack bool) (mlPerM2 float64, err error) {
	if err := checkThickness(thickness); err != nil {
		return 0, err
	}
	if !(void >= 0 && void <= 1) {
		return 0, fmt.Errorf("timber: void fraction %g: want 0..1", void)
	}
	if !(ratio >= 0.5 && ratio <= 2) {
		return 0, fmt.Errorf("timber: volume ratio %g: want 0.5..2", ratio)
	}
	v := (ratio - 1) * void * float64(thickness) * 1e6
	if !sealedBack {
		v /= 2
	}
	return v, nil
}

// ClosedPoreRise gives the rise of pressure in Pa in a pore that cannot breathe, as the timber goes from t1 to t2: the dry air's pressure
// grows with T, the vapour's with e. Ranges as for GasRatio. Source: ideal gas law.
func ClosedPoreRise(t1, t2 units.Celsius, p1 units.Pascal, aw float64) (units.Pascal, error) {
	if _, err := GasRatio(t1, t2, p1, p1, aw); err != nil {
		return 0, err
	}
	p2 := dryPressure(t1, p1, aw)*float64(t2.Kelvin()/t1.Kelvin()) + aw*float64(air.SaturationPressureWater(t2))
	return units.Pascal(p2) - p1, nil
}

// ResinSurfaceTension is that of a liquid epoxy in N/m: of this size, from memory.
const ResinSurfaceTension = 0.04

// BubblePressure gives the pressure in Pa above its surroundings that pushes a bubble out of a pore of a radius in m (1e-7..0.01) into a
// liquid of a surface tension in N/m (0.001..1): 2 gamma/r. Outside is an error. Source: Young and Laplace.
func BubblePressure(radius units.Metre, tension float64) (units.Pascal, error) {
	if !(radius >= 1e-7 && radius <= 0.01) {
		return 0, fmt.Errorf("timber: pore radius %g m: want 1e-7..0.01 m", float64(radius))
	}
	if !(tension >= 0.001 && tension <= 1) {
		return 0, fmt.Errorf("timber: surface tension %g N/m: want 0.001..1 N/m", tension)
	}
	return units.Pascal(2 * tension / float64(radius)), nil
}

// UnknownPressureU gives the standard uncertainty in Pa of the change of the barometer over a time in which nobody reads it:
// 62 h/(1 + h/40) Pa, h in hours. Fitted here to the changes over 1 to 48 h of a weather station in Belgium, January to March 2016
// (root mean square 62 Pa in 1 h, 234 in 4 h, 390 in 8 h, 873 in 24 h, 1265 in 48 h). Below 0 counts as 0.
// Source of the data: L. Candanedo et al., Energy and Buildings 140 (2017) 81-97.
func UnknownPressureU(d units.Second) units.Pascal {
	h := math.Max(0, float64(d)) / 3600
	return units.Pascal(62 * h / (1 + h/40))
}

func checkPressure(p units.Pascal) error {
	if !(p >= air.MinPressure && p <= air.MaxPressure) {
		return fmt.Errorf("timber: pressure %g Pa: want %g..%g Pa", float64(p), float64(air.MinPressure), float64(air.MaxPressure))
	}
	return nil
}

func checkActivity(aw float64) error {
	if !(aw >= 0 && aw <= 1) {
		return fmt.Errorf("timber: water activity %g: want 0..1", aw)
	}
	return nil
}
