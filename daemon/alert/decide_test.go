package alert

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"
)

// bench runs Decide again and again, through JSON each time, as a daemon that restarts at every assessment would.
type bench struct {
	t      *testing.T
	state  State
	policy Policy
	now    time.Time
	zone   *time.Location
	unset  bool
	last   []Decision
}

func newBench(t *testing.T, start string, zone string) *bench {
	z, err := time.LoadLocation(zone)
	require.NoError(t, err)
	now, err := time.ParseInLocation("2006-01-02 15:04", start, z)
	require.NoError(t, err)
	require.NoError(t, DefaultPolicy().Validate())
	return &bench{t: t, policy: DefaultPolicy(), now: now, zone: z}
}

func (b *bench) step(elapsed time.Duration, conditions ...Condition) []Message {
	b.t.Helper()
	b.now = b.now.Add(elapsed)
	return b.at(elapsed, conditions...)
}

func (b *bench) at(elapsed time.Duration, conditions ...Condition) []Message {
	b.t.Helper()
	before, err := b.state.Encode()
	require.NoError(b.t, err)
	after, messages, decisions := Decide(b.state, conditions, b.policy, Moment{Now: b.now, Elapsed: elapsed, Zone: b.zone, ClockSet: !b.unset})
	untouched, err := b.state.Encode()
	require.NoError(b.t, err)
	require.Equal(b.t, string(before), string(untouched), "Decide changed its argument")
	stored, err := after.Encode()
	require.NoError(b.t, err)
	b.state, err = ParseState(stored)
	require.NoError(b.t, err)
	b.last = decisions
	return messages
}

func (b *bench) reason(key string) Reason {
	for _, d := range b.last {
		if d.Key == key {
			return d.Reason
		}
	}
	return ""
}

func kinds(messages []Message) []Kind {
	var list []Kind
	for _, m := range messages {
		list = append(list, m.Kind)
	}
	return list
}

func on(key string, severity Severity) Condition {
	return Condition{Key: key, Severity: severity, Title: key + " holds", Body: "body of " + key, Active: true}
}

func off(key string) Condition { return Condition{Key: key} }

func TestADayOfNoiseAtTheLimitIsOneRaiseAndOneClear(t *testing.T) {
	const seed = 20261125
	t.Log("seed", seed)
	random := rand.New(rand.NewPCG(seed, seed))
	for _, below := range []bool{true, false} {
		b := newBench(t, "2026-11-25 08:00", "Europe/Berlin")
		b.policy.Quiet, b.policy.Repeats = Quiet{}, nil
		count := map[Kind]int{}
		held := map[Reason]int{}
		feed := func(value float64) {
			bad := value > 3
			if below {
				bad = value < 3
			}
			c := Condition{Key: "coat/1/margin", Severity: Warning, Title: "margin", Active: bad, Hold: 2 * time.Minute, ClearHold: 10 * time.Minute,
				Level: &Level{Value: value, Limit: 3, Hysteresis: 0.5, Below: below}}
			for _, m := range b.step(time.Minute, c) {
				count[m.Kind]++
			}
			held[b.reason("coat/1/margin")]++
		}
		for range 24 * 60 {
			feed(3 + (random.Float64()-0.5)*0.5) // limit +- hysteresis/2
		}
		require.Equal(t, map[Kind]int{Raise: 1}, count)
		require.Positive(t, held[HeldHysteresis])
		for range 24 * 60 {
			if below {
				feed(4)
			} else {
				feed(2)
			}
		}
		require.Equal(t, map[Kind]int{Raise: 1, Clear: 1}, count)
	}
}

func TestHoldCountsElapsedTimeNotTheWallClock(t *testing.T) {
	b := newBench(t, "2026-11-25 10:00", "Europe/Berlin")
	c := on("a", Warning)
	c.Hold, c.ClearHold = 5*time.Minute, 5*time.Minute
	require.Empty(t, b.step(time.Minute, c))
	require.Equal(t, HeldTime, b.reason("a"))
	b.now = b.now.Add(48 * time.Hour) // the wall clock is set
	require.Empty(t, b.at(time.Minute, c))
	b.now = b.now.Add(-72 * time.Hour)
	require.Empty(t, b.at(3*time.Minute, c))
	require.Equal(t, []Kind{Raise}, kinds(b.at(time.Minute, c)))
	require.Empty(t, b.at(-time.Hour, c), "elapsed below 0 counts as 0")
	gone := off("a")
	gone.ClearHold = 5 * time.Minute
	b.now = b.now.Add(72 * time.Hour)
	require.Empty(t, b.at(time.Minute, gone))
	require.Equal(t, HeldTime, b.reason("a"))
	require.Empty(t, b.at(time.Minute, c), "back on within the hold: no clear, no second raise")
	require.Empty(t, b.at(time.Minute, gone))
	require.Equal(t, []Kind{Clear}, kinds(b.at(5*time.Minute, gone)))
}

