package mirror

import (
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

// fakeSource gives readings in order; its cursor is the number given.
type fakeSource struct {
	mu   sync.Mutex
	all  []Reading
	adv  []Advice
	done int64
}

func (f *fakeSource) Follow(_ context.Context, done string, limit int64) (Batch, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if done != "" {
		if _, err := fmt.Sscan(done, &f.done); err != nil {
			return Batch{}, err
		}
	}
	end := min(f.done+limit, int64(len(f.all)))
	b := Batch{Readings: f.all[f.done:end], Next: fmt.Sprint(end), Behind: int64(len(f.all)) - end}
	if f.done == 0 && end > 0 {
		b.Advice = f.adv
	}
	return b, nil
}

func readings(n int) []Reading {
	all := make([]Reading, n)
	for i := range all {
		all[i] = Reading{Probe: fmt.Sprint("p", i%4), Place: "air", Quantity: sensors.Quantity(1 + i%2), At: 1_761_955_200_000 + int64(i/4)*10_000, Value: float64(i)}
	}
	return all
}

// server keeps lines as a set, as the data model does, and answers as told.
type server struct {
	*httptest.Server
	mu       sync.Mutex
	lines    map[string]int
	requests int
	query    string
	auth     string
	answer   func(n int, lines []string) (status int, header, body string) // 204 stores
}

func newServer(t *testing.T, answer func(n int, lines []string) (int, string, string)) *server {
	s := &server{lines: map[string]int{}, answer: answer}
	s.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var body io.Reader = r.Body
		if r.Header.Get("Content-Encoding") == "gzip" {
			z, err := gzip.NewReader(r.Body)
			if err != nil {
				w.WriteHeader(http.StatusTeapot)
				return
			}
			body = z
		}
		b, _ := io.ReadAll(body)
		s.mu.Lock()
		defer s.mu.Unlock()
		s.query, s.auth = r.URL.RequestURI(), r.Header.Get("Authorization")
		lines := strings.Split(strings.TrimSpace(string(b)), "\n")
		s.requests++
		status, retry, text := s.answer(s.requests, lines)
		if status == http.StatusNoContent {
			for _, l := range lines {
				s.lines[l]++
			}
		}
		if retry != "" {
			w.Header().Set("Retry-After", retry)
		}
		w.Header().Set("Content-Type", "application/json")
		w.WriteHeader(status)
		_, _ = io.WriteString(w, text)
	}))
	t.Cleanup(s.Close)
	return s
}

func fine(int, []string) (int, string, string) { return http.StatusNoContent, "", "" }

// runUntil runs a mirror until cond holds or a generous time is over, and gives the pauses it made.
func runUntil(t *testing.T, src Source, opt Options, cond func(Status) bool) (Status, []time.Duration) {
	var mu sync.Mutex
	var pauses []time.Duration
	opt.Pause = func(ctx context.Context, d time.Duration) error {
		mu.Lock()
		pauses = append(pauses, d)
		mu.Unlock()
		return pause(ctx, time.Millisecond)
	}
	m, err := New(src, opt)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- m.Run(ctx) }()
	require.Eventually(t, func() bool { return cond(m.Status()) }, 20*time.Second, time.Millisecond)
	cancel()
	require.ErrorIs(t, <-ended, context.Canceled)
	return m.Status(), pauses
}

func options(url string) Options {
	return Options{URL: url, Token: "me:secret", Org: "yard", Bucket: "sheds/autogen", Shed: "long shed", Batch: 50, First: 2 * time.Second, Most: time.Minute}
}

func caughtUp(s Status) bool { return !s.LastSuccess.IsZero() && s.Behind == 0 && s.LastError == "" }

