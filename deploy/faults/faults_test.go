package faults

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/store"
	"tackline/sensors"
)

var program string

func TestMain(m *testing.M) {
	dir, err := os.MkdirTemp("", "faults")
	if err != nil {
		panic(err)
	}
	program = filepath.Join(dir, "tackline")
	if out, err := exec.Command("../build", program).CombinedOutput(); err != nil {
		fmt.Fprintf(os.Stderr, "the program does not build: %s\n", out)
		os.Exit(1)
	}
	code := m.Run()
	_ = os.RemoveAll(dir)
	os.Exit(code)
}

// shed is a running program with its folder.
type shed struct {
	t       testing.TB
	folder  string
	address string
	cmd     *exec.Cmd
	said    bytes.Buffer
}

// lay makes a folder with a config for the program; %ADDRESS% and %DIR% are filled in.
func lay(t testing.TB, text string) *shed {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s := &shed{t: t, folder: t.TempDir(), address: l.Addr().String()}
	require.NoError(t, l.Close())
	require.NoError(t, os.WriteFile(filepath.Join(s.folder, "node.token"), []byte("a-token-of-the-test\n"), 0o600))
	text = strings.NewReplacer("%ADDRESS%", s.address, "%DIR%", s.folder).Replace(text)
	require.NoError(t, os.WriteFile(filepath.Join(s.folder, "tackline.toml"), []byte(text), 0o600))
	return s
}

// start starts the program.
func (s *shed) start() {
	s.t.Helper()
	s.cmd = exec.Command(program, "daemon", "--config", filepath.Join(s.folder, "tackline.toml"))
	s.cmd.Stdout, s.cmd.Stderr = &s.said, &s.said
	require.NoError(s.t, s.cmd.Start())
	s.t.Cleanup(func() { _ = s.cmd.Process.Kill(); _ = s.cmd.Wait() })
}

// begin starts the program on a config, and waits until it is ready.
func begin(t testing.TB, text string) *shed {
	t.Helper()
	s := lay(t, text)
	s.start()
	require.Eventually(t, func() bool { return s.get("/readyz", nil) == http.StatusOK }, time.Minute, 100*time.Millisecond, "it does not come up")
	return s
}

// get fetches a page; 0 is no answer.
func (s *shed) get(path string, into any) int {
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+s.address+path, nil)
	require.NoError(s.t, err)
	got, err := http.DefaultClient.Do(r)
	if err != nil {
		return 0
	}
	defer got.Body.Close()
	if into != nil && json.NewDecoder(got.Body).Decode(into) != nil {
		return 0
	}
	_, _ = io.Copy(io.Discard, got.Body)
	return got.StatusCode
}

// problem gives what is said against a probe, and when it was last seen.
func (s *shed) problem(probe string) (problem, seen string) {
	var now struct {
		Probes []struct{ Probe, Problem, Seen string } `json:"probes"`
	}
	s.get("/api/v1/now", &now)
	for _, p := range now.Probes {
		if p.Probe == probe {
			return p.Problem, p.Seen
		}
	}
	return "not listed", ""
}

// end asks it to stop, and gives the usable rows of a probe that are on its disk.
func (s *shed) end(probe string) (times []int64) {
	s.t.Helper()
	require.NoError(s.t, s.cmd.Process.Signal(os.Interrupt))
	require.NoError(s.t, s.cmd.Wait(), "it did not stop in order: %s", s.said.String())
	require.NotContains(s.t, s.said.String(), "panic")
	db, err := store.Open(s.t.Context(), filepath.Join(s.folder, "data", "readings.db"), store.Options{})
	require.NoError(s.t, err)
	defer func() { require.NoError(s.t, db.Close()) }()
	require.NoError(s.t, db.Raw(s.t.Context(), probe, sensors.Temperature, 0, 1<<45, func(r store.Row) error {
		times = append(times, r.At)
		return nil
	}))
	return times
}

// load gives resident memory in bytes and open files.
func (s *shed) load() (rss, files int64) {
	s.t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", s.cmd.Process.Pid))
	if err != nil {
		s.t.Skip("this system does not tell the memory of a process")
	}
	for _, line := range strings.Split(string(text), "\n") {
		if kb, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			n, err := strconv.ParseInt(strings.TrimSpace(strings.TrimSuffix(kb, "kB")), 10, 64)
			require.NoError(s.t, err)
			rss = n << 10
		}
	}
	list, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", s.cmd.Process.Pid))
	require.NoError(s.t, err)
	return rss, int64(len(list))
}

