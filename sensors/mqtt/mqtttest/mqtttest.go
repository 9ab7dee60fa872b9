// Package mqtttest runs a real broker (Eclipse Mosquitto) for tests, on a loopback port of its own, and ends it with the test.
package mqtttest

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// Broker is a running broker.
type Broker struct {
	t    testing.TB
	path string
	conf string
	port int64
	cmd  *exec.Cmd
}

// find gives the path of a program of the broker. A test without it is skipped, or fails where TACKLINE_REQUIRE is set.
func find(t testing.TB, name string) string {
	t.Helper()
	for _, p := range []string{name, "/usr/sbin/" + name, "/usr/bin/" + name, "/usr/local/sbin/" + name} {
		if path, err := exec.LookPath(p); err == nil {
			return path
		}
	}
	require.Empty(t, os.Getenv("TACKLINE_REQUIRE"), "there is no %s", name)
	t.Skipf("there is no %s on this machine: install the broker of that name to run this", name)
	return ""
}

// Start starts a broker with settings of its own beside the listener, such as "allow_anonymous true".
func Start(t testing.TB, settings string) *Broker {
	t.Helper()
	b := &Broker{t: t, path: find(t, "mosquitto")}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	b.port = int64(l.Addr().(*net.TCPAddr).Port)
	require.NoError(t, l.Close())
	b.conf = filepath.Join(t.TempDir(), "broker.conf")
	text := fmt.Sprintf("listener %d 127.0.0.1\n%s\n", b.port, settings)
	if os.Getuid() == 0 {
		text += "user root\n" // else it gives up the right to read the test's files
	}
	require.NoError(t, os.WriteFile(b.conf, []byte(text), 0o600))
	t.Cleanup(b.Kill)
	b.Restart()
	return b
}

// Users gives the path of a file with one user and password.
func Users(t testing.TB, user, password string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "users")
	require.NoError(t, os.WriteFile(file, nil, 0o600))
	require.NoError(t, exec.Command(find(t, "mosquitto_passwd"), "-b", file, user, password).Run())
	return file
}

// URL is its address, mqtt://127.0.0.1:port.
func (b *Broker) URL() string { return fmt.Sprintf("mqtt://127.0.0.1:%d", b.port) }

// Restart starts it after Kill, on the same port and without anything that it knew.
func (b *Broker) Restart() {
	b.t.Helper()
	b.cmd = exec.Command(b.path, "-c", b.conf)
	require.NoError(b.t, b.cmd.Start())
	require.Eventually(b.t, func() bool {
		c, err := net.Dial("tcp", fmt.Sprintf("127.0.0.1:%d", b.port))
		if err == nil {
			_ = c.Close()
		}
		return err == nil
	}, 10*time.Second, 10*time.Millisecond, "the broker does not come up")
}

// Kill ends it without a word.
func (b *Broker) Kill() {
	if b.cmd != nil {
		_ = b.cmd.Process.Kill()
		_ = b.cmd.Wait() // killed is how it ends
		b.cmd = nil
	}
}
