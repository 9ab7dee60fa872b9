// Package hdc302x reads the HDC3020, HDC3021 and HDC3022 class of chips for temperature and humidity over I2C.
//
// Accuracy, typical of the class (data sheets, section "specifications", from memory): 0.1 K, 0.5 to 1.5 % relative humidity; the drift is
// small beside that of others of its price. Response to humidity about 4 s in moving air. Range: -40..125 C, 0..100 %. Address 0x44 to 0x47.
// A measurement on demand takes up to 14.3 ms (section "trigger-on demand").
//
// Periph has a driver for it, which leaves the chip measuring by itself and warming itself, and asks neither whether the heater is on nor
// whether the chip was reset; so this one is our own. It shares the commands of the SHT3x class.
package hdc302x

import (
	"context"
	"time"

	"periph.io/x/conn/v3/i2c"

	"tackline/sensors"
	"tackline/sensors/internal/chip"
)

// DefaultAddress is the address with both address pins low.
const DefaultAddress = 0x44

// Probe is one chip.
type Probe struct {
	chip *chip.Chip
	kind chip.Commanded
}

var _ sensors.Probe = (*Probe)(nil)

// New gives a probe on a bus that the caller owns. It does not talk to the chip yet.
func New(bus i2c.Bus, addr uint16) (*Probe, error) {
	c, err := chip.New("hdc302x", bus, addr, 0x44, 0x45, 0x46, 0x47)
	if err != nil {
		return nil, err
	}
	return &Probe{c, chip.Commanded{Reset: 5 * time.Millisecond, Measure: 16 * time.Millisecond, Low: -40, High: 125}}, nil
}

// Read measures once, which takes about 20 ms.
func (p *Probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	return p.chip.Read(ctx, p.kind.SetUp, p.kind.Sense)
}

// Close ends the probe; the bus is the caller's.
func (p *Probe) Close() error { return p.chip.Close() }
