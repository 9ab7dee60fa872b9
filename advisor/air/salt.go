package air

import (
	"fmt"

	"tackline/advisor/units"
)

// Salt is a salt whose saturated solution holds the air above it at a known relative humidity: the way to check a humidity probe in a
// closed jar. Its value is the chemical formula.
type Salt string

// The salts of the table.
const (
	LithiumChloride    Salt = "LiCl"
	MagnesiumChloride  Salt = "MgCl2"
	PotassiumCarbonate Salt = "K2CO3"
	MagnesiumNitrate   Salt = "Mg(NO3)2"
	SodiumChloride     Salt = "NaCl"
	PotassiumChloride  Salt = "KCl"
	PotassiumSulphate  Salt = "K2SO4"
)

// Salts lists all of them from the driest to the dampest. Magnesium chloride and sodium chloride are the pair for a shop.
func Salts() []Salt {
	return []Salt{LithiumChloride, MagnesiumChloride, PotassiumCarbonate, MagnesiumNitrate, SodiumChloride, PotassiumChloride, PotassiumSulphate}
}

// saltRow is a polynomial in C giving %, and the published uncertainty at 5, 10 ... 30 C.
type saltRow struct {
	a [4]float64
	u [6]float64
}

// saltTable: L. Greenspan, "Humidity fixed points of binary saturated aqueous solutions", J. Res. NBS 81A (1977), 89-96. The signs of the
// linear terms of LiCl and K2CO3 are plus: with a minus, as some copies have it, the published table is not met.
var saltTable = map[Salt]saltRow{
	LithiumChloride:    {[4]float64{11.2323, 0.00824245, -0.214890e-3, 0}, [6]float64{.47, .41, .35, .31, .27, .24}},
	MagnesiumChloride:  {[4]float64{33.6686, -0.00797397, -0.108988e-2, 0}, [6]float64{.28, .24, .21, .18, .16, .14}},
	PotassiumCarbonate: {[4]float64{43.1315, 0.00147523, 0, 0}, [6]float64{.50, .39, .33, .33, .39, .50}},
	MagnesiumNitrate:   {[4]float64{60.3514, -0.298437, 0, 0}, [6]float64{.43, .33, .27, .23, .22, .24}},
	SodiumChloride:     {[4]float64{75.5164, 0.0398321, -0.265459e-2, 0.2848e-4}, [6]float64{.27, .22, .18, .14, .12, .11}},
	PotassiumChloride:  {[4]float64{88.6190, -0.193340, 0.899706e-3, 0}, [6]float64{.45, .39, .33, .29, .26, .25}},
	PotassiumSulphate:  {[4]float64{98.7792, -0.0590502, 0, 0}, [6]float64{.91, .76, .63, .53, .45, .40}},
}

// SaltHumidity gives the relative humidity in % over a saturated solution at 5..30 C, and the plus-or-minus published with it (u, in %,
// linear between the table's rows). Another salt, or a temperature outside 5..30 C, is an error. A jar in a shop realises the value to 0.5 to 1 %
// at best, so u is the least that may be claimed. Source: Greenspan (1977); practice: ASTM E104.
func SaltHumidity(salt Salt, t units.Celsius) (rh, u units.Percent, err error) {
	row, ok := saltTable[salt]
	if !ok {
		return 0, 0, fmt.Errorf("air: salt %q: want one of %v", string(salt), Salts())
	}
	if !(t >= 5 && t <= 30) {
		return 0, 0, fmt.Errorf("air: salt jar at %g C: want 5..30 C", float64(t))
	}
	c := float64(t)
	i := min(int64((c-5)/5), 4)
	f := (c - 5 - 5*float64(i)) / 5
	v := row.a[0] + c*(row.a[1]+c*(row.a[2]+c*row.a[3]))
	return units.Percent(v), units.Percent(row.u[i] + f*(row.u[i+1]-row.u[i])), nil
}
