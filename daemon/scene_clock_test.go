package daemon

import (
	"encoding/json"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/daemon/alert"
	"tackline/daemon/clock"
	"tackline/daemon/jobbook"
	"tackline/sensors"
)

const dayMs = int64(86_400_000)

var timeOfDay = regexp.MustCompile(`\b[0-2][0-9]:[0-5][0-9]\b`)

// unset gives a board without a battery that boots at a scene's start, its clock off by some ms.
func unset(s *scene, off int64, steps ...clockStep) *handClock {
	at := s.start.UnixMilli()
	return &handClock{truth: at, wall: at + off, mono: 30_000, boot: "boot-1", steps: steps}
}

// requireRows: every reading of the scene is there once, in order, at its true time to a second, and nothing else since the history ended.
func (r *run) requireRows(probe string) {
	r.t.Helper()
	rows := r.rows(probe, sensors.Temperature)
	last := int64(0)
	var n int64
	for _, row := range rows {
		require.Greater(r.t, row.At, last, "doubled, or out of order")
		last = row.At
		require.LessOrEqual(r.t, row.At, r.board.true()+1000, "of the future")
		if row.At < r.begun-1000 {
			require.Empty(r.t, row.Boot, "a reading of this boot at %s", r.clock(row.At))
			continue
		}
		n++
		truth := r.sim.Truth(row.At)
		want := truth.AirC
		if probe != "bench" {
			want = truth.SurfaceC
		}
		require.InDelta(r.t, want, row.Raw, 0.15, "the reading of %s stands at another time", r.clock(row.At))
		require.True(r.t, row.Clock.Trusted())
	}
	require.InDelta(r.t, (r.board.true()-r.begun)/20_000, n, 3, "readings lost or doubled")
}

// The board wakes with its clock 40 days back, and stays so until noon; the coat goes on meanwhile. Everything is recorded and told at once,
// without a time of day; at noon all of it moves to where it belongs, and nothing is told again.
func TestSceneClockWrongUntilNoon(t *testing.T) {
	s := scene{name: "clock wrong until noon", seed: 18, start: winterDay(9, 0), length: 5 * time.Hour, history: 24 * time.Hour,
		system: "medium", kind: advisor.Fill, coatAt: 20 * time.Minute}
	noon := winterDay(12, 0).UnixMilli()
	s.board = unset(&s, -40*dayMs+12_345, clockStep{at: noon, by: 40*dayMs - 12_345, state: clock.Synced})
	r := play(t, s)
	r.check()
	var before int64
	for _, m := range r.minutes {
		require.Equal(t, m.at >= noon, m.set, "at %s", r.clock(m.at))
		if m.set {
			require.InDelta(t, m.at, m.shown, 1)
			continue
		}
		before++
		require.NotEqual(t, advisor.Clear, m.verdict, "working hours can't be told")
		for _, reason := range m.reasons {
			require.NotRegexp(t, timeOfDay, reason.Text, "at %s", r.clock(m.at))
		}
	}
	require.Greater(t, before, int64(160))
	for _, m := range r.told {
		require.Equal(t, m.at < noon, m.Unset, "%s at %s", m.Key, r.clock(m.at))
		if m.at < noon {
			require.NotRegexp(t, timeOfDay, m.Body, "%s", m.Key)
		}
	}
	require.Len(t, r.of("clock"), 2)
	require.LessOrEqual(t, r.of("clock")[1].at-noon, int64(minuteMs))
	r.requireRows("bench")
	r.requireRows("topside skin")
	r.requireStart(s.coatAt)
}

// requireStart: the coat's start stands at its true time, and the journal tells how the clock was found.
func (r *run) requireStart(after time.Duration) {
	book, err := jobbook.Open(r.t.Context(), r.config.Shed.Data+"/jobbook.db", jobbook.Options{})
	require.NoError(r.t, err)
	defer func() { require.NoError(r.t, book.Close()) }()
	facts, err := book.State(r.t.Context())
	require.NoError(r.t, err)
	c, ok := facts.Coat(r.coat)
	require.True(r.t, ok)
	require.InDelta(r.t, r.begun+after.Milliseconds(), c.Started.MS, float64(minuteMs))
	require.InDelta(r.t, r.begun+r.coatAt.Milliseconds(), c.Started.MS, 1000)
	require.True(r.t, c.Started.Sure())
	require.NotEmpty(r.t, facts.Found)
	v, err := book.Verify(r.t.Context())
	require.NoError(r.t, err)
	require.Zero(r.t, v.BadRow, v.Why)
}

