package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon"
	"tackline/daemon/jobbook"
	"tackline/daemon/poll"
	"tackline/daemon/wire"
	"tackline/sensors/sensortest"
)

const nowhere = "127.0.0.1:1"

// A board in a folder: its sensors are listed as they can be configured, and one of them tried.
func TestProbesWithoutADaemon(t *testing.T) {
	sys := sensortest.Tree(t, "../../testdata/sysfs/board.txt")
	dir := t.TempDir()
	conf := filepath.Join(dir, "tackline.toml")
	require.NoError(t, os.WriteFile(conf, []byte("[shed]\nzone = \"UTC\"\n[[probe]]\nname = \"stem\"\nkind = \"w1\"\nplace = \"timber\"\naddress = \"28-0316a2791234\"\n"), 0o600))
	here := []string{"--config", conf, "--sys", sys, "--server", nowhere}
	r := tackline(t, append([]string{"probe", "list"}, here...)...)
	require.Zero(t, r.code, r.err)
	require.Contains(t, r.out, `kind = "w1"  address = "28-0316a2795678"`)
	require.NotContains(t, strings.SplitN(r.out, "read by nobody", 2)[1], "28-0316a2791234", "the config reads it")
	require.Contains(t, r.out, `device = "bme280@platform/soc/fe804000.i2c/i2c-1/1-0076"  # temp_c, rh_pct, pressure_hpa`)

	m := jsonOf(t, append([]string{"probe", "list", "--json"}, here...)...)
	require.Len(t, m["unassigned"], 7)
	require.Equal(t, false, m["daemon"])

	r = tackline(t, append([]string{"probe", "try", "stem", "--count", "2", "--every", "100ms"}, here...)...)
	require.Zero(t, r.code, r.err)
	require.Contains(t, r.out, "temp_c 25.062 (ok)")
	require.Contains(t, r.out, "reads 2, failed or bad 0 (0.0 %)")
	r = tackline(t, append([]string{"probe", "try", "--kind", "w1", "--set", "address=28-0000000000aa", "--count", "1"}, here...)...)
	require.Equal(t, exitWanting, r.code)
	require.Contains(t, r.out, "probe absent")
	require.Contains(t, r.out, "failed or bad 1 (100.0 %)")
	r = tackline(t, append([]string{"probe", "try", "--kind", "sht4x", "--set", "address=0x99"}, here...)...)
	require.Equal(t, exitUsage, r.code)
	r = tackline(t, append([]string{"probe", "try", "keel"}, here...)...)
	require.Equal(t, exitUsage, r.code)
}

// A thermometer of the kernel that nobody reads yet is warmed while it is watched.
func TestWhich(t *testing.T) {
	sys := sensortest.Tree(t, "../../testdata/sysfs/board.txt")
	file := filepath.Join(sys, "devices/platform/soc/fe804000.i2c/i2c-1/1-0049/hwmon/hwmon1/temp1_input")
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	done := make(chan struct{})
	go func() {
		defer close(done)
		for v := -3250; ctx.Err() == nil && v < 5000; v += 250 {
			if os.WriteFile(file+".new", fmt.Appendln(nil, v), 0o644) == nil {
				_ = os.Rename(file+".new", file)
			}
			time.Sleep(30 * time.Millisecond)
		}
	}()
	r := tackline(t, "probe", "which", "--every", "20ms", "--for", "20s", "--config", filepath.Join(t.TempDir(), "none.toml"), "--sys", sys, "--server", nowhere)
	cancel()
	<-done
	require.Zero(t, r.code, r.out+r.err)
	require.Contains(t, r.out, "1-0049")
}

func TestDoctor(t *testing.T) {
	root := t.TempDir()
	for name, text := range map[string]string{"proc/device-tree/model": "Shed board of the examples\x00", "proc/self/mounts": "/dev/mmcblk0p2 / ext4 rw,noatime 0 0\n",
		"run/systemd/timesync/synchronized": "", "sys/class/hwmon/hwmon0/name": "rpi_volt\n", "sys/class/hwmon/hwmon0/in0_lcrit_alarm": "1\n"} {
		full := filepath.Join(root, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(full), 0o755))
		require.NoError(t, os.WriteFile(full, []byte(text), 0o644))
	}
	conf := filepath.Join(root, "tackline.toml")
	require.NoError(t, os.WriteFile(conf, []byte("[shed]\nzone = \"UTC\"\n[[probe]]\nname = \"bow\"\nkind = \"sht4x\"\nplace = \"air\"\nbus = 3\n"), 0o600))
	r := tackline(t, "doctor", "--root", root, "--config", conf)
	require.Equal(t, exitWanting, r.code)
	for _, yes := range []string{"Shed board of the examples", "the supply voltage is, or was, too low", "stronger supply", "/dev/i2c-3 is missing", "switch I2C on", "battery clock"} {
		require.Contains(t, r.out, yes)
	}
	m := jsonOf2(t, exitWanting, "doctor", "--json", "--root", root, "--config", conf)
	require.Equal(t, false, m["ok"])
}

