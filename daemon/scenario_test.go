package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/daemon/assess"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/dashboard"
)

// sharedTrace finds the open data: C. Candanedo et al., Energy and Buildings 140 (2017) 81-97, UCI Appliances Energy Prediction (CC BY 4.0). Where
// the folder is absent a committed simulated trace of the same shape stands in, unless TACKLINE_SHARED names a folder that lacks it.
func sharedTrace(t *testing.T, name string) (path string, open bool) {
	t.Helper()
	for _, dir := range []string{os.Getenv("TACKLINE_SHARED"), "../../shared"} {
		if dir == "" {
			continue
		}
		p, err := filepath.Abs(filepath.Join(dir, "data", name))
		require.NoError(t, err)
		if _, err := os.Stat(p); err == nil {
			return p, true
		}
	}
	require.Empty(t, os.Getenv("TACKLINE_SHARED"), "TACKLINE_SHARED has no data/%s", name)
	p, err := filepath.Abs("../testdata/traces/shed-winter.csv")
	require.NoError(t, err)
	return p, false
}

// phone takes what is sent to it, as a web hook and as a push topic.
type phone struct {
	mu   sync.Mutex
	hook []map[string]any
	push []map[string]any
}

func newPhone(t *testing.T) (*phone, string) {
	p := &phone{}
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		b, _ := io.ReadAll(r.Body)
		var m map[string]any
		if json.Unmarshal(b, &m) != nil {
			m = map[string]any{"text": string(b)}
		}
		p.mu.Lock()
		defer p.mu.Unlock()
		if r.URL.Path == "/hook" {
			p.hook = append(p.hook, m)
			return
		}
		p.push = append(p.push, m)
		_, _ = io.WriteString(w, `{"id":"a1","event":"message"}`) // a push server answers with the message that it took
	}))
	t.Cleanup(s.Close)
	return p, s.URL
}

func (p *phone) about(part string) (hook, push int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, m := range p.hook {
		if b, _ := json.Marshal(m); strings.Contains(string(b), part) {
			hook++
		}
	}
	for _, m := range p.push {
		if b, _ := json.Marshal(m); strings.Contains(string(b), part) {
			push++
		}
	}
	return hook, push
}

const coldSystem = `name = "Cold (invented)"
source = "invented for a test: the medium system with a lower lowest temperature"
mix_by_weight = [100, 34]
mix_by_volume = [2.5, 1]
density_kg_m3 = 1110
lowest_c = 4.0
highest_surface_rh_pct = 95.0
[kinetics]
k1_per_s = 5.0e-5
k2_per_s = 6.0e-4
m = 1.0
n = 2.0
activation_kj_mol = 55.0
gel_conversion = 0.577
heat_j_g = 400.0
cp_j_gk = 1.8
tg0_c = -30.0
tg_inf_c = 65.0
lambda = 0.45
diffusion = true
vitrify_c = 30
vitrify_offset_k = 10
[marks]
by = "tg"
tack_opens = 0.057
tack_closes = 0.40
recoat_closes = 0.72
firm = 0.80
sandable = 0.86
`

// winterConfig replays a column of the house log as an open shed, as fast as it goes.
func winterConfig(t *testing.T, trace, hook string) config.Config {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "cold.toml"), []byte(coldSystem), 0o600))
	text := fmt.Sprintf(`format = 1
[shed]
name = "North wall"
zone = "+01:00"
data = %q
listen = "127.0.0.1:0"
[systems]
shipped = []
files = ["cold.toml"]
[clock]
speed = "free"
[[probe]]
name = "north"
kind = "replay"
place = "air"
file = %q
columns = { air_c = "north_outside_c", rh_pct = "north_outside_rh_pct" }
interval = "60s"
stale_after = "100m"
[[alert]]
name = "hook"
kind = "webhook"
url = "%s/hook"
[[alert]]
name = "push"
kind = "ntfy"
url = %q
topic = "shed"
`, filepath.Join(dir, "data"), trace, hook, hook)
	path := filepath.Join(dir, "tackline.toml")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	c, err := config.Load(path)
	require.NoError(t, err)
	return c
}

