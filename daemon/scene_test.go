package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/advisor/cure"
	"tackline/daemon/alert"
	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/daemon/store"
	"tackline/sensors"
	"tackline/sensors/shed"
)

// A scene is the unchanged daemon over a simulated shed in which something happens, as fast as it goes. The shed knows the truth: it is held
// against what the daemon says, minute by minute.
type scene struct {
	name    string
	seed    uint64
	start   time.Time     // of the scene, by the true time
	length  time.Duration // of it
	history time.Duration // of readings before it
	every   string        // interval of the probes
	system  string
	kind    advisor.Kind
	bare    bool
	coatAt  time.Duration // after the start; the coat's first wetting
	shed    func(*shed.Options, func(after time.Duration) float64)
	zone    string
	extra   string // of the config
	board   *handClock
	band    float64 // K that the film may be off from what the daemon can know; 0: as one probe is
	brief   bool    // it runs under the race detector too
	sudden  bool    // no forecast could know what happens shortly before the tack window opens
	// foreseen says that what happens follows from what the log shows, so that warnings ahead must come.
	foreseen bool
	blind    []sight // stretches without readings

	// what is done in the scene, called after each assessment, in order of time
	acts []act
}

type act struct {
	at time.Duration // after the start, by the true time
	do func(t *testing.T, r *run)
	ok bool
}

// run is a scene that has run.
type run struct {
	scene
	t       *testing.T
	d       *Daemon
	sim     *shed.Shed
	system  cure.System
	folder  string
	config  config.Config
	piece   int64
	coat    int64
	minutes []minute
	told    []telling
	cuts    int64
	truths  []shed.Truth
	begun   int64 // true ms of the scene's start
	took    time.Duration
	ended   bool
	cancel  context.CancelFunc
}

// minute is what was said at one assessment.
type minute struct {
	at      int64 // true ms
	shown   int64 // ms as the daemon had it
	verdict advisor.Verdict
	reasons []advisor.Reason
	piece   advisor.PieceAdvice
	coat    *advisor.CoatAdvice
	set     bool
}

// telling is one message of a decision.
type telling struct {
	at int64 // true ms
	alert.Message
}

// handClock is a board whose wall clock a script sets, while its time since boot goes on. Waiting takes no time.
type handClock struct {
	mu    sync.Mutex
	truth int64 // ms: what the world's clock shows
	wall  int64
	mono  int64
	boot  string
	state clock.State
	steps []clockStep
}

// clockStep is what happens to a board's clock at a true time.
type clockStep struct {
	at    int64 // true ms
	by    int64 // added to the wall
	state clock.State
}

func (c *handClock) Free() bool { return true }

func (c *handClock) Now() clock.Stamp {
	c.mu.Lock()
	defer c.mu.Unlock()
	return clock.Stamp{Wall: c.wall, Mono: c.mono, Boot: c.boot, State: c.state}
}

func (c *handClock) Wait(ctx context.Context, until int64) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	pass := min(max(0, until-c.wall), minuteMs)
	if len(c.steps) > 0 && c.truth+pass >= c.steps[0].at {
		pass = max(0, c.steps[0].at-c.truth)
		c.wall, c.state = c.wall+c.steps[0].by, c.steps[0].state
		c.steps = c.steps[1:]
	}
	c.truth, c.wall, c.mono = c.truth+pass, c.wall+pass, c.mono+pass
	return ctx.Err()
}

func (c *handClock) true() int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.truth
}

const sceneConfig = `format = 1
[shed]
name = "Reed Wharf shed (invented)"
zone = %q
stale_after = "5m"
data = %q
listen = "127.0.0.1:0"
[systems]
shipped = ["medium", "fast", "slow"]
files = ["cold.toml"]
[clock]
speed = "free"
[[probe]]
name = "bench"
kind = "shed"
place = "air"
interval = %q
[[probe]]
name = "topside skin"
kind = "shed"
place = "surface"
piece = "port topside"
interval = %q
[[probe]]
name = "yard"
kind = "shed"
place = "outdoors"
interval = %q
%s
`