const around = `format = 1
[shed]
name = "Osier Slip boatshed (invented)"
zone = "UTC"
data = "%DIR%/data"
listen = "%ADDRESS%"
commit_every = "1s"
[[probe]]
name = "bow"
kind = "shed"
place = "air"
interval = "1s"
[[probe]]
name = "unplugged"
kind = "w1"
place = "timber"
address = "28-0316a2791234"
interval = "1s"
[[probe]]
name = "node"
kind = "push"
place = "outdoors"
token_file = "%DIR%/node.token"
interval = "1s"
stale_after = "10s"
[mqtt]
broker = "mqtt://127.0.0.1:9"
[[mqtt.topic]]
filter = "yard/+/climate"
node_level = 2
temp_c = "/t"
[mirror]
url = "http://127.0.0.1:9"
bucket = "sheds"
[heartbeat]
url = "http://127.0.0.1:9/alive"
[[alert]]
name = "hook"
kind = "webhook"
url = "http://127.0.0.1:9/x"
[[alert]]
name = "broker"
kind = "mqtt"
broker = "mqtt://127.0.0.1:9"
topic = "shed/alert"
`

func (s *shed) push(body, token string) int {
	r, err := http.NewRequest(http.MethodPost, "http://"+s.address+"/api/v1/push", strings.NewReader(body))
	require.NoError(s.t, err)
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Authorization", "Bearer "+token)
	got, err := (&http.Client{Timeout: 20 * time.Second}).Do(r)
	if err != nil {
		return 0
	}
	_ = got.Body.Close()
	return got.StatusCode
}

// TestEverythingAroundIsDead: broker, mirror, watcher and both ways of telling are dead from the start, one probe was never plugged in and another falls silent. The
// one that lives is read and kept as if nothing were; what is gone is named; the end is in order.
func TestEverythingAroundIsDead(t *testing.T) {
	s := begin(t, around)
	require.Contains(t, []int{http.StatusOK, http.StatusCreated, http.StatusAccepted}, s.push(`{"temp_c": 4.2}`, "a-token-of-the-test"))
	require.Eventually(t, func() bool { p, seen := s.problem("node"); return p == "" && seen != "" }, 30*time.Second, 200*time.Millisecond, "the node is heard")
	require.Eventually(t, func() bool { p, _ := s.problem("node"); return p != "" }, time.Minute, 500*time.Millisecond, "and named when it falls silent")
	p, _ := s.problem("unplugged")
	require.Contains(t, p, "never seen")
	p, first := s.problem("bow")
	require.Empty(t, p)
	require.Eventually(t, func() bool { p, seen := s.problem("bow"); return p == "" && seen > first }, 30*time.Second, 500*time.Millisecond, "the living one goes on")
	require.Equal(t, http.StatusOK, s.get("/readyz", nil))
	times := s.end("bow")
	require.Greater(t, len(times), 10)
	gapless(t, times)
}

// gapless holds that no half minute is without a reading of a probe that is read every second.
func gapless(t *testing.T, times []int64) {
	t.Helper()
	for i := 1; i < len(times); i++ {
		require.Less(t, times[i]-times[i-1], int64(30_000), "ms without a reading on the disk")
	}
}