// TestWinterOnRealInput runs the unchanged daemon over a real winter as fast as it goes, starts a bedding coat at the beginning of the longest
// stretch above 6 C, and looks at what a builder would see.
func TestWinterOnRealInput(t *testing.T) {
	if testing.Short() {
		t.Skip("short: weeks of winter take a minute, and ten under the race detector")
	}
	trace, open := sharedTrace(t, "house-winter.csv")
	start := time.Date(2016, 2, 4, 12, 40, 0, 0, time.FixedZone("", 3600))
	if !open {
		start = time.Date(2016, 3, 26, 13, 20, 0, 0, time.FixedZone("", 3600)) // of the simulated trace
	}
	phone, url := newPhone(t)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var d *Daemon
	var coat, clears, blind, gaps, opened int64
	observe := func(m Moment) {
		s := m.Situation
		seen := s.Climate.AirC.LastSeen
		gap := seen.Known() && m.At.Sub(seen.Time()) > 100*time.Minute
		for _, p := range m.Advice.Pieces {
			if p.Verdict == advisor.Clear {
				clears++
				require.GreaterOrEqual(t, *p.MarginK.Value-*p.MarginK.U, 3.0, "clear at %v", m.At)
				require.False(t, gap, "clear at %v without a reading", m.At)
			}
			if gap {
				gaps++
				require.True(t, p.Verdict == advisor.CantSay || p.Verdict == advisor.Stop, "%s at %v", p.Verdict, m.At)
			}
		}
		for _, c := range m.Advice.Coats {
			if gap {
				blind++
				require.NotEmpty(t, c.CantSay, "at %v", m.At)
			}
			if c.State == advisor.StateTacky {
				opened++
			}
		}
		switch {
		case coat == 0 && !m.At.Before(start):
			r, err := (commands{d}).StartCoat(ctx, dashboard.StartCoat{Piece: s.Pieces[0].ID, Kind: advisor.Bedding, System: "Cold (invented)", At: m.At})
			require.NoError(t, err)
			coat = r.ID
		case m.At.After(start.Add(16 * time.Hour)):
			cancel()
		}
	}
	d, err := New(Options{Config: winterConfig(t, trace, url), Observe: observe})
	require.NoError(t, err)
	first := d.now().UnixMilli()
	addPiece(t, d, first)
	require.NoError(t, d.Run(ctx))
	require.NotZero(t, coat, "the coat was never started")
	require.NotZero(t, opened, "the coat was never tacky")
	hook, _ := phone.about(fmt.Sprintf("coat/%d/tack_open", coat))
	t.Logf("%d clear verdicts, %d assessments in gaps, %d of a coat; tack window told %d times by hook", clears, gaps, blind, hook)
	require.EqualValues(t, 1, hook, "the opening leaves once")
	_, push := phone.about("Tack window open")
	require.EqualValues(t, 1, push)
	require.NotZero(t, gaps)
}

// addPiece enters an invented job with one bare and wet piece of timber that was read with a meter.
func addPiece(t *testing.T, d *Daemon, _ int64) int64 {
	t.Helper()
	job, err := d.Do(t.Context(), "", "Wren", jobbook.AddJob{JobData: jobbook.JobData{Name: "Sandpiper (invented)"}})
	require.NoError(t, err)
	piece, err := d.Do(t.Context(), "", "Wren", jobbook.AddPiece{PieceData: jobbook.PieceData{Job: job.ID, Name: "foredeck", ThicknessMM: 9, DensityKgM3: 500,
		Lie: advisor.LieFlat, Bare: true}})
	require.NoError(t, err)
	return piece.ID
}

