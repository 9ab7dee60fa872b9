// Package chiptest holds the tests that every chip of one class must pass, whatever its package.
package chiptest

import (
	"testing"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"

	"tackline/sensors"
	"tackline/sensors/internal/chip"
	"tackline/sensors/sensortest"
)

// Commanded runs the tests of a chip that stands on chip.Commanded: open makes its probe at 0x45 on a bus, and at its default address for the talk in a
// file of testdata/i2c.
func Commanded(t *testing.T, talk string, open func(i2c.Bus, uint16) (sensors.Probe, error), standard uint16) {
	t.Run("talk", func(t *testing.T) { follow(t, talk, open, standard) })
	class := class{open}
	t.Run("conformance", class.conformance)
	t.Run("conversion", class.conversion)
	t.Run("reset between", class.resetBetween)
	t.Run("heater on meanwhile", class.heaterOnMeanwhile)
}

type class struct {
	open func(i2c.Bus, uint16) (sensors.Probe, error)
}

// follow: the talk, written from the register map: found with its heater on, reset, heater switched off, first measurement thrown away, the second flagged as still warm.
func follow(t *testing.T, talk string, open func(i2c.Bus, uint16) (sensors.Probe, error), standard uint16) {
	bus := sensortest.Playback(t, talk)
	p, err := open(bus, standard)
	require.NoError(t, err)
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.Len(t, got, 2)
	require.InDelta(t, 25, got[0].Value, 1e-9)
	require.InDelta(t, 40, got[1].Value, 1e-9)
	require.Equal(t, sensors.HeaterOn, got[0].Status)
	require.Equal(t, sensors.HeaterOn, got[1].Status)
	require.NoError(t, bus.Close())
}

// commanded is a chip of that class in memory.
type commanded struct {
	status, temp, rh uint16
	spoil            bool // spoils the checksum of the humidity
}

func word(v uint16) []byte {
	b := []byte{byte(v >> 8), byte(v)}
	return append(b, chip.CRC8(b))
}

func (f *commanded) answer(w, r []byte) error {
	switch {
	case len(w) == 2 && w[0] == 0xf3:
		copy(r, word(f.status))
	case len(w) == 2 && w[0] == 0x30 && w[1] == 0x41:
		f.status &^= 1 << 4
	case len(w) == 2 && w[0] == 0x30 && w[1] == 0x66:
		f.status &^= 1 << 13
	case len(w) == 2 && w[0] == 0x30 && w[1] == 0xa2:
		f.status = 0x10
	case len(r) == 6:
		copy(r, append(word(f.temp), word(f.rh)...))
		if f.spoil {
			r[5] ^= 1
		}
	}
	return nil
}

func (c class) probe(t *testing.T, f *commanded) (sensors.Probe, *sensortest.Bus) {
	t.Helper()
	bus := &sensortest.Bus{Answer: f.answer}
	p, err := c.open(bus, 0x45)
	require.NoError(t, err)
	return p, bus
}

func (c class) conformance(t *testing.T) {
	made := func(f commanded) func(*testing.T) sensors.Probe {
		return func(t *testing.T) sensors.Probe { p, _ := c.probe(t, &f); return p }
	}
	sensortest.Run(t, sensortest.Case{
		Healthy: made(commanded{temp: 0x6666, rh: 0x6666}),
		Absent: func(t *testing.T) sensors.Probe {
			p, bus := c.probe(t, &commanded{})
			bus.Gone = true
			return p
		},
		Broken: map[string]func(*testing.T) sensors.Probe{
			"checksum of one of two": made(commanded{temp: 0x6666, rh: 0x6666, spoil: true}),
			"all zero":               made(commanded{}),
			"all ones":               made(commanded{temp: 0xffff, rh: 0xffff}),
		},
	})
}

// conversion: T = -45 + 175 S/65535, RH = 100 S/65535 (data sheet; worked by hand).
func (c class) conversion(t *testing.T) {
	for _, x := range []struct {
		raw   uint16
		t, rh float64
	}{{0x6666, 25, 40}, {0x8000, 42.50134, 50.00076}} {
		p, _ := c.probe(t, &commanded{temp: x.raw, rh: x.raw})
		got, err := p.Read(t.Context())
		require.NoError(t, err)
		require.InDelta(t, x.t, got[0].Value, 5e-6)
		require.InDelta(t, x.rh, got[1].Value, 5e-6)
		require.Equal(t, sensors.OK, got[1].Status)
	}
}

// resetBetween: a chip that lost power meanwhile says so: its sample is dropped, and the one after is of a chip set up anew.
func (c class) resetBetween(t *testing.T) {
	f := &commanded{temp: 0x6666, rh: 0x6666}
	p, bus := c.probe(t, f)
	_, err := p.Read(t.Context())
	require.NoError(t, err)
	f.status = 0x8010
	_, err = p.Read(t.Context())
	var bad *sensors.BadSample
	require.ErrorAs(t, err, &bad)
	require.Equal(t, sensors.WarmUp, bad.Status)
	n := len(bus.Said)
	_, err = p.Read(t.Context())
	require.NoError(t, err)
	require.Contains(t, bus.Said[n:], []byte{0x30, 0xa2})
}

// heaterOnMeanwhile: a heater that somebody switched on is switched off, and readings are flagged while it cools.
func (c class) heaterOnMeanwhile(t *testing.T) {
	f := &commanded{temp: 0x6666, rh: 0x6666}
	p, _ := c.probe(t, f)
	_, err := p.Read(t.Context())
	require.NoError(t, err)
	f.status = 1 << 13
	for range 2 {
		got, err := p.Read(t.Context())
		require.NoError(t, err)
		require.Equal(t, sensors.HeaterOn, got[0].Status)
	}
	require.Zero(t, f.status, "switched off")
}
