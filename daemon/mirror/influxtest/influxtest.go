// Package influxtest starts a real InfluxDB 1.8 for tests. The binary is named by TACKLINE_INFLUXD; without it the test is skipped, or fails
// where TACKLINE_REQUIRE is set.
package influxtest

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

// Binary gives the path of influxd, or skips.
func Binary(t testing.TB) string {
	t.Helper()
	path := os.Getenv("TACKLINE_INFLUXD")
	if path == "" {
		if os.Getenv("TACKLINE_REQUIRE") != "" {
			t.Fatal("TACKLINE_INFLUXD does not name an influxd of InfluxDB 1.8")
		}
		t.Skip("TACKLINE_INFLUXD does not name an influxd of InfluxDB 1.8")
	}
	return path
}

// Start starts a server on a folder and waits until it answers; stop kills it as a power cut would, at the latest when the test ends. Lines of
// http are added to that section of its config, such as auth-enabled = true.
func Start(t testing.TB, dir, addr string, http ...string) (stop func()) {
	t.Helper()
	conf := fmt.Sprintf("reporting-disabled = true\nbind-address = %q\n[meta]\ndir = %q\n[data]\ndir = %q\nwal-dir = %q\nquery-log-enabled = false\n"+
		"[http]\nbind-address = %q\nlog-enabled = false\nflux-enabled = true\n%s\n[monitor]\nstore-enabled = false\n",
		FreeAddr(t), filepath.Join(dir, "meta"), filepath.Join(dir, "data"), filepath.Join(dir, "wal"), addr, strings.Join(http, "\n"))
	name := filepath.Join(dir, "influxdb.conf")
	require.NoError(t, os.WriteFile(name, []byte(conf), 0o600))
	cmd := exec.Command(Binary(t), "-config", name)
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
	require.Eventually(t, func() bool { return answers(addr) }, 2*time.Minute, 50*time.Millisecond)
	return stop
}

func answers(addr string) bool {
	r, err := http.Get("http://" + addr + "/ping")
	return err == nil && r.Body.Close() == nil && r.StatusCode == http.StatusNoContent
}

// FreeAddr gives a loopback address that nobody listens at.
func FreeAddr(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().String()
}

// Ask runs InfluxQL on the database sheds and gives the cells of its CSV answer. login is user:password, or "".
func Ask(t testing.TB, addr, login, q string) [][]string {
	t.Helper()
	r, err := http.NewRequest(http.MethodPost, "http://"+addr+"/query", strings.NewReader(url.Values{"q": {q}, "db": {"sheds"}}.Encode()))
	require.NoError(t, err)
	if user, password, ok := strings.Cut(login, ":"); ok {
		r.SetBasicAuth(user, password)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Accept", "application/csv")
	answer, err := http.DefaultClient.Do(r)
	require.NoError(t, err)
	defer answer.Body.Close()
	cells, err := csv.NewReader(answer.Body).ReadAll()
	require.NoError(t, err)
	return cells
}
