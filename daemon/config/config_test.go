package config

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
	"tackline/sensors/drivers"
)

var update = flag.Bool("update", false, "rewrite the golden files")

const root = "../../testdata/config/"

func golden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
}

// Each file has the mistake of its name; what it says stands beside it. No message repeats a secret.
func TestBad(t *testing.T) {
	files, err := filepath.Glob(root + "bad/*.toml")
	require.NoError(t, err)
	require.Greater(t, len(files), 50)
	for _, f := range files {
		t.Run(strings.TrimSuffix(filepath.Base(f), ".toml"), func(t *testing.T) {
			_, err := Load(f)
			require.Error(t, err)
			var es Errors
			require.ErrorAs(t, err, &es)
			for _, e := range es {
				require.NotEmpty(t, e.Wrong)
				require.NotContains(t, e.Value, "canary")
			}
			require.NotContains(t, err.Error(), "canary")
			golden(t, strings.TrimSuffix(f, ".toml")+".want", strings.ReplaceAll(err.Error(), root+"bad/", "")+"\n")
		})
	}
}

func TestGood(t *testing.T) {
	for _, name := range []string{"empty", "replay", "simulated", "chips"} {
		_, err := Load(root + "good/" + name + ".toml")
		require.NoError(t, err, name)
	}
}

// Each way of telling has the keys that it was given, and its own defaults.
func TestWays(t *testing.T) {
	data, err := os.ReadFile(root + "good/ways.toml")
	require.NoError(t, err)
	c, err := Parse(data, "ways.toml") // its password file is on no machine
	require.NoError(t, err)
	require.Len(t, c.Alerts, 3)
	require.Equal(t, Alert{Name: "board", Kind: "mqtt", Min: "notice", Broker: "mqtts://broker.example.org", Topic: "yard/alert", Mail: Mail{User: "shed"},
		TokenFile: "broker.password", CAFile: "yard.pem", Client: "osier"}, c.Alerts[0])
	require.Equal(t, Pin{Name: "GPIO17", Device: "buzzer", ActiveLow: true, For: time.Minute}, c.Alerts[1].Pin)
	require.True(t, c.Alerts[1].Quiet.Wake)
	require.Equal(t, Pin{Name: "GPIO27"}, c.Alerts[2].Pin)
}

// The example that is installed passes its own check, and its commented lines are right too.
func TestExample(t *testing.T) {
	c, err := Load("../../deploy/tackline.toml")
	require.NoError(t, err)
	require.Empty(t, c.Notices)
	require.Len(t, c.Probes, 4)
	require.Equal(t, "Europe/Lisbon", c.Shed.Zone.String())
	require.Equal(t, sensors.Surface, c.Probes[1].Place)
	require.Equal(t, map[sensors.Quantity]float64{sensors.Temperature: -0.2, sensors.Humidity: 1.5}, c.Probes[0].Calibrations[0].Offset)
	require.Equal(t, "2026-10-18T00:00:00+01:00", c.Probes[0].Calibrations[0].From.Format(time.RFC3339)) // summer time in Lisbon

	data, err := os.ReadFile("../../deploy/tackline.toml")
	require.NoError(t, err)
	var lines []string
	for _, l := range strings.Split(string(data), "\n") {
		if rest, ok := strings.CutPrefix(l, "# "); ok && (strings.HasPrefix(rest, "[") || strings.Contains(rest, " = ")) {
			l = rest
		}
		lines = append(lines, l)
	}
	all := strings.Join(lines, "\n")
	require.Contains(t, all, "\nlisten = ")
	_, err = Parse([]byte(all), "all.toml")
	require.ErrorContains(t, err, "sped up") // the one thing that does not go together: real probes and a simulated clock
	require.Len(t, err, 1)
	all = strings.Replace(all, "speed = 60 ", `speed = "real" `, 1)
	all = strings.Replace(all, "start = 2026-01-14T06:00:00Z", "", 1)
	full, err := Parse([]byte(all), "all.toml")
	require.NoError(t, err)
	def := Default()
	require.Equal(t, def.Limits, full.Limits) // what is commented out is the default
	require.Equal(t, def.Shed.CommitEvery, full.Shed.CommitEvery)
	require.Equal(t, def.Shed.Listen, full.Shed.Listen)
	require.Equal(t, def.Shed.Data, full.Shed.Data)
	require.Equal(t, def.Systems.Shipped, full.Systems.Shipped)
	require.Equal(t, def.Keep, full.Keep)
	require.Len(t, full.Alerts, 7)
	require.Equal(t, "http://shed.example:8080", full.Shed.Page)
	require.Equal(t, 5*time.Minute, full.Beat.Every)
	require.Equal(t, &AllWell{AtMin: 7*60 + 30}, full.AllWell)
	require.Equal(t, &Quiet{FromMin: 22 * 60, ToMin: 6*60 + 30, Passes: "critical", WindowsMin: 7 * 60}, full.Alerts[1].Quiet)
}

