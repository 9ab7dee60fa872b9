// Package mlx90614 reads the MLX90614 class of infrared thermometers over SMBus: the temperature of a surface without touching it.
//
// Accuracy, typical of the class (data sheet, section "temperature accuracy", from memory): 0.5 K for an object of 0..60 C with the chip itself
// evenly at 0..50 C; several kelvin while the chip is warmer on one side than on the other, so give it minutes after it was moved. Response: 0.1 to
// 0.6 s by its filter. Range: -70..380 C for the object. It sees a cone: of the commonest kind 90 degrees wide, a spot twice as wide as its distance, so
// hang it close. Address 0x5a as shipped; it is set in the chip and may be any.
//
// The chip reckons with the emissivity that is set in it, 1 as shipped. Timber, paint and cured resin radiate 0.90 to 0.95 (handbooks of heat
// transfer, from memory), and bare metal so little that it mostly mirrors the room. The reading is carried over to the emissivity of the
// config by the fourth powers, with the chip's own temperature for that of the room; nothing is written into the chip.
package mlx90614

import (
	"context"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"

	"tackline/sensors"
	"tackline/sensors/internal/chip"
)

const (
	// DefaultAddress is the address as shipped.
	DefaultAddress = 0x5a
	// DefaultEmissivity is that of timber, paint and resin.
	DefaultEmissivity = 0.95
)

// Probe is one chip.
type Probe struct {
	chip       *chip.Chip
	addr       uint16
	emissivity float64
	own        float64 // the emissivity that is set in the chip
}

var _ sensors.Probe = (*Probe)(nil)

// New gives a probe on a bus that the caller owns. It does not talk to the chip yet. The emissivity of the surface is from 0.3 to 1: of less the
// chip sees the room and not the surface.
func New(bus i2c.Bus, addr uint16, emissivity float64) (*Probe, error) {
	if !(emissivity >= 0.3 && emissivity <= 1) {
		return nil, fmt.Errorf("mlx90614: emissivity %v: want 0.3 to 1; paint a spot of a shiny surface matt, or stick tape on it", emissivity)
	}
	c, err := chip.New("mlx90614", bus, addr)
	if err != nil {
		return nil, err
	}
	return &Probe{chip: c, addr: addr, emissivity: emissivity}, nil
}

// Registers.
const (
	ambient    = 0x06
	object     = 0x07
	emissivity = 0x24
)

// Read reads the newest measurement.
func (p *Probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	return p.chip.Read(ctx, p.setUp, p.measure)
}

func (p *Probe) setUp(t *chip.Talk) error {
	raw, err := p.word(t, emissivity)
	if err != nil {
		return err
	}
	if raw < 0x1999 { // a tenth
		return t.Bad(sensors.OutOfRange, "an emissivity of %.3f is set in the chip", float64(raw)/65535)
	}
	p.own = float64(raw) / 65535
	return nil
}

// word reads a register and checks its packet error code, which runs over the whole transaction, addresses included.
func (p *Probe) word(t *chip.Talk, register byte) (uint16, error) {
	b, err := t.Say(3, register)
	if err != nil {
		return 0, err
	}
	if b[0] == 0 && b[1] == 0 && b[2] == 0 {
		return 0, t.Bad(sensors.AllZero, "all zero: the bus is held down")
	}
	a := byte(p.addr << 1)
	if want := chip.PEC([]byte{a, register, a | 1, b[0], b[1]}); want != b[2] {
		return 0, t.Bad(sensors.BadCRC, "packet error code %02x where %02x is right", b[2], want)
	}
	return uint16(b[0]) | uint16(b[1])<<8, nil
}

// kelvin reads a temperature, in fiftieths of a kelvin; its top bit is the chip's own mark of an error.
func (p *Probe) kelvin(t *chip.Talk, register byte) (float64, error) {
	raw, err := p.word(t, register)
	switch {
	case err != nil:
		return 0, err
	case raw&0x8000 != 0:
		return 0, t.Bad(sensors.OutOfRange, "the chip marks its own measurement as wrong")
	}
	return float64(raw) / 50, nil
}

func (p *Probe) measure(t *chip.Talk) ([]sensors.Reading, error) {
	room, err := p.kelvin(t, ambient)
	if err != nil {
		return nil, err
	}
	seen, err := p.kelvin(t, object)
	if err != nil {
		return nil, err
	}
	const zero = 273.15
	if room < zero-40 || room > zero+125 || seen < zero-70 || seen > zero+380 {
		return nil, t.Bad(sensors.OutOfRange, "%.2f C, with the chip at %.2f C", seen-zero, room-zero)
	}
	return []sensors.Reading{{Quantity: sensors.Temperature, Value: carry(seen, room, p.own, p.emissivity) - zero}}, nil
}

// carry gives the temperature (K) of a surface of one emissivity, where the chip reckoned with another: the radiation that the chip took in is
// e (T^4 - R^4) above that of a room at R (Stefan and Boltzmann, grey surface in a large room).
func carry(seen, room, own, emissivity float64) float64 {
	r4 := math.Pow(room, 4)
	return math.Pow(math.Max(0, r4+own/emissivity*(math.Pow(seen, 4)-r4)), 0.25)
}

// Close ends the probe; the bus is the caller's.
func (p *Probe) Close() error { return p.chip.Close() }

// WarmUp is how long after it appeared the chip's readings should be flagged, in still air.
const WarmUp = 2 * time.Minute
