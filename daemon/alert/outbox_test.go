package alert

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// phone is a way that works, or fails as it is told.
type phone struct {
	got []Message
	err error
	bad map[string]error // by title
	try int
}

func (p *phone) Send(_ context.Context, m Message) error {
	p.try++
	if p.err != nil {
		return p.err
	}
	if err := p.bad[m.Title]; err != nil {
		return err
	}
	p.got = append(p.got, m)
	return nil
}

func (p *phone) titles() []string {
	list := make([]string, 0, len(p.got))
	for _, m := range p.got {
		list = append(list, m.Title)
	}
	return list
}

var errNoNetwork = &SendError{Way: "phone", Temporary: true, Err: errors.New("no route to host")}

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func box(t *testing.T, q Queue, p Way) *Outbox {
	t.Helper()
	o, err := NewOutbox(q, []Route{{Name: "phone", Way: p}}, Options{})
	require.NoError(t, err)
	return o
}

func msg(id string, s Severity) Message {
	return Message{ID: id, Key: id, Kind: Raise, Severity: s, Title: "title " + id, Body: "body", At: noon}
}

func put(t *testing.T, o *Outbox, now time.Time, messages ...Message) {
	t.Helper()
	require.NoError(t, o.Put(t.Context(), State{}, messages, now))
}

func deliver(t *testing.T, o *Outbox, now time.Time) Report {
	t.Helper()
	r, err := o.Deliver(t.Context(), now)
	require.NoError(t, err)
	return r
}

func TestDeliversOnceByEveryWayThatWantsIt(t *testing.T) {
	q := &Memory{}
	all, urgent := &phone{}, &phone{}
	o, err := NewOutbox(q, []Route{{Name: "all", Way: all}, {Name: "urgent", Way: urgent, Least: Critical}}, Options{})
	require.NoError(t, err)
	put(t, o, noon, msg("a", Notice), msg("b", Critical))
	put(t, o, noon, msg("a", Notice)) // stored twice after a crash
	for range 3 {
		deliver(t, o, noon)
	}
	require.Equal(t, []string{"title a", "title b"}, all.titles())
	require.Equal(t, []string{"title b"}, urgent.titles())
	require.Equal(t, "body", all.got[0].Body, "nothing is said of a delay where there is none")
	require.Equal(t, WayStatus{Name: "all", LastOK: noon, SentToday: 2}, o.Status()[0])
}

func TestBackOffGrowsFromASecondToAQuarterOfAnHour(t *testing.T) {
	p := &phone{err: errNoNetwork}
	o := box(t, &Memory{}, p)
	put(t, o, noon, msg("a", Warning))
	now := noon
	var waits []time.Duration
	for range 13 {
		r := deliver(t, o, now)
		require.EqualValues(t, 1, r.Failed)
		waits = append(waits, r.Next.Sub(now))
		require.Zero(t, deliver(t, o, r.Next.Add(-time.Millisecond)).Failed, "not before its time")
		now = r.Next
	}
	s := time.Second
	require.Equal(t, []time.Duration{s, 2 * s, 4 * s, 8 * s, 16 * s, 32 * s, 64 * s, 128 * s, 256 * s, 512 * s, 900 * s, 900 * s, 900 * s}, waits)
	status := o.Status()[0]
	require.EqualValues(t, 13, status.Failing)
	require.Equal(t, "phone: no route to host", status.LastError)
	require.EqualValues(t, 1, status.Waiting)
	p.err = nil
	require.EqualValues(t, 1, deliver(t, o, now).Sent)
	require.Zero(t, o.Status()[0].Failing)
	require.Equal(t, "At 12:00, delayed 1 h 2 min.\nbody", p.got[0].Body)
}

