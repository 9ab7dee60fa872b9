package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Each file has the mistake of its name.
func TestBadSystems(t *testing.T) {
	med, err := shipped.ReadFile("systems/medium.toml")
	require.NoError(t, err)
	kinetic := map[string][2]string{ // mistakes in a system with kinetics, made from the shipped one
		"conversion-over-1":      {"sandable = 0.86", "sandable = 1.2"},
		"negative-rate":          {"k1_per_s = 5.0e-5", "k1_per_s = -5.0e-5"},
		"marks-without-kinetics": {med2("[kinetics]", "[marks]", string(med)), ""},
		"marks-by-word":          {`by = "tg"`, `by = "touch"`},
		"tg-upside-down":         {"tg_inf_c = 65.0", "tg_inf_c = -65.0"},
	}
	cases := map[string]string{}
	for name, r := range kinetic {
		require.Contains(t, string(med), r[0], name)
		cases[name] = strings.Replace(string(med), r[0], r[1], 1)
	}
	files, err := filepath.Glob(root + "bad/systems/*.toml")
	require.NoError(t, err)
	for _, f := range files {
		data, err := os.ReadFile(f)
		require.NoError(t, err)
		cases[strings.TrimSuffix(filepath.Base(f), ".toml")] = string(data)
	}
	require.Greater(t, len(cases), 14)
	for name, text := range cases {
		t.Run(name, func(t *testing.T) {
			_, err := ParseSystem([]byte(text), name+".toml")
			var es Errors
			require.ErrorAs(t, err, &es)
			golden(t, root+"bad/systems/"+name+".want", err.Error()+"\n")
		})
	}
}

func med2(from, to, text string) string {
	return text[strings.Index(text, from):strings.Index(text, to)]
}

// The shipped systems say that they are invented, and lie in the order of their names' promise.
func TestShipped(t *testing.T) {
	all, err := ShippedSystems()
	require.NoError(t, err)
	require.Len(t, all, 3)
	for name, s := range all {
		require.Contains(t, strings.ToLower(s.Source), "invented", name)
		require.Contains(t, strings.ToLower(s.Name), name)
	}
	// The set that design and batch tests rest on.
	m := all["medium"]
	require.Equal(t, 5.0e-5, m.Kinetics.K1PerS)
	require.Equal(t, "tg", m.Marks.By)
	require.Equal(t, [2]float64{100, 34}, m.MixByWeight)
	require.Nil(t, m.Times)
	require.Equal(t, 21.0, m.Pot.Minutes)
}

func TestLoadSystem(t *testing.T) {
	s, err := LoadSystem(root + "good/cold.toml")
	require.NoError(t, err)
	require.Equal(t, "Cold, by times", s.Name)
	require.Nil(t, s.Coverage)
	_, err = LoadSystem("mediun")
	require.EqualError(t, err, `config: "mediun" is neither a shipped system (fast, medium, slow) nor a file; did you mean "medium"?`)
}

// A part of [coverage], [pump] or [pot] that is not given has its stated default.
func TestSystemDefaults(t *testing.T) {
	data, err := os.ReadFile(root + "good/cold.toml")
	require.NoError(t, err)
	text := strings.Replace(string(data), "working_conversion = 0.20\n", "[coverage]\nwaste = 0.2\n[pump]\nresin_ml = 20\n", 1)
	s, err := ParseSystem([]byte(text), "x.toml")
	require.NoError(t, err)
	require.Equal(t, 0.2, s.Coverage.Waste)
	require.Equal(t, 130.0, s.Coverage.SealGM2)
	require.Equal(t, 7.2, s.Pump.HardenerML)
	require.Equal(t, 0.20, s.Pot.WorkingConversion)
}
