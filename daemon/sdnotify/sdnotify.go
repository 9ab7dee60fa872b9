// Package sdnotify tells the service manager how the daemon is, by the datagrams of sd_notify(3): one message of NAME=value lines to the Unix
// socket named in NOTIFY_SOCKET. The environment is read by the caller and never changed, so that later messages find the socket too.
package sdnotify

import (
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"
)

// Notifier sends to one socket. The zero value, and nil, send nothing: the daemon was not started by a service manager.
type Notifier struct {
	socket string
}

// New takes the value of NOTIFY_SOCKET: a path, or "@" and the name of an abstract socket. "" sends nothing.
func New(socket string) (*Notifier, error) {
	if socket != "" && !strings.HasPrefix(socket, "/") && !strings.HasPrefix(socket, "@") {
		return nil, fmt.Errorf("sdnotify: NOTIFY_SOCKET is %q: want an absolute path or @ and a name", socket)
	}
	return &Notifier{socket: socket}, nil
}

// Interval takes the values of WATCHDOG_USEC and WATCHDOG_PID and the own process number, and gives how often Watchdog should be called: half
// of what the manager allows. 0 is never: no watchdog is set, or it is meant for another process.
func Interval(usec, pid string, own int) (time.Duration, error) {
	if usec == "" || pid != "" && pid != strconv.Itoa(own) {
		return 0, nil
	}
	us, err := strconv.ParseInt(usec, 10, 64)
	if err != nil || us <= 0 || us > int64(time.Duration(1<<63-1)/time.Microsecond) {
		return 0, fmt.Errorf("sdnotify: WATCHDOG_USEC is %q: want a number of microseconds above 0", usec)
	}
	return time.Duration(us) * time.Microsecond / 2, nil
}

// Ready says that the daemon has started, or that a reload is done.
func (n *Notifier) Ready() error { return n.send("READY=1") }

// Status gives one line for a person.
func (n *Notifier) Status(text string) error {
	return n.send("STATUS=" + strings.Join(strings.Fields(text), " "))
}

// Watchdog says that there was real progress. The caller vouches for that.
func (n *Notifier) Watchdog() error { return n.send("WATCHDOG=1") }

// Reloading says that a reload has begun, with the time of CLOCK_MONOTONIC (see Monotonic) that the manager needs to tell it from an earlier
// one. Ready ends it.
func (n *Notifier) Reloading(monotonic time.Duration) error {
	return n.send(fmt.Sprintf("RELOADING=1\nMONOTONIC_USEC=%d", monotonic.Microseconds()))
}

// Extend asks for more time, counted from now, to start or to stop: for a migration of the store.
func (n *Notifier) Extend(more time.Duration) error {
	return n.send(fmt.Sprintf("EXTEND_TIMEOUT_USEC=%d", more.Microseconds()))
}

// Stopping says that the daemon is on its way out.
func (n *Notifier) Stopping() error { return n.send("STOPPING=1") }

// send makes a connection for each message: they are few, and the manager may have been restarted since the last. Writing is bounded, since a
// manager that does not read must not stop the logging.
func (n *Notifier) send(message string) error {
	if n == nil || n.socket == "" {
		return nil
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: n.socket, Net: "unixgram"})
	if err != nil {
		return fmt.Errorf("sdnotify: %w", err)
	}
	defer conn.Close()
	if err := conn.SetWriteDeadline(time.Now().Add(time.Second)); err != nil {
		return fmt.Errorf("sdnotify: %w", err)
	}
	if _, err := conn.Write([]byte(message)); err != nil {
		return fmt.Errorf("sdnotify: %w", err)
	}
	return nil
}