// play runs a scene to its end.
func play(t *testing.T, s scene) *run {
	t.Helper()
	if testing.Short() && !s.brief {
		t.Skip("short: an assessment a minute over hours takes ten times as long under the race detector")
	}
	r := &run{scene: s, t: t, folder: t.TempDir(), begun: s.start.UnixMilli()}
	if r.zone == "" {
		r.zone = "UTC"
	}
	if r.every == "" {
		r.every = "20s"
	}
	o := shed.Defaults(s.seed, s.start.Add(-s.history).UnixMilli())
	o.Heater.EveryDay = true
	if s.shed != nil {
		s.shed(&o, func(after time.Duration) float64 { return float64(s.start.Add(after).UnixMilli()) / 1000 })
	}
	var err error
	r.sim, err = shed.New(o)
	require.NoError(t, err)
	r.system, err = config.LoadSystem(s.system)
	require.NoError(t, err)
	r.config = r.parse(r.folder)
	require.NoError(t, os.MkdirAll(r.config.Shed.Data, 0o750))
	if s.history > 0 {
		require.NoError(t, demoHistory(t.Context(), r.sim, r.config, s.start.Add(-s.history).UnixMilli(), r.begun))
	}
	if r.board == nil {
		r.board = &handClock{truth: r.begun, wall: r.begun, mono: 1000, boot: "boot-1", state: clock.Synced}
	}
	r.enterBook()
	begun := time.Now()
	for !r.ended {
		r.live()
	}
	r.took = time.Since(begun)
	return r
}

func (r *run) parse(folder string) config.Config {
	require.NoError(r.t, os.WriteFile(filepath.Join(folder, "cold.toml"), []byte(coldSystem), 0o600))
	text := fmt.Sprintf(sceneConfig, r.zone, filepath.Join(folder, "data"), r.every, r.every, r.every, r.extra)
	path := filepath.Join(folder, "tackline.toml")
	require.NoError(r.t, os.WriteFile(path, []byte(text), 0o600))
	c, err := config.Load(path)
	require.NoError(r.t, err)
	return c
}

// enterBook enters an invented boat, as if long before.
func (r *run) enterBook() {
	ctx := r.t.Context()
	book, err := jobbook.Open(ctx, filepath.Join(r.config.Shed.Data, "jobbook.db"), jobbook.Options{})
	require.NoError(r.t, err)
	before := r.begun - max(r.history.Milliseconds(), 3_600_000)
	do := func(p jobbook.Payload) int64 {
		res, err := book.Do(ctx, jobbook.Command{Who: "Wren", At: jobbook.Stamp{Wall: before, Mono: 1, Boot: "boot-0", Clock: jobbook.ClockSynced}, Payload: p})
		require.NoError(r.t, err)
		return res.ID
	}
	job := do(jobbook.AddJob{JobData: jobbook.JobData{Name: "Sanderling (invented)"}})
	r.piece = do(jobbook.AddPiece{PieceData: jobbook.PieceData{Job: job, Name: "port topside", ThicknessMM: 9, DensityKgM3: 520, AreaM2: 4.4,
		Lie: advisor.LieUpright, Bare: r.bare}})
	if r.bare {
		do(jobbook.MeterReading{Piece: r.piece, MoisturePct: 10.5, Instrument: "pin meter"})
	}
	require.NoError(r.t, book.Close())
}

// live runs the daemon until the scene ends or the power goes.
func (r *run) live() {
	ctx, cancel := context.WithCancel(r.t.Context())
	defer cancel()
	r.cancel = cancel
	var err error
	r.d, err = New(Options{Config: r.config, Clock: r.board, Shed: r.sim, ShedNow: r.board.true, Observe: r.observe})
	require.NoError(r.t, err)
	require.NoError(r.t, r.d.Run(ctx))
}

func (r *run) observe(m Moment) {
	at := r.board.true()
	line := minute{at: at, shown: m.At.UnixMilli(), set: m.Situation.ClockSet}
	for _, p := range m.Advice.Pieces {
		if p.Piece == r.piece {
			p.MarginTrend = nil
			line.verdict, line.reasons, line.piece = p.Verdict, p.Reasons, p
		}
	}
	for i := range m.Advice.Coats {
		if c := m.Advice.Coats[i]; c.Coat == r.coat {
			line.coat = &c
		}
	}
	r.minutes = append(r.minutes, line)
	for _, told := range m.Told {
		r.told = append(r.told, telling{at, told})
	}
	after := time.Duration(at-r.begun) * time.Millisecond
	if r.coat == 0 && after >= r.coatAt && r.kind != "" {
		raw, err := json.Marshal(r.system)
		require.NoError(r.t, err)
		res, err := r.d.Do(r.t.Context(), "", "Wren", jobbook.StartCoat{CoatData: jobbook.CoatData{Piece: r.piece, Kind: r.kind, SystemName: r.system.Name, System: raw}})
		require.NoError(r.t, err)
		r.coat = res.ID
		r.coatAt = after
	}
	for i := range r.acts {
		if a := &r.acts[i]; !a.ok && after >= a.at {
			a.ok = true
			a.do(r.t, r)
		}
	}
	if after >= r.length {
		r.ended = true
		r.cancel()
	}
}

