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
		}, []time.Duration{time.Minute, time.Minute}},
		"bucket missing for a while": {func(n int, l []string) (int, string, string) {
			if n == 1 {
				return 404, "", `{"code":"not found","message":"retention policy not found: autogen"}`
			}
			return fine(n, l)
		}, []time.Duration{time.Minute}},
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

// Every class of answer that InfluxDB 1.8, 2 and 3 give to a write, as their sources and documents have them, met by the real client: what is
// stored in the end, what is left behind, and how long it waited first. Sources: services/httpd/handler.go of InfluxDB 1.8.10; "InfluxDB v2 API,
// POST /api/v2/write" and "InfluxDB 3 Core, /api/v2/write compatibility and /api/v3/write_lp" of docs.influxdata.com, the texts from memory.
func TestAnswersOfEachVersion(t *testing.T) {
	for name, c := range map[string]struct {
		status     int
		retry      string
		body       string
		toPoints   bool // it is given while the points named bad are in the request, else to the first request alone
		stored     int  // of 100, 5 of them bad
		dead, old  int64
		firstPause time.Duration // 0: none
	}{
		"1.8 field type conflict":   {400, "", `{"error":"partial write: field type conflict: input field \"temp_c\" on measurement \"reading\" is type float, already exists as type integer dropped=5"}`, true, 95, 5, 0, 0},
		"1.8 beyond retention":      {400, "", `{"error":"partial write: points beyond retention policy dropped=5"}`, true, 95, 5, 5, 0},
		"1.8 unknown database":      {404, "", `{"error":"database not found: \"sheds\""}`, false, 100, 0, 0, time.Minute},
		"1.8 wrong password":        {401, "", `{"error":"authorization failed"}`, false, 100, 0, 0, time.Minute},
		"1.8 may not write":         {403, "", `{"error":"\"me\" user is not authorized to write to database \"sheds\""}`, false, 100, 0, 0, time.Minute},
		"1.8 too large":             {413, "", `{"error":"Request Entity Too Large"}`, true, 95, 5, 0, 0},
		"1.8 timeout":               {500, "", `{"error":"timeout"}`, false, 100, 0, 0, 2 * time.Second},
		"1.8 beyond retention, 5xx": {500, "", `{"error":"write failed: points beyond retention policy"}`, true, 95, 5, 5, 0},
		"2 invalid":                 {400, "", `{"code":"invalid","message":"unable to parse points","op":"http/handleWrite","line":7}`, true, 95, 5, 0, 0},
		"2 unauthorized":            {401, "", `{"code":"unauthorized","message":"unauthorized access"}`, false, 100, 0, 0, time.Minute},
		"2 forbidden":               {403, "", `{"code":"forbidden","message":"insufficient permissions for write"}`, false, 100, 0, 0, time.Minute},
		"2 no bucket":               {404, "", `{"code":"not found","message":"bucket \"sheds\" not found"}`, false, 100, 0, 0, time.Minute},
		"2 too large":               {413, "", `{"code":"request too large","message":"unable to read data: points batch is too large"}`, true, 95, 5, 0, 0},
		"2 beyond retention":        {422, "", `{"code":"unprocessable entity","message":"failure writing points to database: partial write: points beyond retention policy dropped=5"}`, true, 95, 5, 5, 0},
		"2 too many requests":       {429, "30", `{"code":"too many requests","message":"org has exceeded its write limit"}`, false, 100, 0, 0, 30 * time.Second},
		"2 internal":                {500, "", `{"code":"internal error","message":"unexpected error writing points to database: engine is closed"}`, false, 100, 0, 0, 2 * time.Second},
		"2 unavailable":             {503, "9", `{"code":"unavailable","message":"service unavailable"}`, false, 100, 0, 0, 9 * time.Second},
		"3 partial write":           {400, "", `{"error":"partial write of line protocol occurred","data":[{"original_line":"reading,place=...","line_number":3,"error_message":"invalid column type for column 'temp_c', expected iox::column_type::field::integer, got iox::column_type::field::float"}]}`, true, 95, 5, 0, 0},
		"3 no token":                {401, "", `{"error":"the request was not authenticated"}`, false, 100, 0, 0, time.Minute},
		"3 forbidden":               {403, "", `{"error":"the request was not authorized"}`, false, 100, 0, 0, time.Minute},
		"3 too large":               {413, "", `{"error":"max request size (10485760 bytes) exceeded"}`, true, 95, 5, 0, 0},
		"3 too many columns":        {422, "", `{"error":"update to schema would exceed number of columns per table limit of 500 columns"}`, true, 95, 5, 0, 0},
		"3 internal":                {500, "", `{"error":"an error occurred"}`, false, 100, 0, 0, 2 * time.Second},
		"3 unavailable":             {503, "", `service unavailable`, false, 100, 0, 0, 2 * time.Second},
		"proxy wants a log-in":      {407, "", ``, false, 100, 0, 0, time.Minute},
		"proxy lost patience":       {408, "", ``, false, 100, 0, 0, time.Minute},
		"proxy sees nobody behind":  {502, "", `<html>bad gateway</html>`, false, 100, 0, 0, 2 * time.Second},
	} {
		t.Run(name, func(t *testing.T) {
			all := readings(100)
			for i := range 5 {
				all[i*19].Probe = "bad"
			}
			var s *server
			s = newServer(t, func(n int, lines []string) (int, string, string) {
				if !c.toPoints && n == 1 || c.toPoints && has(lines, "probe=bad") > 0 {
					if dropsSome := strings.Contains(c.body, "dropped="); dropsSome || strings.Contains(c.body, "partial write of") { // the others are stored
						for _, l := range lines {
							if !strings.Contains(l, "probe=bad") {
								s.lines[l]++
							}
						}
					}
					return c.status, c.retry, c.body
				}
				return fine(n, lines)
			})
			opt := options(s.URL)
			opt.Batch = 100
			status, pauses := runUntil(t, &fakeSource{all: all}, opt, caughtUp)
			require.Len(t, s.lines, c.stored)
			require.Equal(t, c.dead, status.DeadLetters)
			require.Equal(t, c.old, status.TooOld)
			require.False(t, status.Stopped)
			if c.firstPause > 0 {
				require.NotEmpty(t, pauses)
				require.Equal(t, c.firstPause, pauses[0])
			} else if len(pauses) > 0 {
				require.Equal(t, 10*time.Second, pauses[0], "nothing to wait for but the next look")
			}
		})
	}
}

// A wrong token is no loss: nothing is sent or passed over until it is right, and the server hears one point at a time.
func TestStandsBy(t *testing.T) {
	var sizes []int
	s := newServer(t, func(n int, lines []string) (int, string, string) {
		sizes = append(sizes, len(lines))
		if n <= 20 {
			return 401, "", `{"code":"unauthorized","message":"unauthorized access"}`
		}
		return fine(n, lines)
	})
	src := &fakeSource{all: readings(130)}
	stopped := false
	runUntil(t, src, options(s.URL), func(st Status) bool {
		stopped = stopped || st.Stopped && strings.Contains(st.LastError, "check token") && st.Behind > 0
		return caughtUp(st)
	})
	require.True(t, stopped)
	require.Len(t, s.lines, 130)
	require.Equal(t, 50, sizes[0])
	for _, n := range sizes[1:20] {
		require.Equal(t, 1, n)
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
