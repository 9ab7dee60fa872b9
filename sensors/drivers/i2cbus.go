package drivers

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	host "periph.io/x/host/v3/sysfs"
)

// i2cOptions are the settings of every chip by I2C.
func i2cOptions(address string) []Option {
	return []Option{
		{"bus", "number of the I2C bus, as in /dev/i2c-1; default 1", false},
		{"address", "the chip's address on it; default " + address, false},
	}
}

// busAndAddress reads these settings.
func busAndAddress(spec Spec, address uint16) (bus int, addr uint16, err error) {
	bus = 1
	if text := spec.Options["bus"]; text != "" {
		n, err := strconv.ParseUint(strings.TrimPrefix(strings.TrimPrefix(text, "/dev/"), "i2c-"), 10, 8)
		if err != nil {
			return 0, 0, fmt.Errorf("bus %q: want the number of an I2C bus, such as 1", text)
		}
		bus = int(n)
	}
	if text := spec.Options["address"]; text != "" {
		n, err := strconv.ParseUint(text, 0, 16)
		if err != nil || n < 0x03 || n > 0x77 {
			return 0, 0, fmt.Errorf("address %q: want a 7-bit address, such as 0x%02x", text, address)
		}
		address = uint16(n)
	}
	return bus, address, nil
}

// i2c gives the bus of a number, the same to all.
func (s *Set) i2c(number int) *lazyBus {
	s.mu.Lock()
	defer s.mu.Unlock()
	b := s.buses[number]
	if b == nil {
		b = &lazyBus{number: number, sys: s.env.Sys, open: s.env.OpenI2C}
		if b.open == nil {
			b.open = openBoardBus
		}
		s.buses[number] = b
	}
	return b
}

// lazyBus is an I2C bus that is opened when it is first used and again after an error, so that a bus that comes late or goes away needs no
// restart.
type lazyBus struct {
	number int
	sys    string
	open   func(number int) (i2c.BusCloser, error)

	mu  sync.Mutex
	bus i2c.BusCloser
}

var _ i2c.Bus = (*lazyBus)(nil)

// String gives the bus's name.
func (b *lazyBus) String() string { return fmt.Sprintf("i2c-%d", b.number) }

// SetSpeed is refused: the speed is set where the board is set up.
func (b *lazyBus) SetSpeed(physic.Frequency) error {
	return fmt.Errorf("drivers: the speed of %s is set by the board", b)
}

// Tx carries one transaction. It refuses an address that a driver of the kernel owns: two masters of one chip read each other's halves.
func (b *lazyBus) Tx(addr uint16, w, r []byte) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	client := fmt.Sprintf("%d-%04x", b.number, addr)
	if driver, err := os.Readlink(filepath.Join(b.sys, "bus/i2c/devices", client, "driver")); err == nil {
		name := filepath.Base(driver)
		return fmt.Errorf("drivers: address 0x%02x of %s belongs to the kernel's driver %s: %w; read it with kind \"sysfs\" and a device such as %q",
			addr, b, name, syscall.EBUSY, name+"@"+client)
	}
	if b.bus == nil {
		bus, err := b.open(b.number)
		if err != nil {
			return err
		}
		b.bus = bus
	}
	err := b.bus.Tx(addr, w, r)
	if err != nil {
		err = errors.Join(err, b.bus.Close())
		b.bus = nil
	}
	return err
}

// Close closes the bus. A bus that hangs is left to the end of the process.
func (b *lazyBus) Close() error {
	if !b.mu.TryLock() {
		return nil
	}
	defer b.mu.Unlock()
	if b.bus == nil {
		return nil
	}
	err := b.bus.Close()
	b.bus = nil
	return err
}

// openBoardBus opens the board's bus, and says what to do where it cannot.
func openBoardBus(number int) (i2c.BusCloser, error) {
	path := fmt.Sprintf("/dev/i2c-%d", number)
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("drivers: %w: I2C is not switched on, or this board has no bus %d", err, number)
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("drivers: %w: the daemon's user must be in group %s", err, groupOf(path))
	case err != nil:
		return nil, fmt.Errorf("drivers: %w", err)
	}
	if err := f.Close(); err != nil {
		return nil, fmt.Errorf("drivers: %w", err)
	}
	bus, err := host.NewI2C(number)
	if err != nil {
		return nil, fmt.Errorf("drivers: %w", err)
	}
	return bus, nil
}

// groupOf names the group that a file belongs to.
func groupOf(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return "of " + path
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return "of " + path
	}
	gid := strconv.FormatUint(uint64(st.Gid), 10)
	if g, err := user.LookupGroupId(gid); err == nil {
		return g.Name
	}
	return gid
}
