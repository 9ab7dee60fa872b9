// Package doctor looks a board over: its supply, clock, card, disks and permissions, for what makes a winter's log go wrong. It changes nothing.
//
// Everything is read below a root folder, normally /, so that a test can look over a board that does not exist.
package doctor

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
)

// State says how a thing was found.
type State string

// The states. Only Wrong makes a board found wanting.
const (
	OK      State = "ok"
	Notice  State = "notice"  // works, and is worth knowing
	Wrong   State = "wrong"   // readings or advice will suffer
	Unknown State = "unknown" // could not be told here
)

// Finding is what was found of one thing.
type Finding struct {
	Part  string `json:"part"`
	State State  `json:"state"`
	Text  string `json:"text"`
	Do    string `json:"do,omitempty"` // what to do; empty where nothing is
}

// Identity is who the daemon runs as.
type Identity struct {
	User   string
	UID    uint32
	Groups []uint32
}

// Options of Examine.
type Options struct {
	Root  string   // empty is /
	Data  string   // the data folder, as the config has it
	Who   Identity // the daemon's user
	Buses []int64  // I2C buses that the config's probes need
	W1    bool     // probes on the kernel's 1-Wire are configured
	// Synced tells whether a time server keeps the clock in step; nil looks for the file that one of them leaves.
	Synced func() bool
	// Free gives free and total bytes of a folder's file system; nil asks the kernel.
	Free func(path string) (free, total uint64, err error)
}

type board struct {
	Options
	out []Finding
}

// Examine looks at everything and gives what it found, in the order of what matters first.
func Examine(o Options) []Finding {
	if o.Root == "" {
		o.Root = "/"
	}
	if o.Free == nil {
		o.Free = free
	}
	b := &board{Options: o}
	b.model()
	b.supply()
	b.clock()
	b.disk()
	b.swap()
	for _, n := range o.Buses {
		b.i2c(n)
	}
	if o.W1 {
		b.w1()
	}
	b.heat()
	return b.out
}

func (b *board) say(part string, s State, do, format string, args ...any) {
	b.out = append(b.out, Finding{Part: part, State: s, Text: fmt.Sprintf(format, args...), Do: do})
}

func (b *board) path(parts ...string) string {
	return filepath.Join(append([]string{b.Root}, parts...)...)
}

// text reads a small file, without the zero bytes and line ends that the kernel puts at its end.
func (b *board) text(parts ...string) (string, error) {
	raw, err := os.ReadFile(b.path(parts...))
	return strings.TrimRight(string(raw), "\x00\n "), err
}

func (b *board) model() {
	name, err := b.text("proc/device-tree/model")
	if err != nil {
		if name, err = b.text("sys/class/dmi/id/product_name"); err != nil {
			b.say("board", Unknown, "", "the board does not say what it is")
			return
		}
	}
	release, err := b.text("proc/sys/kernel/osrelease")
	if err != nil {
		release = "unknown"
	}
	b.say("board", OK, "", "%s, kernel %s", name, release)
}

// throttled are the bits of the firmware's word on supply and heat, as the boards that have it document them.
var throttled = []struct {
	bit  uint
	text string
}{{0, "the supply is too low now"}, {2, "the processor is slowed down now"}, {16, "the supply was too low since the start"}, {18, "the processor was slowed down since the start"}}