func TestTransitionsOnly(t *testing.T) {
	b := newBench(t, "2026-11-25 10:00", "Europe/Berlin")
	require.Empty(t, b.step(time.Minute, off("a")), "never raised: nothing to clear")
	m := b.step(time.Minute, on("a", Notice))
	require.Equal(t, []Kind{Raise}, kinds(m))
	require.Equal(t, First, b.reason("a"))
	require.Equal(t, "a holds", m[0].Title)
	for range 600 {
		require.Empty(t, b.step(time.Second, on("a", Notice)))
	}
	require.Equal(t, Told, b.reason("a"))
	m = b.step(time.Minute) // not passed any more
	require.Equal(t, []Kind{Clear}, kinds(m))
	require.Equal(t, "Over: a holds", m[0].Title)
	require.Equal(t, "It held from 10:02 to 10:13 (11 min).", m[0].Body)
	require.Empty(t, b.state.Keys)
	require.Empty(t, b.state.Groups)
}

func TestUnknownAndLateNeitherRaiseNorClear(t *testing.T) {
	b := newBench(t, "2026-11-25 10:00", "Europe/Berlin")
	late, unknown := on("a", Critical), on("a", Critical)
	late.Late, unknown.Unknown = true, true
	require.Empty(t, b.step(time.Minute, late))
	require.Equal(t, LateData, b.reason("a"))
	require.Empty(t, b.step(time.Minute, unknown))
	require.Equal(t, CantTell, b.reason("a"))
	require.Len(t, b.step(time.Minute, on("a", Critical)), 1)
	late.Active, unknown.Active = false, false
	require.Empty(t, b.step(time.Minute, late))
	require.Empty(t, b.step(time.Minute, unknown))
	require.Equal(t, []Kind{Clear}, kinds(b.step(time.Minute, off("a"))))
}

func TestRepeatsGrowAndStopOnAcknowledgement(t *testing.T) {
	b := newBench(t, "2026-11-25 00:00", "UTC")
	b.policy.Quiet = Quiet{}
	var at []int
	for minute := range 24 * 60 {
		for _, m := range b.step(time.Minute, on("a", Critical)) {
			at = append(at, minute)
			if m.Kind == Repeat {
				require.Contains(t, m.Body, "Since ")
			}
		}
	}
	require.Equal(t, []int{0, 10, 30, 70, 150, 270, 390, 510, 630, 750, 870, 990, 1110, 1230, 1350}, at)

	var err error
	b.state, err = b.state.Acknowledge("a", "Mia", b.now)
	require.NoError(t, err)
	for range 24 * 60 {
		require.Empty(t, b.step(time.Minute, on("a", Critical)))
		require.Equal(t, Acknowledged, b.reason("a"))
	}
	require.Equal(t, "Mia", b.state.Standing()[0].AckedBy)
	b.state, err = b.state.Undo("a")
	require.NoError(t, err)
	require.Equal(t, []Kind{Repeat}, kinds(b.step(time.Minute, on("a", Critical))), "undone: the repeat that is overdue comes")
	b.state, err = b.state.Acknowledge("a", "Mia", b.now)
	require.NoError(t, err)
	require.Equal(t, []Kind{Clear}, kinds(b.step(time.Minute, off("a"))), "an acknowledged cause is still told to be over")
	_, err = b.state.Acknowledge("a", "Mia", b.now)
	require.ErrorIs(t, err, ErrNotRaised)
	require.Equal(t, []Kind{Raise}, kinds(b.step(time.Minute, on("a", Critical))), "an acknowledgement ends with what it was for")
}

func TestSnooze(t *testing.T) {
	b := newBench(t, "2026-11-25 10:00", "UTC")
	b.step(time.Minute, on("a", Warning))
	s, err := b.state.Snooze("a", 3*time.Hour)
	require.NoError(t, err)
	_, err = b.state.Snooze("a", 0)
	require.ErrorContains(t, err, "want a time above 0")
	b.state = s
	for range 179 {
		require.Empty(t, b.step(time.Minute, on("a", Warning)))
		require.Equal(t, Snoozed, b.reason("a"))
	}
	m := b.step(time.Minute, on("a", Warning))
	require.Equal(t, []Kind{Repeat}, kinds(m))
	require.Equal(t, SnoozeOver, b.reason("a"))
	require.Contains(t, m[0].Body, "Since 10:01 (3 h).")
}

