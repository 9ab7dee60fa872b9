package quantity

import (
	"math"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// What somebody types in a unit of hers, is kept in ours and is shown to her again has the same digits.
func TestWhatIsTypedIsShownAgain(t *testing.T) {
	for _, c := range []struct {
		q           Quantity
		unit, typed string
		kept        float64
		shown       string
	}{
		{Length(), "in", "0.25", 6.35, "0.25"},
		{Length(), "in", "9mm", 9, "9 mm"},
		{Length(), "mm", "0.25in", 6.35, "6.35"},
		{Temperature(), "F", "64", 17.7777778, "64"},
		{Temperature(), "F", "0", -17.7777778, "0"},
		{Temperature(), "F", "31.9", -0.0555555556, "31.9"},
		{Temperature(), "F", "18C", 18, "64.4"},
		{Difference(), "F", "5.4", 3, "5.4"},
		{Mass(), "oz", "8.8", 249.475804, "8.8"},
		{ArealMass(), "oz/yd\u00b2", "5.9", 200.04391, "5.9"},
		{Area(), "ft\u00b2", "65", 6.0386976, "65"},
		{Pressure(), "inHg", "29.92", 1013.20759, "29.92"},
		{Metres(), "ft", "60", 18.288, "60"},
		{Pace(), "ft\u00b2/h", "97", 9.01159488, "97"},
		{Area(), "none", "6.5", 6.5, "6.5"},
		{In("oz"), "", "85", 2409.70947, "85"},
		{In("each"), "", "3 each", 3, "3"},
	} {
		q := c.q.Bare(c.unit)
		v, err := q.Parse(c.typed)
		require.NoError(t, err, c.typed)
		require.InDelta(t, c.kept, Kept(v), 1e-8*max(1, c.kept), c.typed)
		require.Equal(t, c.shown, q.Shown(Kept(v)), c.typed)
	}
	require.EqualError(t, Length().Bare("in").In("30", 762, 0, 508), `"30" is out of range; want 0..20 in`)
}

func TestShownIsTyped(t *testing.T) {
	all := []struct {
		q    Quantity
		unit string
	}{{Length(), "in"}, {Temperature(), "F"}, {Difference(), "F"}, {Mass(), "oz"}, {Mass(), "lb"}, {ArealMass(), "oz"}, {Area(), "ft2"}, {Pressure(), "inHg"}, {Metres(), "ft"}, {Pace(), "ft2/h"}, {Length(), "mm"}}
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SampledFrom(all).Draw(t, "quantity")
		decimals := rapid.IntRange(0, 4).Draw(t, "decimals")
		n := float64(rapid.IntRange(-99999, 999999).Draw(t, "digits")) / math.Pow10(decimals)
		typed := strconv.FormatFloat(n, 'f', -1, 64)
		q := x.q.Bare(x.unit)
		v, err := q.Parse(typed)
		require.NoError(t, err)
		require.Equal(t, typed, q.Shown(Kept(v)), x.unit)
		// And what somebody else entered in ours is not changed by being shown.
		again, err := q.Parse(q.Shown(n))
		require.NoError(t, err)
		require.Equal(t, n, Kept(again), x.unit)
	})
}

func TestCommas(t *testing.T) {
	for _, c := range []struct {
		in, out string
		comma   bool
	}{{"6,5", "6.5", false}, {" 18,5C", "18.5C", false}, {"0,125", "0.125", false}, {"1,25", "1.25", false}, {"1234,567", "1234.567", false}, {"12.5", "12.5", false}, {"1,250", "1.250", true}} {
		got, err := Point(c.in, c.comma)
		require.NoError(t, err, c.in)
		require.Equal(t, c.out, got)
	}
	for in, want := range map[string]string{"1,250": `"1,250" can be read in two ways; want 1250 or 1.250`, "-12,500g": `"-12,500g" can be read in two ways; want -12500g or -12.500g`,
		"1,250.5": `"1,250.5" has both a comma and a point, or several commas; want one of them, before the decimals: 1250.5`} {
		_, err := Point(in, false)
		require.EqualError(t, err, want)
	}
	_, err := Point("1,250,000", true)
	require.Error(t, err)
}

func TestFieldsTellTheirUnit(t *testing.T) {
	for field, base := range map[string]string{"thickness_mm": "mm", "area_m2": "m2", "pace_m2_h": "m2/h", "g_m2": "g/m2", "fabric_g_m2": "g/m2", "density_kg_m3": "kg/m3", "tray_cm2": "cm2", "width_m": "m",
		"resin_c": "C", "margin_k": "K", "mass_g": "g", "pressure_hpa": "hPa", "moisture_pct": "%", "wait_min": "min"} {
		q, ok := Of(field)
		require.True(t, ok, field)
		require.Equal(t, base, q.Base, field)
	}
	for _, field := range []string{"waste", "amount", "value", "bearing"} {
		_, ok := Of(field)
		require.False(t, ok, field)
	}
}