// TestFloodsAndSlowClients: for a while two hundred clients send a byte now and then, others pour noise into the port, guess tokens and send bodies without end. Readings
// go on to the disk, honest clients are answered, and afterwards files and memory are as before.
func TestFloodsAndSlowClients(t *testing.T) {
	s := begin(t, around)
	for range 3 {
		s.get("/", nil)
	}
	rss, files := s.load()
	const length = 8 * time.Second
	ctx, cancel := context.WithTimeout(t.Context(), length)
	defer cancel()
	var all sync.WaitGroup
	for range 200 {
		all.Go(func() { // slow ones
			conn, err := net.Dial("tcp", s.address)
			if err != nil {
				return
			}
			defer conn.Close()
			for _, b := range []byte("GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: " + strings.Repeat("a", 1000)) {
				if _, err := conn.Write([]byte{b}); err != nil {
					return
				}
				select {
				case <-ctx.Done():
					return
				case <-time.After(200 * time.Millisecond):
				}
			}
		})
	}
	noise := bytes.Repeat([]byte{0, 0xff, '\n', 'G'}, 16<<10)
	for i := range 3 {
		all.Go(func() {
			for ctx.Err() == nil {
				switch i {
				case 0:
					if conn, err := net.Dial("tcp", s.address); err == nil {
						_ = conn.SetDeadline(time.Now().Add(time.Second))
						_, _ = conn.Write(noise)
						_ = conn.Close()
					}
				case 1:
					require.NotContains(t, []int{http.StatusOK, http.StatusCreated, http.StatusAccepted}, s.push(`{"temp_c": 99}`, "guess"))
				case 2:
					require.NotContains(t, []int{http.StatusOK, http.StatusCreated, http.StatusAccepted}, s.push(`{"temp_c": [`+strings.Repeat("1,", 1<<20), "a-token-of-the-test"))
				}
				time.Sleep(5 * time.Millisecond)
			}
		})
	}
	answered := 0
	for ctx.Err() == nil {
		require.Equal(t, http.StatusOK, s.get("/healthz", nil), "an honest client is not answered")
		answered++
		time.Sleep(100 * time.Millisecond)
	}
	all.Wait()
	require.Positive(t, answered)
	http.DefaultClient.CloseIdleConnections()
	require.Eventually(t, func() bool { _, now := s.load(); return now <= files+10 }, 2*time.Minute, 500*time.Millisecond, "files stay open")
	after, _ := s.load()
	require.Less(t, after, rss+(100<<20), "bytes: memory stays bounded")
	t.Logf("%d honest answers; memory %d MB before, %d MB after; %d files before", answered, rss>>20, after>>20, files)
	times := s.end("bow")
	gapless(t, times)
	require.Greater(t, len(times), int(length/time.Second)/2)
}

const soak = `format = 1
[shed]
name = "Osier Slip boatshed (invented)"
zone = "UTC"
data = "%DIR%/data"
listen = "%ADDRESS%"
[clock]
speed = "free"
start = 2026-01-14T06:00:00Z
[[probe]]
name = "bow"
kind = "shed"
place = "air"
interval = "3m"
[[probe]]
name = "yard"
kind = "shed"
place = "outdoors"
interval = "3m"
[[alert]]
name = "hook"
kind = "webhook"
url = "http://127.0.0.1:9/x"
`

// TestSoak: seven simulated days at full speed (one without TACKLINE_LONG), with a way of telling that is dead and phones that come and go. Memory and open files
// of the last part are those of the first.
func TestSoak(t *testing.T) {
	days := 1
	if os.Getenv("TACKLINE_LONG") != "" {
		days = 7
	}
	s := begin(t, soak)
	start := time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)
	type sample struct {
		at         time.Duration
		rss, files int64
	}
	var all []sample
	deadline := time.Now().Add(10 * time.Minute)
	for {
		require.True(t, time.Now().Before(deadline), "it does not get on: %d samples", len(all))
		var now struct {
			At time.Time `json:"server_time"`
		}
		require.Equal(t, http.StatusOK, s.get("/api/v1/now", &now))
		s.get("/", nil)
		s.get("/history", nil)
		rss, files := s.load()
		all = append(all, sample{now.At.Sub(start), rss, files})
		if now.At.Sub(start) >= time.Duration(days)*24*time.Hour {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	most := func(from, to float64) (rss, files int64) {
		end := all[len(all)-1].at.Seconds()
		for _, x := range all {
			if part := x.at.Seconds() / end; part >= from && part <= to {
				rss, files = max(rss, x.rss), max(files, x.files)
			}
		}
		return rss, files
	}
	r1, f1 := most(0, 0.5)
	r2, f2 := most(0.5, 1)
	t.Logf("%d days: %d MB and %d files in the first half, %d MB and %d in the second; %d samples", days, r1>>20, f1, r2>>20, f2, len(all))
	require.Less(t, float64(r2), 1.25*float64(r1)+8<<20, "bytes of memory")
	require.LessOrEqual(t, f2, f1+5, "open files")
	require.Greater(t, len(s.end("bow")), days*460)
}
