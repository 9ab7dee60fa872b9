package daemon

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
)

// still makes a daemon of an invented shed that is not run: alerts are decided by hand.
func still(t testing.TB, more string) *Daemon {
	t.Helper()
	text := fmt.Sprintf("format = 1\n[shed]\nname = \"Osier Slip (invented)\"\nzone = \"UTC\"\ndata = %q\nlisten = \"127.0.0.1:0\"\npage = \"http://shed.example:8080\"\n"+
		"[clock]\nspeed = \"free\"\nstart = 2026-01-14T08:00:00Z\n[[probe]]\nname = \"a\"\nkind = \"shed\"\nplace = \"air\"\n%s", filepath.Join(t.TempDir(), "data"), more)
	c, err := config.Parse([]byte(text), "still")
	require.NoError(t, err)
	d, err := New(Options{Config: c})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, d.Stop()) })
	return d
}

func press(d *Daemon, method, target string, form url.Values) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, target, strings.NewReader(form.Encode()))
	r.Host, r.RemoteAddr = "127.0.0.1:8417", "127.0.0.1:50000" // of the board, that is held to no rate
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	d.server.Handler.ServeHTTP(w, r)
	return w
}

// TestTheButtonInAMessage: a message carries a button that may say "seen" of this one alert and nothing else. A fetch does nothing, a changed or an
// old token is refused, a second press changes nothing, and a later alert of the same key is another.
func TestTheButtonInAMessage(t *testing.T) {
	d := still(t, "[[alert]]\nname = \"hook\"\nkind = \"webhook\"\nurl = \"http://127.0.0.1:9/hook\"\n")
	ctx := t.Context()
	damp := alert.Condition{Key: "piece/1/margin", Severity: alert.Warning, Active: true, Title: "Margin low", Body: "b", Link: "/"}
	stamp := d.clock.Now()
	decide := func(c ...alert.Condition) []alert.Message {
		t.Helper()
		stamp.Mono += 60_000
		m, err := d.alerts.decide(ctx, c, stamp)
		require.NoError(t, err)
		return m
	}
	told := decide(damp)
	require.Len(t, told, 1)
	require.Equal(t, "http://shed.example:8080/", told[0].Link)
	seq, hash, err := d.book.Head(ctx)
	require.NoError(t, err)
	require.Equal(t, fmt.Sprintf("%d:%x", seq, hash), told[0].Head)
	path, ok := strings.CutPrefix(told[0].AckURL, "http://shed.example:8080")
	require.True(t, ok, told[0].AckURL)

	w := press(d, http.MethodGet, path, nil)
	require.Equal(t, http.StatusOK, w.Code)
	require.Contains(t, w.Body.String(), "Margin low")
	require.False(t, d.alerts.standing()[0].Acked, "a fetch does nothing")

	for i := range len(path) - len("/seen/") {
		b := []byte(path)
		if at := len("/seen/") + i; b[at] != '.' {
			b[at] ^= 1
			w = press(d, http.MethodPost, "/seen/"+url.PathEscape(string(b[len("/seen/"):])), nil)
			require.Equal(t, http.StatusForbidden, w.Code)
			require.False(t, d.alerts.standing()[0].Acked, "letter %d", at)
		}
	}

	w = press(d, http.MethodPost, path, url.Values{"again_min": {"60"}})
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	require.InDelta(t, time.Hour.Minutes(), d.alerts.standing()[0].SnoozedFor.Minutes(), 0.1)
	for range 2 {
		w = press(d, http.MethodPost, path, nil)
		require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	}
	require.True(t, d.alerts.standing()[0].Acked)
	facts, err := d.book.State(ctx)
	require.NoError(t, err)
	require.Len(t, facts.Acks, 2, "kept in the job book")
	last, _, err := d.book.Head(ctx)
	require.NoError(t, err)
	_, err = d.Do(ctx, "", "Wren", jobbook.Undo{Seq: last})
	require.NoError(t, err)
	require.False(t, d.alerts.standing()[0].Acked, "an undo brings it back")

	damp.Active = false
	decide(damp)
	w = press(d, http.MethodPost, path, nil)
	require.Equal(t, http.StatusConflict, w.Code)
	damp.Active = true
	decide(damp)
	w = press(d, http.MethodPost, path, nil)
	require.Equal(t, http.StatusConflict, w.Code, "a later alert of the same key")

	_, err = d.alerts.seal.open(strings.TrimPrefix(path, "/seen/"), d.now().Add(seenFor))
	require.ErrorContains(t, err, "too old")
	again, err := openSeal(d.o.Config.Shed.Data)
	require.NoError(t, err)
	require.Equal(t, d.alerts.seal, again, "buttons outlive a restart")
	other, err := openSeal(t.TempDir())
	require.NoError(t, err)
	_, err = other.open(strings.TrimPrefix(path, "/seen/"), d.now())
	require.ErrorIs(t, err, errSeal)
}

// TestHeartbeatFollowsStoredReadings: the watcher outside hears of readings that reached the disk, and of nothing else.
func TestHeartbeatFollowsStoredReadings(t *testing.T) {
	var calls atomic.Int64
	watcher := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet && r.URL.Path == "/alive" {
			calls.Add(1)
		}
	}))
	defer watcher.Close()
	d := still(t, fmt.Sprintf("[heartbeat]\nurl = \"%s/alive\"\n", watcher.URL))
	done := make(chan struct{})
	go func() { defer close(done); d.beat(d.life, d.pulse, 20*time.Millisecond) }()
	time.Sleep(150 * time.Millisecond)
	require.Zero(t, calls.Load(), "nothing is stored yet")
	d.stored.Add(1)
	require.Eventually(t, func() bool { return calls.Load() == 1 }, 5*time.Second, 5*time.Millisecond)
	time.Sleep(150 * time.Millisecond)
	require.EqualValues(t, 1, calls.Load(), "silent again until more is stored")
	require.NoError(t, d.Stop())
	<-done
}
