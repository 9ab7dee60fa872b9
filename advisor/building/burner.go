package building

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

// Gases gives what water and carbon dioxide that are mixed into a shed do to its air: grams of water in each cubic metre, the same as vapour
// pressure in Pa, and carbon dioxide by volume in ppm, at airC and 1013.25 hPa, from kg of each in volumeM3 (ideal gas).
func Gases(waterKg, carbonDioxideKg, volumeM3, airC float64) (gramsM3, vapourPa, ppm float64) {
	kelvin := airC + 273.15
	gramsM3 = 1000 * waterKg / volumeM3
	moles := 101325 * volumeM3 / (gasConstant * kelvin) // of air
	return gramsM3, gramsM3 / molWater * gasConstant * kelvin, 1e6 * 1000 * carbonDioxideKg / molCarbonDioxide / moles
}

// OxygenKgPerKg is the oxygen that burning a kilogram takes.
func (f Fuel) OxygenKgPerKg() float64 { return (f.Carbon + f.Hydrogen/4) * 2 * molO / f.molar() }