func TestLinesAreFrozen(t *testing.T) {
	s := newServer(t, fine)
	src := &fakeSource{all: []Reading{
		{Probe: `sht, north=1\`, Place: "", Quantity: sensors.Temperature, At: 1_761_955_200_123, Value: 20},
		{Probe: "line\nbreak", Place: "air", Quantity: sensors.Humidity, At: 1_761_955_200_123, Value: 61.25},
		{Probe: "a", Place: "air", Quantity: sensors.Pressure, At: 1, Value: math.NaN()},
		{Probe: "a", Place: "air", Quantity: sensors.Temperature, At: 2, Value: 85, Status: sensors.PowerOnValue},
	}, adv: []Advice{{At: 1_761_955_200_000, Piece: "port topside", Verdict: "wait", Rule: "margin", Text: "2.1 K, \"limit\" 3 K",
		Times: map[string]float64{"tack_opens_likely": 1_761_960_000, "broken": math.Inf(1)}}}}
	status, _ := runUntil(t, src, options(s.URL), caughtUp)
	require.Equal(t, int64(1), status.Flagged)
	require.Equal(t, int64(2), status.Unsendable)
	require.Equal(t, "Token me:secret", s.auth)
	require.Contains(t, s.query, "precision=ms")
	require.Contains(t, s.query, "bucket=sheds%2Fautogen")
	require.Equal(t, map[string]int{
		`reading,place=none,probe=sht\,\ north\=1/,shed=long\ shed temp_c=20 1761955200123`:                                                              1,
		`reading,place=air,probe=line\ break,shed=long\ shed rh_pct=61.25 1761955200123`:                                                                 1,
		`advice,piece=port\ topside,shed=long\ shed rule="margin",tack_opens_likely=1761960000,text="2.1 K, \"limit\" 3 K",verdict="wait" 1761955200000`: 1,
	}, s.lines)
}

func TestOutages(t *testing.T) {
	for name, c := range map[string]struct {
		answer func(n int, lines []string) (int, string, string)
		pauses []time.Duration // the first ones
	}{
		"500": {func(n int, l []string) (int, string, string) {
			if n <= 4 {
				return 500, "", `{"code":"internal error","message":"disk on fire"}`
			}
			return fine(n, l)
		}, []time.Duration{2 * time.Second, 4 * time.Second, 8 * time.Second, 16 * time.Second}},
		"503 without a body": {func(n int, l []string) (int, string, string) {
			if n%3 == 1 {
				return 503, "", ""
			}
			return fine(n, l)
		}, []time.Duration{2 * time.Second}},
		"429": {func(n int, l []string) (int, string, string) {
			if n == 2 {
				return 429, "17", `{"code":"too many requests","message":"limit"}`
			}
			return fine(n, l)
		}, []time.Duration{17 * time.Second}},
		"token wrong for a while": {func(n int, l []string) (int, string, string) {
			if n <= 2 {
				return 401, "", `{"code":"unauthorized","message":"unauthorized access"}`
			}
			return fine(n, l)
		}, []time.Duration{2 * time.Second, 4 * time.Second}},
		"bucket missing for a while": {func(n int, l []string) (int, string, string) {
			if n == 1 {
				return 404, "", `{"code":"not found","message":"retention policy not found: autogen"}`
			}
			return fine(n, l)
		}, []time.Duration{2 * time.Second}},
		"stored, but the answer was lost": {nil, []time.Duration{2 * time.Second}},
	} {
		t.Run(name, func(t *testing.T) {
			var s *server
			if c.answer == nil {
				c.answer = func(n int, l []string) (int, string, string) {
					if n == 1 {
						for _, line := range l {
							s.lines[line]++
						}
						return 504, "", ""
					}
					return fine(n, l)
				}
			}
			s = newServer(t, c.answer)
			status, pauses := runUntil(t, &fakeSource{all: readings(430)}, options(s.URL), caughtUp)
			require.Len(t, s.lines, 430)
			require.Zero(t, status.DeadLetters)
			require.Equal(t, c.pauses, pauses[:len(c.pauses)])
		})
	}
}

func TestDeadServerThenThere(t *testing.T) {
	s := newServer(t, fine)
	url := s.URL
	s.Close()
	src := &fakeSource{all: readings(120)}
	status, _ := runUntil(t, src, options(url), func(s Status) bool { return s.LastError != "" })
	require.Contains(t, status.LastError, "refused")
	require.Positive(t, status.Behind)
	require.Zero(t, src.done)
	again := newServer(t, fine) // a new process, a server elsewhere: it goes on from what the source remembers
	runUntil(t, src, options(again.URL), caughtUp)
	require.Len(t, again.lines, 120)
}

func has(lines []string, part string) (n int) {
	for _, l := range lines {
		if strings.Contains(l, part) {
			n++
		}
	}
	return n
}

// Bad points are found by halving, counted and left behind; all others arrive.
func TestBadPointsAreSplitOff(t *testing.T) {
	for name, refuse := range map[string]struct {
		status int
		body   string
		old    int64
	}{
		"400": {400, `{"code":"invalid","message":"partial write: field type conflict: input field \"temp_c\" on measurement \"reading\" is type float, already exists as type integer dropped=1"}`, 0},
		"413": {413, `{"code":"request too large","message":"too large"}`, 0},
		"422": {422, `{"code":"unprocessable entity","message":"failure writing points to database: points beyond retention policy"}`, 7},
		"500": {500, `{"code":"internal error","message":"unexpected error writing points to database: points beyond retention policy"}`, 7},
	} {
		t.Run(name, func(t *testing.T) {
			all := readings(400)
			for i := range 7 {
				all[i*57].Probe = "bad"
			}
			s := newServer(t, func(n int, lines []string) (int, string, string) {
				if has(lines, "probe=bad") > 0 {
					return refuse.status, "", refuse.body
				}
				return fine(n, lines)
			})
			status, _ := runUntil(t, &fakeSource{all: all}, options(s.URL), caughtUp)
			require.Equal(t, int64(7), status.DeadLetters)
			require.Equal(t, refuse.old, status.TooOld)
			require.Len(t, s.lines, 393)
		})
	}
}

// A server that says how many it dropped for their age has stored the others: no halving.
func TestBacklogBeyondRetention(t *testing.T) {
	all := readings(400)
	for i := range 300 {
		all[i].Probe = "old"
	}
	var s *server
	s = newServer(t, func(n int, lines []string) (int, string, string) {
		if old := has(lines, "probe=old"); old > 0 {
			for _, l := range lines {
				if !strings.Contains(l, "probe=old") {
					s.lines[l]++
				}
			}
			return 400, "", fmt.Sprintf(`{"code":"invalid","message":"partial write: points beyond retention policy dropped=%d"}`, old)
		}
		return fine(n, lines)
	})
	opt := options(s.URL)
	opt.Batch = 64
	status, _ := runUntil(t, &fakeSource{all: all}, opt, caughtUp)
	require.Equal(t, int64(300), status.TooOld)
	require.Len(t, s.lines, 100)
	require.Equal(t, 7, s.requests)
}

// An outage in the middle of halving neither loses the rest nor counts a bad point twice.
func TestOutageWhileSplitting(t *testing.T) {
	all := readings(64)
	all[20].Probe = "bad"
	s := newServer(t, func(n int, lines []string) (int, string, string) {
		if n == 4 || n == 7 {
			return 503, "", ""
		}
		if has(lines, "probe=bad") > 0 {
			return 400, "", `{"code":"invalid","message":"no"}`
		}
		return fine(n, lines)
	})
	opt := options(s.URL)
	opt.Batch = 64
	status, _ := runUntil(t, &fakeSource{all: all}, opt, caughtUp)
	require.Equal(t, int64(1), status.DeadLetters)
	require.Len(t, s.lines, 63)
}

func TestHeldWhileTheClockIsNotSet(t *testing.T) {
	s := newServer(t, fine)
	opt := options(s.URL)
	var mu sync.Mutex
	asked := 0
	opt.Held = func() bool {
		mu.Lock()
		defer mu.Unlock()
		asked++
		if asked == 20 {
			s.mu.Lock()
			defer s.mu.Unlock()
			if s.requests != 0 {
				panic("sent while held")
			}
		}
		return asked < 21
	}
	status, _ := runUntil(t, &fakeSource{all: readings(10)}, opt, caughtUp)
	require.False(t, status.Held)
	require.Len(t, s.lines, 10)
}

func TestOptionsAreChecked(t *testing.T) {
	for want, spoil := range map[string]func(*Options){
		"url":    func(o *Options) { o.URL = "influx:8086" },
		"bucket": func(o *Options) { o.Bucket = "" },
		"shed":   func(o *Options) { o.Shed = "" },
	} {
		opt := options("http://127.0.0.1:1")
		spoil(&opt)
		_, err := New(&fakeSource{}, opt)
		require.ErrorContains(t, err, want)
	}
	_, err := New(nil, options("http://127.0.0.1:1"))
	require.ErrorContains(t, err, "source")
}

func TestTagValue(t *testing.T) {
	for in, want := range map[string]string{"": "none", "  ": "none", `\`: "/", `a\\`: "a//", `a\b`: `a\b`, "a\r\nb": "a  b", "\xff": "?", "ä ö": "ä ö"} {
		require.Equal(t, want, tagValue(in))
	}
}
