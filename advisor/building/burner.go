package building

import (
	"fmt"
	"math"
)

// Molar masses, g/mol (IUPAC standard atomic weights 2021, abridged: C 12.011, H 1.008, O 15.999).
const (
	molC, molH, molO = 12.011, 1.008, 15.999
	molWater         = 2*molH + molO
	molCarbonDioxide = molC + 2*molO
	gasConstant      = 8.314462618 // J/(mol K), CODATA 2018
)

// Fuel is what an unvented burner burns: atoms of carbon and hydrogen in its molecule, and the heat of burning it to water vapour.
type Fuel struct {
	Name             string
	Carbon, Hydrogen float64
	HeatMJKg         float64 // lower heating value, MJ/kg
}

// Propane and Kerosene (taken as dodecane). Lower heating values 46.4 and 43.1 MJ/kg: handbook figures, from memory.
func Propane() Fuel  { return Fuel{"propane", 3, 8, 46.4} }
func Kerosene() Fuel { return Fuel{"kerosene", 12, 26, 43.1} }

// molar is the mass of a mole, g.
func (f Fuel) molar() float64 { return f.Carbon*molC + f.Hydrogen*molH }

// WaterKgPerKg is the water that burning a kilogram makes, by stoichiometry: CxHy + (x + y/4) O2 = x CO2 + y/2 H2O.
func (f Fuel) WaterKgPerKg() float64 { return f.Hydrogen / 2 * molWater / f.molar() }

// CarbonDioxideKgPerKg is the carbon dioxide that burning a kilogram makes.
func (f Fuel) CarbonDioxideKgPerKg() float64 { return f.Carbon * molCarbonDioxide / f.molar() }

// OxygenKgPerKg is the oxygen that burning a kilogram takes.
func (f Fuel) OxygenKgPerKg() float64 { return (f.Carbon + f.Hydrogen/4) * 2 * molO / f.molar() }

// Burnt is what an unvented burner leaves in the air of a shed. It leaves carbon monoxide too, which no reckoning tells: vent it, air the place, and
// hang up an alarm.
type Burnt struct {
	FuelKg           float64
	WaterKg          float64
	CarbonDioxideKg  float64
	WaterGM3         float64 // more water in each cubic metre at the end
	VapourPa         float64 // the same as vapour pressure
	CarbonDioxidePPM float64 // more carbon dioxide at the end, by volume, ppm
}

// Burn gives what making kWh of heat by an unvented burner over hours leaves in a shed of volumeM3 at airC, whose air is changed airChanges
// times an hour (0: closed). In a steady burn the excess is source/(n V) (1 - exp(-n t)) (mass balance of a mixed room). Pressure is taken
// as 1013.25 hPa. What condenses or goes into timber is not taken off. The error names what is out of range.
func (f Fuel) Burn(kWh, hours, volumeM3, airC, airChanges float64) (Burnt, error) {
	for _, x := range []struct {
		name      string
		v, lo, hi float64
	}{{"heat in kWh", kWh, 0, 1e5}, {"hours", hours, 0.01, 1e4}, {"volume in m3", volumeM3, 1, 1e5}, {"air in C", airC, -40, 60}, {"air changes an hour", airChanges, 0, 100}} {
		if !(x.v >= x.lo && x.v <= x.hi) {
			return Burnt{}, fmt.Errorf("building: %s %g is outside %g..%g", x.name, x.v, x.lo, x.hi)
		}
	}
	b := Burnt{FuelKg: kWh * 3.6 / f.HeatMJKg}
	b.WaterKg, b.CarbonDioxideKg = b.FuelKg*f.WaterKgPerKg(), b.FuelKg*f.CarbonDioxideKgPerKg()
	left := 1.0 // share of all that was made which is still there
	if n := airChanges * hours; n > 0 {
		left = -math.Expm1(-n) / n
	}
	kelvin := airC + 273.15
	b.WaterGM3 = 1000 * b.WaterKg * left / volumeM3
	b.VapourPa = b.WaterGM3 / molWater * gasConstant * kelvin
	moles := 101325 * volumeM3 / (gasConstant * kelvin)
	b.CarbonDioxidePPM = 1e6 * 1000 * b.CarbonDioxideKg * left / molCarbonDioxide / moles
	return b, nil
}
