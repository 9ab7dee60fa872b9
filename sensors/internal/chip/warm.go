package chip

import (
	"time"

	"tackline/sensors"
)

// coolDown is how long a chip's readings are flagged after its heater was found on. Ours: thermal time constants of small boards are below 20 s.
const coolDown = 2 * time.Minute

// Heater remembers that a chip's heater was found on.
type Heater struct{ until time.Time }

// Found notes that the heater is on, or was until now.
func (h *Heater) Found() { h.until = time.Now().Add(coolDown) }

// Flag marks readings that the heat may still be in.
func (h *Heater) Flag(readings []sensors.Reading) []sensors.Reading {
	if time.Now().Before(h.until) {
		for i := range readings {
			if readings[i].Status == sensors.OK {
				readings[i].Status = sensors.HeaterOn
			}
		}
	}
	return readings
}

// Commanded is the humidity chip that takes 16-bit commands and has a status word: reset, status, heater off, one measurement, clear status.
// Two families speak this way, each with times of its own.
type Commanded struct {
	Reset, Measure time.Duration // how long these take at most
	Low, High      float64       // C
	heater         Heater
}

const (
	statusHeater = 1 << 13
	statusReset  = 1 << 4
)

// SetUp puts the chip into its known state: the heater off, whoever had switched it on, and the mark of the reset cleared.
func (k *Commanded) SetUp(t *Talk) error {
	// A chip that was left measuring by itself takes no other command but to stop; one that was not may refuse it.
	if _, err := t.Say(0, 0x30, 0x93); err != nil {
		t.Forgive()
	}
	if err := t.Wait(k.Reset); err != nil {
		return err
	}
	s, err := k.status(t)
	if err != nil {
		return err
	}
	if s&statusHeater != 0 {
		k.heater.Found()
	}
	if _, err := t.Say(0, 0x30, 0xa2); err != nil {
		return err
	}
	if err := t.Wait(k.Reset); err != nil {
		return err
	}
	if _, err := t.Say(0, 0x30, 0x66); err != nil {
		return err
	}
	_, err = t.Say(0, 0x30, 0x41)
	return err
}

func (k *Commanded) status(t *Talk) (uint16, error) {
	b, err := t.Say(3, 0xf3, 0x2d)
	if err != nil {
		return 0, err
	}
	return t.Word(b)
}

// Sense measures once: T = -45 + 175 S/65535 C, RH = 100 S/65535 %.
func (k *Commanded) Sense(t *Talk) ([]sensors.Reading, error) {
	s, err := k.status(t)
	if err != nil {
		return nil, err
	}
	switch {
	case s == 0xffff:
		return nil, t.Bad(sensors.BadCRC, "all ones: nobody drives the bus")
	case s&statusReset != 0:
		return nil, t.Bad(sensors.WarmUp, "the chip was reset meanwhile")
	case s&statusHeater != 0:
		k.heater.Found()
		if _, err := t.Say(0, 0x30, 0x66); err != nil {
			return nil, err
		}
	}
	if _, err := t.Say(0, 0x24, 0x00); err != nil {
		return nil, err
	}
	if err := t.Wait(k.Measure); err != nil {
		return nil, err
	}
	b, err := t.Say(6)
	if err != nil {
		return nil, err
	}
	out, err := t.Humid(b, k.Low, k.High, func(s float64) float64 { return 100 * s / 65535 })
	return k.heater.Flag(out), err
}

// Humid reads a frame of two words, temperature and humidity: T = -45 + 175 S/65535 C, and humidity by its own formula. low and high are what
// the chip can measure.
func (t *Talk) Humid(b []byte, low, high float64, rh func(s float64) float64) ([]sensors.Reading, error) {
	st, err := t.Word(b[:3])
	if err != nil {
		return nil, err
	}
	sh, err := t.Word(b[3:6])
	if err != nil {
		return nil, err
	}
	c, h := -45+175*float64(st)/65535, rh(float64(sh))
	if c < low || c > high {
		return nil, t.Bad(sensors.OutOfRange, "%.2f C with %.2f %%: the chip measures %g..%g C", c, h, low, high)
	}
	return []sensors.Reading{{Quantity: sensors.Temperature, Value: c}, {Quantity: sensors.Humidity, Value: h}}, nil
}