// supply looks for undervoltage: the kernel's own alarm, else the firmware's word.
func (b *board) supply() {
	const do = "use a stronger supply and a shorter, thicker cable: a board that browns out spoils its card and resets its probes"
	dirs, _ := filepath.Glob(b.path("sys/class/hwmon/hwmon*"))
	for _, dir := range dirs {
		name, err := os.ReadFile(filepath.Join(dir, "name"))
		if err != nil || strings.TrimSpace(string(name)) != "rpi_volt" {
			continue
		}
		alarm, err := os.ReadFile(filepath.Join(dir, "in0_lcrit_alarm"))
		switch {
		case err != nil:
			continue
		case strings.TrimSpace(string(alarm)) == "1":
			b.say("supply", Wrong, do, "the supply voltage is, or was, too low")
		default:
			b.say("supply", OK, "", "no low voltage was noticed")
		}
		return
	}
	word, err := b.text("sys/devices/platform/soc/soc:firmware/get_throttled")
	if err != nil {
		b.say("supply", Unknown, "", "this board does not tell whether its supply is too low")
		return
	}
	bits, err := strconv.ParseUint(strings.TrimPrefix(word, "0x"), 16, 64)
	if err != nil {
		b.say("supply", Unknown, "", "the firmware's word %q can't be read", word)
		return
	}
	var bad []string
	for _, t := range throttled {
		if bits&(1<<t.bit) != 0 {
			bad = append(bad, t.text)
		}
	}
	if len(bad) > 0 {
		b.say("supply", Wrong, do, "%s", strings.Join(bad, "; "))
		return
	}
	b.say("supply", OK, "", "no low voltage since the start")
}

// clock looks whether time was set by a server, and whether there is a battery clock.
func (b *board) clock() {
	rtc := b.exists("sys/class/rtc/rtc0")
	synced := b.exists("run/systemd/timesync/synchronized") || b.Synced != nil && b.Synced()
	switch {
	case synced && rtc:
		b.say("clock", OK, "", "set by a time server; the board has a battery clock")
	case synced:
		b.say("clock", Notice, "a battery clock (RTC) for a few coins keeps the time over a power cut without internet",
			"set by a time server; the board has no battery clock: after a power cut it does not know the time until it reaches a server")
	case rtc:
		b.say("clock", Notice, "", "not set by a time server; the board has a battery clock, which drifts by seconds a week")
	default:
		b.say("clock", Wrong, "let the board reach a time server, or fit a battery clock (RTC)",
			"not set by a time server, and the board has no battery clock: readings are dated when it is set; advice that needs the time of day is withheld")
	}
}

func (b *board) exists(parts ...string) bool {
	_, err := os.Stat(b.path(parts...))
	return err == nil
}

// mount is a line of /proc/self/mounts.
type mount struct {
	dev, at, kind string
	options       []string
}

func (b *board) mounts() []mount {
	text, err := b.text("proc/self/mounts")
	if err != nil {
		return nil
	}
	var out []mount
	for line := range strings.Lines(text) {
		if f := strings.Fields(line); len(f) >= 4 {
			out = append(out, mount{f[0], strings.ReplaceAll(f[1], `\040`, " "), f[2], strings.Split(f[3], ",")})
		}
	}
	return out
}

// on gives the mount that a folder lies on: the longest that it begins with.
func on(mounts []mount, path string) (mount, bool) {
	var best mount
	found := false
	for _, m := range mounts {
		if (path == m.at || m.at == "/" || strings.HasPrefix(path, m.at+"/")) && (!found || len(m.at) >= len(best.at)) {
			best, found = m, true
		}
	}
	return best, found
}