// The clock is set by hours, days and a year, both ways, while a coat runs: by whom nobody knows, and nothing moves; by a time server, and all
// that this boot has stamped moves along. Every state and every alert is as if it had never happened.
func TestSceneClockSteps(t *testing.T) {
	for _, c := range []struct {
		name  string
		first clock.State
		then  clock.State
	}{{"a time server's", clock.RTC, clock.Synced}, {"nobody's", clock.Unsynced, clock.Unsynced}} {
		t.Run(c.name, func(t *testing.T) {
			s := scene{name: "clock steps, " + c.name, seed: 19, start: winterDay(9, 0), length: 165 * time.Minute,
				system: "medium", kind: advisor.Fill, coatAt: 10 * time.Minute}
			var steps []clockStep
			for i, by := range []int64{-2 * 3_600_000, 3 * dayMs, -365 * dayMs, 2 * 3_600_000, 365 * dayMs, -3 * dayMs} {
				steps = append(steps, clockStep{at: s.start.UnixMilli() + int64(25+i*21)*minuteMs + 7_000, by: by, state: c.then})
			}
			s.board = unset(&s, 0, steps...)
			s.board.state = c.first
			r := play(t, s)
			r.check()
			if c.then == clock.Unsynced {
				for _, m := range r.minutes {
					require.InDelta(t, m.at, m.shown, 1, "nobody has vouched for another time")
				}
				return
			}
			r.requireRows("bench")
			r.requireStart(s.coatAt)
			require.Empty(t, r.of("bus/shed"), "no probe was ever away")
		})
	}
}

// No network, no battery: somebody sets the clock from a phone. It stands in the journal, and a restart in the same boot goes on by it.
func TestSceneClockSetFromAPhone(t *testing.T) {
	s := scene{name: "clock set from a phone", seed: 20, start: winterDay(9, 0), length: 90 * time.Minute, history: 6 * time.Hour, brief: true,
		system: "medium", kind: advisor.Fill, coatAt: 10 * time.Minute}
	s.board = unset(&s, 123*dayMs)
	restarted := false
	s.acts = []act{
		{at: 40 * time.Minute, do: func(t *testing.T, r *run) {
			_, err := r.d.tellClock("Wren", time.Date(2009, 1, 1, 0, 0, 0, 0, time.UTC))
			require.ErrorContains(t, err, "phone")
			_, err = r.d.tellClock("Wren", time.UnixMilli(r.board.true()))
			require.NoError(t, err)
		}},
		{at: 70 * time.Minute, do: func(_ *testing.T, r *run) { restarted = true; r.cancel() }},
	}
	r := play(t, s)
	require.True(t, restarted)
	r.check()
	r.requireRows("bench")
	r.requireStart(s.coatAt)
	for _, m := range r.minutes {
		require.Equal(t, m.at > r.begun+40*minuteMs, m.set, "at %s", r.clock(m.at))
	}
	book, err := jobbook.Open(t.Context(), r.config.Shed.Data+"/jobbook.db", jobbook.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, book.Close()) }()
	facts, err := book.State(t.Context())
	require.NoError(t, err)
	require.Len(t, facts.Found, 1)
	require.Equal(t, "Wren", facts.Found[0].Who)
	require.Equal(t, "set from a phone", facts.Found[0].How)
	require.InDelta(t, -123*dayMs, facts.Found[0].OffsetMS, 1000)
}