func TestReplay(t *testing.T) {
	c, err := Load(root + "good/replay.toml")
	require.NoError(t, err)
	require.False(t, c.Clock.Real())
	require.Equal(t, 0.0, c.Clock.Speed)
	require.Equal(t, "2016-01-11T16:30:00Z", c.Clock.Start.Time().Format(time.RFC3339))
	require.Equal(t, 100*time.Minute, c.Probes[0].StaleAfter)
	require.Equal(t, map[string]string{"file": "trace.csv", "columns": "air_c=north_outside_c,rh_pct=north_outside_rh_pct,pressure_hpa=station_pressure_mmhg"}, c.Probes[0].Options)
	require.Equal(t, map[string]string{"file": "nodes.csv", "columns": "unix_ms=unix_ms,node=node,rh_pct=,outdoors_c=outdoors_c", "zone": "Europe/Brussels", "node": "4"}, c.Probes[1].Options)
	require.InDelta(t, 3, float64(c.Limits.MarginK), 1e-12) // 5.4 F as a difference
	_, off := time.Unix(0, 0).In(c.Shed.Zone).Zone()
	require.Equal(t, 3600, off)
	require.Equal(t, filepath.Join(root, "good", "trace.csv"), c.Path(c.Probes[0].Options["file"]))
	systems, err := c.LoadSystems()
	require.NoError(t, err)
	require.Equal(t, []string{"Cold, by times"}, systems.Names())
	cold, err := systems.Find("cold, by times")
	require.NoError(t, err)
	require.Equal(t, 4.0, cold.LowestC)
	_, err = systems.Find("Cold, by tines")
	require.EqualError(t, err, `config: no resin system "Cold, by tines"; there are Cold, by times; did you mean "Cold, by times"?`)
}

// The kinds and their settings are those of the table of drivers, and what the config makes of them is what the drivers take.
func TestKindsAreTheDrivers(t *testing.T) {
	seen := map[string][]string{}
	for _, k := range drivers.Kinds() {
		seen[k.Name] = []string{}
		for _, o := range k.Options {
			seen[k.Name] = append(seen[k.Name], o.Name)
		}
	}
	ours := map[string][]string{}
	for name, k := range kinds {
		ours[name] = k.keys
	}
	require.Equal(t, seen, ours)

	full, err := Parse([]byte(`[[probe]]
name = "a"
kind = "shed"
place = "air"
seed = 7
start = 2026-01-10T00:00:00+01:00
mean_outdoors_c = "36F"
heater_w = 4000
set_c = 16
frost_c = 5
leak_ach = 0.5
panel_mm = "0.375in"
bias_c = "0.9F"
bias_rh_pct = -2
`), "x")
	require.NoError(t, err)
	require.Equal(t, "2026-01-09T23:00:00Z", full.Probes[0].Options["start"])
	require.Equal(t, "0.5", full.Probes[0].Options["bias_c"])
	probes := full.Probes
	for _, file := range []string{root + "good/replay.toml", root + "good/simulated.toml", root + "good/chips.toml", "../../deploy/tackline.toml"} {
		c, err := Load(file)
		require.NoError(t, err)
		probes = append(probes, c.Probes...)
	}
	set := drivers.New(drivers.Env{Dir: root + "good", Zone: time.UTC, Sys: t.TempDir()})
	for _, p := range probes {
		require.NoError(t, set.Check(drivers.Spec{Kind: p.Kind, Name: p.Name, Place: p.Place, Options: p.Options}), p.Name)
	}
	require.NoError(t, set.Close())
}

func TestLibrary(t *testing.T) {
	l, err := Default().LoadSystems()
	require.NoError(t, err)
	require.Len(t, l.Names(), 3)
	byShort, err := l.Find("medium")
	require.NoError(t, err)
	byName, err := l.Find(byShort.Name)
	require.NoError(t, err)
	require.Equal(t, byShort, byName)
}

func TestDefaults(t *testing.T) {
	c, err := Parse([]byte("[[probe]]\nname='a'\nkind='bme280'\nplace='air'\n[[probe]]\nname='b'\nkind='w1'\naddress='28-000000000000'\nplace='air'\ninterval='5min'\n[[probe]]\nname='c'\nkind='replay'\nfile='x'\nplace='air'\n"), "x")
	require.NoError(t, err)
	require.Equal(t, []time.Duration{2 * time.Minute, 15 * time.Minute, 2 * time.Hour},
		[]time.Duration{c.Probes[0].StaleAfter, c.Probes[1].StaleAfter, c.Probes[2].StaleAfter})
	require.Equal(t, map[string]string{"bus": "1", "address": "0x76"}, c.Probes[0].Options)
	require.Equal(t, 3.0, c.Probes[0].U[sensors.Humidity])
	require.Equal(t, 60*time.Second, c.Shed.CommitEvery)
	require.Equal(t, Default().Shed, c.Shed)
}

