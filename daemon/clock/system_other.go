//go:build !linux

package clock

import "time"

// bootMillis counts from the start of the program where the system has no time since boot. Good enough to develop with.
func bootMillis() func() int64 {
	begun := time.Now()
	return func() int64 { return time.Since(begun).Milliseconds() }
}

func kernelSynced() (synced, known bool) { return false, false }
