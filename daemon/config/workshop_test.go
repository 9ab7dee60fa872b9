package config

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The shipped rule sets name their source, and their numbers are those of it.
func TestShippedWorkshops(t *testing.T) {
	require.Equal(t, []string{"coating-steel", "moulding-shop"}, ShippedWorkshops())
	values := map[string]float64{}
	for _, name := range ShippedWorkshops() {
		w, err := ShippedWorkshop(name)
		require.NoError(t, err)
		require.NotEmpty(t, w.Source)
		for _, l := range w.Limits {
			require.NotEmpty(t, l.Source)
			values[name+" "+l.Quantity] = l.Value
		}
	}
	require.Equal(t, map[string]float64{
		// ICS Rules, FRP Ships, chapter Moulding, section 1: air at least 18 C reached 24 h before laminating, within 3 C of it over 24 h, humidity at most
		// 80 %, no condensation.
		"moulding-shop air_c": 18, "moulding-shop air_range_24h_k": 6, "moulding-shop rh_pct": 80, "moulding-shop margin_k": 0,
		// IMO resolution MSC.215(82), table 1: humidity at most 85 %, steel at least 3 C above the dew point.
		"coating-steel rh_pct": 85, "coating-steel margin_k": 3,
	}, values)
	w, err := ShippedWorkshop("moulding-shop")
	require.NoError(t, err)
	require.EqualValues(t, 24, w.Limits[0].HoursBefore)
	require.True(t, w.Limits[0].AtLeast)
	_, err = ShippedWorkshop("moulding shop")
	require.ErrorContains(t, err, `did you mean "moulding-shop"?`)
}

// Each file has the mistake of its name.
func TestBadWorkshops(t *testing.T) {
	cases := map[string]string{
		"no-limit":       "name = \"x\"\nsource = \"y\"\n",
		"no-source":      "name = \"x\"\n[[limit]]\nquantity = \"air_c\"\nat_least = 18\n",
		"both-sides":     "name = \"x\"\nsource = \"y\"\n[[limit]]\nquantity = \"air_c\"\nat_least = 18\nat_most = 20\nsource = \"z\"\n",
		"unknown-key":    "name = \"x\"\nsource = \"y\"\n[[limit]]\nquantity = \"air_f\"\nat_least = 18\nsource = \"z\"\nwhile = 3\n",
		"too-far-before": "name = \"x\"\nsource = \"y\"\n[[limit]]\nquantity = \"air_c\"\nat_least = 18\nhours_before = 48\nsource = \"z\"\n",
	}
	for name, text := range cases {
		t.Run(name, func(t *testing.T) {
			_, err := ParseWorkshop([]byte(text), name+".toml")
			var es Errors
			require.ErrorAs(t, err, &es)
			golden(t, root+"bad/workshops/"+name+".want", err.Error()+"\n")
		})
	}
}

// A rule set of the shed's own is read from beside the config.
func TestOwnWorkshop(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "mine.toml"), []byte("name = \"mine\"\nsource = \"my surveyor (invented)\"\n[[limit]]\nquantity = \"rh_pct\"\nat_most = 70\nless_u = true\nsource = \"letter\"\n"), 0o600))
	for _, c := range []struct{ text, name, err string }{{"mine.toml", "mine", ""}, {"coating-steel", "coating of steel ships", ""}, {"absent.toml", "", "cannot be read"}} {
		path := filepath.Join(dir, "tackline.toml")
		require.NoError(t, os.WriteFile(path, []byte("[shed]\nzone = \"UTC\"\n[record]\nworkshop = \""+c.text+"\"\n"), 0o600))
		conf, err := Load(path)
		if c.err != "" {
			require.ErrorContains(t, err, c.err)
			continue
		}
		require.NoError(t, err)
		w, ok, err := conf.LoadWorkshop()
		require.NoError(t, err)
		require.True(t, ok)
		require.Equal(t, c.name, w.Name)
	}
	_, err := Parse([]byte("[record]\nworkshop = \"coating-steal\"\n"), "x.toml")
	require.ErrorContains(t, err, "coating-steel")
	require.False(t, strings.Contains(err.Error(), "config: config:"))
}
