package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/alert/webhook"
)

// BenchmarkWindowToWire measures, on the running daemon with ten days of history, from the whole minute at which a window has opened in the model to the POST at
// a server: ms/wire. The shed's time runs 120 times faster than life, the work does not: a minute of 0.5 s leaves it less room than a board has.
func BenchmarkWindowToWire(b *testing.B) {
	const speed = 120
	for b.Loop() {
		d, err := NewDemo(b.Context(), DemoOptions{Seed: 1, Speed: speed, Folder: b.TempDir(), Listen: "127.0.0.1:0"})
		require.NoError(b, err)
		late := make(chan float64, 100)
		server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
			arrived := d.clock.Now().Wall
			var m alert.Message
			if err := json.NewDecoder(r.Body).Decode(&m); err == nil && strings.HasSuffix(m.Key, "/tack_open") {
				minute := (m.At.UnixMilli() + minuteMs - 1) / minuteMs * minuteMs
				late <- float64(arrived-minute) / speed
			}
		}))
		way, err := webhook.New(webhook.Config{URL: server.URL})
		require.NoError(b, err)
		d.alerts.outbox, err = alert.NewOutbox(d.alerts.queue, []alert.Route{{Name: "wire", Way: way}}, alert.Options{})
		require.NoError(b, err)
		d.alerts.whom[0].Ways = []string{"wire"}
		ctx, cancel := context.WithCancel(b.Context())
		ended := make(chan error)
		go func() { ended <- d.Run(ctx) }()
		select {
		case ms := <-late:
			b.ReportMetric(ms, "ms/wire")
		case <-time.After(2 * time.Minute):
			b.Error("no window opened")
		}
		cancel()
		require.NoError(b, <-ended)
		server.Close()
	}
}

// BenchmarkLoggingBesideAFullOutbox measures a minute of logging (six reads of each probe, a commit, a decision) beside an outbox of 10,000 messages on a way that is
// dead and tried all the time, and beside an empty one, by turns on the same disk: full/empty is the ratio of their times.
func BenchmarkLoggingBesideAFullOutbox(b *testing.B) {
	type shed struct {
		d     *Daemon
		spent time.Duration
	}
	open := func(messages int) *shed {
		b.Helper()
		d := still(b, "[[probe]]\nname = \"b\"\nkind = \"shed\"\nplace = \"outdoors\"\n[[alert]]\nname = \"dead\"\nkind = \"webhook\"\nurl = \"http://127.0.0.1:9/x\"\n")
		now := d.now()
		var rows []alert.Row
		for i := range messages {
			body, err := json.Marshal(alert.Message{ID: fmt.Sprint(i), Key: fmt.Sprint("coat/1/tack_open/", i), Kind: alert.Raise, Severity: alert.Warning, Title: "Tack window open", Body: strings.Repeat("body ", 40), At: now})
			require.NoError(b, err)
			rows = append(rows, alert.Row{ID: fmt.Sprint(i), Way: "dead", Key: "coat/1", Body: body, Made: now, Due: now, State: alert.RowWaiting})
		}
		require.NoError(b, d.alerts.queue.Keep(b.Context(), nil, rows))
		go d.alerts.outbox.Run(d.life, d.now, func(error) {})
		return &shed{d: d}
	}
	minute := func(s *shed) {
		s.d.alerts.outbox.Wake()
		stamp := s.d.clock.Now()
		begun := time.Now()
		for range 6 {
			stamp.Wall, stamp.Mono = stamp.Wall+10_000, stamp.Mono+10_000
			require.NoError(b, s.d.clock.Wait(b.Context(), stamp.Wall)) // a free clock only counts on
			s.d.poller.Step(b.Context(), stamp)
		}
		s.d.commitNow(b.Context())
		_, err := s.d.alerts.decide(b.Context(), s.d.conditions(stamp), stamp)
		require.NoError(b, err)
		s.spent += time.Since(begun)
	}
	empty, full := open(0), open(10_000)
	for range 5 {
		minute(empty)
		minute(full)
	}
	empty.spent, full.spent = 0, 0
	n := 0
	for b.Loop() {
		minute(empty)
		minute(full)
		n++
	}
	b.ReportMetric(empty.spent.Seconds()*1000/float64(n), "ms/empty")
	b.ReportMetric(full.spent.Seconds()*1000/float64(n), "ms/full")
	b.ReportMetric(full.spent.Seconds()/empty.spent.Seconds(), "full/empty")
}
