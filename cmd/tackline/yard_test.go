package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/mirror"
	"tackline/daemon/mirror/influxtest"
	"tackline/daemon/yard"
	"tackline/dashboard"
	"tackline/sensors"
	"tackline/sensors/shed"
)

// yardNow is the present of the invented yard. It is not the machine's: InfluxDB keeps what it is given.
var yardNow = time.Date(2026, 1, 14, 12, 0, 30, 0, time.UTC)

const (
	yardSheds = 50
	readLogin = "yard:only-reads"
	rootLogin = "root:writes-too"
)

// safeBuffer is a buffer that a running command may write to.
type safeBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *safeBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *safeBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// mirrored is a source of one shed that is copied once.
type mirrored struct{ all mirror.Batch }

func (m *mirrored) Follow(_ context.Context, done string, _ int64) (mirror.Batch, error) {
	if done == "all" {
		return mirror.Batch{Next: "all"}, nil
	}
	m.all.Next = "all"
	return m.all, nil
}

// simulated is an invented shed with nine probes, 15 channels, for a length of time up to its last word.
func simulated(t testing.TB, number int, last time.Time, length, every time.Duration) mirror.Batch {
	t.Helper()
	var b mirror.Batch
	at := last.Add(-length).UnixMilli()
	s, err := shed.New(shed.Defaults(uint64(number), at))
	require.NoError(t, err)
	probes := map[string]sensors.Place{"air by the hull": sensors.Air, "north wall": sensors.Air, "hull skin": sensors.Surface, "keel skin": sensors.Surface, "stem": sensors.Surface,
		"frame 4": sensors.Timber, "drums": sensors.Resin, "yard side": sensors.Outdoors, "river side": sensors.Outdoors}
	for name, place := range probes {
		p, err := s.Probe(place, name, func() int64 { return at }, nil)
		require.NoError(t, err)
		for at = last.Add(-length).UnixMilli(); at <= last.UnixMilli(); at += every.Milliseconds() {
			if number == 5 && name == "hull skin" && at > last.Add(-50*time.Minute).UnixMilli() {
				break // its cable is out
			}
			got, err := p.Read(context.Background())
			require.NoError(t, err)
			for _, r := range got {
				b.Readings = append(b.Readings, mirror.Reading{Probe: name, Place: string(place), Quantity: r.Quantity, At: at, Value: r.Value})
			}
		}
	}
	seconds := func(min int) float64 { return float64(last.Add(time.Duration(min)*time.Minute).UnixMilli()) / 1000 }
	for i, piece := range []string{"port topside", "foredeck", "rudder"} {
		for back := 0; back <= int(length/(15*time.Minute)); back++ {
			a := mirror.Advice{At: last.Add(-time.Duration(back) * 15 * time.Minute).UnixMilli(), Piece: piece, Verdict: []string{"clear", "wait", "can't say"}[(number+i)%3],
				Rule: "margin", Text: "The surface is 4.1 K above the dew point, u 0.7 K."}
			if i == 1 && number%10 == 0 {
				a.Times = map[string]float64{"tack_opens_likely": seconds(number - 15), "tack_closes_early": seconds(number + 20), "tack_closes_likely": seconds(number + 45)}
			}
			if i == 2 && back > 0 { // a coat that ended a quarter of an hour ago
				a.Times = map[string]float64{"recoat_opens_likely": seconds(-60), "recoat_closes_likely": seconds(60)}
			}
			b.Advice = append(b.Advice, a)
		}
	}
	return b
}

// yardServer starts a real InfluxDB that asks for passwords, and fills it with 50 simulated sheds by the mirror itself.
func yardServer(t testing.TB, length, every time.Duration) (addr string) {
	t.Helper()
	influxtest.Binary(t)
	addr = influxtest.FreeAddr(t)
	influxtest.Start(t, t.TempDir(), addr, "auth-enabled = true")
	for _, q := range []string{"CREATE USER root WITH PASSWORD 'writes-too' WITH ALL PRIVILEGES", "CREATE DATABASE sheds", "CREATE USER yard WITH PASSWORD 'only-reads'",
		"GRANT READ ON sheds TO yard"} {
		influxtest.Ask(t, addr, rootLogin, q)
	}
	var all sync.WaitGroup
	slots := make(chan struct{}, 8)
	failed := make([]error, yardSheds)
	for n := range yardSheds {
		last := yardNow.Add(-30 * time.Second)
		switch n {
		case 7:
			last = yardNow.Add(-75 * time.Hour)
		case 23:
			last = yardNow.Add(-40 * time.Minute)
		}
		batch := simulated(t, n, last, length, every)
		slots <- struct{}{}
		all.Go(func() {
			failed[n] = copyShed("http://"+addr, fmt.Sprintf("Shed %d", n), batch)
			<-slots
		})
	}
	all.Wait()
	require.NoError(t, errors.Join(failed...))
	return addr
}

