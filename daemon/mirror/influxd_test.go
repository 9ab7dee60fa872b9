package mirror

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/mirror/influxtest"
)

func ask(t *testing.T, addr, q string) [][]string { return influxtest.Ask(t, addr, "", q) }

// A server that is down at first, is killed in mid write, comes back, and gets everything once more: every point exactly once.
func TestRealInfluxDB(t *testing.T) {
	influxtest.Binary(t)
	dir, addr := t.TempDir(), influxtest.FreeAddr(t)
	all := readings(60_000) // 41 h of 4 channels
	src := &fakeSource{all: all}
	opt := options("http://" + addr)
	opt.Batch = 1000
	runUntil(t, src, opt, func(s Status) bool { return s.LastError != "" })
	stop := influxtest.Start(t, dir, addr)
	status, _ := runUntil(t, src, opt, func(s Status) bool { return s.LastError != "" })
	require.Contains(t, status.LastError, "bucket") // nobody has made the database yet
	ask(t, addr, "CREATE DATABASE sheds")
	runUntil(t, src, opt, func(s Status) bool { return s.Sent >= 10_000 })
	stop()
	runUntil(t, src, opt, func(s Status) bool { return s.LastError != "" })
	influxtest.Start(t, dir, addr)
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
