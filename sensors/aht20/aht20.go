// Package aht20 reads the AHT20 and AHT21 class of chips for temperature and humidity over I2C.
//
// Accuracy, typical of the class (data sheets, section "sensor performance", from memory): 0.3 to 0.5 K, 2 to 3 % relative humidity, more
// above 80 %. Response to humidity about 8 s in moving air. Range: -40..85 C, 0..100 %. Address 0x38, the only one: one chip a bus. It warms
// itself when asked often: 2 s apart at least (kernel documentation of its driver, hwmon/aht10).
//
// The chip's own driver is periph's aht20, read one measurement at a time; its continuous mode drops errors. This package drops the first
// measurement after each set-up, ends a talk whose time is up, and names what is wrong with a frame.
package aht20

import (
	"context"
	"errors"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/aht20"

	"tackline/sensors"
	"tackline/sensors/internal/chip"
)

// DefaultAddress is the only address.
const DefaultAddress = 0x38

// Probe is one chip.
type Probe struct {
	chip *chip.Chip
	dev  *aht20.Dev
}

var _ sensors.Probe = (*Probe)(nil)

// New gives a probe on a bus that the caller owns. It does not talk to the chip yet.
func New(bus i2c.Bus, addr uint16) (*Probe, error) {
	c, err := chip.New("aht20", bus, addr, DefaultAddress)
	if err != nil {
		return nil, err
	}
	return &Probe{chip: c}, nil
}

// Read measures once, which takes about 80 ms.
func (p *Probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	return p.chip.Read(ctx, p.setUp, p.measure)
}

func (p *Probe) setUp(t *chip.Talk) error {
	if _, err := t.Say(0, 0xba); err != nil { // soft reset
		return err
	}
	if err := t.Wait(20 * time.Millisecond); err != nil {
		return err
	}
	dev, err := aht20.NewI2C(t, &aht20.DefaultOpts)
	p.dev = dev
	return err
}

func (p *Probe) measure(t *chip.Talk) ([]sensors.Reading, error) {
	var env physic.Env
	if err := p.dev.Sense(&env); err != nil {
		var corrupt *aht20.DataCorruptionError
		var unset *aht20.NotInitializedError
		switch {
		case errors.As(err, &corrupt):
			return nil, t.Bad(sensors.BadCRC, "checksum %02x where %02x is right", corrupt.Received, corrupt.Calculated)
		case errors.As(err, &unset):
			return nil, t.Bad(sensors.WarmUp, "the chip was reset meanwhile")
		}
		return nil, fmt.Errorf("aht20: %w", err)
	}
	c, rh := env.Temperature.Celsius(), float64(env.Humidity)/float64(physic.PercentRH)
	if c < -40 || c > 85 {
		return nil, t.Bad(sensors.OutOfRange, "%.2f C with %.2f %%: the chip measures -40..85 C", c, rh)
	}
	return []sensors.Reading{{Quantity: sensors.Temperature, Value: c}, {Quantity: sensors.Humidity, Value: rh}}, nil
}

// Close ends the probe; the bus is the caller's.
func (p *Probe) Close() error { return p.chip.Close() }