// disk looks at the file system of the data folder.
func (b *board) disk() {
	data := filepath.Clean(b.Data)
	m, ok := on(b.mounts(), data)
	card := strings.HasPrefix(m.dev, "/dev/mmcblk")
	switch {
	case !ok:
		b.say("disk", Unknown, "", "the mount of %s is not known", data)
	case slices.Contains([]string{"tmpfs", "ramfs", "overlay"}, m.kind):
		b.say("disk", Wrong, "move data in the config to a disk", "%s lies on %s: everything is gone when the power goes", data, m.kind)
	case slices.Contains([]string{"vfat", "exfat", "msdos", "nfs", "nfs4", "cifs", "9p"}, m.kind):
		b.say("disk", Wrong, "use a local disk with ext4, xfs, btrfs or f2fs", "%s lies on %s, which does not hold a database safely through a power cut", data, m.kind)
	case slices.Contains(m.options, "ro"):
		b.say("disk", Wrong, "mount it for writing; a card that has turned read-only is dying: copy it and replace it", "%s is mounted read-only", m.at)
	default:
		b.say("disk", OK, "", "%s lies on %s (%s)", data, m.dev, m.kind)
	}
	if ok && card {
		switch {
		case !slices.Contains(m.options, "noatime") && !slices.Contains(m.options, "relatime"):
			b.say("card wear", Notice, "add noatime to its line in /etc/fstab", "%s is an SD card on which each read writes the time of reading", m.dev)
		case slices.Contains(m.options, "sync"):
			b.say("card wear", Notice, "take sync out of its line in /etc/fstab: the daemon syncs what must be safe", "%s writes each byte at once", m.dev)
		default:
			b.say("card wear", OK, "", "%s is an SD card and spares writes", m.dev)
		}
	}
	there := data
	for there != "/" && there != "." && !b.exists(there) {
		there = filepath.Dir(there) // not made yet: it will lie where its parent lies
	}
	left, total, err := b.Free(b.path(there))
	const gb = 1 << 30
	switch {
	case err != nil:
		b.say("space", Unknown, "", "free space of %s: %v", data, err)
	case left < gb/10:
		b.say("space", Wrong, "make room: a full disk keeps readings in memory only", "%.2f GB of %.1f GB free: readings will soon not be kept", float64(left)/gb, float64(total)/gb)
	case left < gb:
		b.say("space", Notice, "make room before the winter: a season takes about a quarter of this", "%.2f GB of %.1f GB free", float64(left)/gb, float64(total)/gb)
	default:
		b.say("space", OK, "", "%.1f GB of %.1f GB free", float64(left)/gb, float64(total)/gb)
	}
}

// free asks the kernel.
func free(path string) (left, total uint64, err error) {
	var st syscall.Statfs_t
	if err := syscall.Statfs(path, &st); err != nil {
		return 0, 0, err
	}
	return uint64(st.Bavail) * uint64(st.Bsize), uint64(st.Blocks) * uint64(st.Bsize), nil
}

// swap looks for swapping on a card.
func (b *board) swap() {
	text, err := b.text("proc/swaps")
	if err != nil {
		return
	}
	for _, line := range strings.Split(text, "\n")[1:] {
		f := strings.Fields(line)
		if len(f) == 0 || strings.HasPrefix(f[0], "/dev/zram") {
			continue
		}
		if m, ok := on(b.mounts(), f[0]); strings.HasPrefix(f[0], "/dev/mmcblk") || ok && strings.HasPrefix(m.dev, "/dev/mmcblk") {
			b.say("card wear", Notice, "switch swapping off, or let it go to memory (zram)", "the board swaps to its SD card (%s)", f[0])
		}
	}
}

// heat looks at the processor's temperature: a hot board warms a probe beside it.
func (b *board) heat() {
	milli, err := b.text("sys/class/thermal/thermal_zone0/temp")
	if err != nil {
		return
	}
	v, err := strconv.ParseFloat(milli, 64)
	switch {
	case err != nil:
	case v >= 80_000:
		b.say("heat", Wrong, "give the board air", "the processor is at %.0f C and slows itself down", v/1000)
	case v >= 60_000:
		b.say("heat", Notice, "hang probes a cable's length from the board", "the processor is at %.0f C: a probe near the board reads too warm and too dry", v/1000)
	default:
		b.say("heat", OK, "", "the processor is at %.0f C", v/1000)
	}
}

// may tells whether the daemon's user may do with a file what the bits (4 read, 2 write) say, and the group that the file belongs to.
func (b *board) may(path string, bits uint32) (ok bool, group string, err error) {
	info, err := os.Stat(path)
	if err != nil {
		return false, "", err
	}
	st, is := info.Sys().(*syscall.Stat_t)
	if !is {
		return false, "", errors.New("doctor: the file's owner is not known")
	}
	mode := uint32(info.Mode().Perm())
	group = b.groupName(st.Gid)
	switch {
	case b.Who.UID == 0:
		return true, group, nil
	case b.Who.UID == st.Uid:
		return mode>>6&bits == bits, group, nil
	case slices.Contains(b.Who.Groups, st.Gid):
		return mode>>3&bits == bits, group, nil
	}
	return mode&bits == bits, group, nil
}

