package alert

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// yard runs DecideAll through JSON each time.
type yard struct {
	t      *testing.T
	states States
	whom   []Audience
	now    time.Time
}

func (y *yard) step(elapsed time.Duration, conditions ...Condition) map[string][]string {
	y.t.Helper()
	y.now = y.now.Add(elapsed)
	next, messages, _ := DecideAll(y.states, conditions, y.whom, Moment{Now: y.now, Elapsed: elapsed, ClockSet: true})
	data, err := next.Encode()
	require.NoError(y.t, err)
	y.states, err = ParseStates(data, y.whom)
	require.NoError(y.t, err)
	got := map[string][]string{}
	for _, m := range messages {
		for _, to := range m.To {
			got[to] = append(got[to], string(m.Kind)+" "+m.Title)
		}
	}
	return got
}

func night(name string, passes Severity, windows NightWindows) Audience {
	p := DefaultPolicy()
	p.Quiet = Quiet{From: 22 * 60, To: 6 * 60, Passes: passes}
	p.NightWindows = windows
	return Audience{Name: name, Ways: []string{name}, Policy: p}
}

func newYard(t *testing.T, start string) *yard {
	day := DefaultPolicy()
	day.Quiet = Quiet{}
	now, err := time.Parse("2006-01-02 15:04", start)
	require.NoError(t, err)
	return &yard{t: t, states: States{}, now: now, whom: []Audience{{Ways: []string{"lamp"}, Policy: day},
		night("Wren", Critical, NightWindows{At: 7 * 60}), night("Jo", Warning, NightWindows{Wake: true})}}
}

// TestEachHasHerOwnNight: what rings whom at night is each one's own, as is when a window of the night is told; the digest of each holds what she slept
// through.
func TestEachHasHerOwnNight(t *testing.T) {
	y := newYard(t, "2026-01-14 23:00")
	warn, notice := on("coat/1/lowest", Warning), on("resin/cold", Notice)
	require.Equal(t, map[string][]string{"lamp": {"raise coat/1/lowest holds", "raise resin/cold holds"}, "Jo": {"raise coat/1/lowest holds"}},
		y.step(time.Minute, warn, notice))
	window := Condition{Key: "coat/1/tack_open", Severity: Notice, Title: "Tack window open", Active: true, Event: true, Window: true, Until: y.now.Add(9 * time.Hour)}
	require.Equal(t, map[string][]string{"lamp": {"raise Tack window open"}, "Jo": {"raise Tack window open"}}, y.step(time.Minute, warn, notice, window))
	got := y.step(7*time.Hour, warn, notice, window) // 06:02
	require.Equal(t, []string{"digest In quiet hours: 2 things"}, got["Wren"])
	require.Contains(t, got["Jo"], "digest In quiet hours: resin/cold holds")
	require.Equal(t, []string{"raise Tack window open"}, y.step(58*time.Minute, warn, notice, window)["Wren"], "at seven")
}

// TestOneWordHoldsForAll: an acknowledgement, a snooze and their undoing hold for everybody; a rise breaks them for everybody.
func TestOneWordHoldsForAll(t *testing.T) {
	y := newYard(t, "2026-01-14 12:00")
	c := on("coat/1/margin", Warning)
	require.Len(t, y.step(time.Minute, c), 3)
	pair := y.states["Wren"].Groups[c.Key].Pair
	g, ok := y.states.Find(c.Key, pair)
	require.True(t, ok)
	require.Equal(t, pair, g.Pair)
	_, ok = y.states.Find(c.Key, "another")
	require.False(t, ok)
	var err error
	y.states, err = y.states.Acknowledge(c.Key, "Wren", y.now)
	require.NoError(t, err)
	require.Empty(t, y.step(3*time.Hour, c))
	require.True(t, y.states.Standing(y.whom)[0].Acked)
	y.states, err = y.states.Undo(c.Key)
	require.NoError(t, err)
	require.Len(t, y.step(time.Minute, c), 3, "the repeats that were due")
	y.states, err = y.states.Snooze(c.Key, time.Hour)
	require.NoError(t, err)
	require.Empty(t, y.step(59*time.Minute, c))
	c.Severity = Critical
	require.Len(t, y.step(time.Minute/2, c), 3, "it has become worse")
	_, err = y.states.Acknowledge("nothing", "Wren", y.now)
	require.ErrorIs(t, err, ErrNotRaised)
	_, err = y.states.Snooze(c.Key, -1)
	require.ErrorContains(t, err, "above 0")
	_, err = States{}.Undo("x")
	require.ErrorIs(t, err, ErrNotRaised)
}