func TestANewMessageDoesNotHammerAWayThatFailsButACriticalOneTries(t *testing.T) {
	p := &phone{err: errNoNetwork}
	o := box(t, &Memory{}, p)
	put(t, o, noon, msg("a", Warning))
	now := noon
	for range 11 {
		now = deliver(t, o, now).Next
	}
	tries := p.try
	put(t, o, now.Add(-time.Minute), msg("b", Warning))
	deliver(t, o, now.Add(-time.Minute))
	require.Equal(t, tries, p.try)
	p.err = nil
	put(t, o, now.Add(-time.Minute), msg("c", Critical))
	deliver(t, o, now.Add(-time.Minute))
	require.Equal(t, []string{"title b", "title c"}, p.titles(), "what may go, goes with it")
	deliver(t, o, now)
	require.Len(t, p.got, 3)
}

func TestRetryAfterIsHonoured(t *testing.T) {
	p := &phone{err: &SendError{Way: "phone", Status: 429, RetryAfter: 10 * time.Minute, Temporary: true, Err: errors.New("slow down")}}
	o := box(t, &Memory{}, p)
	put(t, o, noon, msg("a", Warning))
	require.Equal(t, noon.Add(10*time.Minute), deliver(t, o, noon).Next)
	put(t, o, noon.Add(time.Minute), msg("b", Critical))
	p.err = nil
	require.Equal(t, noon.Add(10*time.Minute), deliver(t, o, noon.Add(time.Minute)).Next, "not even what is critical: the server would ban us")
	require.Equal(t, 1, p.try)
	require.EqualValues(t, 2, deliver(t, o, noon.Add(10*time.Minute)).Sent)

	p = &phone{err: &SendError{Way: "phone", Status: 503, RetryAfter: 1000 * time.Hour, Temporary: true, Err: errors.New("gone fishing")}}
	o = box(t, &Memory{}, p)
	put(t, o, noon, msg("a", Warning))
	require.Equal(t, noon.Add(6*time.Hour), deliver(t, o, noon).Next, "bounded")
}

func TestARefusalIsFinalAndKept(t *testing.T) {
	q := &Memory{}
	p := &phone{bad: map[string]error{"title a": &SendError{Way: "phone", Status: 400, Err: errors.New("bad topic")}}}
	o := box(t, q, p)
	put(t, o, noon, msg("a", Warning), msg("b", Warning))
	deliver(t, o, noon)
	deliver(t, o, noon.Add(time.Hour))
	require.Equal(t, []string{"title b"}, p.titles())
	require.Equal(t, RowGivenUp, q.Rows()[0].State)
	require.Equal(t, "phone: status 400: bad topic", q.Rows()[0].Error)
}

func TestOneMessageThatAServerChokesOnStopsNoOther(t *testing.T) {
	p := &phone{bad: map[string]error{"title a": &SendError{Way: "phone", Status: 500, Temporary: true, Err: errors.New("oops")}}}
	o := box(t, &Memory{}, p)
	put(t, o, noon, msg("a", Warning), msg("b", Warning), msg("c", Warning))
	now := noon
	for range 4 {
		now = deliver(t, o, now).Next
	}
	require.Equal(t, []string{"title b", "title c"}, p.titles())
	put(t, o, now, msg("d", Warning))
	deliver(t, o, now)
	require.Contains(t, p.titles(), "title d")
}

func TestAClockSetBackDoesNotKeepMessages(t *testing.T) {
	p := &phone{err: errNoNetwork}
	o := box(t, &Memory{}, p)
	put(t, o, noon, msg("a", Warning))
	deliver(t, o, noon)
	p.err = nil
	require.EqualValues(t, 1, deliver(t, o, noon.Add(-30*24*time.Hour)).Sent)
	require.Equal(t, "body", p.got[0].Body)
}

func TestAMessageOfAnUnsetClockSaysSo(t *testing.T) {
	p := &phone{}
	o := box(t, &Memory{}, p)
	m := msg("a", Warning)
	m.Unset, m.At = true, time.Unix(100, 0)
	put(t, o, m.At, m)
	deliver(t, o, noon)
	require.Contains(t, p.got[0].Body, "do not trust its times")
	require.NotContains(t, p.got[0].Body, "delayed")
}