// groupName looks a group up in the root's own list.
func (b *board) groupName(gid uint32) string {
	text, _ := b.text("etc/group")
	for line := range strings.Lines(text) {
		if f := strings.Split(strings.TrimSpace(line), ":"); len(f) >= 3 && f[2] == strconv.FormatUint(uint64(gid), 10) {
			return f[0]
		}
	}
	return strconv.FormatUint(uint64(gid), 10)
}

func (b *board) user() string {
	if b.Who.User != "" {
		return b.Who.User
	}
	return strconv.FormatUint(uint64(b.Who.UID), 10)
}

// i2c looks at one bus: switched on, and open to the daemon.
func (b *board) i2c(n int64) {
	dev := fmt.Sprintf("/dev/i2c-%d", n)
	part := fmt.Sprintf("I2C bus %d", n)
	ok, group, err := b.may(b.path(dev), 6)
	switch {
	case errors.Is(err, fs.ErrNotExist) && b.exists(fmt.Sprintf("sys/bus/i2c/devices/i2c-%d", n)):
		b.say(part, Wrong, "load the kernel's module i2c-dev: a line i2c-dev in a file of /etc/modules-load.d", "the kernel has the bus, and %s is missing", dev)
	case errors.Is(err, fs.ErrNotExist):
		b.say(part, Wrong, "switch I2C on in the board's settings, or correct bus in the config", "%s is missing: I2C is not switched on, or this board has no bus %d", dev, n)
	case err != nil:
		b.say(part, Unknown, "", "%s: %v", dev, err)
	case !ok && group == "root":
		b.say(part, Wrong, `a rule in /etc/udev/rules.d: SUBSYSTEM=="i2c-dev", GROUP="i2c", MODE="0660"; then add user `+b.user()+" to group i2c",
			"%s belongs to root alone: user %s may not use it", dev, b.user())
	case !ok:
		b.say(part, Wrong, fmt.Sprintf("usermod -aG %s %s, or SupplementaryGroups=%s in the unit; then restart the daemon", group, b.user(), group),
			"user %s is not in group %s, to which %s belongs", b.user(), group, dev)
	default:
		b.say(part, OK, "", "%s is open to user %s", dev, b.user())
	}
}

// w1 looks at the kernel's 1-Wire: masters, common conversion, and how each thermometer is fed.
func (b *board) w1() {
	masters, _ := filepath.Glob(b.path("sys/bus/w1/devices/w1_bus_master*"))
	if len(masters) == 0 {
		b.say("1-Wire", Wrong, "switch 1-Wire on in the board's settings (w1-gpio)", "the kernel drives no 1-Wire bus")
		return
	}
	for _, m := range masters {
		file := filepath.Join(m, "therm_bulk_read")
		ok, _, err := b.may(file, 2)
		switch name := filepath.Base(m); {
		case errors.Is(err, fs.ErrNotExist):
			b.say("1-Wire", Notice, "", "%s has no common conversion: each thermometer takes 0.75 s in turn", name)
		case err != nil:
			b.say("1-Wire", Unknown, "", "%s: %v", name, err)
		case !ok:
			b.say("1-Wire", Notice, `a rule in /etc/udev/rules.d: SUBSYSTEM=="w1", KERNEL=="[0-9a-f][0-9a-f]-*", RUN+="/bin/sh -c 'chgrp tackline /sys%p/../therm_bulk_read; `+
				`chmod 664 /sys%p/../therm_bulk_read'"`,
				"user %s may not start a common conversion on %s: each thermometer takes 0.75 s in turn", b.user(), name)
		default:
			b.say("1-Wire", OK, "", "%s converts all its thermometers at once", name)
		}
	}
	chips, _ := filepath.Glob(b.path("sys/bus/w1/devices/*-*"))
	for _, c := range chips {
		if power, err := os.ReadFile(filepath.Join(c, "ext_power")); err == nil && strings.TrimSpace(string(power)) == "0" {
			b.say("1-Wire", Notice, "give it a third wire: fed over its data line it may read 85 C in the cold or on a long cable", "%s has no supply of its own", filepath.Base(c))
		}
	}
}
