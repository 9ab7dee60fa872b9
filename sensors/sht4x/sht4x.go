// Package sht4x reads the SHT40, SHT41 and SHT45 class of chips for temperature and humidity over I2C.
//
// Accuracy, typical of the class (data sheets, section "humidity and temperature sensor specifications", from memory): 0.2 K, 1.8 % relative
// humidity, more above 80 %. Response to humidity about 4 s, to temperature 2 s, both in moving air. Range: -40..125 C, 0..100 %. Address
// 0x44, 0x45 or 0x46, fixed by the order number. A measurement of high repeatability takes up to 8.3 ms (section "timing").
//
// The chip has no status word. Its heater only runs when it is told to, and for a second at most; the reset at the set-up ends that too, and
// the measurement after it is dropped.
package sht4x

import (
	"context"
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"

	"tackline/sensors"
	"tackline/sensors/internal/chip"
)

// DefaultAddress is the address of the commonest order number.
const DefaultAddress = 0x44

// Probe is one chip.
type Probe struct{ chip *chip.Chip }

var _ sensors.Probe = (*Probe)(nil)

// New gives a probe on a bus that the caller owns. It does not talk to the chip yet.
func New(bus i2c.Bus, addr uint16) (*Probe, error) {
	c, err := chip.New("sht4x", bus, addr, 0x44, 0x45, 0x46)
	if err != nil {
		return nil, err
	}
	return &Probe{c}, nil
}

// Read measures once, which takes about 10 ms.
func (p *Probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	return p.chip.Read(ctx, setUp, measure)
}

func setUp(t *chip.Talk) error {
	if _, err := t.Say(0, 0x94); err != nil { // soft reset
		return err
	}
	return t.Wait(2 * time.Millisecond)
}

func measure(t *chip.Talk) ([]sensors.Reading, error) {
	if _, err := t.Say(0, 0xfd); err != nil {
		return nil, err
	}
	if err := t.Wait(9 * time.Millisecond); err != nil {
		return nil, err
	}
	b, err := t.Say(6)
	if err != nil {
		return nil, err
	}
	return t.Humid(b, -40, 125, humidity)
}

// humidity is RH = -6 + 125 S/65535 %, cropped to 0..100 as the data sheet has it: the chip's scale reaches beyond both ends, so that a cropped
// value means "at the end of what it can tell" and is judged to be that.
func humidity(s float64) float64 { return math.Min(100, math.Max(0, -6+125*s/65535)) }

// Close ends the probe; the bus is the caller's.
func (p *Probe) Close() error { return p.chip.Close() }
