package sht3x

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
	"tackline/sensors/internal/chip"
	"tackline/sensors/sensortest"
)

// The talk, written from the register map: found with its heater on, reset, heater switched off, first measurement thrown away, the second flagged as still warm.
func TestTalk(t *testing.T) {
	bus := sensortest.Playback(t, "../../testdata/i2c/sht3x.txt")
	p, err := New(bus, DefaultAddress)
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

// fake is a chip in memory.
type fake struct {
	status, temp, rh uint16
	spoil            bool // spoils the checksum of the humidity
}

func word(v uint16) []byte {
	b := []byte{byte(v >> 8), byte(v)}
	return append(b, chip.CRC8(b))
}

func (f *fake) answer(w, r []byte) error {
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

func probe(t *testing.T, f *fake) (*Probe, *sensortest.Bus) {
	t.Helper()
	bus := &sensortest.Bus{Answer: f.answer}
	p, err := New(bus, 0x45)
	require.NoError(t, err)
	return p, bus
}

func TestConformance(t *testing.T) {
	made := func(f fake) func(*testing.T) sensors.Probe {
		return func(t *testing.T) sensors.Probe { p, _ := probe(t, &f); return p }
	}
	sensortest.Run(t, sensortest.Case{
		Healthy: made(fake{temp: 0x6666, rh: 0x6666}),
		Absent: func(t *testing.T) sensors.Probe {
			p, bus := probe(t, &fake{})
			bus.Gone = true
			return p
		},
		Broken: map[string]func(*testing.T) sensors.Probe{
			"checksum of one of two": made(fake{temp: 0x6666, rh: 0x6666, spoil: true}),
			"all zero":               made(fake{}),
			"all ones":               made(fake{temp: 0xffff, rh: 0xffff}),
		},
	})
}

// T = -45 + 175 S/65535, RH = 100 S/65535 (data sheet; worked by hand).
func TestConversion(t *testing.T) {
	for _, c := range []struct {
		raw   uint16
		t, rh float64
	}{{0x6666, 25, 40}, {0x8000, 42.50134, 50.00076}} {
		p, _ := probe(t, &fake{temp: c.raw, rh: c.raw})
		got, err := p.Read(t.Context())
		require.NoError(t, err)
		require.InDelta(t, c.t, got[0].Value, 5e-6)
		require.InDelta(t, c.rh, got[1].Value, 5e-6)
		require.Equal(t, sensors.OK, got[1].Status)
	}
}

// A chip that lost power meanwhile says so: its sample is dropped, and the one after is of a chip set up anew.
func TestResetBetween(t *testing.T) {
	f := &fake{temp: 0x6666, rh: 0x6666}
	p, bus := probe(t, f)
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

// A heater that somebody switched on is switched off, and readings are flagged while it cools.
func TestHeaterOnMeanwhile(t *testing.T) {
	f := &fake{temp: 0x6666, rh: 0x6666}
	p, _ := probe(t, f)
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

func TestAddress(t *testing.T) {
	_, err := New(nil, 0x46)
	require.ErrorContains(t, err, "0x44 or 0x45")
}
