package quantity

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Factors: NIST SP 811 (2008) appendix B: ft2 0.09290304 m2, oz/yd2 33.9057 g/m2 (its table: 3.390575 E-02 kg/m2), lb/ft3 16.01846 kg/m3,
// inch of mercury 33.86389 hPa, mmHg 1.333224 hPa, oz 28.34952 g.
func TestParse(t *testing.T) {
	for _, c := range []struct {
		q    Quantity
		in   string
		want float64
		tol  float64
	}{
		{Temperature(), "18", 18, 0},
		{Temperature(), "18C", 18, 0},
		{Temperature(), "18 °C", 18, 0},
		{Temperature(), "64F", 17.7777778, 1e-6},
		{Temperature(), "-40F", -40, 1e-12},
		{Temperature(), "\u22125c", -5, 0},
		{Difference(), "3K", 3, 0},
		{Difference(), "5.4F", 3, 1e-12}, // a difference: no 32
		{Difference(), "3", 3, 0},
		{Percent(), "70%", 70, 0},
		{Length(), "9mm", 9, 0},
		{Length(), "0.375in", 9.525, 1e-12},
		{Length(), "300 µm", 0.3, 1e-12},
		{Mass(), "9oz", 255.1457, 1e-4},
		{Mass(), "1.2 kg", 1200, 0},
		{Area(), "65ft2", 6.0386976, 1e-7},
		{Area(), "6 m²", 6, 0},
		{TrayArea(), "600", 600, 0},
		{TrayArea(), "0.06m2", 600, 1e-9},
		{ArealMass(), "6oz", 203.4345, 1e-4},
		{ArealMass(), "200g", 200, 0},
		{Density(), "31lb/ft3", 496.5723, 1e-4},
		{Pressure(), "29.92inHg", 1013.2076, 1e-4},
		{Pressure(), "733.8mmHg", 978.3197, 1e-4},
		{Hours(), "2d", 48, 0},
		{Ratio(), "1e-2", 0.01, 0},
	} {
		got, err := c.q.Parse(c.in)
		require.NoError(t, err, c.in)
		require.InDelta(t, c.want, got, c.tol, c.in)
	}
}

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct {
		q    Quantity
		in   string
		want string
	}{
		{Temperature(), "", `"" is no number; want a temperature such as 18C or 64F (a bare number is C; units: C, F)`},
		{Temperature(), "warm", `"warm" is no number; want a temperature such as 18C or 64F (a bare number is C; units: C, F)`},
		{Temperature(), "18,5C", `"18,5C" has a comma in its number; want a point, such as 18.5C`},
		{Temperature(), "291K", `"291K" is not a temperature; want a temperature such as 18C or 64F (a bare number is C; units: C, F) (K is for differences of temperature; give the temperature in C or F)`},
		{Length(), "9kg", `"9kg" has a unit "kg" that is not one of a length; want a length such as 9mm, 0.9cm or 0.375in (a bare number is mm; units: cm, in, m, mm, um)`},
		{Mass(), "8 fl oz", `"8 fl oz" is not a mass; want a mass such as 250g, 1.2kg or 9oz (a bare number is g; units: g, kg, lb, oz) (that is a volume, and US and imperial ones differ: weigh it and give g, kg, oz or lb)`},
		{Ratio(), "2kg", `"2kg" has a unit "kg" that is not one of a number; want a number such as 2 or 1.5`},
		{Mass(), "nan", `"nan" is no number; want a mass such as 250g, 1.2kg or 9oz (a bare number is g; units: g, kg, lb, oz)`},
		{Mass(), "1e999", `"1e999" is no number; want a mass such as 250g, 1.2kg or 9oz (a bare number is g; units: g, kg, lb, oz)`},
	} {
		_, err := c.q.Parse(c.in)
		require.EqualError(t, err, c.want)
	}
	require.EqualError(t, Percent().In("120%", 120, 0, 100), `"120%" is out of range; want 0..100 %`)
}

// A temperature in F goes through C and back unchanged, and a difference never gains 32.
func TestFahrenheit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64Range(-100, 300).Draw(t, "f")
		c, err := Temperature().Parse(Number(f) + "F")
		require.NoError(t, err)
		require.InDelta(t, f, c*1.8+32, 1e-5)
		d, err := Difference().Parse(Number(f) + "F")
		require.NoError(t, err)
		require.InDelta(t, f/1.8, d, 1e-5)
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"18C", "64F", "9mm", "6 m²", "1e-3", "-", "1e", "+.e5kg", "0x10", "1_0"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		for _, q := range []Quantity{Temperature(), Difference(), Percent(), Length(), Mass(), Area(), TrayArea(), ArealMass(), Density(), Pressure(), Hours(), Ratio()} {
			v, err := q.Parse(s)
			require.False(t, math.IsNaN(v) || math.IsInf(v, 0))
			if err != nil {
				var e *Error
				require.ErrorAs(t, err, &e)
			}
		}
	})
}
