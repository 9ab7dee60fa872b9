package sdnotify

import (
	"fmt"
	"time"

	"golang.org/x/sys/unix"
)

// Monotonic gives the time of CLOCK_MONOTONIC, which is what the manager compares MONOTONIC_USEC with.
func Monotonic() (time.Duration, error) {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts); err != nil {
		return 0, fmt.Errorf("sdnotify: read the monotonic clock: %w", err)
	}
	return time.Duration(ts.Nano()), nil
}
