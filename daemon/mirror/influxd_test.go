package mirror

import (
	"encoding/csv"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// influxd starts a real InfluxDB 1.8, named by TACKLINE_INFLUXD, on a folder; stop kills it as a power cut would.
func influxd(t *testing.T, dir, addr string) (stop func()) {
	conf := fmt.Sprintf("reporting-disabled = true\nbind-address = %q\n[meta]\ndir = %q\n[data]\ndir = %q\nwal-dir = %q\nquery-log-enabled = false\n"+
		"[http]\nbind-address = %q\nlog-enabled = false\nflux-enabled = true\n[monitor]\nstore-enabled = false\n",
		freeAddr(t), filepath.Join(dir, "meta"), filepath.Join(dir, "data"), filepath.Join(dir, "wal"), addr)
	name := filepath.Join(dir, "influxdb.conf")
	require.NoError(t, os.WriteFile(name, []byte(conf), 0o600))
	cmd := exec.Command(os.Getenv("TACKLINE_INFLUXD"), "-config", name)
	require.NoError(t, cmd.Start())
	stopped := false
	stop = func() {
		if !stopped {
			stopped = true
			_ = cmd.Process.Kill()
			_ = cmd.Wait()
		}
	}
	t.Cleanup(stop)
	require.Eventually(t, func() bool {
		r, err := http.Get("http://" + addr + "/ping")
		if err != nil {
			return false
		}
		return r.Body.Close() == nil && r.StatusCode == http.StatusNoContent
	}, 30*time.Second, 50*time.Millisecond)
	return stop
}

func freeAddr(t *testing.T) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().String()
}

// ask runs InfluxQL and gives the cells of its CSV answer.
func ask(t *testing.T, addr, q string) [][]string {
	r, err := http.NewRequest(http.MethodPost, "http://"+addr+"/query", strings.NewReader(url.Values{"q": {q}, "db": {"sheds"}}.Encode()))
	require.NoError(t, err)
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Accept", "application/csv")
	answer, err := http.DefaultClient.Do(r)
	require.NoError(t, err)
	defer answer.Body.Close()
	cells, err := csv.NewReader(answer.Body).ReadAll()
	require.NoError(t, err)
	return cells
}

// A server that is down at first, is killed in mid write, comes back, and gets everything once more: every point exactly once.
func TestRealInfluxDB(t *testing.T) {
	if os.Getenv("TACKLINE_INFLUXD") == "" {
		if os.Getenv("TACKLINE_REQUIRE") != "" {
			t.Fatal("TACKLINE_INFLUXD does not name an influxd of InfluxDB 1.8")
		}
		t.Skip("TACKLINE_INFLUXD does not name an influxd of InfluxDB 1.8")
	}
	dir, addr := t.TempDir(), freeAddr(t)
	all := readings(60_000) // 41 h of 4 channels
	src := &fakeSource{all: all}
	opt := options("http://" + addr)
	opt.Batch = 1000
	runUntil(t, src, opt, func(s Status) bool { return s.LastError != "" })
	stop := influxd(t, dir, addr)
	status, _ := runUntil(t, src, opt, func(s Status) bool { return s.LastError != "" })
	require.Contains(t, status.LastError, "bucket") // nobody has made the database yet
	ask(t, addr, "CREATE DATABASE sheds")
	runUntil(t, src, opt, func(s Status) bool { return s.Sent >= 10_000 })
	stop()
	runUntil(t, src, opt, func(s Status) bool { return s.LastError != "" })
	influxd(t, dir, addr)
	runUntil(t, src, opt, caughtUp)
	check := func() {
		for _, c := range []struct {
			probe, field string
		}{{"p0", "temp_c"}, {"p1", "rh_pct"}, {"p2", "temp_c"}, {"p3", "rh_pct"}} {
			cells := ask(t, addr, fmt.Sprintf(`SELECT count(%[1]s), sum(%[1]s) FROM reading WHERE probe = '%[2]s'`, c.field, c.probe))
			var want float64
			for _, r := range all {
				if r.Probe == c.probe {
					want += r.Value
				}
			}
			last := cells[len(cells)-1]
			require.Equal(t, []string{"15000", fmt.Sprint(int64(want))}, last[len(last)-2:])
		}
	}
	check()
	// all of it again, as after a lost cursor
	runUntil(t, &fakeSource{all: all}, opt, caughtUp)
	check()
	// a field of another type was there first: what fits is stored, what does not is counted
	r, err := http.Post("http://"+addr+"/write?db=sheds", "text/plain", strings.NewReader("reading,shed=x moisture_pct=5i 1000000000000000000"))
	require.NoError(t, err)
	require.NoError(t, r.Body.Close())
	mixed := readings(100)
	for i := range mixed {
		mixed[i].At = 1_000_000_000_000 + int64(i) // the same shard as the other type
		if i%10 == 0 {
			mixed[i].Quantity = 4
		}
	}
	status, _ = runUntil(t, &fakeSource{all: mixed}, opt, caughtUp)
	require.Equal(t, int64(10), status.DeadLetters)
	cells := ask(t, addr, `SELECT count(temp_c), count(rh_pct) FROM reading WHERE time < '2002-01-01'`)
	last := cells[len(cells)-1]
	require.Equal(t, []string{"40", "50"}, last[len(last)-2:])
	// points beyond retention are reported and left
	ask(t, addr, "ALTER RETENTION POLICY autogen ON sheds DURATION 2w SHARD DURATION 1d")
	now := time.Now().UnixMilli()
	aged := readings(200)
	for i := range aged {
		aged[i].At = now - int64(i)*1000
		if i < 150 {
			aged[i].At -= 400 * 24 * 3600_000
		}
	}
	status, _ = runUntil(t, &fakeSource{all: aged}, opt, caughtUp)
	require.Equal(t, int64(150), status.TooOld)
}
