//go:build unix

package command

import (
	"os/exec"
	"syscall"
)

// isolate puts the program into a process group of its own, so that what it started ends with it.
func isolate(run *exec.Cmd) {
	run.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	run.Cancel = func() error { return syscall.Kill(-run.Process.Pid, syscall.SIGKILL) }
}