// of gives what was told of a key, without repeats.
func (r *run) of(key string) []telling {
	return filterTold(r.told, func(m telling) bool { return m.Key == key && m.Kind != alert.Repeat })
}

func filterTold(all []telling, keep func(telling) bool) []telling {
	var out []telling
	for _, m := range all {
		if keep(m) {
			out = append(out, m)
		}
	}
	return out
}

func (r *run) key(name string) string { return fmt.Sprintf("coat/%d/%s", r.coat, name) }

// noDoubles: an event is told once, and what lasts is raised and cleared in turn, or raised again only as it became worse.
func (r *run) noDoubles() {
	last := map[string]telling{}
	for _, m := range r.told {
		if m.Kind == alert.Repeat || m.Kind == alert.Digest {
			continue
		}
		before, had := last[m.Key]
		if m.Pair == "" {
			require.False(r.t, had, "%s told twice: %s and %s", m.Key, r.clock(before.at), r.clock(m.at))
		} else if had && m.Kind == alert.Raise && before.Kind == alert.Raise {
			require.Greater(r.t, m.Severity, before.Severity, "%s raised twice: %s and %s", m.Key, r.clock(before.at), r.clock(m.at))
		} else if m.Kind == alert.Clear {
			require.True(r.t, had && before.Kind == alert.Raise, "%s cleared at %s and not raised", m.Key, r.clock(m.at))
		}
		last[m.Key] = m
	}
}

func (r *run) clock(at int64) string { return time.UnixMilli(at).UTC().Format("Mon 15:04:05") }

// dump writes what was told, for a failing scene.
func (r *run) dump() {
	for _, m := range r.told {
		if m.Kind != alert.Repeat {
			r.t.Logf("%s %s %s %s: %s", r.clock(m.at), m.Severity, m.Kind, m.Key, strings.ReplaceAll(m.Title, "\n", " / "))
		}
	}
	state := advisor.State("?")
	for _, m := range r.minutes {
		if m.coat != nil && m.coat.State != state {
			state = m.coat.State
			r.t.Logf("%s state %q %s", r.clock(m.at), state, m.coat.CantSay)
		}
	}
}

// cut is a power cut of a length. What the process had not yet written is gone: the next life is on a copy of the files as they lie at
// this moment, which is what a kill leaves.
func (r *run) cut(length time.Duration, wall int64, state clock.State) {
	r.cuts++
	next := r.t.TempDir()
	require.NoError(r.t, os.MkdirAll(filepath.Join(next, "data"), 0o750))
	files, err := os.ReadDir(r.config.Shed.Data)
	require.NoError(r.t, err)
	for _, f := range files {
		if strings.HasSuffix(f.Name(), ".lock") || strings.HasSuffix(f.Name(), "-shm") {
			continue
		}
		b, err := os.ReadFile(filepath.Join(r.config.Shed.Data, f.Name()))
		require.NoError(r.t, err)
		require.NoError(r.t, os.WriteFile(filepath.Join(next, "data", f.Name()), b, 0o600))
	}
	r.folder = next
	r.cancel()
	r.config = r.parse(next)
	r.board.reboot(length.Milliseconds(), wall, fmt.Sprintf("boot-%d", r.cuts+1), state)
}

// reboot is a power cut of a length: the wall clock goes on from wall, or is kept by a battery where that is 0.
func (c *handClock) reboot(length, wall int64, boot string, state clock.State) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.truth += length
	c.wall, c.mono, c.boot, c.state = c.truth, 4000, boot, state
	if wall != 0 {
		c.wall = wall
	}
}

// rows gives the stored readings of a channel, after the daemon has ended.
func (r *run) rows(probe string, q sensors.Quantity) []store.Row {
	s, err := store.Open(r.t.Context(), filepath.Join(r.config.Shed.Data, "readings.db"), store.Options{})
	require.NoError(r.t, err)
	defer func() { require.NoError(r.t, s.Close()) }()
	var out []store.Row
	require.NoError(r.t, s.Raw(r.t.Context(), probe, q, 0, 1<<46, func(row store.Row) error {
		out = append(out, row)
		return nil
	}))
	return out
}
