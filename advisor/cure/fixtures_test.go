package cure

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/pelletier/go-toml/v2"
	"github.com/stretchr/testify/require"
)

// shipped are the names of the systems that come with the program.
var shipped = []string{"fast", "medium", "slow"}

// load reads a shipped system as it is shipped.
func load(t testing.TB, name string) System {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "daemon", "config", "systems", name+".toml"))
	require.NoError(t, err)
	var s System
	require.NoError(t, toml.Unmarshal(text, &s))
	return s
}

// model makes the model of a system that must be possible.
func model(t testing.TB, s System) Model {
	t.Helper()
	m, err := New(s)
	require.NoError(t, err)
	return m
}

// medium is the system whose kinetics and marks are settled for this project (invented).
func medium() System {
	k := Generic()
	return System{
		Name: "medium", Source: "invented", MixByWeight: [2]float64{100, 34}, MixByVolume: [2]float64{2.5, 1}, DensityKgM3: 1110, LowestC: 10,
		HighestSurfaceRHPct: 85,
		Kinetics:            &k,
		Marks:               &Marks{By: "tg", TackOpens: 0.057, TackCloses: 0.40, RecoatCloses: 0.72, Firm: 0.80, Sandable: 0.86},
		Pot:                 &Pot{MassG: 110, Minutes: 21, AtC: 22, DiameterMM: 80, WorkingConversion: 0.20},
	}
}

// byTimes is a system known by its sheet's times alone (invented).
func byTimes() System {
	return System{
		Name: "by times", Source: "invented", MixByWeight: [2]float64{100, 34}, MixByVolume: [2]float64{2.5, 1}, DensityKgM3: 1110, LowestC: 10,
		HighestSurfaceRHPct: 85,
		Times:               &Times{AtC: 25, TackOpens: 50, TackCloses: 150, RecoatCloses: 300, Firm: 420, Sandable: 720},
		Pot:                 &Pot{MassG: 100, Minutes: 22, AtC: 25, DiameterMM: 80, WorkingConversion: 0.20},
	}
}

// plain is a rate law of invented figures for tests only, without diffusion, with marks by conversion.
func plain(k1, k2, m, n float64) System {
	s := medium()
	k := *s.Kinetics
	k.K1PerS, k.K2PerS, k.M, k.N, k.Diffusion, k.GelConversion = k1, k2, m, n, false, 0.57735
	s.Kinetics = &k
	s.Marks = &Marks{By: "conversion", TackOpens: 0.1, TackCloses: 0.3, RecoatCloses: 0.5, Firm: 0.6, Sandable: 0.7}
	s.Pot = nil
	return s
}

// s1 is the synthetic set of the isothermal table: m 1, n 2, k1 1e-5, k2 2.5e-4 per s at 25 C, 55 kJ/mol.
func s1() System { return plain(1e-5, 2.5e-4, 1, 2) }