// copyShed lets a mirror copy one shed, once.
func copyShed(url, name string, batch mirror.Batch) error {
	ctx, done := context.WithCancel(context.Background())
	defer done()
	m, err := mirror.New(&mirrored{all: batch}, mirror.Options{URL: url, Token: rootLogin, Bucket: "sheds", Shed: name,
		Pause: func(ctx context.Context, _ time.Duration) error { done(); return ctx.Err() }})
	if err != nil {
		return err
	}
	if err := m.Run(ctx); !errors.Is(err, context.Canceled) {
		return err
	}
	if s := m.Status(); s.LastError != "" || s.Sent == 0 || s.DeadLetters > 0 {
		return fmt.Errorf("%s: %+v", name, s)
	}
	return nil
}

// yardCommand runs tackline yard at yardNow, with the token of the reader in a file.
func yardCommand(t *testing.T, addr string, args ...string) result {
	t.Helper()
	token := filepath.Join(t.TempDir(), "yard.token")
	require.NoError(t, os.WriteFile(token, []byte(readLogin+"\n"), 0o600))
	var out, errs bytes.Buffer
	e := env{in: strings.NewReader(""), out: &out, err: &errs, now: func() time.Time { return yardNow }, getenv: func(string) string { return "" }}
	code := run(t.Context(), e, append([]string{"yard", "--url", "http://" + addr, "--token-file", token, "--zone", "Europe/Lisbon"}, args...))
	return result{code, out.String(), errs.String()}
}

// 50 simulated sheds by the mirror into one real InfluxDB 1.8, read back with a user that may only read.
func TestFiftyShedsInOneYard(t *testing.T) {
	addr := yardServer(t, time.Hour, time.Minute)
	r := yardCommand(t, addr, "--json")
	require.Zero(t, r.code, r.err)
	var y yard.Yard
	require.NoError(t, json.Unmarshal([]byte(r.out), &y))
	require.Len(t, y.Sheds, yardSheds)
	require.Equal(t, "Shed 9", y.Sheds[9].Name, "by number, not by letters")
	channels := 0
	for n, s := range y.Sheds {
		require.Len(t, s.Probes, 9, s.Name)
		require.Len(t, s.Pieces, 3, s.Name)
		require.Equal(t, n == 7 || n == 23, s.Silent, s.Name)
		for _, p := range s.Probes {
			channels += len(p.Values)
			require.Equal(t, s.Silent || n == 5 && p.Name == "hull skin", p.Silent, s.Name+" "+p.Name)
		}
		for i, p := range s.Pieces { // foredeck, port topside, rudder
			want := []string{"clear", "wait", "can't say"}[(n+[]int{1, 0, 2}[i])%3]
			require.Equal(t, want, p.Told)
			if s.Silent {
				want = "can't say"
			}
			require.Equal(t, want, p.Verdict)
			require.Len(t, p.Windows, map[bool]int{true: 1, false: 0}[i == 0 && n%10 == 0], s.Name+" "+p.Name)
		}
	}
	require.Equal(t, yardSheds*15, channels)
	require.Equal(t, yardNow.Add(-75*time.Hour), *y.Sheds[7].Seen)
	require.True(t, y.Sheds[10].Pieces[0].Windows[0].Open, "from 5 min ago")
	require.False(t, y.Sheds[20].Pieces[0].Windows[0].Open, "in 5 min")

	text := yardCommand(t, addr).out
	for _, want := range []string{"sheds: 50", "Shed 10, foredeck", "silent since Sun 11 Jan 09:00", "Shed 5, hull skin", "said clear at"} {
		require.Contains(t, text, want)
	}
	require.NotContains(t, text, "Shed 7, foredeck  tack")

	// the token may only read
	post, err := http.NewRequest(http.MethodPost, "http://"+addr+"/write?db=sheds", strings.NewReader("reading,shed=x,probe=y,place=air temp_c=1"))
	require.NoError(t, err)
	post.SetBasicAuth("yard", "only-reads")
	answer, err := http.DefaultClient.Do(post)
	require.NoError(t, err)
	require.NoError(t, answer.Body.Close())
	require.Equal(t, http.StatusForbidden, answer.StatusCode)

	// wrong places and wrong tokens, as this server says it
	wrong := yardCommand(t, addr, "--bucket", "nowhere")
	require.Equal(t, exitFailed, wrong.code)
	require.Contains(t, wrong.err, "check org and bucket")
	bare := tackline(t, "yard", "--url", "http://"+addr)
	require.Equal(t, exitFailed, bare.code)
	require.Contains(t, bare.err, "check the token file")

	page := yardPage(t, addr, 0)
	body := httpGet(t, page, "/")
	require.Equal(t, yardSheds, strings.Count(body, `<article class="mooring`))
	require.Contains(t, body, "Sheds: 50. Silent: 2.")
	require.Equal(t, 1, len(regexp.MustCompile(`hull skin is silent since`).FindAllString(body, -1)))
}

