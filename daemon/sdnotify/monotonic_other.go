//go:build !linux

package sdnotify

import (
	"errors"
	"time"
)

// Monotonic has no clock to read where there is no such service manager.
func Monotonic() (time.Duration, error) {
	return 0, errors.New("sdnotify: there is no service manager of this kind on this system")
}
