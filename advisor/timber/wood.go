// Package timber has what timber does with moisture, heat and the gas in its pores: the moisture content that it tends to, how fast heat and
// moisture pass through it, and whether its pores are about to breathe out into a wet coat.
//
// Moisture content is in per cent of the oven-dry mass. Timber is described by its density at 12 % moisture content, the usual figure;
// the volume is taken as constant. Species differ by far more than the formulas' own accuracy, as each says.
package timber

import (
	"fmt"
	"math"

	"tackline/advisor/units"
)

// The ranges that are accepted. The sources reach down to -1 C and up to 95 % (equilibrium) or start at 280 K (heat capacity); the formulas
// are smooth beyond, and an unheated shed is colder than that.
const (
	MinTemperature units.Celsius = -20
	MaxTemperature units.Celsius = 60
	MaxMoisture    units.Percent = 30 // about fibre saturation: above it the pores hold liquid and none of these laws holds
)

// FilmCoefficient is the heat transfer in W/(m2 K) at each face of a free panel: 1/0.13 m2K/W. Source: ISO 6946, horizontal heat flow.
const FilmCoefficient = 7.69

// EMC gives the equilibrium moisture content in % that timber tends to in air of a temperature in C and a relative humidity in %: the
// Hailwood-Horrobin equation with two hydrates,
//
//	M = 1800/W (Kh/(1-Kh) + (K1 Kh + 2 K1 K2 (Kh)^2)/(1 + K1 Kh + K1 K2 (Kh)^2)), h = RH/100
//
// with W, K, K1, K2 quadratic in t. Air -20..60 C, 0..100 %; outside is an error. Published for -1..99 C and 5..95 %. Accuracy: 0.06 %
// against the published table; kinds of timber, plywood and history (wetting or drying) spread by 1 to 2 % MC.
// Source: Wood Handbook, FPL-GTR-190 (2010), eq. 4-5 and table 4-2.
func EMC(t units.Celsius, rh units.Percent) (units.Percent, error) {
	if err := checkTemperature(t); err != nil {
		return 0, err
	}
	if !(rh >= 0 && rh <= 100) {
		return 0, fmt.Errorf("timber: relative humidity %g %%: want 0..100 %%", float64(rh))
	}
	return units.Percent(emc(float64(t), float64(rh))), nil
}

func emc(t, rh float64) float64 {
	w := 349 + t*(1.29+0.0135*t)
	k := 0.805 + t*(0.000736-0.00000273*t)
	k1 := 6.27 + t*(-0.00938-0.000303*t)
	k2 := 1.91 + t*(0.0407-0.000293*t)
	kh := k * rh / 100
	bound := (k1*kh + 2*k1*k2*kh*kh) / (1 + k1*kh + k1*k2*kh*kh)
	return 1800 / w * (kh/(1-kh) + bound)
}

// WaterActivity gives the relative humidity in % with which timber of a temperature in C and a moisture content in % is in balance: the
// inverse of EMC, and what the air in its pores has. A moisture content above that at 100 % gives 100. Range 0..30 %; outside is an error.
func WaterActivity(t units.Celsius, moisture units.Percent) (units.Percent, error) {
	if err := checkTemperature(t); err != nil {
		return 0, err
	}
	if err := checkMoisture(moisture); err != nil {
		return 0, err
	}
	lo, hi := 0.0, 100.0
	if emc(float64(t), hi) <= float64(moisture) {
		return 100, nil
	}
	for range 60 {
		mid := (lo + hi) / 2
		if emc(float64(t), mid) > float64(moisture) {
			hi = mid
		} else {
			lo = mid
		}
	}
	return units.Percent((lo + hi) / 2), nil
}

// Gravity gives the specific gravity (oven-dry mass over volume, 1 for 1000 kg/m3) of timber from its density in kg/m3 at 12 % moisture
// content, 100..1100: density/1120. Outside is an error.
func Gravity(density12 float64) (float64, error) {
	if !(density12 >= 100 && density12 <= 1100) {
		return 0, fmt.Errorf("timber: density %g kg/m3 at 12 %% moisture: want 100..1100 kg/m3", density12)
	}
	return density12 / 1120, nil
}

// Density gives the density in kg/m3 at a moisture content (0..30 %) from the specific gravity (0.08..1): 1000 G (1 + M/100).
// Source: Wood Handbook, FPL-GTR-190 (2010), chapter 4.
func Density(gravity float64, moisture units.Percent) (float64, error) {
	if err := checkGravity(gravity, moisture); err != nil {
		return 0, err
	}
	return 1000 * gravity * (1 + float64(moisture)/100), nil
}

// Conductivity gives the thermal conductivity across the grain in W/(m K) from specific gravity (0.08..1) and moisture content (0..30 %):
// G (0.1941 + 0.004064 M) + 0.01864. Stated for G above 0.3, M below 25 % and about 24 C; 2 to 3 % more per 10 K. Accuracy: woods spread
// by 20 %, and the glue lines of plywood raise it a little. Source: Wood Handbook, FPL-GTR-190 (2010), eq. 4-15.
func Conductivity(gravity float64, moisture units.Percent) (float64, error) {
	if err := checkGravity(gravity, moisture); err != nil {
		return 0, err
	}
	return gravity*(0.1941+0.004064*float64(moisture)) + 0.01864, nil
}