// TestAnotherAudience: one that is added is not told again what the shed has told; one that ends gets at once what was held for it; moved times move
// for all.
func TestAnotherAudience(t *testing.T) {
	y := newYard(t, "2026-01-14 23:00")
	whom := y.whom
	y.whom = whom[:2]
	c := on("coat/1/lowest", Warning)
	require.Equal(t, map[string][]string{"lamp": {"raise coat/1/lowest holds"}}, y.step(time.Minute, c))
	require.True(t, y.states.Standing(y.whom)[0].Told)
	y.whom = whom
	require.Empty(t, y.step(time.Minute, c)["Jo"])
	require.NotEmpty(t, y.step(time.Hour, c)["Jo"], "its repeat")
	shifted := y.states.Shift(time.Hour)
	require.Equal(t, y.states["Wren"].Groups[c.Key].Since.Add(time.Hour), shifted["Wren"].Groups[c.Key].Since)
	day := whom[0]
	day.Ways = []string{"lamp", "Wren"} // she no longer wants quiet hours
	y.whom = []Audience{day, whom[2]}
	require.Equal(t, []string{"digest In quiet hours: coat/1/lowest holds"}, y.step(time.Minute, c)["Wren"])
	require.NotContains(t, y.states, "Wren")
}

// TestHeldFromEverybody: the page says so where quiet hours keep an alert from all.
func TestHeldFromEverybody(t *testing.T) {
	y := newYard(t, "2026-01-14 23:00")
	y.whom[0].Ways = nil
	y.whom = y.whom[:2]
	c := on("coat/1/lowest", Warning)
	require.Empty(t, y.step(time.Minute, c))
	require.False(t, y.states.Standing(y.whom)[0].Told)
	y.step(8*time.Hour, c)
	require.True(t, y.states.Standing(y.whom)[0].Told)
	y.whom = y.whom[:1]
	require.True(t, y.states.Standing(y.whom)[0].Told, "nobody is to be told by any way")
}

// TestStatesOfAnOlderProgram: a single state is taken by each audience; what no program of ours wrote is refused.
func TestStatesOfAnOlderProgram(t *testing.T) {
	b := newBench(t, "2026-01-14 12:00", "UTC")
	b.step(time.Minute, on("a", Warning))
	data, err := b.state.Encode()
	require.NoError(t, err)
	y := newYard(t, "2026-01-14 12:01")
	y.states, err = ParseStates(data, y.whom)
	require.NoError(t, err)
	require.Len(t, y.states, 3)
	require.Empty(t, y.step(time.Minute, on("a", Warning)), "told before")
	for _, bad := range []string{"{", `{"version":3,"states":{}}`, `{"version":2,"states":{"":{"version":9}}}`, `{"version":2,"states":{"":{"keys":{"a":null}}}}`,
		`{"version":2,"states":{"":{"groups":{"a":null}}}}`} {
		_, err := ParseStates([]byte(bad), y.whom)
		require.ErrorContains(t, err, "alert: stored state", bad)
	}
	empty, err := ParseStates(nil, y.whom)
	require.NoError(t, err)
	require.Empty(t, empty)
}

// TestOnlyTheAddressedWaysGetIt: by address and by severity; a lamp shows what its own audience was told.
func TestOnlyTheAddressedWaysGetIt(t *testing.T) {
	y := newYard(t, "2026-01-14 23:00")
	queue := &Memory{}
	lamp, wren := &shows{}, &shows{}
	o, err := NewOutbox(queue, []Route{{Name: "lamp", Way: lamp}, {Name: "Wren", Way: wren}, {Name: "Jo", Way: &shows{}, Least: Critical}}, Options{})
	require.NoError(t, err)
	require.Equal(t, []string{"lamp", "Wren", "Jo"}, o.Names())
	states, messages, _ := DecideAll(y.states, []Condition{on("a", Warning)}, y.whom, Moment{Now: y.now, ClockSet: true})
	require.NoError(t, o.Put(t.Context(), states, messages, y.now))
	rows := queue.Rows()
	require.Len(t, rows, 1, "Wren sleeps, Jo wants critical alone")
	require.Equal(t, "lamp", rows[0].Way)
	o.Show(states, y.whom)
	require.Equal(t, []string{"a"}, lamp.keys)
	require.Empty(t, wren.keys)
	states, err = states.Acknowledge("a", "Wren", y.now)
	require.NoError(t, err)
	o.Show(states, y.whom)
	require.Empty(t, lamp.keys)
	back, err := ParseStates(queue.State(), y.whom)
	require.NoError(t, err)
	require.Len(t, back, 3)
}

// shows is a way that remembers what it was to show.
type shows struct{ keys []string }

// Send does as Way says.
func (s *shows) Send(context.Context, Message) error { return nil }

func (s *shows) Show(standing []Standing) {
	s.keys = nil
	for _, one := range standing {
		s.keys = append(s.keys, one.Key)
	}
}