func jsonOf2(t *testing.T, code int, args ...string) map[string]any {
	t.Helper()
	r := tackline(t, args...)
	require.Equal(t, code, r.code, r.err)
	var m map[string]any
	require.NoError(t, json.Unmarshal([]byte(r.out), &m))
	return m
}

// shelf stands in for a daemon: one probe in a jar, its log, and what was kept.
type shelf struct {
	at      time.Time
	temp    float64
	rh      func(minutesAgo float64) float64
	probe   daemon.ProbeReport
	kept    []jobbook.Calibrate
	keptWho string
}

func (s *shelf) serve(t *testing.T) string {
	mux := http.NewServeMux()
	send := func(w http.ResponseWriter, v any) { _ = json.NewEncoder(w).Encode(v) }
	mux.HandleFunc("GET /api/v1/probes", func(w http.ResponseWriter, _ *http.Request) {
		s.probe.Name = "bow air"
		s.probe.Latest = []daemon.LatestReport{{Quantity: "rh_pct", At: &s.at}}
		send(w, daemon.ProbesReport{At: s.at, Probes: []daemon.ProbeReport{s.probe}})
	})
	mux.HandleFunc("GET /api/v1/readings", func(w http.ResponseWriter, r *http.Request) {
		from, _ := time.Parse(time.RFC3339, r.URL.Query().Get("from"))
		points := []map[string]any{}
		for at := from; !at.After(s.at); at = at.Add(time.Minute) {
			v := s.temp
			if r.URL.Query().Get("quantity") == "rh_pct" {
				v = s.rh(s.at.Sub(at).Minutes())
			}
			points = append(points, map[string]any{"at": at, "mean": v})
		}
		send(w, map[string]any{"points": points})
	})
	mux.HandleFunc("GET /api/v1/book", func(w http.ResponseWriter, _ *http.Request) {
		var all []map[string]any
		for _, k := range s.kept {
			b, _ := json.Marshal(k)
			m := map[string]any{}
			_ = json.Unmarshal(b, &m)
			m["when"] = map[string]any{"ms": s.at.Add(-24 * time.Hour).UnixMilli()}
			all = append(all, m)
		}
		send(w, map[string]any{"Calibrations": all})
	})
	mux.HandleFunc("POST /api/v1/commands/calibrate", func(w http.ResponseWriter, r *http.Request) {
		var in struct {
			Who     string
			Payload json.RawMessage
		}
		require.NoError(t, json.NewDecoder(r.Body).Decode(&in))
		p, err := wire.Decode("calibrate", in.Payload)
		require.NoError(t, err)
		s.kept, s.keptWho = append(s.kept, p.(jobbook.Calibrate)), in.Who
		w.WriteHeader(http.StatusCreated)
		send(w, map[string]any{"id": len(s.kept)})
	})
	srv := httptest.NewServer(mux)
	t.Cleanup(srv.Close)
	return srv.URL
}

// Nodes that are heard and are no probe yet stand in the list of probes, with the command that says which probe they are.
func TestProbeListHasUnassignedNodes(t *testing.T) {
	heard := time.Date(2026, 1, 14, 12, 0, 0, 0, time.UTC)
	list := daemon.ProbesReport{At: heard, Nodes: []daemon.NodeReport{{Node: "mqtt:a4c138f2", Heard: &heard}}}
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _ = json.NewEncoder(w).Encode(list) }))
	t.Cleanup(srv.Close)
	conf := filepath.Join(t.TempDir(), "tackline.toml")
	require.NoError(t, os.WriteFile(conf, []byte("[shed]\nzone = \"UTC\"\nsys = \"/nowhere\"\n"), 0o600))
	here := []string{"probe", "list", "--config", conf, "--server", srv.URL}
	r := tackline(t, here...)
	require.Zero(t, r.code, r.err)
	require.Contains(t, r.out, "tackline node bind NODE PROBE")
	require.Contains(t, r.out, "  mqtt:a4c138f2  unassigned, heard ")
	m := jsonOf(t, append(here, "--json")...)
	require.Len(t, m["nodes"], 1)
	list.Nodes = nil
	require.Regexp(t, "(?s)Heard, and no probe yet.*\n  none\n", tackline(t, here...).out)
	here[len(here)-1] = nowhere
	require.Contains(t, tackline(t, here...).out, "heard by a running daemon only")
}

