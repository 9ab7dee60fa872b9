package plan

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/units"
)

func TestParseWhatIf(t *testing.T) {
	for text, want := range map[string]string{
		"hold=18C 08:00-16:00":                         "hold=18C 08:00-16:00",
		"hold=64.4F 8-16 burner=propane":               "hold=18C 08:00-16:00 burner=propane",
		"warm=22 06:00-09:00":                          "warm=22C 06:00-09:00",
		"tent=5K + hours=07:00-20:00":                  "tent=5K + hours=07:00-20:00",
		"lamp=9F 22:00-06:00":                          "lamp=5K 22:00-06:00",
		"dry=20%":                                      "dry=20%",
		"thinner=0.5":                                  "thinner=0.5",
		"system=fast":                                  "system=fast",
		"hold=12C 20:00-07:00 burner=kerosene+dry=0.1": "hold=12C 20:00-07:00 burner=kerosene + dry=10%",
	} {
		got, err := ParseWhatIf(text)
		require.NoError(t, err, text)
		require.Equal(t, want, Join(got))
		again, err := ParseWhatIf(Join(got))
		require.NoError(t, err)
		require.Equal(t, want, Join(again))
	}
	for _, text := range []string{"", "hold", "hold=", "hold=18C", "hold=99C 08:00-16:00", "hold=18K 08:00-16:00", "hold=NaN 08:00-16:00", "hold=18C 08:00",
		"hold=18C 25:00-26:00", "hold=18C 08:00-16:00 burner=coal", "lamp=8K burner=propane", "dry=120%", "thinner=2", "hours=20:00-07:00", "warmth=3K", "tent=-3K",
		"tent=5K +", "system="} {
		_, err := ParseWhatIf(text)
		require.ErrorContains(t, err, "want such as", text)
	}
}

// TestHeat counts by hand: 10 K over steady air, day and night, in a shed that loses 150 W/K, are 36 kWh a day.
func TestHeat(t *testing.T) {
	w := fair()
	w.mean, w.swing, w.spread = 10, 0, 0
	in := w.input(t)
	list, err := ParseWhatIf("hold=20C 00:00-24:00")
	require.NoError(t, err)
	c := in.do(list)
	require.InDelta(t, 2*36000, c.heatWh.Likely, 1)
	require.InDelta(t, 20, c.in.Members[0].SurfaceC[20], 0.1)
	require.InDelta(t, 20, c.in.Members[0].AirC[0], 1e-9)
	require.InDelta(t, 10, in.Members[0].AirC[0], 1e-9) // what it was made of is left alone
	p, err := rank(&in)
	require.NoError(t, err)
	g, err := Try(in, p, list)
	require.NoError(t, err)
	require.InDelta(t, 36, g.HeatKWhDay.Likely, 0.1)
	require.Less(t, g.HeatKWhDay.Low, 20.0)
	require.Greater(t, g.HeatKWhDay.High, 70.0)
	require.Contains(t, g.HeatBasis, "assumed")
}

// TestBurner holds water and carbon dioxide of an unvented burner against stoichiometry from atomic masses (IUPAC 2021, abridged), and the
// air of 200 m3 at 15 C into which a kilogram of propane burns against the gas law: 8.17 g/m3 of water and 8040 ppm of carbon dioxide.
func TestBurner(t *testing.T) {
	const c, h, o = 12.011, 1.008, 15.999
	molecule := func(carbon, hydrogen float64) (water, co2 float64) {
		m := carbon*c + hydrogen*h
		return hydrogen / 2 * (2*h + o) / m, carbon * (c + 2*o) / m
	}
	for name, n := range map[string][2]float64{"propane": {3, 8}, "kerosene": {12, 26}} {
		water, co2 := molecule(n[0], n[1])
		f, ok := fuelOf(name)
		require.True(t, ok)
		require.InEpsilon(t, water, f.WaterKgPerKg(), 1e-3)
		require.InEpsilon(t, co2, f.CarbonDioxideKgPerKg(), 1e-3)
	}
	shed := AssumedShed()
	shed.ChangesH = 0
	v := newVapour("propane", 46.4e6/Step, shed, []float64{500}) // a kilogram for the kelvin of one step
	v.next(0, true, 1, 15)
	require.InEpsilon(t, 8.17, v.mostWater, 1e-3)
	require.InEpsilon(t, 8040, v.most, 1e-3)
	require.InDelta(t, 500+8.17e-3*461.5*288.15, v.pa[0], 1.5)

	// Aired once an hour, a burner that burns steadily leaves source/(n V) (1 - exp(-n t)), the mass balance of a mixed room.
	shed.ChangesH = 1
	v = newVapour("propane", 46.4e6/Step, shed, make([]float64, 12))
	for k := range int64(12) {
		v.next(k, true, 1, 15)
	}
	require.InEpsilon(t, 1000*4*v.fuel.WaterKgPerKg()/(1*shed.VolumeM3)*(1-math.Exp(-3)), v.mostWater, 1e-9)
}

