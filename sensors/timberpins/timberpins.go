package timberpins

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"periph.io/x/conn/v3/i2c"

	"tackline/sensors"
	"tackline/sensors/internal/chip"
)

// DefaultAddress is the address with the converter's ADDR pin low.
const DefaultAddress = 0x48

// None is an input that is not connected.
const None = -1

// Options describe the circuit.
type Options struct {
	Pins, Supply  int64   // inputs 0..3 of the converter: the buffered pin pair, and what feeds it
	SupplyShare   float64 // share of the supply that reaches its input, where a divider stands before it; 0 is 1
	SeriesOhm     float64 // from supply to pin
	Curve         Curve
	CurveC        float64 // temperature of the timber that the curve holds at
	AssumeC       float64 // temperature of the timber where there is no thermistor: take the lowest that is likely
	Thermistor    int64   // its input, or None
	ThermistorOhm float64 // at 25 C
	ThermistorB   float64 // B value, kelvin
	ThermistorUp  float64 // resistor from the supply to it, ohms
}

// Check finds all that is wrong with a circuit.
func (o Options) Check() error {
	var wrong []error
	in := func(name string, v int64) {
		if v < 0 || v > 3 {
			wrong = append(wrong, fmt.Errorf("timberpins: %s: input %d: the converter has 0 to 3", name, v))
		}
	}
	within := func(name string, v, lo, hi float64) {
		if !(v >= lo && v <= hi) {
			wrong = append(wrong, fmt.Errorf("timberpins: %s: %v: want %g to %g", name, v, lo, hi))
		}
	}
	in("pins", o.Pins)
	in("supply", o.Supply)
	if o.Pins == o.Supply || o.Thermistor == o.Pins || o.Thermistor == o.Supply {
		wrong = append(wrong, errors.New("timberpins: two things hang on one input"))
	}
	within("supply_share", o.SupplyShare, 0.05, 1)
	within("series_ohm", o.SeriesOhm, 1e4, 1e11)
	within("curve_c", o.CurveC, -20, 50)
	if o.Thermistor == None {
		within("assume_c", o.AssumeC, -40, 60)
	} else {
		in("thermistor", o.Thermistor)
		within("thermistor_ohm", o.ThermistorOhm, 100, 1e7)
		within("thermistor_b", o.ThermistorB, 1000, 10000)
		within("thermistor_up_ohm", o.ThermistorUp, 100, 1e7)
	}
	if err := o.Curve.Check(); err != nil {
		wrong = append(wrong, err)
	}
	return errors.Join(wrong...)
}

// Probe is one pair of pins.
type Probe struct {
	chip *chip.Chip
	o    Options
}

var _ sensors.Probe = (*Probe)(nil)

// New gives a probe on a bus that the caller owns. It does not talk to the converter yet.
func New(bus i2c.Bus, addr uint16, o Options) (*Probe, error) {
	if o.SupplyShare == 0 {
		o.SupplyShare = 1
	}
	if err := o.Check(); err != nil {
		return nil, err
	}
	c, err := chip.New("timberpins", bus, addr, 0x48, 0x49, 0x4a, 0x4b)
	if err != nil {
		return nil, err
	}
	return &Probe{c, o}, nil
}

// Read measures once, which takes about 0.4 s: each input over one period of 8 Hz, which averages the mains away.
func (p *Probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	return p.chip.Read(ctx, setUp, p.measure)
}

const (
	resultRegister = 0x00
	configRegister = 0x01
	fullScale      = 4.096 // V
)

// setUp looks whether a converter is there: at power-up, and between our conversions, it says that it is idle.
func setUp(t *chip.Talk) error {
	_, err := t.Say(2, configRegister)
	return err
}

// volts converts one input against ground: one conversion, 4.096 V full scale, 8 a second, comparator off.
func volts(t *chip.Talk, input int64) (float64, error) {
	high := byte(0x80 | (4+input)<<4 | 0x02 | 0x01)
	if _, err := t.Say(0, configRegister, high, 0x03); err != nil {
		return 0, err
	}
	for {
		if err := t.Wait(10 * time.Millisecond); err != nil {
			return 0, err
		}
		b, err := t.Say(2, configRegister)
		switch {
		case err != nil:
			return 0, err
		case b[0]&0x7f != high&0x7f || b[1] != 0x03:
			return 0, t.Bad(sensors.WarmUp, "the converter was reset meanwhile")
		}
		if b[0]&0x80 != 0 {
			break
		}
	}
	b, err := t.Say(2, resultRegister)
	if err != nil {
		return 0, err
	}
	raw := int16(uint16(b[0])<<8 | uint16(b[1]))
	if raw == math.MaxInt16 {
		return 0, t.Bad(sensors.OutOfRange, "input %d is at full scale: more than %g V", input, fullScale)
	}
	return float64(raw) / 32768 * fullScale, nil
}

func (p *Probe) measure(t *chip.Talk) ([]sensors.Reading, error) {
	supply, err := volts(t, p.o.Supply)
	if err != nil {
		return nil, err
	}
	if supply /= p.o.SupplyShare; supply < 0.3 {
		return nil, t.Bad(sensors.OutOfRange, "the supply of the pins is %.3f V", supply)
	}
	v, err := volts(t, p.o.Pins)
	if err != nil {
		return nil, err
	}
	timber, readings := p.o.AssumeC, []sensors.Reading(nil)
	if p.o.Thermistor != None {
		c, err := p.thermistor(t, supply)
		if err != nil {
			return nil, err
		}
		timber, readings = c, []sensors.Reading{{Quantity: sensors.Temperature, Value: c}}
	}
	if v < 0 {
		v = 0
	}
	if v >= supply {
		return nil, t.Bad(sensors.OutOfRange, "no current between the pins: a pin is loose, or the timber is drier than the curve's end")
	}
	ohm := p.o.SeriesOhm * v / (supply - v)
	pct, ok := p.o.Curve.At(ohm)
	if !ok {
		return nil, t.Bad(sensors.OutOfRange, "%.3g ohms between the pins: the curve goes from %g to %g", ohm, p.o.Curve[len(p.o.Curve)-1].Ohm, p.o.Curve[0].Ohm)
	}
	return append(readings, sensors.Reading{Quantity: sensors.Moisture, Value: toTimber(pct, p.o.CurveC, timber)}), nil
}

// thermistor gives the timber's temperature by the B equation: 1/T = 1/298.15 + ln(R/R25)/B.
func (p *Probe) thermistor(t *chip.Talk, supply float64) (float64, error) {
	v, err := volts(t, p.o.Thermistor)
	if err != nil {
		return 0, err
	}
	if v <= 0.001*supply || v >= 0.999*supply {
		return 0, t.Bad(sensors.OutOfRange, "the thermistor is open or shorted: %.3f of %.3f V", v, supply)
	}
	r := p.o.ThermistorUp * v / (supply - v)
	c := 1/(1/298.15+math.Log(r/p.o.ThermistorOhm)/p.o.ThermistorB) - 273.15
	if c < -40 || c > 85 {
		return 0, t.Bad(sensors.OutOfRange, "the thermistor says %.1f C", c)
	}
	return c, nil
}

// Close ends the probe; the bus is the caller's.
func (p *Probe) Close() error { return p.chip.Close() }
