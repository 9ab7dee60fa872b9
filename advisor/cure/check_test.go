package cure

import (
	"errors"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// fields gives the paths of all findings.
func fields(err error) []string {
	var out []string
	if err == nil {
		return nil
	}
	many, ok := err.(interface{ Unwrap() []error })
	if !ok {
		return []string{err.Error()}
	}
	for _, e := range many.Unwrap() {
		var fe *FieldError
		if errors.As(e, &fe) {
			out = append(out, fe.Field)
		}
	}
	return out
}

func TestPossibleSystems(t *testing.T) {
	for _, name := range shipped {
		require.NoError(t, load(t, name).Check(), name)
	}
	bare := byTimes()
	bare.LowestC = 4
	require.NoError(t, bare.Check())
	require.NoError(t, s1().Check())
}

func TestImpossibleSystems(t *testing.T) {
	cases := []struct {
		name  string
		spoil func(s *System)
		field string
	}{
		{"both", func(s *System) { s.Times = byTimes().Times }, "marks"},
		{"neither", func(s *System) { s.Marks = nil }, "times"},
		{"order at the point", func(s *System) { s.Marks.Firm = 0.71 }, "marks.firm"},
		{"conversion over 1", func(s *System) { s.Marks.Sandable = 1.02 }, "marks.sandable"},
		{"mark left out", func(s *System) { s.Marks.TackCloses = 0 }, "marks.tack_closes"},
		{"negative mark", func(s *System) { s.Marks.TackOpens = -0.1 }, "marks.tack_opens"},
		{"unknown way", func(s *System) { s.Marks.By = "time" }, "marks.by"},
		{"negative rate", func(s *System) { s.Kinetics.K2PerS = -6e-4 }, "kinetics.k2_per_s"},
		{"no rate", func(s *System) { s.Kinetics.K1PerS = 0 }, "kinetics.k1_per_s"},
		{"negative k1", func(s *System) { s.Kinetics.K1PerS = -1e-5 }, "kinetics.k1_per_s"},
		{"no kinetics", func(s *System) { s.Kinetics = nil }, "kinetics"},
		{"energy in J", func(s *System) { s.Kinetics.ActivationKJMol = 55000 }, "kinetics.activation_kj_mol"},
		{"absolute zero", func(s *System) { s.LowestC = -273.15 }, "lowest_c"},
		{"pot at absolute zero", func(s *System) { s.Pot.AtC = -273.15 }, "pot.at_c"},
		{"gel over 1", func(s *System) { s.Kinetics.GelConversion = 1.2 }, "kinetics.gel_conversion"},
		{"Tg falls", func(s *System) { s.Kinetics.TgInfC = -35 }, "kinetics.tg_inf_c"},
		{"ratio the wrong way", func(s *System) { s.MixByVolume = [2]float64{1, 2.5} }, "mix_by_volume"},
		{"no hardener", func(s *System) { s.MixByWeight = [2]float64{100, 0} }, "mix_by_weight"},
		{"ratio left out", func(s *System) { s.MixByVolume = [2]float64{} }, "mix_by_volume"},
		{"nan", func(s *System) { s.DensityKgM3 = math.NaN() }, "density_kg_m3"},
		{"infinite", func(s *System) { s.Kinetics.HeatJG = math.Inf(1) }, "kinetics.heat_j_g"},
		{"g/cm3", func(s *System) { s.DensityKgM3 = 1.11 }, "density_kg_m3"},
		{"humidity over 100", func(s *System) { s.HighestSurfaceRHPct = 120 }, "highest_surface_rh_pct"},
		{"waste in %", func(s *System) { s.Coverage = &Coverage{SealGM2: 130, FillGM2: 180, FabricRatio: 1, Waste: 10} }, "coverage.waste"},
		{"no stroke", func(s *System) { s.Pump = &Pump{ResinML: 18} }, "pump.hardener_ml"},
		{"no name", func(s *System) { s.Name = "" }, "name"},
		// In order at 25 C, not at 10 C: the recoat mark, carried by Tg, comes before the tack window has shut.
		{"order in the cold", func(s *System) { s.Marks.TackCloses = 0.70 }, "marks.recoat_closes"},
		// A law that never gets there.
		{"mark out of reach", func(s *System) { s.Kinetics.VitrifyC, s.Marks.Sandable = 150, 0.99 }, "marks.sandable"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			s := medium()
			pot := *s.Pot
			mk := *s.Marks
			s.Pot, s.Marks = &pot, &mk
			c.spoil(&s)
			err := s.Check()
			require.Contains(t, fields(err), c.field, "%v", err)
			_, err2 := New(s)
			require.Equal(t, err, err2)
		})
	}
}

func TestImpossibleTimes(t *testing.T) {
	s := byTimes()
	s.Pot = nil
	require.Equal(t, []string{"pot"}, fields(s.Check()))
	s = byTimes()
	s.Times.Firm = 300
	require.Equal(t, []string{"times.firm"}, fields(s.Check()))
	s = byTimes()
	s.Times.AtC = -280
	require.Equal(t, []string{"times.at_c"}, fields(s.Check()))
	s = byTimes() // gone off in half a minute, tacky for hours: no speed fits both, the film would be done at once
	s.Pot.Minutes = 0.5
	require.NotEmpty(t, fields(s.Check()))
	// Everything at once, none lost.
	s = byTimes()
	s.Name, s.LowestC, s.Pot.MassG, s.Times.TackCloses = "", 400, -1, 20
	require.Equal(t, []string{"name", "lowest_c", "times.tack_closes", "pot.mass_g"}, fields(s.Check()))
	require.ErrorContains(t, s.Check(), "cure: pot.mass_g: -1: want 1 to 20000 g")
}

// Whatever figures a file holds, Check answers, and what it lets through has a model whose marks are in order and finite.
func TestCheckNeverLetsNonsenseThrough(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		odd := rapid.SampledFrom([]float64{0, -1, 1, 1e9, math.NaN(), math.Inf(1), math.Inf(-1), 0.5, 25})
		s := byTimes()
		if rapid.Bool().Draw(t, "marks") {
			s = medium()
		}
		k := Generic()
		s.Kinetics = &k
		for _, p := range []struct {
			name      string
			to        *float64
			low, high float64
		}{
			{"k1", &k.K1PerS, 1e-6, 1e-3}, {"k2", &k.K2PerS, 1e-5, 5e-3}, {"m", &k.M, 0, 2}, {"n", &k.N, 1, 3},
			{"E", &k.ActivationKJMol, 40, 70}, {"Tg0", &k.Tg0C, -60, 0}, {"TgInf", &k.TgInfC, 40, 130}, {"lambda", &k.Lambda, 0.2, 0.8},
			{"C", &k.VitrifyC, 5, 60}, {"offset", &k.VitrifyOffsetK, 0, 30}, {"lowest", &s.LowestC, -5, 30},
		} {
			if rapid.IntRange(0, 60).Draw(t, p.name+" odd") == 0 {
				*p.to = odd.Draw(t, p.name)
				continue
			}
			*p.to = rapid.Float64Range(p.low, p.high).Draw(t, p.name)
		}
		if s.Check() != nil {
			return
		}
		m, err := New(s)
		require.NoError(t, err)
		for _, temp := range []float64{s.LowestC, 20, 35} {
			min, ok := m.MarkMinutes(temp)
			last := 0.0
			for i := range min {
				require.False(t, math.IsNaN(min[i]) || math.IsInf(min[i], 0))
				if ok[i] {
					require.GreaterOrEqual(t, min[i], last)
					last = min[i]
				}
			}
		}
	})
}
