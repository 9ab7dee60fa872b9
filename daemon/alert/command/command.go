// Package command hands messages to a program: one JSON object on its standard input, for whatever has no way out of its own (a modem, a lamp, a
// horn). The program is started without a shell and with no secret in its arguments.
//
// Exit status 0 accepts the message. 64 (wrong usage), 65 (bad data), 77 (no permission), 78 (bad configuration), 126 and 127 (cannot be started)
// are for good; anything else, a signal and running out of time are worth another try. The numbers are those of sysexits.h and of POSIX shells.
package command

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os/exec"
	"path/filepath"
	"time"

	"tackline/daemon/alert"
)

const (
	name     = "command"
	keepMost = 4 << 10 // bytes of the program's words that are kept
)

// Config is what to run.
type Config struct {
	Path string   // absolute path of the program
	Args []string // as they are; never a secret
	Env  []string // "NAME=value"; nil is an empty environment but for PATH
}

// Way runs one program for each message.
type Way struct {
	path string
	args []string
	env  []string
}

var (
	_ alert.Way      = (*Way)(nil)
	_ alert.Answerer = (*Way)(nil)
)

// New checks the path. The program need not be there yet.
func New(c Config) (*Way, error) {
	if !filepath.IsAbs(c.Path) {
		return nil, fmt.Errorf("command: %q: want the absolute path of a program", c.Path)
	}
	env := c.Env
	if env == nil {
		env = []string{"PATH=/usr/local/bin:/usr/bin:/bin"}
	}
	return &Way{path: c.Path, args: c.Args, env: env}, nil
}

// Send does as alert.Way says.
func (w *Way) Send(ctx context.Context, m alert.Message) error {
	_, err := w.Try(ctx, m)
	return err
}

// Try does as alert.Answerer says. The program and all that it started are killed when ctx ends.
func (w *Way) Try(ctx context.Context, m alert.Message) (string, error) {
	body, err := json.Marshal(m)
	if err != nil {
		return "", &alert.SendError{Way: name, Err: err}
	}
	said := &limited{}
	run := exec.CommandContext(ctx, w.path, w.args...)
	run.Stdin, run.Stdout, run.Stderr, run.Env = bytes.NewReader(append(body, '\n')), said, said, w.env
	run.WaitDelay = time.Second
	isolate(run)
	err = run.Run()
	text := alert.OneLine(string(said.kept), 300)
	var exit *exec.ExitError
	switch {
	case ctx.Err() != nil:
		return "", &alert.SendError{Way: name, Temporary: true, Err: fmt.Errorf("%s ran out of time: %w", filepath.Base(w.path), ctx.Err())}
	case err == nil:
		return fmt.Sprintf("exit status 0 %s", text), nil
	case errors.As(err, &exit):
		status := int64(exit.ExitCode())
		if status < 0 {
			return "", &alert.SendError{Way: name, Temporary: true, Err: fmt.Errorf("%s: %s: %s", filepath.Base(w.path), exit, text)}
		}
		return "", &alert.SendError{Way: name, Status: status, Temporary: !final(status), Err: fmt.Errorf("%s: %s", filepath.Base(w.path), text)}
	case errors.Is(err, exec.ErrWaitDelay):
		return fmt.Sprintf("exit status 0, but something that it started still runs: %s", text), nil
	}
	return "", &alert.SendError{Way: name, Status: 127, Err: err}
}

func final(status int64) bool {
	switch status {
	case 64, 65, 77, 78, 126, 127:
		return true
	}
	return false
}

// limited keeps the start of what is written, and lets the rest go.
type limited struct{ kept []byte }

func (l *limited) Write(p []byte) (int, error) {
	l.kept = append(l.kept, p[:min(len(p), keepMost-len(l.kept))]...)
	return len(p), nil
}
