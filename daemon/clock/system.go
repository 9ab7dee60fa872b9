package clock

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

// Jump is a step of the wall clock that the time since boot did not make.
type Jump struct {
	At Stamp // the first stamp after it
	By int64 // milliseconds; above 0 is forward
}

// jumpOver is the least step in milliseconds that counts as a jump. A time server that slews moves the clock by at most 0.5 ms a second.
const jumpOver = 1000

// stateAge is how long, in milliseconds since boot, a look at the clock's trust is good for.
const stateAge = 10_000

// earliest is a wall time in Unix milliseconds before which no clock can be right (1 January 2025): a battery clock that
// says less has lost its battery.
const earliest = 1_735_689_600_000

// System is the board's own clock. It is safe for use by several goroutines.
type System struct {
	// All of these are replaced in tests.
	wall   func() int64        // Unix milliseconds
	mono   func() int64        // milliseconds since boot
	kernel func() (bool, bool) // set by a time server; known
	run    string              // the root of /run
	sys    string              // the root of /sys

	mu        sync.Mutex
	boot      string
	begun     bool
	offset    int64 // wall minus mono at the last look
	last      Jump
	jumps     int64
	confirmed bool
	state     State
	stateAt   int64
}

// NewSystem reads the boot id and gives the clock. It works without a boot id, a time server or a battery clock, and says so by State.
func NewSystem() *System {
	return &System{wall: func() int64 { return time.Now().UnixMilli() }, mono: bootMillis(), kernel: kernelSynced, run: "/run", sys: "/sys",
		boot: bootID("/proc/sys/kernel/random/boot_id")}
}

// bootID gives the id that the kernel draws at each boot. Without one, a text that no other run has.
func bootID(path string) string {
	if b, err := os.ReadFile(path); err == nil {
		if id := strings.TrimSpace(string(b)); id != "" {
			return id
		}
	}
	return "run-" + time.Now().UTC().Format("20060102T150405.000000000")
}

// Now looks at the clock, and notes a jump if there was one since the last look.
func (c *System) Now() Stamp {
	c.mu.Lock()
	defer c.mu.Unlock()
	mono, wall := c.mono(), c.wall()
	offset := wall - mono
	by := offset - c.offset
	jumped := c.begun && (by > jumpOver || by < -jumpOver)
	if jumped {
		// What a person vouched for was the clock as it stood.
		c.confirmed = false
	}
	if !c.begun || jumped || mono-c.stateAt >= stateAge {
		c.state, c.stateAt = c.look(wall), mono
	}
	s := Stamp{Wall: wall, Mono: mono, Boot: c.boot, State: c.state}
	if jumped {
		c.last, c.jumps = Jump{At: s, By: by}, c.jumps+1
	}
	c.offset, c.begun = offset, true
	return s
}

// look judges the clock. Neither the kernel's flag nor the time service's file is reliable alone (systemd-timesyncd(8), adjtimex(2)), so
// either will do.
func (c *System) look(wall int64) State {
	synced, known := c.kernel()
	if known && synced {
		return Synced
	}
	if _, err := os.Stat(filepath.Join(c.run, "systemd/timesync/synchronized")); err == nil {
		return Synced
	}
	if c.confirmed {
		return Manual
	}
	if wall >= earliest && setFromBattery(c.sys) {
		return RTC
	}
	return Unsynced
}

// setFromBattery tells whether the kernel took the time from a hardware clock at boot (attribute hctosys, kernel ABI sysfs-class-rtc).
func setFromBattery(sys string) bool {
	files, _ := filepath.Glob(filepath.Join(sys, "class/rtc/rtc*/hctosys"))
	for _, f := range files {
		if b, err := os.ReadFile(f); err == nil && strings.TrimSpace(string(b)) == "1" {
			return true
		}
	}
	return false
}

// Confirm records that a person looked at the wall clock and found it right. It holds until the clock jumps or the daemon ends.
func (c *System) Confirm() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.confirmed, c.stateAt = true, c.mono()-stateAge
}

// Jumps gives the number of jumps seen and the last of them.
func (c *System) Jumps() (n int64, last Jump) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.jumps, c.last
}

// Wait waits by monotonic time. A wait of more than a minute returns after a minute, so that a jump between Now and Wait does no harm.
func (c *System) Wait(ctx context.Context, until int64) error {
	ms := until - c.wall()
	if ms > int64(longestWait/time.Millisecond) {
		return sleep(ctx, longestWait)
	}
	return sleep(ctx, time.Duration(ms)*time.Millisecond)
}