func TestSupersededPairsCollapse(t *testing.T) {
	at := func(min int) time.Time { return noon.Add(time.Duration(min) * time.Minute) }
	m := func(pair string, kind Kind, min int) Message {
		one := Message{ID: fmt.Sprintf("%s/%s/%d", pair, kind, min), Key: "k", Pair: pair, Kind: kind, Severity: Warning, At: at(min), Title: "margin", Body: "b"}
		if kind != Raise {
			one.Since = noon
		}
		if kind == Clear {
			one.Title, one.Body = "Over: margin", "It held from 12:00 to 12:30 (30 min)."
		}
		return one
	}
	down := func(p *phone, messages ...Message) {
		o := box(t, &Memory{}, p)
		for i, one := range messages {
			p.err = errNoNetwork
			put(t, o, one.At, one)
			deliver(t, o, one.At)
			deliver(t, o, one.At.Add(time.Second))
			if i == len(messages)-1 {
				p.err = nil
				deliver(t, o, at(180))
				deliver(t, o, at(400))
			}
		}
	}
	t.Run("raised and cleared", func(t *testing.T) {
		p := &phone{}
		down(p, m("1", Raise, 0), m("1", Repeat, 20), m("1", Clear, 30))
		require.Equal(t, []string{"Came and went: margin"}, p.titles())
		require.Equal(t, "At 12:00, delayed 3 h.\nIt held from 12:00 to 12:30 (30 min).", p.got[0].Body)
	})
	t.Run("raised and still on", func(t *testing.T) {
		p := &phone{}
		down(p, m("1", Raise, 0), m("1", Repeat, 20), m("1", Repeat, 60))
		require.Equal(t, []string{"margin"}, p.titles())
		require.Equal(t, Raise, p.got[0].Kind)
		require.Equal(t, noon, p.got[0].At)
	})
	t.Run("twice", func(t *testing.T) {
		p := &phone{}
		down(p, m("1", Raise, 0), m("1", Clear, 30), m("2", Raise, 40))
		require.Equal(t, []string{"Came and went: margin", "margin"}, p.titles())
	})
	t.Run("the raise had arrived", func(t *testing.T) {
		p := &phone{}
		o := box(t, &Memory{}, p)
		put(t, o, noon, m("1", Raise, 0))
		deliver(t, o, noon)
		p.err = errNoNetwork
		put(t, o, at(20), m("1", Repeat, 20))
		deliver(t, o, at(20))
		put(t, o, at(30), m("1", Clear, 30))
		p.err = nil
		deliver(t, o, at(180))
		require.Equal(t, []string{"margin", "Over: margin"}, p.titles())
	})
	t.Run("events of one cause are not a pair", func(t *testing.T) {
		p := &phone{}
		down(p, m("", Raise, 0), m("", Raise, 1))
		require.Len(t, p.got, 2)
	})
}

func TestTheBudgetOfADayMerges(t *testing.T) {
	p := &phone{}
	o, err := NewOutbox(&Memory{}, []Route{{Name: "phone", Way: p, Budget: 5}}, Options{})
	require.NoError(t, err)
	now := noon
	for i := range 4 {
		put(t, o, now, msg(fmt.Sprint("n", i), Notice))
		deliver(t, o, now)
	}
	require.Len(t, p.got, 4)
	put(t, o, now, msg("x", Notice), msg("y", Notice), msg("z", Notice))
	deliver(t, o, now)
	require.Len(t, p.got, 5, "the last one of the budget takes them all")
	require.Equal(t, "3 messages in one", p.got[4].Title)
	require.Equal(t, "12:00 title x\n12:00 title y\n12:00 title z", p.got[4].Body)

	put(t, o, now, msg("late1", Notice), msg("late2", Notice))
	require.Equal(t, now.Add(longestWait), deliver(t, o, now).Next)
	require.Len(t, p.got, 5)
	require.True(t, o.Status()[0].Spent)
	for i := range 9 {
		put(t, o, now, msg(fmt.Sprint("c", i), Critical))
		deliver(t, o, now)
	}
	require.Len(t, p.got, 10, "what is critical passes, up to twice the budget")
	now = now.Add(25 * time.Hour)
	deliver(t, o, now)
	require.Len(t, p.got, 11+4, "the next day: the rest of what is critical, and one for all else")
	require.Equal(t, "2 messages in one", p.got[14].Title)
}

