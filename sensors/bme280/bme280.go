// Package bme280 reads the BME280 class of chips for temperature, humidity and pressure, and its sister without humidity, over I2C.
//
// Accuracy, typical of the class (data sheets, from memory): 1 K (it heats itself and reads high), 3 % relative humidity, 1 hPa. Response to
// humidity about 1 s in moving air. Range: -40..85 C, 0..100 %, 300..1100 hPa. Address 0x76 or 0x77.
//
// The chip's own driver is periph's bmxx80. This package adds what a winter of unattended reading needs: the first measurement after each
// reset is thrown away; if one quantity is impossible the whole sample is, since the chip has then lost its calibration; a chip that lost
// power and came back unset is noticed by its "not measured" values; and after any failure it is set up anew.
package bme280

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/bmxx80"

	"tackline/sensors"
)

// DefaultAddress is the address with the chip's SDO pin to ground; 0x77 with it to the supply.
const DefaultAddress = 0x76

// Probe is one chip.
type Probe struct {
	addr uint16

	mu       sync.Mutex
	tap      *tap
	dev      *bmxx80.Dev
	humidity bool
	closed   bool
}

var _ sensors.Probe = (*Probe)(nil)

// New gives a probe on a bus that the caller owns. It does not talk to the chip yet: a chip may be plugged in later.
func New(bus i2c.Bus, addr uint16) (*Probe, error) {
	if addr != 0x76 && addr != 0x77 {
		return nil, fmt.Errorf("bme280: address 0x%02x: the chip can have 0x76 or 0x77", addr)
	}
	return &Probe{addr: addr, tap: &tap{Bus: bus}}, nil
}

// Read measures once, which takes about 30 ms.
func (p *Probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("bme280: %w", err)
	}
	if p.closed {
		return nil, fmt.Errorf("bme280: closed: %w", sensors.ErrAbsent)
	}
	p.tap.ctx, p.tap.err = ctx, nil
	readings, err := p.read()
	if err != nil {
		p.dev = nil // set it up anew next time
	}
	return readings, err
}

func (p *Probe) read() ([]sensors.Reading, error) {
	var env physic.Env
	if p.dev == nil {
		if err := p.setUp(); err != nil {
			return nil, err
		}
		if err := p.dev.Sense(&env); err != nil { // the first after a reset: thrown away
			return nil, p.failed(err)
		}
	}
	if err := p.dev.Sense(&env); err != nil {
		return nil, p.failed(err)
	}
	if p.tap.unset(p.humidity) {
		return nil, p.bad(sensors.WarmUp, "a quantity was not measured: the chip was reset meanwhile")
	}
	t, rh, hpa := env.Temperature.Celsius(), float64(env.Humidity)/float64(physic.PercentRH), float64(env.Pressure)/float64(100*physic.Pascal)
	if t < -40 || t > 85 || hpa < 300 || hpa > 1100 || rh < 0 || rh > 100 {
		return nil, p.bad(sensors.OutOfRange, fmt.Sprintf("%.2f C, %.2f %%, %.2f hPa", t, rh, hpa))
	}
	out := []sensors.Reading{{Quantity: sensors.Temperature, Value: t}, {Quantity: sensors.Pressure, Value: hpa}}
	if p.humidity {
		h := sensors.Reading{Quantity: sensors.Humidity, Value: rh}
		if p.tap.signed {
			// The library reads two of the trims without their sign.
			h.Status = sensors.OutOfRange
		}
		out = append(out, h)
	}
	return out, nil
}

// setUp asks who is there and gives it its settings.
func (p *Probe) setUp() error {
	dev, err := bmxx80.NewI2C(p.tap, p.addr, &bmxx80.DefaultOpts)
	if err != nil {
		return p.failed(err)
	}
	switch name, _, _ := strings.Cut(dev.String(), "{"); name {
	case "BME280":
		p.humidity = true
	case "BMP280":
		p.humidity = false
	default:
		return fmt.Errorf("bme280: the chip at 0x%02x is a %s", p.addr, name)
	}
	p.dev = dev
	return nil
}

// failed gives the error of a talk that did not succeed: absent where the bus did not carry it.
func (p *Probe) failed(err error) error {
	if ctxErr := p.tap.ctx.Err(); ctxErr != nil {
		return fmt.Errorf("bme280: at 0x%02x: %w", p.addr, ctxErr)
	}
	if p.tap.err != nil {
		return fmt.Errorf("bme280: %w: at 0x%02x: %w", sensors.ErrAbsent, p.addr, p.tap.err)
	}
	return fmt.Errorf("bme280: at 0x%02x: %w", p.addr, err)
}

func (p *Probe) bad(s sensors.Status, text string) error {
	return &sensors.BadSample{Status: s, Err: fmt.Errorf("bme280: at 0x%02x: %s; measured data % x", p.addr, text, p.tap.data)}
}

// Close ends the probe; the bus is the caller's.
func (p *Probe) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed, p.dev = true, nil
	return nil
}

// tap sits between driver and bus. It ends a talk whose time is up (the driver waits without limit while the chip says that it is busy),
// keeps the bus's own error, which the driver turns into text, and the data last read.
type tap struct {
	i2c.Bus
	ctx    context.Context
	err    error
	data   []byte
	signed bool
}

// Registers: measured data, humidity trims.
const (
	dataRegister = 0xF7
	trimRegister = 0xE1
)

// Tx carries one transaction.
func (b *tap) Tx(addr uint16, w, r []byte) error {
	if err := b.ctx.Err(); err != nil {
		return err
	}
	if err := b.Bus.Tx(addr, w, r); err != nil {
		b.err = errors.Join(b.err, err)
		return err
	}
	if len(w) == 1 && w[0] == dataRegister {
		b.data = append(b.data[:0], r...)
	}
	if len(w) == 1 && w[0] == trimRegister && len(r) >= 6 {
		b.signed = r[3]&0x80 != 0 || r[5]&0x80 != 0
	}
	return nil
}

// unset tells whether the data have a value that the chip gives for what it was not told to measure.
func (b *tap) unset(humidity bool) bool {
	if len(b.data) < 6 {
		return true
	}
	skipped := func(d []byte) bool { return d[0] == 0x80 && d[1] == 0 && d[2] == 0 }
	return skipped(b.data[0:3]) || skipped(b.data[3:6]) || humidity && (len(b.data) < 8 || b.data[6] == 0x80 && b.data[7] == 0)
}
