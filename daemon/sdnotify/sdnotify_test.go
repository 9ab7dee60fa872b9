package sdnotify

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// manager is a socket that stands in for the service manager's.
func manager(t *testing.T, name string) *net.UnixConn {
	t.Helper()
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	return conn
}

func got(t *testing.T, conn *net.UnixConn) string {
	t.Helper()
	require.NoError(t, conn.SetReadDeadline(time.Now().Add(5*time.Second)))
	buf := make([]byte, 4096)
	n, err := conn.Read(buf)
	require.NoError(t, err)
	return string(buf[:n])
}

// The words are those of sd_notify(3).
func TestMessages(t *testing.T) {
	for _, name := range []string{filepath.Join(t.TempDir(), "n"), fmt.Sprintf("@tackline-test-%d", os.Getpid())} {
		conn := manager(t, name)
		n, err := New(name)
		require.NoError(t, err)
		for want, say := range map[string]func() error{
			"READY=1":                           n.Ready,
			"STATUS=12/12 probes, last 4 s ago": func() error { return n.Status("12/12 probes,\nlast 4 s ago ") },
			"WATCHDOG=1":                        n.Watchdog,
			"RELOADING=1\nMONOTONIC_USEC=1500":  func() error { return n.Reloading(1500 * time.Microsecond) },
			"EXTEND_TIMEOUT_USEC=30000000":      func() error { return n.Extend(30 * time.Second) },
			"STOPPING=1":                        n.Stopping,
		} {
			require.NoError(t, say())
			require.Equal(t, want, got(t, conn))
		}
		for range 3 { // the socket is not used up
			require.NoError(t, n.Watchdog())
			require.Equal(t, "WATCHDOG=1", got(t, conn))
		}
	}
}

func TestWithoutAManager(t *testing.T) {
	n, err := New("")
	require.NoError(t, err)
	require.NoError(t, n.Ready())
	require.NoError(t, (*Notifier)(nil).Stopping())
	_, err = New("run/notify")
	require.ErrorContains(t, err, "want an absolute path")
	n, err = New(filepath.Join(t.TempDir(), "nobody"))
	require.NoError(t, err)
	require.ErrorContains(t, n.Ready(), "sdnotify: ")
}

func TestInterval(t *testing.T) {
	for _, c := range []struct {
		usec, pid string
		want      time.Duration
		err       bool
	}{
		{"", "", 0, false},
		{"30000000", "", 15 * time.Second, false},
		{"30000000", "77", 15 * time.Second, false},
		{"30000000", "78", 0, false},
		{"0", "", 0, true},
		{"-5", "", 0, true},
		{"soon", "", 0, true},
		{"9223372036854775807", "", 0, true},
	} {
		d, err := Interval(c.usec, c.pid, 77)
		require.Equal(t, c.err, err != nil, c)
		require.Equal(t, c.want, d, c)
	}
}

func TestMonotonic(t *testing.T) {
	a, err := Monotonic()
	require.NoError(t, err)
	b, err := Monotonic()
	require.NoError(t, err)
	require.Positive(t, a)
	require.GreaterOrEqual(t, b, a)
}