func TestALongOutageComesAsOneMessage(t *testing.T) {
	q, p := &Memory{}, &phone{err: errNoNetwork}
	o := box(t, q, p)
	for i := range 100 {
		one := msg(fmt.Sprintf("n%03d", i), Warning)
		one.At = noon.Add(time.Duration(i) * time.Minute)
		put(t, o, one.At, one)
	}
	put(t, o, noon, msg("urgent", Critical))
	p.err = nil
	deliver(t, o, noon.Add(5*time.Hour))
	require.Equal(t, []string{"title urgent", "100 messages in one"}, p.titles())
	require.Contains(t, p.got[1].Body, "\n12:59 title n059\nand 40 more: see the page")
	states := map[string]int{}
	for _, r := range q.Rows() {
		states[r.State]++
	}
	require.Equal(t, map[string]int{RowSent: 2, RowMerged: 99}, states)
}

// sick is a queue whose Mark fails for a while.
type sick struct {
	Memory
	broken bool
}

func (q *sick) Mark(ctx context.Context, rows []Row) error {
	if q.broken {
		return errors.New("disk full")
	}
	return q.Memory.Mark(ctx, rows)
}

func TestASickDiskDoesNotRingTwice(t *testing.T) {
	q, p := &sick{broken: true}, &phone{}
	o := box(t, q, p)
	put(t, o, noon, msg("a", Warning))
	for range 5 {
		_, err := o.Deliver(t.Context(), noon)
		require.ErrorContains(t, err, "disk full")
	}
	q.broken = false
	deliver(t, o, noon)
	require.Len(t, p.got, 1)
	require.Equal(t, RowSent, q.Rows()[0].State)
}

func TestABodyThatCannotBeReadIsSetAside(t *testing.T) {
	q, p := &Memory{}, &phone{}
	o := box(t, q, p)
	require.NoError(t, q.Keep(t.Context(), nil, []Row{{ID: "x", Way: "phone", Body: []byte("{"), State: RowWaiting}}))
	put(t, o, noon, msg("a", Warning))
	deliver(t, o, noon)
	require.Equal(t, []string{"title a"}, p.titles())
	require.Equal(t, RowGivenUp, q.Rows()[0].State)
}

func TestBeingStoppedSaysNothingOfTheWay(t *testing.T) {
	q, p := &Memory{}, &phone{err: context.Canceled}
	o := box(t, q, p)
	put(t, o, noon, msg("a", Warning))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := o.Deliver(ctx, noon)
	require.NoError(t, err)
	require.Zero(t, o.Status()[0].Failing)
	require.Zero(t, q.Rows()[0].Tries)
}

func TestOutboxMistakes(t *testing.T) {
	p := &phone{}
	for want, routes := range map[string][]Route{
		"number 1 has no name":  {{Way: p}},
		`named "a"`:             {{Name: "a", Way: p}, {Name: "a", Way: p}},
		`"a" leads nowhere`:     {{Name: "a"}},
		"budget of -1 messages": {{Name: "a", Way: p, Budget: -1}},
	} {
		_, err := NewOutbox(&Memory{}, routes, Options{})
		require.ErrorContains(t, err, want)
	}
	_, err := NewOutbox(nil, nil, Options{})
	require.Error(t, err)
	_, err = NewOutbox(&Memory{}, nil, Options{Timeout: -1})
	require.Error(t, err)
}

