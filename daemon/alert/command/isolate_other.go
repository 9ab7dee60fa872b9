//go:build !unix

package command

import "os/exec"

// isolate has nothing to do where there are no process groups: the program itself is killed.
func isolate(*exec.Cmd) {}