// The same over HTTP: refused where a time server has the clock, and where it cannot be now; accepted once it is in the journal.
func TestClockOverHTTP(t *testing.T) {
	s := scene{name: "clock over http", seed: 21, brief: true, start: winterDay(9, 0), history: time.Hour, length: time.Minute, system: "medium"}
	s.board = unset(&s, -dayMs)
	status := func(r *run, body string) (int, string) {
		rec := &answerTo{header: http.Header{}}
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "/api/v1/clock", strings.NewReader(body))
		require.NoError(t, err)
		req.Header.Set("Content-Type", "application/json")
		r.d.takeClock(rec, req)
		return rec.status, rec.body.String()
	}
	r := play(t, s)
	d, err := New(Options{Config: r.config, Clock: r.board, Shed: r.sim, ShedNow: r.board.true})
	require.NoError(t, err)
	defer func() { require.NoError(t, d.Stop()) }()
	r.d = d
	code, text := status(r, `{"who":"Wren","when":"now"}`)
	require.Equal(t, http.StatusBadRequest, code, text)
	code, text = status(r, `{"who":"Wren","time":"1999-01-01T00:00:00Z"}`)
	require.Equal(t, http.StatusUnprocessableEntity, code, text)
	_, err = d.Do(t.Context(), "", "Wren", jobbook.ClockFound{Boot: "boot-1", OffsetMS: 5, How: "by hand"})
	require.ErrorContains(t, err, "/api/v1/clock")
	done := make(chan struct{})
	go func() {
		defer close(done)
		code, text = status(r, `{"who":"Wren","time":"`+time.UnixMilli(r.board.true()).UTC().Format(time.RFC3339Nano)+`"}`)
	}()
	require.Eventually(t, func() bool {
		d.turnClock(t.Context()) // as the loop does
		select {
		case <-done:
			return true
		default:
			return false
		}
	}, 10*time.Second, time.Millisecond)
	require.Equal(t, http.StatusAccepted, code, text)
	require.Equal(t, clock.Manual, d.clock.Now().State)
	require.InDelta(t, r.board.true(), d.clock.Now().Wall, 100)
	r.board.state = clock.Synced
	d.turnClock(t.Context())
	code, text = status(r, `{"who":"Wren","time":"2026-02-01T00:00:00Z"}`)
	require.Equal(t, http.StatusConflict, code, text)
}

type answerTo struct {
	header http.Header
	status int
	body   strings.Builder
}

func (a *answerTo) Header() http.Header         { return a.header }
func (a *answerTo) WriteHeader(status int)      { a.status = status }
func (a *answerTo) Write(b []byte) (int, error) { return a.body.Write(b) }

// The clocks change while a coat runs: nothing about the coat depends on it. Windows, states and alerts are those of the same night in UTC to the
// minute; only what is said in local time differs, and quiet hours end by the wall.
func TestSceneClocksChange(t *testing.T) {
	for _, c := range []struct {
		zone   string
		change time.Time // UTC
	}{
		{"Europe/Berlin", time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC)},       // 02:00 to 03:00
		{"America/New_York", time.Date(2026, 11, 1, 6, 0, 0, 0, time.UTC)},    // 02:00 back to 01:00
		{"Australia/Lord_Howe", time.Date(2026, 4, 4, 15, 0, 0, 0, time.UTC)}, // 02:00 back by half an hour
	} {
		t.Run(c.zone, func(t *testing.T) {
			night := func(zone string) *run {
				return play(t, scene{name: "clocks change in " + zone, seed: 22, start: c.change.Add(-60 * time.Minute), length: 95 * time.Minute, history: 6 * time.Hour,
					system: "medium", kind: advisor.Fill, coatAt: 10 * time.Minute, zone: zone})
			}
			local, plain := night(c.zone), night("UTC")
			local.check()
			require.Len(t, local.minutes, len(plain.minutes))
			for i, m := range local.minutes {
				if i > 0 && m.coat != nil && local.minutes[i-1].coat != nil {
					require.LessOrEqual(t, m.at-local.minutes[i-1].at, int64(minuteMs))
				}
				require.Equal(t, plain.minutes[i].at, m.at)
				a, err := json.Marshal(withoutText(m.coat))
				require.NoError(t, err)
				b, err := json.Marshal(withoutText(plain.minutes[i].coat))
				require.NoError(t, err)
				require.Equal(t, string(b), string(a), "at %s", local.clock(m.at))
			}
			require.Len(t, local.told, len(plain.told))
			for i, m := range local.told {
				require.Equal(t, plain.told[i].at, m.at)
				require.Equal(t, plain.told[i].Key, m.Key)
			}
			zone, err := time.LoadLocation(c.zone)
			require.NoError(t, err)
			for _, m := range local.of(local.key("tack_open")) {
				require.Contains(t, m.Body, m.At.In(zone).Format("15:04"), "the time in the text is the wall's")
				require.Equal(t, alert.Raise, m.Kind)
			}
		})
	}
}

func withoutText(c *advisor.CoatAdvice) *advisor.CoatAdvice {
	if c == nil {
		return nil
	}
	x := *c
	x.Reasons = nil
	return &x
}