func TestTry(t *testing.T) {
	good, bad := &phone{}, &phone{err: errNoNetwork}
	o, err := NewOutbox(&Memory{}, []Route{{Name: "good", Way: good, Least: Critical}, {Name: "bad", Way: bad}}, Options{})
	require.NoError(t, err)
	trials, err := o.Try(t.Context(), msg("test", Notice), noon)
	require.NoError(t, err)
	require.Equal(t, []Trial{{Name: "good"}, {Name: "bad", Err: errNoNetwork}}, trials)
	require.Equal(t, Test, good.got[0].Kind)
	require.Equal(t, noon, o.Status()[0].LastOK)
	require.Equal(t, noon, o.Status()[1].LastFail)
	_, err = o.Try(t.Context(), msg("test", Notice), noon, "nobody")
	require.ErrorContains(t, err, `no way out is named "nobody"`)
}

func TestStatusSurvivesARestart(t *testing.T) {
	p := &phone{err: errNoNetwork}
	o := box(t, &Memory{}, p)
	put(t, o, noon, msg("a", Warning))
	deliver(t, o, noon)
	stored, err := json.Marshal(o.Status())
	require.NoError(t, err)
	var before []WayStatus
	require.NoError(t, json.Unmarshal(stored, &before))
	again, err := NewOutbox(&Memory{}, []Route{{Name: "phone", Way: p}}, Options{Status: before})
	require.NoError(t, err)
	require.Equal(t, o.Status(), again.Status())
}

// A day in the shed: from 08:00 to 20:00 the network is away, at 13:00 the board restarts. Everything arrives once, with its true time.
func TestADayWithoutNetworkAndARestart(t *testing.T) {
	start := time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)
	q, p := &Memory{}, &phone{}
	o := box(t, q, p)
	policy := DefaultPolicy()
	policy.Quiet = Quiet{}
	state := State{}
	var back time.Time
	during := func(hour, from, to float64) bool { return hour >= from && hour < to }
	for minute := range 24 * 60 {
		now, hour := start.Add(time.Duration(minute)*time.Minute), float64(minute)/60
		p.err = nil
		if during(hour, 8, 20) {
			p.err = errNoNetwork
		}
		if minute == 13*60 { // everything in memory is gone; what was stored is not
			var err error
			state, err = ParseState(q.State())
			require.NoError(t, err)
			o = box(t, q, p)
		}
		var conditions []Condition
		add := func(key string, s Severity, event bool, from, to float64) {
			if during(hour, from, to) {
				c := on(key, s)
				c.Event = event
				conditions = append(conditions, c)
			}
		}
		add("early", Warning, false, 1, 3)              // delivered at once, raise and clear
		add("spanning", Warning, false, 7.5, 9)         // its raise arrives, its clear waits
		add("gone", Warning, false, 10, 11)             // comes and goes unseen
		add("over the restart", Warning, false, 12, 15) // likewise, with the restart in it
		add("standing", Warning, false, 18, 22)         // still on when the network is back
		add("window", Warning, true, 14.0834, 24)       // an event, seen at 14:06
		var messages []Message
		state, messages, _ = Decide(state, conditions, policy, Moment{Now: now, Elapsed: time.Minute, Zone: time.UTC, ClockSet: true})
		require.NoError(t, o.Put(t.Context(), state, messages, now))
		for s := range 4 {
			at := now.Add(time.Duration(15*s) * time.Second)
			if deliver(t, o, at).Sent > 0 && hour >= 20 && back.IsZero() {
				back = at
			}
		}
	}
	var lines []string
	for _, m := range p.got {
		first, _, _ := strings.Cut(m.Body, "\n")
		lines = append(lines, m.Title+" | "+first)
	}
	require.WithinRange(t, back, start.Add(20*time.Hour), start.Add(20*time.Hour+15*time.Minute), "at the latest by the longest wait")
	since := func(hour, minute int) string {
		at := start.Add(time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute)
		return fmt.Sprintf("At %02d:%02d, delayed %s.", hour, minute, lasted(back.Sub(at).Milliseconds()))
	}
	require.Equal(t, []string{
		"early holds | body of early",
		"Still: early holds | body of early",
		"Over: early holds | It held from 01:00 to 03:00 (2 h).",
		"spanning holds | body of spanning",
		"Over: spanning holds | " + since(9, 0),
		"Came and went: gone holds | " + since(10, 0),
		"Came and went: over the restart holds | " + since(12, 0),
		"window holds | " + since(14, 6),
		"standing holds | " + since(18, 0),
		"Still: standing holds | body of standing",
		"Over: standing holds | It held from 18:00 to 22:00 (4 h).",
	}, lines)
	for _, r := range q.Rows() {
		require.Contains(t, []string{RowSent, RowDropped}, r.State)
	}
}

