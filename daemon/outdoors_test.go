package daemon

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/advisor/trace"
	"tackline/advisor/units"
	"tackline/daemon/config"
	"tackline/daemon/outlook"
	"tackline/dashboard"
	"tackline/sensors/shed"
)

// TestPlansWithAnOutdoorForecast runs an invented shed with a server on loopback that fails, sends garbage, stalls, and then answers: plans are made
// all the while, say why no outdoor forecast is in them, and at last rest on it. Over a restart without the server the kept answer
// serves, and once it is old it does not.
func TestPlansWithAnOutdoorForecast(t *testing.T) {
	var d *Daemon
	var how atomic.Value
	how.Store("fail")
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch how.Load() {
		case "fail":
			w.WriteHeader(http.StatusServiceUnavailable)
		case "garbage":
			_, _ = w.Write([]byte("<html>please sign in"))
		case "stall":
			select {
			case <-r.Context().Done():
			case <-time.After(10 * time.Second):
			}
		default:
			var hours, air, rh []string
			now := d.now()
			for k := -2; k < 60; k++ { // invented: 12 K of frost in half a day
				hours = append(hours, fmt.Sprintf("%q", now.Add(time.Duration(k)*time.Hour).Format(time.RFC3339)))
				air, rh = append(air, fmt.Sprint(3-min(12, max(0, k)))), append(rh, "70")
			}
			_, _ = fmt.Fprintf(w, `{"ahead":{"when":[%s],"dry":[%s],"damp":[%s]}}`, strings.Join(hours, ","), strings.Join(air, ","), strings.Join(rh, ","))
		}
	}))
	defer server.Close()
	text := fmt.Sprintf(`format = 1
[shed]
name = "Invented"
data = %q
listen = "127.0.0.1:0"
[clock]
speed = "free"
start = 2026-01-08T06:00:00Z
[outdoor_forecast]
url = "%s/?key=hush"
times = "ahead.when"
air = "ahead.dry"
rh = "ahead.damp"
[[probe]]
name = "air"
kind = "shed"
place = "air"
seed = 3
interval = "15min"
[[probe]]
name = "north wall"
kind = "shed"
place = "outdoors"
seed = 3
interval = "15min"
[[alert]]
name = "log"
kind = "log"
`, t.TempDir(), server.URL)
	c, err := config.Parse([]byte(text), "invented")
	require.NoError(t, err)
	d, err = New(Options{Config: c})
	require.NoError(t, err)
	defer func() { require.NoError(t, d.Stop()) }()
	m := Moment{At: d.now(), Situation: invented(t, d.now())}
	m.Situation.Pieces[0].ID = addPiece(t, d, 0)
	d.latest.Store(&m)
	plan := func() advisor.Plan {
		p, err := d.planner.Plan(t.Context(), dashboard.PlanQuery{Every: 16})
		require.NoError(t, err)
		require.Empty(t, p.CantSay)
		require.NotEmpty(t, p.Starts)
		return p
	}
	d.outdoors.source, err = outlook.New(outlook.Config{URL: server.URL + "/?key=hush", Times: "ahead.when", Air: "ahead.dry", RH: "ahead.damp",
		Cache: filepath.Join(c.Shed.Data, "outdoor-forecast.json"), Now: d.now, Client: &http.Client{Timeout: 200 * time.Millisecond}})
	require.NoError(t, err)
	refresh := func() { _ = d.errs.set("outdoor forecast", d.outdoors.source.Refresh(t.Context())) }
	for _, x := range []struct{ how, says string }{{"fail", "answered 503"}, {"garbage", "no JSON"}, {"stall", "exceeded"}} {
		how.Store(x.how)
		refresh()
		p := plan()
		said := strings.Join(p.Cautions, " ")
		require.Contains(t, said, "The outdoor forecast is not used: there is none yet (outlook: ")
		require.Contains(t, said, x.says)
		require.NotContains(t, said, "hush")
		require.NotContains(t, p.Basis, "outdoor")
	}
	how.Store("well")
	refresh()
	p := plan()
	require.Contains(t, p.Basis, "drawn towards the outdoor forecast through a time constant of")
	require.Contains(t, p.Basis, "its vapour through")
	require.NotContains(t, strings.Join(p.Cautions, " "), "outdoor forecast")
	how.Store("fail")
	refresh()
	require.Equal(t, p.Basis, plan().Basis, "the last answer stands while the server fails")

	server.Close()
	cached := filepath.Join(c.Shed.Data, "outdoor-forecast.json")
	for _, x := range []struct {
		old   time.Duration
		fresh bool
	}{{11 * time.Hour, true}, {13 * time.Hour, false}} {
		require.NoError(t, d.Stop())
		got := m.At.Add(-x.old)
		require.NoError(t, os.Chtimes(cached, got, got))
		d, err = New(Options{Config: c})
		require.NoError(t, err)
		d.latest.Store(&m)
		p := plan()
		if x.fresh {
			require.Contains(t, p.Basis, "outdoor forecast")
			continue
		}
		require.NotContains(t, p.Basis, "outdoor forecast")
		require.Contains(t, strings.Join(p.Cautions, " "), "The outdoor forecast is not used: it is of 7 January 17:00.")
	}
}

// invented is what probes in an unheated simulated shed and outdoors of it would have shown over two weeks.
func invented(t *testing.T, now time.Time) advisor.Situation {
	o := shed.Defaults(3, now.Add(-15*24*time.Hour).UnixMilli())
	o.Heater.Watts = 0
	sim, err := shed.New(o)
	require.NoError(t, err)
	at := units.InstantOf(now)
	ch := func() advisor.Channel { return advisor.Channel{U: 0.3, LastSeen: at, Trace: trace.Trace{MaxGap: 3600}} }
	s := advisor.Situation{At: at, Zone: time.UTC, ClockSet: true, Limits: advisor.DefaultLimits(),
		Climate: advisor.Climate{AirC: ch(), RHPct: ch(), PressureHPa: ch(), OutdoorC: ch(), OutdoorRH: ch()}}
	for x := now.Add(-14 * 24 * time.Hour); !x.After(now); x = x.Add(10 * time.Minute) {
		truth := sim.Truth(x.UnixMilli())
		for _, v := range []struct {
			c *advisor.Channel
			v float64
		}{{&s.Climate.AirC, truth.AirC}, {&s.Climate.RHPct, truth.RHPct}, {&s.Climate.PressureHPa, truth.PressureHPa}, {&s.Climate.OutdoorC, truth.OutdoorsC},
			{&s.Climate.OutdoorRH, truth.OutdoorsRHPct}} {
			v.c.Trace.At, v.c.Trace.V = append(v.c.Trace.At, float64(units.InstantOf(x))), append(v.c.Trace.V, v.v)
		}
	}
	system, err := config.LoadSystem("medium")
	require.NoError(t, err)
	s.Pieces = []advisor.Piece{{ID: 1, Name: "foredeck", Lie: advisor.LieFlat, ThicknessM: 0.009, DensityKgM3: 500, NextSystem: &system,
		SurfaceC: advisor.Channel{Problem: "no probe is taped to this piece"}}}
	return s
}
