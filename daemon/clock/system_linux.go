package clock

import (
	"time"

	"golang.org/x/sys/unix"
)

// bootMillis reads CLOCK_BOOTTIME, which counts through sleep (clock_gettime(2)). Go's own monotonic reading does not.
func bootMillis() func() int64 {
	begun := time.Now()
	return func() int64 {
		var ts unix.Timespec
		if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
			return time.Since(begun).Milliseconds()
		}
		return ts.Nano() / 1e6
	}
}

// kernelSynced asks the kernel whether anything keeps its clock in step (adjtimex(2); asks only, changes nothing).
func kernelSynced() (synced, known bool) {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	if err != nil {
		return false, false
	}
	return state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0, true
}