// stalled is a server that never answers.
type stalled struct{}

func (stalled) Send(ctx context.Context, _ Message) error {
	<-ctx.Done()
	return &SendError{Way: "stalled", Temporary: true, Err: ctx.Err()}
}

func TestRunLetsNoWayWaitForAnother(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := &phone{}
		o, err := NewOutbox(&Memory{}, []Route{{Name: "stalled", Way: stalled{}}, {Name: "phone", Way: p}}, Options{})
		require.NoError(t, err)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			o.Run(ctx, time.Now, func(err error) { panic(err) })
		}()
		for i := range 5 {
			put(t, o, time.Now(), msg(fmt.Sprint("m", i), Warning))
			synctest.Wait()
			require.Len(t, p.got, i+1, "at once, while the other stalls")
			time.Sleep(time.Second)
		}
		time.Sleep(time.Minute)
		synctest.Wait()
		require.Positive(t, o.Status()[0].Failing)
		cancel()
		<-done
	})
}

func TestClipAndRedact(t *testing.T) {
	require.Equal(t, "abc", Clip("abc", 3))
	require.Equal(t, "…", Clip("abcd", 3))
	require.Equal(t, "a…", Clip("abcde", 4))
	require.Equal(t, "ä…", Clip("ääää", 6), "at a character")
	require.Equal(t, "", Clip("abcd", 2))
	require.Equal(t, "a b\uFFFDc", Clip("a\x00b\xffc", 100))
	require.Equal(t, "one two", OneLine(" one\r\n two ", 100))
	for n := range int64(40) {
		cut := Clip("16 °C und 80 % — später", n)
		require.LessOrEqual(t, int64(len(cut)), n)
		require.Equal(t, strings.ToValidUTF8(cut, "?"), cut)
	}
	require.Equal(t, "t=[secret]&b=[secret] [secret]", Redact("t=a+b%26&b=a b& OmEgYiY=", "a b&", ""))
}

func BenchmarkTenThousandWaiting(b *testing.B) {
	q, p := &Memory{}, &phone{err: errNoNetwork}
	o, err := NewOutbox(q, []Route{{Name: "phone", Way: p}}, Options{})
	require.NoError(b, err)
	for i := range 10_000 {
		body, _ := json.Marshal(msg(fmt.Sprint(i), Warning))
		q.rows = append(q.rows, Row{ID: fmt.Sprint(i), Way: "phone", Body: body, Made: noon, Due: noon, State: RowWaiting})
	}
	for b.Loop() {
		_, err := o.Deliver(b.Context(), noon)
		require.NoError(b, err)
	}
}

func BenchmarkDecide(b *testing.B) {
	var conditions []Condition
	for i := range 50 {
		conditions = append(conditions, on(fmt.Sprint("k", i), Notice))
	}
	at := Moment{Now: noon, Elapsed: time.Minute, ClockSet: true}
	state, _, _ := Decide(State{}, conditions, DefaultPolicy(), at)
	for b.Loop() {
		state, _, _ = Decide(state, conditions, DefaultPolicy(), at)
	}
}
