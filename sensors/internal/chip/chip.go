// Package chip has what the drivers of all chips on an I2C bus share: one talk with the chip at a time, that ends with its context; the first
// measurement after each set-up thrown away; a failed measurement that leaves no value and has the chip set up anew; and errors that say
// whether nobody answered or somebody answered nonsense.
package chip

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"tackline/sensors"
)

// Chip is one chip at one address.
type Chip struct {
	name string
	bus  i2c.Bus
	addr uint16

	// KeepFirst says that the first measurement after a set-up is as good as any. Set it before the first Read.
	KeepFirst bool

	mu     sync.Mutex
	talk   Talk // one for all, so that a library's driver can be given it once
	ready  bool // set up, and its first measurement thrown away
	closed bool
}

// New gives a chip on a bus that the caller owns. It does not talk to it yet: a chip may be plugged in later. may lists the addresses that it
// can have; none is any.
func New(name string, bus i2c.Bus, addr uint16, may ...uint16) (*Chip, error) {
	if len(may) > 0 && !slices.Contains(may, addr) {
		var list []string
		for _, a := range may {
			list = append(list, fmt.Sprintf("0x%02x", a))
		}
		return nil, fmt.Errorf("%s: address 0x%02x: the chip can have %s", name, addr, strings.Join(list, " or "))
	}
	if addr < 0x03 || addr > 0x77 {
		return nil, fmt.Errorf("%s: address 0x%02x: want one from 0x03 to 0x77", name, addr)
	}
	c := &Chip{name: name, bus: bus, addr: addr}
	c.talk.c = c
	return c, nil
}

// Read sets the chip up where that is needed, and measures. The first measurement after a set-up is made and thrown away. After an error the
// chip is set up anew by the next Read.
func (c *Chip) Read(ctx context.Context, setUp func(*Talk) error, measure func(*Talk) ([]sensors.Reading, error)) ([]sensors.Reading, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("%s: %w", c.name, err)
	}
	if c.closed {
		return nil, fmt.Errorf("%s: closed: %w", c.name, sensors.ErrAbsent)
	}
	t := &c.talk
	t.ctx, t.err = ctx, nil
	out, err := c.read(t, setUp, measure)
	if err != nil {
		c.ready = false
		return nil, t.failed(err)
	}
	return out, nil
}

func (c *Chip) read(t *Talk, setUp func(*Talk) error, measure func(*Talk) ([]sensors.Reading, error)) ([]sensors.Reading, error) {
	if !c.ready {
		if err := setUp(t); err != nil {
			return nil, err
		}
		// What the first one says of itself is thrown away with it; that it was made is not.
		if !c.KeepFirst {
			var bad *sensors.BadSample
			if _, err := measure(t); err != nil && !errors.As(err, &bad) {
				return nil, err
			}
		}
		c.ready = true
	}
	return measure(t)
}

// Close ends the chip; the bus is the caller's. A second Close returns nil.
func (c *Chip) Close() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.closed, c.ready = true, false
	return nil
}

// Talk is the conversation with the chip, by the context of the Read that is under way. It is an i2c.Bus, so that a library's driver can be given it in place of the bus: then what that
// driver waits for ends with the context, and the bus's own error and data are kept though the driver drops them.
type Talk struct {
	c    *Chip
	ctx  context.Context
	err  error  // of the bus
	data []byte // last read
}

var _ i2c.Bus = (*Talk)(nil)

// String gives the bus's name.
func (t *Talk) String() string { return t.c.bus.String() }

// SetSpeed is refused: the speed is set where the board is set up.
func (t *Talk) SetSpeed(physic.Frequency) error {
	return errors.New("chip: the speed is set by the board")
}

// Tx carries one transaction of a library's driver.
func (t *Talk) Tx(addr uint16, w, r []byte) error {
	if err := t.ctx.Err(); err != nil {
		return err
	}
	if err := t.c.bus.Tx(addr, w, r); err != nil {
		t.err = errors.Join(t.err, err)
		return err
	}
	if len(r) > 0 {
		t.data = append(t.data[:0], r...)
	}
	return nil
}

// Say writes to the chip and reads n bytes, in one transaction.
func (t *Talk) Say(n int, w ...byte) ([]byte, error) {
	r := make([]byte, n)
	if n == 0 {
		r = nil
	}
	return r, t.Tx(t.c.addr, w, r)
}

// Data gives the bytes read last.
func (t *Talk) Data() []byte { return t.data }

// Forgive forgets an error of the bus that was expected.
func (t *Talk) Forgive() { t.err = nil }

// Wait waits, at longest to the end of the context.
func (t *Talk) Wait(d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-t.ctx.Done():
		return t.ctx.Err()
	case <-timer.C:
		return nil
	}
}

// Bad gives the error of an answer that cannot be believed, with the bytes read last.
func (t *Talk) Bad(s sensors.Status, format string, args ...any) error {
	return &sensors.BadSample{Status: s, Err: fmt.Errorf("%s: at 0x%02x: %s [% x]", t.c.name, t.c.addr, fmt.Sprintf(format, args...), t.data)}
}

// failed gives the error of a talk that did not succeed: absent where the bus did not carry it.
func (t *Talk) failed(err error) error {
	var bad *sensors.BadSample
	switch {
	case t.ctx.Err() != nil:
		return fmt.Errorf("%s: at 0x%02x: %w", t.c.name, t.c.addr, t.ctx.Err())
	case errors.As(err, &bad):
		return err
	case t.err != nil:
		return fmt.Errorf("%s: %w: at 0x%02x: %w", t.c.name, sensors.ErrAbsent, t.c.addr, t.err)
	}
	return fmt.Errorf("%s: at 0x%02x: %w", t.c.name, t.c.addr, err)
}

// CRC8 is the checksum of many humidity chips: x^8 + x^5 + x^4 + 1, high bit first, from 0xFF, not inverted.
func CRC8(b []byte) byte { return crc(b, 0x31, 0xff) }

// PEC is the packet error code of SMBus: x^8 + x^2 + x + 1, high bit first, from 0 (System Management Bus specification, 3.1, 6.4).
func PEC(b []byte) byte { return crc(b, 0x07, 0) }

func crc(b []byte, poly, from byte) byte {
	for _, x := range b {
		from ^= x
		for range 8 {
			if from&0x80 != 0 {
				from = from<<1 ^ poly
			} else {
				from <<= 1
			}
		}
	}
	return from
}

// Word reads a big-endian number that stands before its checksum.
func (t *Talk) Word(b []byte) (uint16, error) {
	if CRC8(b[:2]) != b[2] {
		return 0, t.Bad(sensors.BadCRC, "checksum %02x where %02x is right", b[2], CRC8(b[:2]))
	}
	return uint16(b[0])<<8 | uint16(b[1]), nil
}
