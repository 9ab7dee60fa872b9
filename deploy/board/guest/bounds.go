//go:build linux

package main

import (
	"fmt"
	"os"
	"path/filepath"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Devices in files that anybody may open: two that are no bus, and one that is, with no sensor behind it.
const (
	forbiddenMemory = "/dev/try-memory"
	forbiddenDisk   = "/dev/try-disk"
	nothingOnIIO    = "/dev/try-iio"
)

// bounds is run within the unit, by a drop-in of the test: it tries what the unit should let through and what it should not, as the daemon's user and
// under its rules, and writes a line of each.
func bounds() {
	out, err := os.Create(filepath.Join(os.Getenv("RUNTIME_DIRECTORY"), "bounds"))
	if err != nil {
		fmt.Println("guest: bounds:", err)
		return
	}
	defer out.Close()
	say := func(what string, err error) {
		if err != nil {
			fmt.Fprintf(out, "%s: refused: %v\n", what, err)
			return
		}
		fmt.Fprintf(out, "%s: ok\n", what)
	}
	fmt.Fprintf(out, "user: %d\n", os.Getuid())
	say("i2c", readI2C(out))
	say("gpio", onOpen("/dev/gpiochip0", func(f *os.File) error {
		var info [68]byte // struct gpiochip_info
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, f.Fd(), 0x8044b401, uintptr(unsafe.Pointer(&info)))
		if errno != 0 {
			return errno
		}
		return nil
	}))
	say("iio", onOpen(nothingOnIIO, nil))
	say("memory", onOpen(forbiddenMemory, nil))
	say("disk", onOpen(forbiddenDisk, nil))
	for what, pattern := range map[string]string{"hwmon file": "/sys/class/hwmon/hwmon*/temp1_input", "w1 file": "/sys/bus/w1/devices/28-*/w1_slave"} {
		found, _ := filepath.Glob(pattern)
		if len(found) == 0 {
			say(what, os.ErrNotExist)
			continue
		}
		_, err := os.ReadFile(found[0])
		say(what, err)
	}
	say("w1 trigger", os.WriteFile("/sys/devices/w1_bus_master1/therm_bulk_read", []byte("trigger\n"), 0))
	say("kernel setting", os.WriteFile("/proc/sys/kernel/hostname", []byte("x"), 0))
	say("own folder", os.WriteFile(filepath.Join(os.Getenv("STATE_DIRECTORY"), "bounds"), nil, 0o600))
	say("system", os.WriteFile("/usr/bounds", nil, 0o600))
	fmt.Fprintln(out, "done")
}

func onOpen(path string, then func(*os.File) error) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	if then == nil {
		return nil
	}
	return then(f)
}

// readI2C reads the thermometer that no driver of the kernel holds, as a program does that drives a chip itself.
func readI2C(out *os.File) error {
	return onOpen("/dev/i2c-0", func(f *os.File) error {
		if err := unix.IoctlSetInt(int(f.Fd()), 0x0703, 0x4a); err != nil { // I2C_SLAVE
			return err
		}
		if _, err := f.Write([]byte{0}); err != nil {
			return err
		}
		var b [2]byte
		if _, err := f.Read(b[:]); err != nil {
			return err
		}
		fmt.Fprintf(out, "temperature: %.4f\n", float64(int16(b[0])<<8|int16(b[1]))/256)
		return nil
	})
}
