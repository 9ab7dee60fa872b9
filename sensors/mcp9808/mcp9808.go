// Package mcp9808 reads the MCP9808 class of thermometers over I2C: for a surface, or for air apart from the humidity chip.
//
// Accuracy, typical of the class (data sheet, section "temperature sensor accuracy", from memory): 0.25 K, at most 0.5 K in -20..100 C.
// Response: about 0.7 s in a stirred bath, minutes on a board in still air; it follows its board, so that a surface needs it glued and covered.
// Range: -40..125 C, steps of 0.0625 K. Address 0x18 to 0x1f. A conversion takes 250 ms.
//
// The chip's own driver is periph's mcp9808, which does not wait for the first conversion: until then the register holds its value of power-up,
// which that driver reads as 0 C. This package asks who the chip is, waits, and names that value.
package mcp9808

import (
	"context"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/mcp9808"

	"tackline/sensors"
	"tackline/sensors/internal/chip"
)

// DefaultAddress is the address with all three address pins low.
const DefaultAddress = 0x18

// Probe is one chip.
type Probe struct {
	chip *chip.Chip
	addr uint16
	dev  *mcp9808.Dev
}

var _ sensors.Probe = (*Probe)(nil)

// New gives a probe on a bus that the caller owns. It does not talk to the chip yet.
func New(bus i2c.Bus, addr uint16) (*Probe, error) {
	c, err := chip.New("mcp9808", bus, addr, 0x18, 0x19, 0x1a, 0x1b, 0x1c, 0x1d, 0x1e, 0x1f)
	if err != nil {
		return nil, err
	}
	return &Probe{chip: c, addr: addr}, nil
}

// Read reads the newest conversion. The first time it waits for one, a quarter of a second.
func (p *Probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	return p.chip.Read(ctx, p.setUp, p.measure)
}

// Registers.
const (
	temperature = 0x05
	maker       = 0x06
	device      = 0x07
)

func (p *Probe) setUp(t *chip.Talk) error {
	for _, id := range []struct {
		register, want, mask byte
		low                  byte
	}{{maker, 0x00, 0xff, 0x54}, {device, 0x04, 0xff, 0}} {
		b, err := t.Say(2, id.register)
		if err != nil {
			return err
		}
		if b[0] != id.want || id.low != 0 && b[1] != id.low {
			return t.Bad(sensors.OutOfRange, "register %02x is not that of this chip: another chip sits there", id.register)
		}
	}
	var err error
	if p.dev, err = mcp9808.New(t, &mcp9808.Opts{Addr: int(p.addr), Res: mcp9808.Maximum}); err != nil {
		return err
	}
	return t.Wait(260 * time.Millisecond)
}

func (p *Probe) measure(t *chip.Talk) ([]sensors.Reading, error) {
	var env physic.Env
	if err := p.dev.Sense(&env); err != nil {
		return nil, err
	}
	// The two limits that the flags in the top bits compare with are 0 C, so a true 0 C reads 80 00.
	if d := t.Data(); len(d) == 2 && d[0] == 0xc0 && d[1] == 0 {
		return nil, t.Bad(sensors.PowerOnValue, "the value at power-up: no conversion took place")
	}
	c := env.Temperature.Celsius()
	if c < -40 || c > 125 {
		return nil, t.Bad(sensors.OutOfRange, "%.4f C: the chip measures -40..125 C", c)
	}
	return []sensors.Reading{{Quantity: sensors.Temperature, Value: c}}, nil
}

// Close ends the probe; the bus is the caller's.
func (p *Probe) Close() error { return p.chip.Close() }