func TestARiseBreaksAcknowledgementAndSnooze(t *testing.T) {
	for name, silence := range map[string]func(State) (State, error){
		"acknowledged": func(s State) (State, error) { return s.Acknowledge("a", "Mia", time.Time{}) },
		"snoozed":      func(s State) (State, error) { return s.Snooze("a", 10*time.Hour) },
		"neither":      func(s State) (State, error) { return s, nil },
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, "2026-11-25 10:00", "UTC")
			b.step(time.Minute, on("a", Warning))
			var err error
			b.state, err = silence(b.state)
			require.NoError(t, err)
			m := b.step(time.Minute, on("a", Critical))
			require.Equal(t, []Kind{Raise}, kinds(m))
			require.Equal(t, Critical, m[0].Severity)
			require.Equal(t, Risen, b.reason("a"))
			for range 8 { // up and down again within FallHold does not ring
				require.Empty(t, b.step(30*time.Second, on("a", Warning)))
				require.Empty(t, b.step(30*time.Second, on("a", Critical)))
			}
		})
	}
}

func TestSeverityThatFellForLongRingsWhenItRises(t *testing.T) {
	b := newBench(t, "2026-11-25 10:00", "UTC")
	b.policy.Repeats = nil
	require.Len(t, b.step(time.Minute, on("a", Critical)), 1)
	for range 17 {
		require.Empty(t, b.step(time.Minute, on("a", Warning)))
	}
	require.Len(t, b.step(time.Minute, on("a", Critical)), 1)
}

func TestADeadBusIsOneAlert(t *testing.T) {
	b := newBench(t, "2026-11-25 10:00", "UTC")
	b.policy.Repeats = nil
	probe := func(i int, cause string) Condition {
		c := on(fmt.Sprintf("probe/p%d/silent", i), Warning)
		c.Cause, c.CauseTitle = cause, "Bus i2c-1 is silent"
		return c
	}
	m := b.step(time.Minute, probe(1, ""))
	require.Len(t, m, 1)
	require.Equal(t, "probe/p1/silent holds", m[0].Title, "one probe: its own name")

	all := make([]Condition, 8)
	for i := range all {
		all[i] = probe(i+1, "bus/i2c-1")
	}
	m = b.step(time.Minute, all[:7]...)
	require.Equal(t, []Kind{Raise}, kinds(m))
	require.Equal(t, "Bus i2c-1 is silent", m[0].Title)
	require.Equal(t, Superseded, b.reason("probe/p1/silent"), "the probe is not told to be back")
	require.Empty(t, b.step(time.Minute, all...))
	require.Equal(t, Grouped, b.reason("probe/p8/silent"))
	require.Empty(t, b.step(time.Minute, all[:3]...), "five are back, three are not")
	m = b.step(time.Minute)
	require.Equal(t, []Kind{Clear}, kinds(m))
	require.Equal(t, "bus/i2c-1", m[0].Key)

	without := probe(1, "x")
	without.CauseTitle = ""
	other := probe(2, "x")
	other.CauseTitle = ""
	require.Equal(t, "probe/p1/silent holds (and 1 more)", b.step(time.Minute, without, other)[0].Title)
}

func TestAnEventRingsOnceHoweverTheForecastWavers(t *testing.T) {
	b := newBench(t, "2026-11-25 10:00", "UTC")
	c := on("coat/12/tack_opens", Warning)
	c.Event = true
	require.Equal(t, []Kind{Raise}, kinds(b.step(time.Minute, c)))
	for range 3 * 24 {
		require.Empty(t, b.step(30*time.Minute))
		require.Empty(t, b.step(30*time.Minute, c))
		require.Equal(t, Told, b.reason(c.Key))
	}
	b.step(time.Minute)
	b.step(8 * 24 * time.Hour)
	require.Empty(t, b.state.Keys, "forgotten after a week")

	c.Key, c.Until = "coat/13/tack_opens", b.now.Add(-time.Minute)
	require.Empty(t, b.step(time.Minute, c), "found only after its end")
	require.Equal(t, Expired, b.reason(c.Key))
}