// TestRoomNodesOnRealInput replays four wireless nodes, a reading every few seconds, and finds every row in the store.
// Source: P. Morgner et al., ESORICS 2017, published data sets.
func TestRoomNodesOnRealInput(t *testing.T) {
	trace, open := sharedTrace(t, "room-nodes.csv")
	columns := `node = "4"`
	if !open {
		columns = `columns = { air_c = "room8_c", rh_pct = "room8_rh_pct" }`
	}
	dir := t.TempDir()
	text := fmt.Sprintf("format = 1\n[shed]\nname = \"Room\"\nzone = \"UTC\"\ndata = %q\nlisten = \"127.0.0.1:0\"\n[clock]\nspeed = \"free\"\n[[probe]]\nname = \"node\"\nkind = \"replay\"\nplace = \"air\"\nfile = %q\n%s\n[[alert]]\nname = \"log\"\nkind = \"log\"\n",
		dir, trace, columns)
	c, err := config.Parse([]byte(text), "room")
	require.NoError(t, err)
	d, err := New(Options{Config: c, StopAtEnd: true})
	require.NoError(t, err)
	var verdicts int64
	d.o.Observe = func(m Moment) { verdicts++ }
	addPiece(t, d, 0)
	require.NoError(t, d.Run(t.Context()))
	require.NotZero(t, verdicts)
	require.NotNil(t, d.latest.Load().Advice.Shed.DewPointC.Value)
}