// yardPage serves the page of a yard by the parts that the command joins.
func yardPage(t testing.TB, addr string, every time.Duration) http.Handler {
	t.Helper()
	reader, err := yard.New(yard.Options{URL: "http://" + addr, Token: readLogin, Bucket: "sheds", Every: every, Now: func() time.Time { return yardNow }})
	require.NoError(t, err)
	t.Cleanup(reader.Close)
	page, err := dashboard.NewYard(dashboard.YardOptions{Source: &yardSource{r: reader, log: slog.New(slog.DiscardHandler)}, Name: "Osier Slip (invented)"})
	require.NoError(t, err)
	return page
}

func httpGet(t testing.TB, h http.Handler, path string) string {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8418"+path, nil))
	require.Equal(t, http.StatusOK, w.Code)
	return w.Body.String()
}

// BenchmarkYardPage: the page of 50 sheds, 750 channels every 10 s for two hours, from a real InfluxDB 1.8: the first look over all days, and a
// look at what is new. Budget: 300 ms.
func BenchmarkYardPage(b *testing.B) {
	addr := yardServer(b, 2*time.Hour, 10*time.Second)
	b.Run("first", func(b *testing.B) {
		for b.Loop() {
			httpGet(b, yardPage(b, addr, 0), "/")
		}
	})
	b.Run("again", func(b *testing.B) {
		page := yardPage(b, addr, 0)
		httpGet(b, page, "/")
		for b.Loop() {
			httpGet(b, page, "/")
		}
	})
}

// The command serves until it is told to end, and its page says why there is nothing to see.
func TestYardServes(t *testing.T) {
	addr := influxtest.FreeAddr(t)
	nobody := influxtest.FreeAddr(t)
	ctx, stop := context.WithCancel(t.Context())
	var out, errs safeBuffer
	ended := make(chan int, 1)
	e := env{in: strings.NewReader(""), out: &out, err: &errs, now: time.Now, getenv: func(string) string { return "" }}
	go func() { ended <- run(ctx, e, []string{"yard", "--url", "http://" + nobody, "--listen", addr}) }()
	var res *http.Response
	require.Eventually(t, func() bool {
		var err error
		res, err = http.Get("http://" + addr + "/")
		return err == nil
	}, 20*time.Second, 20*time.Millisecond)
	body, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	require.NoError(t, res.Body.Close())
	require.Equal(t, http.StatusServiceUnavailable, res.StatusCode)
	require.Contains(t, string(body), "can&#39;t be reached")
	require.Contains(t, res.Header.Get("Content-Security-Policy"), "default-src 'self'")
	stop()
	require.Equal(t, exitOK, <-ended)
	require.Contains(t, errs.String(), "open to this machine alone")
}

func TestYardFlags(t *testing.T) {
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"yard", "--url", "ftp://x"}, "want http or https"},
		{[]string{"yard", "--zone", "Nowhere/Here"}, "--zone"},
		{[]string{"yard", "--silent-after", "1s"}, "want 1m or more"},
		{[]string{"yard", "--days", "0"}, "want 1 to 400"},
		{[]string{"yard", "--listen", "127.0.0.1:0", "--json"}, "one of them"},
	} {
		r := tackline(t, c.args...)
		require.Equal(t, exitUsage, r.code, c.args)
		require.Contains(t, r.err, c.says)
	}
	r := tackline(t, "yard", "--token-file", filepath.Join(t.TempDir(), "none"))
	require.Equal(t, exitFailed, r.code)
	require.Contains(t, r.err, "--token-file")
}