// Two jars at 20 C: magnesium chloride is 33.07 %, sodium chloride 75.47 % there (Greenspan 1977). A probe that shows 35.1 and 73.4 gets the line through
// both, and shows what is in the jars afterwards.
func TestCalibrateOverTwoSalts(t *testing.T) {
	s := &shelf{at: time.Date(2026, 1, 14, 12, 0, 0, 0, time.UTC), temp: 20, rh: func(float64) float64 { return 35.1 }}
	at := []string{"--server", s.serve(t)}
	call := func(args ...string) result {
		return tackline(t, append(append([]string{"probe", "calibrate", "bow air"}, args...), at...)...)
	}
	r := call("--salt", "MgCl2", "--who", "Wren")
	require.Zero(t, r.code, r.err+r.out)
	require.Contains(t, r.out, "One jar gives an offset")
	require.Len(t, s.kept, 1)
	first := s.kept[0]
	require.Equal(t, "Wren", s.keptWho)
	require.Equal(t, "saturated salt MgCl2", first.Method)
	require.InDelta(t, 33.07, first.True, 0.02)
	require.InDelta(t, 35.1, first.Before, 1e-9)
	require.InDelta(t, first.True, first.After, 1e-9)
	require.Nil(t, first.Gain)
	require.Greater(t, first.Due, s.at.UnixMilli())
	require.Greater(t, first.U, 0.7)
	s.probe.Calibration = poll.Calibration{HumidityFactor: 1, HumidityPct: first.Offset}
	s.rh = func(float64) float64 { return 73.4 + first.Offset } // shown with the first correction in force

	r = call("--salt", "NaCl")
	require.Zero(t, r.code, r.err+r.out)
	second := s.kept[1]
	require.NotNil(t, second.Gain)
	require.InDelta(t, (75.47-33.07)/(73.4-35.1), *second.Gain, 1e-3)
	require.InDelta(t, 75.47, second.After, 0.02)
	require.InDelta(t, 33.07, *second.Gain*35.1+second.Offset, 0.02, "the first jar is met too")
	require.Contains(t, second.Note, "two jars")

	s.rh = func(ago float64) float64 { return 73 + 2*math.Exp(-(60-ago)/20) }
	r = call("--salt", "NaCl")
	require.Equal(t, exitWanting, r.code)
	require.Contains(t, r.out, "still drifts")
	s.rh = func(float64) float64 { return 40 }
	r = call("--salt", "NaCl")
	require.Equal(t, exitWanting, r.code)
	require.Contains(t, r.out, "does it hang there?")
	s.probe.Calibrations = []daemon.CalibrationReport{{Quantity: "rh_pct", From: s.at.Add(-time.Minute)}}
	r = call("--salt", "NaCl")
	require.Contains(t, r.out, "corrected within the last")
	require.Len(t, s.kept, 2, "nothing more was kept")
}

func TestCalibrateInIceAndBesideAReference(t *testing.T) {
	s := &shelf{at: time.Date(2026, 1, 14, 12, 0, 0, 0, time.UTC), temp: 0.4, rh: func(float64) float64 { return 60 }}
	s.probe.Calibration = poll.Calibration{TemperatureK: 0.1}
	at := []string{"--server", s.serve(t)}
	call := func(args ...string) result {
		return tackline(t, append(append([]string{"probe", "calibrate", "bow air"}, args...), at...)...)
	}
	r := call("--ice", "--dry-run")
	require.Zero(t, r.code, r.err)
	require.Empty(t, s.kept)
	require.Zero(t, call("--ice", "--due-days", "180").code)
	require.InDelta(t, 0.4, s.kept[0].Before, 1e-9)
	require.InDelta(t, 0, s.kept[0].After, 1e-9)
	require.InDelta(t, -0.3, s.kept[0].Offset, 1e-9, "the chip itself reads 0.3 K high; the correction in force hid nothing of it")
	s.temp = 18
	r = call("--ice")
	require.Equal(t, exitWanting, r.code)
	require.Contains(t, r.out, "does it hang there?")
	require.Zero(t, call("--reference", "18.5", "--u", "0.2").code)
	require.InDelta(t, 18.5, s.kept[1].After, 1e-9)
	require.InDelta(t, 0.2, s.kept[1].U, 1e-9)
	require.Zero(t, s.kept[1].When, "from now on")
	r = call("--reference", "18.5", "--since", "2025-12-01T07:00:00Z")
	require.Zero(t, r.code, r.err)
	require.Contains(t, r.out, "From 1 Dec 2025")
	require.Equal(t, time.Date(2025, 12, 1, 7, 0, 0, 0, time.UTC).UnixMilli(), s.kept[2].When)
	s.probe.Calibrations = []daemon.CalibrationReport{{Quantity: "temp_c", From: s.at.AddDate(0, 0, -5)}}
	r = call("--reference", "18.5", "--since", "2025-12-01T07:00:00Z")
	require.Equal(t, exitUsage, r.code)
	require.Contains(t, r.err, "was calibrated on 9 Jan 2026")
	for _, bad := range [][]string{{"--ice", "--since", "yesterday"}, {"--ice", "--since", "2999-01-01T00:00:00Z"}, nil, {"--ice", "--salt", "NaCl"}, {"--reference", "warm"}, {"--reference", "1", "--quantity", "taste"}, {"--salt", "sugar"}, {"--ice", "--due-days", "0"}} {
		require.Equal(t, exitUsage, call(bad...).code, "%v", bad)
	}
}
