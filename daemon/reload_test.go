package daemon

import (
	"context"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/store"
	"tackline/sensors"
)

// reloading is Keep with a config file, a service manager that listens, and signals.
type reloading struct {
	t      *testing.T
	path   string
	addr   string
	data   string
	said   chan string
	again  chan os.Signal
	ended  chan error
	cancel context.CancelFunc
}

func startReloading(t *testing.T) *reloading {
	k := &reloading{t: t, path: filepath.Join(t.TempDir(), "tackline.toml"), data: t.TempDir(), said: make(chan string, 1000), again: make(chan os.Signal, 1), ended: make(chan error, 1)}
	socket := filepath.Join(t.TempDir(), "n")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	t.Setenv("NOTIFY_SOCKET", socket)
	go func() {
		buf := make([]byte, 4096)
		for {
			n, err := conn.Read(buf)
			if err != nil {
				return
			}
			k.said <- string(buf[:n])
		}
	}()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	k.addr = l.Addr().String()
	require.NoError(t, l.Close())
	k.write("Creek shed", k.addr)
	var ctx context.Context
	ctx, k.cancel = context.WithCancel(context.Background())
	t.Cleanup(k.cancel)
	go func() {
		k.ended <- Keep(ctx, func() (Options, error) {
			c, err := config.Load(k.path)
			return Options{Config: c}, err
		}, k.again)
	}()
	return k
}

// write writes an invented config.
func (k *reloading) write(name, listen string) {
	text := "format = 1\n[shed]\nname = \"" + name + "\"\nzone = \"Europe/Lisbon\"\ndata = \"" + k.data + "\"\nlisten = \"" + listen +
		"\"\n[[probe]]\nname = \"air\"\nkind = \"shed\"\nplace = \"air\"\nseed = 7\ninterval = \"1s\"\n"
	require.NoError(k.t, os.WriteFile(k.path, []byte(text), 0o600))
}

// hear waits for a message of the daemon to the service manager that begins so, and gives it.
func (k *reloading) hear(begins string) string {
	k.t.Helper()
	for {
		select {
		case s := <-k.said:
			if strings.HasPrefix(s, begins) {
				return s
			}
		case err := <-k.ended:
			require.FailNow(k.t, "it ended", "before %s: %v", begins, err)
		case <-time.After(30 * time.Second):
			require.FailNow(k.t, "never said", begins)
		}
	}
}

func (k *reloading) get(path string) string {
	k.t.Helper()
	r, err := http.Get("http://" + k.addr + path)
	require.NoError(k.t, err)
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	require.NoError(k.t, err)
	return string(b)
}

// A reload swaps the whole config; a wrong one, and one that no daemon can be made of, keep the old, and say so to the service manager, on the
// page and in the metrics; a right one after that takes the complaint back.
func TestReloadIsAWholeSwap(t *testing.T) {
	k := startReloading(t)
	k.hear("READY=1")
	k.hear("WATCHDOG=1")
	require.Contains(t, k.get("/"), "Creek shed")
	require.Contains(t, k.get("/metrics"), "tackline_config_reload_failing 0\n")

	require.NoError(t, os.WriteFile(k.path, []byte("format = 1\n[shed]\nnmae = \"x\"\n"), 0o600))
	k.again <- syscall.SIGHUP
	require.Contains(t, k.hear("RELOADING=1"), "MONOTONIC_USEC=")
	require.Contains(t, k.hear("STATUS=the new config is wrong"), "nmae")
	k.hear("READY=1")
	require.Contains(t, k.get("/"), "The new config was refused, the old one goes on")
	require.Contains(t, k.get("/metrics"), "tackline_config_reload_failing 1\n")
	require.Contains(t, k.hear("STATUS="), "the new config was refused")

	taken, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer taken.Close()
	k.write("Other shed", taken.Addr().String()) // right in itself, but the address belongs to another
	k.again <- syscall.SIGHUP
	k.hear("RELOADING=1")
	k.hear("READY=1")
	page := k.get("/")
	require.Contains(t, page, "Creek shed")
	require.Contains(t, page, "address already in use")

	k.write("Osier Slip boatshed (invented)", k.addr)
	k.again <- syscall.SIGHUP
	k.hear("RELOADING=1")
	k.hear("READY=1")
	page = k.get("/")
	require.Contains(t, page, "Osier Slip")
	require.NotContains(t, page, "The new config was refused", "the alert stays until somebody has seen it")
	require.Contains(t, k.get("/metrics"), "tackline_config_reload_failing 0\n")

	k.cancel()
	k.hear("STOPPING=1")
	require.NoError(t, <-k.ended)
	lock, err := net.Listen("tcp", k.addr)
	require.NoError(t, err, "nothing is left running")
	require.NoError(t, lock.Close())
}

// The first config is no reload: its mistakes end the program.
func TestAWrongFirstConfigIsReturned(t *testing.T) {
	err := Keep(t.Context(), func() (Options, error) {
		c, err := config.Load(filepath.Join(t.TempDir(), "none.toml"))
		return Options{Config: c}, err
	}, nil)
	var wrong config.Errors
	require.ErrorAs(t, err, &wrong)
}

// The sign of life hangs on what reaches the store, not on the loop going round.
func TestWatchdogNeedsCommits(t *testing.T) {
	d := &Daemon{}
	d.o.Config.Shed.CommitEvery = time.Minute
	d.loop.boot, d.loop.committed = "b", 1000
	at := func(mono int64) clock.Stamp { return clock.Stamp{Boot: "b", Mono: mono} }
	require.True(t, d.progress(at(1000+3*minuteMs)))
	require.False(t, d.progress(at(1001+3*minuteMs)), "two commits and a minute without one")
	d.loop.committed = 3 * minuteMs
	require.True(t, d.progress(at(1001+3*minuteMs)))
	require.True(t, d.progress(clock.Stamp{Boot: "another", Mono: 1 << 40}), "a new boot begins anew")
}

// A loop that does its work gives its sign of life at every minute of two hours; so it does where the store answers that it cannot write, since a
// restart would lose what is held in memory.
func TestSignOfLifeForHours(t *testing.T) {
	d := onDisk(t, t.TempDir(), nil)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var minutes, silent int64
	d.o.Observe = func(Moment) {
		minutes++
		if !d.progress(d.clock.Now()) {
			silent++
		}
		if minutes == 120 {
			cancel()
		}
	}
	require.NoError(t, d.Run(ctx))
	require.Equal(t, int64(120), minutes)
	require.Zero(t, silent)
	d = onDisk(t, t.TempDir(), nil)
	d.loop.boot = d.clock.Now().Boot
	require.NoError(t, d.store.Append(t.Context(), []store.Row{{Probe: "a", Place: "air", Quantity: sensors.Temperature, At: d.clock.Now().Wall}}))
	require.NoError(t, d.store.Close())
	d.loop.committed -= 10 * minuteMs
	d.commitNow(t.Context())
	require.Error(t, d.errs.get("store"))
	require.True(t, d.progress(d.clock.Now()))
}
