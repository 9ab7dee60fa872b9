// Package ds18b20 reads DS18B20 thermometers, and their sisters, by a bridge from I2C to 1-Wire (DS2482 class), for boards whose kernel drives
// no 1-Wire. Where the kernel does, package sysfs reads them.
//
// Accuracy, typical of the class (data sheet, section "DC electrical characteristics", from memory): 0.5 K in -10..85 C. Response: a minute in still
// air in its steel sleeve; several on a surface, where it must be taped and covered. Range: -55..125 C, steps of a sixteenth. A conversion
// takes 0.75 s: that of all thermometers of a bridge is started at once, and each is read afterwards.
//
// Periph's driver for the chip is not used: its guard against the value of power-up compares with 85 K and never trips, and it writes to the
// chip's permanent memory when it begins. Its driver for the bridge is.
package ds18b20

import (
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/onewire"
	"periph.io/x/devices/v3/ds248x"

	"tackline/sensors"
	"tackline/sensors/internal/chip"
	"tackline/sensors/internal/scratchpad"
)

// DefaultBridge is the bridge's address with its address pins low; 0x19 is the other that the library can talk to.
const DefaultBridge = 0x18

// conversion is how long one of twelve bits takes at most.
const conversion = 752 * time.Millisecond

// fresh is how old a common conversion may be when a thermometer is read.
const fresh = 3 * time.Second

// Bridge is one bridge and the wire behind it.
type Bridge struct {
	chip *chip.Chip
	open func(t *chip.Talk) (onewire.Bus, error)
	wait time.Duration // for a conversion

	wire onewire.Bus
	at   time.Time // when the last common conversion was started
	n    int64     // which it was
}

// NewBridge gives a bridge on an I2C bus that the caller owns. It does not talk to it yet.
func NewBridge(bus i2c.Bus, addr uint16) (*Bridge, error) {
	c, err := chip.New("ds18b20", bus, addr, 0x18, 0x19)
	if err != nil {
		return nil, err
	}
	c.KeepFirst = true // every reading is of a conversion that was started in the same round
	return &Bridge{chip: c, wait: conversion, open: func(t *chip.Talk) (onewire.Bus, error) { return ds248x.New(t, addr, &ds248x.DefaultOpts) }}, nil
}

var address = regexp.MustCompile(`^(22|28|3b|42)-([0-9a-f]{12})$`)

// ParseAddress reads an address as the kernel writes it, family and number, such as 28-0316a2791234, and completes its checksum.
func ParseAddress(s string) (onewire.Address, error) {
	m := address.FindStringSubmatch(s)
	if m == nil {
		return 0, fmt.Errorf("ds18b20: address %q: want family and number, such as 28-0316a2791234", s)
	}
	family, _ := strconv.ParseUint(m[1], 16, 8) // the pattern has seen to it
	number, _ := strconv.ParseUint(m[2], 16, 64)
	a := family | number<<8
	b := make([]byte, 7)
	for i := range b {
		b[i] = byte(a >> (8 * i))
	}
	return onewire.Address(a | uint64(scratchpad.CRC8(b))<<56), nil
}

// Probe is one thermometer.
type Probe struct {
	bridge *Bridge
	dev    onewire.Address
	name   string

	// Guarded by the bridge's chip, which has one talk at a time.
	seen   int64
	last   float64
	known  bool
	closed bool
}

var _ sensors.Probe = (*Probe)(nil)

// Probe gives a thermometer by its address. It need not be there yet.
func (b *Bridge) Probe(addr string) (*Probe, error) {
	dev, err := ParseAddress(addr)
	if err != nil {
		return nil, err
	}
	return &Probe{bridge: b, dev: dev, name: addr}, nil
}

// Read converts, which takes 0.75 s for the first thermometer of a round, and reads. A value of exactly 85 C that is not proven to be the one of
// power-up has status PowerOnValue unless the reading before it was within 2 K.
func (p *Probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	return p.bridge.chip.Read(ctx, p.bridge.setUp, p.measure)
}

func (b *Bridge) setUp(t *chip.Talk) error {
	wire, err := b.open(t)
	if err != nil {
		return err
	}
	b.wire, b.at = wire, time.Time{}
	return nil
}

func (p *Probe) measure(t *chip.Talk) ([]sensors.Reading, error) {
	b := p.bridge
	if p.closed {
		return nil, fmt.Errorf("ds18b20: closed: %w", sensors.ErrAbsent)
	}
	if b.n == p.seen || time.Since(b.at) > fresh {
		// Skip ROM, convert; the wire is held up strongly for those that have no supply of their own.
		if err := b.wire.Tx([]byte{0xcc, 0x44}, nil, onewire.StrongPullup); err != nil {
			return nil, p.failed(err)
		}
		b.at, b.n = time.Now(), b.n+1
		if err := t.Wait(b.wait); err != nil {
			return nil, err
		}
	}
	p.seen = b.n
	pad := make([]byte, 9)
	if err := (&onewire.Dev{Bus: b.wire, Addr: p.dev}).Tx([]byte{0xbe}, pad); err != nil {
		return nil, p.failed(err)
	}
	r, err := scratchpad.Parse(byte(p.dev), pad, nil)
	if err != nil {
		var bad *sensors.BadSample
		if errors.As(err, &bad) {
			if silent(pad) {
				return nil, fmt.Errorf("ds18b20: %w: %s does not answer", sensors.ErrAbsent, p.name)
			}
			return nil, &sensors.BadSample{Status: bad.Status, Err: fmt.Errorf("ds18b20: %s: %w", p.name, bad.Err)}
		}
		return nil, err
	}
	if r.Status == sensors.PowerOnValue && p.known && math.Abs(p.last-r.Value) <= 2 {
		r.Status = sensors.OK
	}
	if r.Status == sensors.OK {
		p.last, p.known = r.Value, true
	}
	return []sensors.Reading{r}, nil
}

// silent tells whether nobody drove the wire.
func silent(pad []byte) bool {
	for _, x := range pad {
		if x != 0xff {
			return false
		}
	}
	return true
}

// failed names what the wire said: nobody there, or held down.
func (p *Probe) failed(err error) error {
	var short onewire.ShortedBusError
	var wire onewire.BusError
	switch {
	case errors.As(err, &short) && short.IsShorted():
		return fmt.Errorf("ds18b20: %w: the wire is shorted: %w", sensors.ErrAbsent, err)
	case errors.As(err, &wire) && wire.BusError():
		return fmt.Errorf("ds18b20: %w: nobody is on the wire: %w", sensors.ErrAbsent, err)
	}
	return err
}

// Close ends the probe; the bridge is shared.
func (p *Probe) Close() error {
	p.closed = true
	return nil
}