// What is allowed and worth knowing is told apart from what is wrong.
func TestNotices(t *testing.T) {
	c, err := Parse([]byte("[shed]\nlisten = \"0.0.0.0:80\"\n[limits]\nmargin_k = 2\n"), "n.toml")
	require.NoError(t, err)
	require.Equal(t, `n.toml: alert: there is none: nothing will ring; add an [[alert]]
n.toml: probe: there is none: nothing will be logged; add a [[probe]]
n.toml:1:2: shed.zone: is missing: working hours are taken as UTC; want a zone such as zone = "Europe/Lisbon", or a fixed offset such as "+01:00"
n.toml:2:1: shed.listen: lets everyone on this network reach the page: they see it unless [access] says reading = "paired", and change nothing unless their phone is paired; 127.0.0.1 keeps it on this board
n.toml:2:1: shed.listen: port 80 needs root on most systems; want one from 1024 up
n.toml:4:1: limits.margin_k: 2 K is less than the 3 K of ISO 8502-4 practice; keep 3 unless the maker's sheet allows less`, c.Notices.Error())
}

func TestTokens(t *testing.T) {
	dir := t.TempDir()
	conf := filepath.Join(dir, "tackline.toml")
	require.NoError(t, os.WriteFile(conf, []byte("[[alert]]\nname='p'\nkind='webhook'\nurl='http://127.0.0.1/x'\ntoken_file='p.token'\n"), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "p.token"), []byte(" canary \n"), 0o644))
	c, err := Load(conf)
	require.NoError(t, err)
	require.Contains(t, c.Notices.Error(), "can be read by others (mode 0644); chmod 600 p.token")
	tok, err := c.Token(c.Alerts[0].TokenFile)
	require.NoError(t, err)
	require.Equal(t, "canary", tok)

	creds := t.TempDir() // what the service manager hands over comes first
	require.NoError(t, os.WriteFile(filepath.Join(creds, "p.token"), []byte("other"), 0o600))
	t.Setenv("CREDENTIALS_DIRECTORY", creds)
	tok, err = c.Token("p.token")
	require.NoError(t, err)
	require.Equal(t, "other", tok)

	require.NoError(t, os.WriteFile(filepath.Join(creds, "p.token"), []byte("two\nlines canary"), 0o600))
	_, err = c.Token("p.token")
	require.Error(t, err)
	require.NotContains(t, err.Error(), "canary")
}

func TestTooLarge(t *testing.T) {
	_, err := Parse([]byte(strings.Repeat("#\n", maxFile)), "big.toml")
	require.ErrorContains(t, err, "at most 1048576")
}

func TestZones(t *testing.T) {
	for name, secs := range map[string]int{"+01:00": 3600, "-03:30": -12600, "UTC": 0, "Asia/Kolkata": 19800} {
		z, err := ParseZone(name)
		require.NoError(t, err, name)
		_, off := time.Date(2026, 1, 1, 0, 0, 0, 0, z).Zone()
		require.Equal(t, secs, off, name)
	}
	for _, name := range []string{"", "Local", "local", "+1:00", "+15:00", "+01:60", "+0a:00", "../../etc/passwd", "Nowhere/Land"} {
		_, err := ParseZone(name)
		require.Error(t, err, name)
	}
}

func FuzzParse(f *testing.F) {
	files, _ := filepath.Glob(root + "*/*.toml")
	for _, file := range append(files, "../../deploy/tackline.toml") {
		data, err := os.ReadFile(file)
		require.NoError(f, err)
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		c, err := Parse(data, "fuzz.toml")
		if err != nil {
			var es Errors
			require.ErrorAs(t, err, &es)
			require.NotEmpty(t, es)
			return
		}
		require.NotNil(t, c.Shed.Zone)
		for _, p := range c.Probes {
			require.NotEmpty(t, p.Name)
			require.Positive(t, p.Interval)
			require.GreaterOrEqual(t, p.StaleAfter, p.Interval)
		}
	})
}

func FuzzParseSystem(f *testing.F) {
	data, err := os.ReadFile(root + "good/cold.toml")
	require.NoError(f, err)
	f.Add(data)
	f.Fuzz(func(t *testing.T, data []byte) {
		if _, err := ParseSystem(data, "fuzz.toml"); err != nil {
			var es Errors
			require.ErrorAs(t, err, &es)
		}
	})
}