// HeatCapacity gives the heat capacity in J/(kg K), moisture included, of timber of a temperature in C (-20..60) and a moisture content
// (0..30 %): (cp0 + 4.18 M/100)/(1 + M/100) + M (-0.06191 + 2.36e-4 T - 1.33e-4 M) kJ/(kg K), cp0 = 0.1031 + 0.003867 T, T in K.
// Stated for 280..420 K, below fibre saturation. Source: Wood Handbook, FPL-GTR-190 (2010), eqs 4-16 to 4-18.
func HeatCapacity(t units.Celsius, moisture units.Percent) (float64, error) {
	if err := checkTemperature(t); err != nil {
		return 0, err
	}
	if err := checkMoisture(moisture); err != nil {
		return 0, err
	}
	return heatCapacity(float64(t.Kelvin()), float64(moisture)), nil
}

func heatCapacity(k, x float64) float64 {
	dry := 0.1031 + 0.003867*k
	return 1000 * ((dry+4.18*x/100)/(1+x/100) + x*(-0.06191+2.36e-4*k-1.33e-4*x))
}

// VoidFraction gives the share of the volume that is pores, 0..1, from specific gravity (0.08..1) and moisture content (0..30 %):
// 1 - G (0.667 + 0.01 M), cell wall and bound water taken out. Outside is an error.
// Source: J. F. Siau, Transport Processes in Wood (1984).
func VoidFraction(gravity float64, moisture units.Percent) (float64, error) {
	if err := checkGravity(gravity, moisture); err != nil {
		return 0, err
	}
	return voidFraction(gravity, float64(moisture)), nil
}

func voidFraction(g, m float64) float64 { return 1 - g*(0.667+0.01*m) }

// LargestMoisture gives the moisture content in % at which the pores are full of water:
// 100 (1.54 - G)/(1.54 G). Source: J. F. Siau, Transport Processes in Wood (1984).
func LargestMoisture(gravity float64) (units.Percent, error) {
	if err := checkGravity(gravity, 0); err != nil {
		return 0, err
	}
	return units.Percent(100 * (1.54 - gravity) / (1.54 * gravity)), nil
}

// ResponseTime gives the time constant in s with which a free panel follows the air, heat passing through both faces: rho c L/(2 h), with
// h = 7.69 W/(m2 K). Thickness 0.0005..0.5 m, density at 12 % in kg/m3, temperature in C, moisture content in %; outside is an error. A
// panel is at the air's temperature, within 5 %, three such times after the air has stopped changing. The inside of timber over about
// 20 mm lags behind this by more than a tenth. Source: lumped heat balance; ISO 6946 for h.
func ResponseTime(thickness units.Metre, density12 float64, t units.Celsius, moisture units.Percent) (units.Second, error) {
	if err := checkThickness(thickness); err != nil {
		return 0, err
	}
	g, err := Gravity(density12)
	if err != nil {
		return 0, err
	}
	rho, err := Density(g, moisture)
	if err != nil {
		return 0, err
	}
	c, err := HeatCapacity(t, moisture)
	if err != nil {
		return 0, err
	}
	return units.Second(rho * c * float64(thickness) / (2 * FilmCoefficient)), nil
}

// BoundDiffusion gives the diffusion coefficient in m2/s of bound water across the cell walls: 7e-6 exp(-(38500 - 290 M)/(R T)). Temperature
// -20..60 C, moisture content 0..30 %; outside is an error. Order of magnitude. Source: J. F. Siau, Transport Processes in Wood (1984).
func BoundDiffusion(t units.Celsius, moisture units.Percent) (float64, error) {
	if err := checkTemperature(t); err != nil {
		return 0, err
	}
	if err := checkMoisture(moisture); err != nil {
		return 0, err
	}
	return boundDiffusion(float64(t), float64(moisture)), nil
}

func boundDiffusion(t, m float64) float64 {
	return 7e-6 * math.Exp(-(38500-290*m)/(units.GasConstant*(t+units.ZeroCelsius)))
}

// TransverseDiffusion gives the diffusion coefficient in m2/s of moisture across the grain, through cell walls and pores in turn:
// D/((1 - v)(1 - sqrt v)), D of bound water and v the void fraction. Ranges as for BoundDiffusion and VoidFraction. Order of magnitude:
// measured values at 20..25 C and 8..15 % are mostly 1e-11 to 5e-10 m2/s. Source: J. F. Siau, Transport Processes in Wood (1984).
func TransverseDiffusion(t units.Celsius, moisture units.Percent, gravity float64) (float64, error) {
	d, err := BoundDiffusion(t, moisture)
	if err != nil {
		return 0, err
	}
	v, err := VoidFraction(gravity, moisture)
	if err != nil {
		return 0, err
	}
	return throughPores(d, v), nil
}

func throughPores(bound, void float64) float64 { return bound / ((1 - void) * (1 - math.Sqrt(void))) }

func checkTemperature(t units.Celsius) error {
	if !(t >= MinTemperature && t <= MaxTemperature) {
		return fmt.Errorf("timber: temperature %g C: want %g..%g C", float64(t), float64(MinTemperature), float64(MaxTemperature))
	}
	return nil
}

func checkMoisture(m units.Percent) error {
	if !(m >= 0 && m <= MaxMoisture) {
		return fmt.Errorf("timber: moisture content %g %%: want 0..%g %%", float64(m), float64(MaxMoisture))
	}
	return nil
}

func checkGravity(g float64, m units.Percent) error {
	if !(g >= 0.08 && g <= 1) {
		return fmt.Errorf("timber: specific gravity %g: want 0.08..1", g)
	}
	return checkMoisture(m)
}

func checkThickness(l units.Metre) error {
	if !(l >= 0.0005 && l <= 0.5) {
		return fmt.Errorf("timber: thickness %g m: want 0.0005..0.5 m", float64(l))
	}
	return nil
}