func TestQuietHours(t *testing.T) {
	b := newBench(t, "2026-11-25 22:30", "Europe/Berlin")
	warning := on("coat/1/margin", Warning)
	require.Empty(t, b.step(time.Minute, warning))
	require.Equal(t, HeldQuiet, b.reason(warning.Key))
	require.Equal(t, []Kind{Raise}, kinds(b.step(time.Minute, warning, on("pot/1", Critical))), "critical passes")
	gone := on("probe/1/silent", Warning)
	require.Empty(t, b.step(time.Minute, warning, on("pot/1", Critical), gone))
	require.Equal(t, []Kind{Clear}, kinds(b.step(27*time.Minute, warning)), "what was told in the night is told to be over; the probe is not")
	require.Equal(t, NeverRaised, b.reason("probe/1/silent"))
	for b.now.Before(time.Date(2026, 11, 26, 4, 59, 0, 0, time.UTC)) {
		require.Empty(t, b.step(time.Minute, warning))
	}
	m := b.step(time.Minute, warning)
	require.Equal(t, []Kind{Digest}, kinds(m))
	require.Equal(t, "06:00", b.now.In(b.zone).Format("15:04"))
	require.Equal(t, "In quiet hours: 2 things", m[0].Title)
	require.Equal(t, "Wed 25 Nov 22:31 coat/1/margin holds. body of coat/1/margin\nWed 25 Nov 22:33 probe/1/silent holds, over at Wed 25 Nov 23:00", m[0].Body)
	require.Equal(t, []Kind{Clear}, kinds(b.step(time.Minute)), "the digest was its raise")
}

func TestAHeldWarningThatBecomesCriticalRings(t *testing.T) {
	b := newBench(t, "2026-11-25 23:00", "Europe/Berlin")
	require.Empty(t, b.step(time.Minute, on("a", Warning)))
	require.Equal(t, []Kind{Raise}, kinds(b.step(time.Minute, on("a", Critical))))
	require.Equal(t, Risen, b.reason("a"))
	require.Empty(t, b.state.Held)
}

func TestToldBeforeQuietAndOverInIt(t *testing.T) {
	b := newBench(t, "2026-11-25 21:00", "Europe/Berlin")
	require.Len(t, b.step(time.Minute, on("a", Warning)), 1)
	require.Empty(t, b.step(61*time.Minute, on("a", Warning)))
	require.Equal(t, HeldQuiet, b.reason("a"), "the repeat waits")
	require.Empty(t, b.step(time.Hour))
	m := b.step(8 * time.Hour)
	require.Equal(t, []Kind{Digest}, kinds(m))
	require.Contains(t, m[0].Body, "Over: a holds")
}

func TestAWindowOfTheNight(t *testing.T) {
	window := func(until time.Time) Condition {
		c := on("coat/1/tack_opens", Warning)
		c.Event, c.Window, c.Until = true, true, until
		return c
	}
	t.Run("wake me", func(t *testing.T) {
		b := newBench(t, "2026-11-26 03:10", "Europe/Berlin")
		b.policy.NightWindows.Wake = true
		require.Len(t, b.step(0, window(b.now.Add(5*time.Hour))), 1)
	})
	t.Run("at seven", func(t *testing.T) {
		b := newBench(t, "2026-11-26 03:10", "Europe/Berlin")
		until := b.now.Add(5 * time.Hour)
		require.Empty(t, b.step(0, window(until)))
		require.Equal(t, HeldQuiet, b.reason("coat/1/tack_opens"))
		require.Empty(t, b.step(3*time.Hour, window(until)), "the night of windows is longer than the quiet hours")
		m := b.step(50*time.Minute, window(until))
		require.Equal(t, []Kind{Raise}, kinds(m))
		require.Equal(t, NightOver, b.reason("coat/1/tack_opens"))
		require.Equal(t, "At 03:10. body of coat/1/tack_opens", m[0].Body)
		require.Equal(t, "03:10", m[0].At.In(b.zone).Format("15:04"), "its true time")
	})
	t.Run("over by seven", func(t *testing.T) {
		b := newBench(t, "2026-11-26 03:10", "Europe/Berlin")
		until := b.now.Add(2 * time.Hour)
		require.Empty(t, b.step(0, window(until)))
		m := b.step(4*time.Hour, window(until))
		require.Equal(t, []Kind{Digest}, kinds(m))
		require.Equal(t, "03:10 coat/1/tack_opens holds, until 05:10", m[0].Body)
	})
	t.Run("opens at half past six", func(t *testing.T) {
		b := newBench(t, "2026-11-26 06:30", "Europe/Berlin")
		require.Empty(t, b.step(0, window(b.now.Add(2*time.Hour))))
		require.Len(t, b.step(30*time.Minute), 1)
	})
}