// TestAdviceIsRecomputedToTheSameBytes deletes nothing and trusts nothing: an assessor that has never seen the shed, over the same files and the
// same moment, says the same to the byte.
func TestAdviceIsRecomputedToTheSameBytes(t *testing.T) {
	dir := t.TempDir()
	d, err := NewDemo(t.Context(), DemoOptions{Seed: 7, Folder: dir, Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var kept []byte
	var at int64
	n := 0
	d.o.Observe = func(m Moment) {
		if n++; n == 20 {
			at = m.At.UnixMilli()
			kept, err = json.Marshal(m.Advice)
			require.NoError(t, err)
			fresh := assess.New(assess.Options{Readings: readings{d.store}, Facts: d.book, Probes: assessed(&d.o.Config, at), Zone: d.o.Config.Shed.Zone,
				Hours: m.Situation.Hours, Limits: m.Situation.Limits, Next: d.firstSystem(), System: d.systems.Find})
			_, a, err := fresh.Advise(ctx, at, true)
			require.NoError(t, err)
			again, err := json.Marshal(a)
			require.NoError(t, err)
			require.Equal(t, string(kept), string(again))
			cancel()
		}
	}
	require.NoError(t, d.Run(ctx))
	require.NotEmpty(t, kept)
}

// TestDemoIsNotCanned: another random seed gives other times, the same seed the same.
func TestDemoIsNotCanned(t *testing.T) {
	opening := func(seed uint64) (string, float64) {
		d, err := NewDemo(t.Context(), DemoOptions{Seed: seed, Folder: t.TempDir(), Listen: "127.0.0.1:0"})
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		var at string
		var air float64
		d.o.Observe = func(m Moment) {
			if c := m.Advice.Coats; at == "" && len(c) == 1 {
				require.Equal(t, advisor.StateWet, c[0].State)
				require.InDelta(t, 12*60, float64(c[0].Windows[0].Opens.Likely-m.Advice.At), 15*60, "the tack window is about to open")
				at, air = c[0].Windows[0].Opens.Likely.Time().String(), *m.Advice.Shed.AirC.Value
				ended := 0
				v, err := source{d}.Now(ctx)
				require.NoError(t, err)
				for _, k := range v.Coats {
					if !k.Ended.IsZero() {
						ended++
					}
				}
				require.Equal(t, 2, ended)
				require.Equal(t, DemoNotice, v.Notice)
				cancel()
			}
		}
		require.NoError(t, d.Run(ctx))
		require.NotEmpty(t, at)
		return at, air
	}
	one, airOne := opening(1)
	again, airAgain := opening(1)
	two, airTwo := opening(2)
	require.Equal(t, one, again)
	require.Equal(t, airOne, airAgain)
	require.NotEqual(t, one, two)
	require.NotEqual(t, airOne, airTwo)
}

// TestPageAndCommandsOverHTTP is the way of a second program: what it sends is in the book, what is wrong comes back as a problem.
func TestPageAndCommandsOverHTTP(t *testing.T) {
	d, err := NewDemo(t.Context(), DemoOptions{Seed: 1, Speed: 60, Folder: t.TempDir(), Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	defer func() { cancel(); require.NoError(t, <-done) }()
	base := "http://" + d.Addr()
	post := func(kind, body string) (int, string) {
		r, err := http.Post(base+"/api/v1/commands/"+kind, "application/json", strings.NewReader(body))
		require.NoError(t, err)
		defer r.Body.Close()
		b, err := io.ReadAll(r.Body)
		require.NoError(t, err)
		return r.StatusCode, string(b)
	}
	status, body := post("add-job", `{"who":"Wren","key":"k1","payload":{"name":"Dunlin (invented)"}}`)
	require.Equal(t, http.StatusCreated, status, body)
	status, again := post("add-job", `{"who":"Wren","key":"k1","payload":{"name":"Dunlin (invented)"}}`)
	require.Equal(t, http.StatusOK, status, "nothing new was made")
	require.Contains(t, again, `"repeat":true`)
	status, body = post("add-piece", `{"who":"Wren","payload":{"job":99999,"name":"","lie":"sideways"}}`)
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, body, "lie")
	status, _ = post("launch", `{"payload":{}}`)
	require.Equal(t, http.StatusNotFound, status)
	for _, path := range []string{"/", "/coats", "/healthz", "/api/v1/now", "/api/v1/book"} {
		require.Eventually(t, func() bool {
			r, err := http.Get(base + path)
			if err != nil {
				return false
			}
			defer r.Body.Close()
			return r.StatusCode == http.StatusOK
		}, 10*time.Second, 50*time.Millisecond, path)
	}
}

// TestTimeStandsStillAtTheEndOfATrace: a replay as fast as it goes does not run on without readings when its trace is over; the page stays, and a
// command is still looked at.
func TestTimeStandsStillAtTheEndOfATrace(t *testing.T) {
	dir := t.TempDir()
	trace := filepath.Join(dir, "short.csv")
	require.NoError(t, os.WriteFile(trace, []byte("time,air_c,rh_pct\n2026-01-14T08:00:00Z,12,60\n2026-01-14T08:10:00Z,12.5,61\n2026-01-14T08:20:00Z,13,60\n"), 0o600))
	text := fmt.Sprintf("format = 1\n[shed]\nname = \"Short\"\nzone = \"UTC\"\ndata = %q\nlisten = \"127.0.0.1:0\"\n[clock]\nspeed = \"free\"\n[[probe]]\nname = \"a\"\nkind = \"replay\"\nplace = \"air\"\nfile = %q\n",
		filepath.Join(dir, "data"), trace)
	c, err := config.Parse([]byte(text), "short")
	require.NoError(t, err)
	looks := make(chan time.Time, 10000)
	d, err := New(Options{Config: c, Observe: func(m Moment) { looks <- m.At }})
	require.NoError(t, err)
	done := make(chan error, 1)
	ctx, cancel := context.WithCancel(t.Context())
	go func() { done <- d.Run(ctx) }()
	require.Eventually(t, d.atEnd, 10*time.Second, 10*time.Millisecond)
	require.Eventually(t, func() bool {
		at := d.clock.Now().Wall
		time.Sleep(50 * time.Millisecond)
		return d.clock.Now().Wall == at
	}, 10*time.Second, time.Millisecond)
	stood := d.now()
	require.WithinDuration(t, time.Date(2026, 1, 14, 8, 20, 0, 0, time.UTC), stood, 2*time.Minute)
	for len(looks) > 0 {
		<-looks
	}
	addPiece(t, d, 0)
	select {
	case at := <-looks:
		require.WithinDuration(t, stood, at, time.Second)
	case <-time.After(10 * time.Second):
		t.Fatal("the command was not looked at")
	}
	cancel()
	require.NoError(t, <-done)
}
