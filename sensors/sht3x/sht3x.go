// Package sht3x reads the SHT30, SHT31 and SHT35 class of chips for temperature and humidity over I2C.
//
// Accuracy, typical of the class (data sheets, section "sensor performance", from memory): 0.2 to 0.3 K, 2 to 3 % relative humidity, more
// above 80 %. Response to humidity about 8 s, to temperature 2 s and more, both in moving air. Range: -40..125 C, 0..100 %. Address 0x44 or
// 0x45. A measurement takes up to 15.5 ms (section "timing").
//
// Some boards of this class start with the chip's heater on, which reads several kelvin too warm and some ten per cent too dry: it is
// switched off, and readings are flagged for two minutes after it was found on. A chip that was reset meanwhile says so, and its next measurement is dropped.
package sht3x

import (
	"context"
	"time"

	"periph.io/x/conn/v3/i2c"

	"tackline/sensors"
	"tackline/sensors/internal/chip"
)

// DefaultAddress is the address with the chip's ADDR pin low; 0x45 with it high.
const DefaultAddress = 0x44

// Probe is one chip.
type Probe struct {
	chip *chip.Chip
	kind chip.Commanded
}

var _ sensors.Probe = (*Probe)(nil)

// New gives a probe on a bus that the caller owns. It does not talk to the chip yet.
func New(bus i2c.Bus, addr uint16) (*Probe, error) {
	c, err := chip.New("sht3x", bus, addr, 0x44, 0x45)
	if err != nil {
		return nil, err
	}
	return &Probe{c, chip.Commanded{Reset: 2 * time.Millisecond, Measure: 16 * time.Millisecond, Low: -40, High: 125}}, nil
}

// Read measures once, which takes about 20 ms.
func (p *Probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	return p.chip.Read(ctx, p.kind.SetUp, p.kind.Sense)
}

// Close ends the probe; the bus is the caller's.
func (p *Probe) Close() error { return p.chip.Close() }