func TestAClockThatIsNotSetKeepsTheNightForItsLength(t *testing.T) {
	b := newBench(t, "2026-11-25 23:00", "Europe/Berlin")
	require.Empty(t, b.step(time.Minute, on("a", Warning)))
	b.unset, b.now = true, time.Unix(0, 0)
	require.Empty(t, b.at(time.Minute, on("a", Warning)), "restarted in the night without a clock")
	require.Empty(t, b.at(7*time.Hour, on("a", Warning)))
	require.Equal(t, []Kind{Digest}, kinds(b.at(time.Hour, on("a", Warning))))
	m := b.at(time.Minute, on("a", Warning), on("b", Warning))
	require.Len(t, m, 1, "no clock and no night known: better told than lost")
	require.True(t, m[0].Unset)
}

func TestSwitchedOffByHand(t *testing.T) {
	b := newBench(t, "2026-11-25 10:00", "UTC")
	require.Len(t, b.step(time.Minute, on("probe/1/silent", Warning)), 1)
	b.policy.Off = []string{"probe/"}
	require.Empty(t, b.step(time.Minute, on("probe/1/silent", Warning)))
	require.Equal(t, Off, b.reason("probe/1/silent"))
	require.Empty(t, b.step(time.Minute), "and no clear either")
	require.Len(t, b.step(time.Minute, on("probes", Warning)), 1)
}

func TestBecameTrueWhileDown(t *testing.T) {
	b := newBench(t, "2026-11-25 10:00", "UTC")
	require.Len(t, b.step(0, on("a", Warning)), 1)
	m := b.step(40*time.Minute, on("a", Warning), on("b", Warning)) // nothing ran between
	require.Len(t, m, 1)
	require.Equal(t, "b", m[0].Key)
}

func TestIDsAreUniqueAndSurviveALostState(t *testing.T) {
	b := newBench(t, "2026-11-25 10:00", "UTC")
	seen := map[string]bool{}
	for i := range 200 {
		if i == 100 {
			b.state = State{}
		}
		c := []Condition{on("a", Warning), on("b", Warning)}
		for _, m := range b.step(time.Minute, c[:i%3]...) {
			require.False(t, seen[m.ID], m.ID)
			seen[m.ID] = true
		}
	}
	require.Greater(t, len(seen), 200)
}

func TestHeldIsBounded(t *testing.T) {
	b := newBench(t, "2026-11-25 23:00", "UTC")
	var all []Condition
	for i := range 500 {
		all = append(all, on(fmt.Sprintf("k%03d", i), []Severity{Notice, Warning}[i%2]))
	}
	require.Empty(t, b.step(time.Second, all...))
	require.Len(t, b.state.Held, heldMost)
	require.Equal(t, []Kind{Digest}, kinds(b.step(8*time.Hour, all...))[:1])
}

func TestStoredState(t *testing.T) {
	s, err := ParseState(nil)
	require.NoError(t, err)
	require.Equal(t, State{}, s)
	for text, want := range map[string]string{
		`{"version":2}`:                                  "use the newer program",
		`{"version":`:                                    "stored state",
		`{"version":1,"keys":{"a":null}}`:                `key "a" is null`,
		`{"version":1,"groups":{"a":null}}`:              `group "a" is null`,
		`{"version":1,"keys":{"a":{"severity":"loud"}}}`: "want notice, warning or critical",
	} {
		_, err := ParseState([]byte(text))
		require.ErrorContains(t, err, want, text)
	}
	var sev Severity
	require.NoError(t, json.Unmarshal([]byte(`"critical"`), &sev))
	require.Equal(t, Critical, sev)
}

func TestPolicyMistakes(t *testing.T) {
	for want, spoil := range map[string]func(*Policy){
		"quiet from is minute 1440":               func(p *Policy) { p.Quiet.From = 1440 },
		"quiet to is minute -1":                   func(p *Policy) { p.Quiet.To = -1 },
		"told before the quiet hours end":         func(p *Policy) { p.NightWindows.At = 5 * 60 },
		"let severity 9 pass":                     func(p *Policy) { p.Quiet.Passes = 9 },
		"repeats of warning start at 0s":          func(p *Policy) { p.Repeats[Warning] = Growth{Factor: 2} },
		"a hold time is below 0":                  func(p *Policy) { p.FallHold = -1 },
		"night windows at is minute 99999 of the": func(p *Policy) { p.NightWindows.At = 99999 },
	} {
		p := DefaultPolicy()
		spoil(&p)
		require.ErrorContains(t, p.Validate(), want)
	}
}