// TestBurnerDampens: the same heat from an unvented burner leaves less margin than from one with a flue.
func TestBurnerDampens(t *testing.T) {
	w := fair()
	w.mean, w.rh, w.swing = 6, 75, 1
	in := w.input(t)
	in.Shed = AssumedShed()
	dry, err := ParseWhatIf("hold=16C 00:00-24:00")
	require.NoError(t, err)
	wet, err := ParseWhatIf("hold=16C 00:00-24:00 burner=propane")
	require.NoError(t, err)
	before, err := rank(&in)
	require.NoError(t, err)
	a, err := Try(in, before, dry)
	require.NoError(t, err)
	b, err := Try(in, before, wet)
	require.NoError(t, err)
	require.Greater(t, a.ChanceAfter, b.ChanceAfter-1e-9)
	require.NotNil(t, b.Burner)
	require.Greater(t, b.Burner.WaterGM3, 0.5)
	require.Contains(t, strings.Join(b.Cautions, " "), "carbon monoxide")
	t.Log(a.Text)
	t.Log(b.Text)
	t.Log(b.Cautions)
}

// TestWarmFirst: timber that is warmed before and left to cool takes a seal coat that it did not take in the morning's warming air.
func TestWarmFirst(t *testing.T) {
	w := fair()
	w.mean, w.swing = 15, 3
	in := w.input(t)
	in.Steps = []Task{{Name: "seal", Coat: true, OnTimber: true, WorkMin: 30}}
	in.Hours = WorkingHours{StartMin: 8 * 60, EndMin: 12 * 60, Days: allDays()}
	before, err := rank(&in)
	require.NoError(t, err)
	chance, _ := before.top()
	require.Less(t, chance, 0.5)
	require.Equal(t, Outgassing, before.Starts[0].Weakest, before.Starts[0].Why)
	list, err := ParseWhatIf("warm=26C 05:00-09:00")
	require.NoError(t, err)
	g, err := Try(in, before, list)
	require.NoError(t, err)
	require.Greater(t, g.ChanceAfter, 0.9, g.Text)
	c := in.do(list)
	after, err := rank(&c.in)
	require.NoError(t, err)
	nine := units.InstantOf(morning.Add(3 * time.Hour)) // as the heat goes off
	for _, x := range after.Starts {
		if x.At == nine {
			require.Greater(t, x.Chance, 0.9, x.Why)
		}
	}
	for _, x := range before.Starts {
		if x.At == nine {
			require.Less(t, x.Chance, 0.1, x.Why)
		}
	}
	t.Log(g.Text)
}

// TestNothingNamesWhatWouldDo: in a cold shed the plan says how much warmer it would have to be, and with that it is so.
func TestNothingNamesWhatWouldDo(t *testing.T) {
	w := fair()
	w.mean, w.swing, w.spread = 7.5, 1, 0.3
	in := w.input(t)
	in.Steps = in.Steps[:1]
	in.Hours = office()
	p, err := Make(in)
	require.NoError(t, err)
	require.Empty(t, p.Best)
	require.Contains(t, p.Nothing, "Nothing in the next 48 h")
	require.NotEmpty(t, p.Changes)
	t.Log(p.Nothing)
	for _, c := range p.Changes {
		list, err := ParseWhatIf(c.WhatIf)
		require.NoError(t, err)
		g, err := Try(in, p, list)
		require.NoError(t, err)
		require.GreaterOrEqual(t, g.ChanceAfter, MoreLikely, c.Text)
	}
	w.mean = -15 // nothing helps
	in = w.input(t)
	p, err = Make(in)
	require.NoError(t, err)
	require.Empty(t, p.Changes)
	require.Contains(t, p.Nothing, "Nothing that was tried")
}

// TestEveryWhatIf: whatever is done, chances stay chances and the input is left as it was.
func TestEveryWhatIf(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		in := some(rt, t)
		was := append([]float64(nil), in.Members[2].SurfaceC...)
		before, err := rank(&in)
		require.NoError(rt, err)
		text := rapid.SampledFrom([]string{"hold=24C 06:00-18:00 burner=propane", "tent=20K", "lamp=30K 22:00-03:00", "dry=60%", "thinner=0.3", "hours=05:00-23:00",
			"hold=40C 00:00-24:00 burner=kerosene + tent=30K"}).Draw(rt, "what if")
		list, err := ParseWhatIf(text)
		require.NoError(rt, err)
		g, err := Try(in, before, list)
		require.NoError(rt, err)
		require.True(rt, g.ChanceAfter >= 0 && g.ChanceAfter <= 1)
		require.Equal(rt, was, in.Members[2].SurfaceC)
		require.False(rt, strings.Contains(g.Text, "NaN") || strings.Contains(g.Text, "Inf"), g.Text)
	})
}

func TestRound(t *testing.T) {
	for in, want := range map[float64]float64{0: 0, 36.4: 36, 0.01234: 0.012, 981: 980} {
		require.InDelta(t, want, round(in), 1e-9)
	}
	require.False(t, math.IsNaN(round(units.ZeroCelsius)))
}

// FuzzParseWhatIf: whatever is typed or sent, it is refused with what would be right, or reads the same again as it is written.
func FuzzParseWhatIf(f *testing.F) {
	for _, s := range []string{"hold=18C 08:00-16:00 burner=propane", "tent=5K + hours=07:00-20:00", "lamp=9F 22:00-06:00", "dry=20%", "thinner=0.5", "system=fast", "+", "hold=1e308C 1:0-2:0"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		list, err := ParseWhatIf(text)
		if err != nil {
			return
		}
		for _, w := range list {
			if w.Deed == Swap {
				return // a name is written as it is
			}
		}
		again, err := ParseWhatIf(Join(list))
		require.NoError(t, err, Join(list))
		require.Equal(t, Join(list), Join(again))
	})
}
