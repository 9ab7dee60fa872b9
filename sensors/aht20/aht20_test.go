package aht20

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
	"tackline/sensors/internal/chip"
	"tackline/sensors/sensortest"
)

func TestTalk(t *testing.T) {
	bus := sensortest.Playback(t, "../../testdata/i2c/aht20.txt")
	p, err := New(bus, DefaultAddress)
	require.NoError(t, err)
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.Len(t, got, 2)
	require.InDelta(t, 25, got[0].Value, 1e-6)
	require.InDelta(t, 50, got[1].Value, 1e-6)
	require.NoError(t, bus.Close(), "set up, one measurement thrown away, one waited for while the chip was busy")
}

// frame makes seven bytes of a status and two 20-bit values.
func frame(status byte, rh, temp uint32) []byte {
	b := []byte{status, byte(rh >> 12), byte(rh >> 4), byte(rh<<4) | byte(temp>>16), byte(temp >> 8), byte(temp)}
	return append(b, chip.CRC8(b))
}

func probe(t *testing.T, data []byte) (*Probe, *sensortest.Bus) {
	t.Helper()
	bus := &sensortest.Bus{Answer: func(w, r []byte) error {
		if len(w) == 1 && w[0] == 0x71 {
			r[0] = 0x18
		} else {
			copy(r, data)
		}
		return nil
	}}
	p, err := New(bus, DefaultAddress)
	require.NoError(t, err)
	return p, bus
}

func TestConformance(t *testing.T) {
	made := func(data []byte) func(*testing.T) sensors.Probe {
		return func(t *testing.T) sensors.Probe { p, _ := probe(t, data); return p }
	}
	spoilt := frame(0x1c, 0x80000, 0x60000)
	spoilt[6] ^= 4
	sensortest.Run(t, sensortest.Case{
		Healthy: made(frame(0x1c, 0x80000, 0x60000)),
		Absent: func(t *testing.T) sensors.Probe {
			p, bus := probe(t, nil)
			bus.Gone = true
			return p
		},
		Broken: map[string]func(*testing.T) sensors.Probe{
			"checksum":      made(spoilt),
			"all zero":      made(make([]byte, 7)),
			"all ones":      made([]byte{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}),
			"reset between": made(frame(0x10, 0x80000, 0x60000)),
			"-50 C":         made(frame(0x1c, 0, 0)),
		},
	})
}

// RH = 100 S/2^20, T = 200 S/2^20 - 50 (data sheet; worked by hand).
func TestConversion(t *testing.T) {
	for _, c := range []struct {
		rh, temp     uint32
		wantRH, want float64
	}{{0x80000, 0x60000, 50, 25}, {0x40000, 0x40000, 25, 0}, {0xfffff, 0x33333, 100, -10}} {
		p, _ := probe(t, frame(0x1c, c.rh, c.temp))
		got, err := p.Read(t.Context())
		require.NoError(t, err)
		require.InDelta(t, c.want, got[0].Value, 2e-4)
		require.InDelta(t, c.wantRH, got[1].Value, 2e-4)
	}
}

// A chip that is busy for ever fails, and does not hold the bus for ever.
func TestBusy(t *testing.T) {
	p, _ := probe(t, frame(0x9c, 0x80000, 0x60000))
	got, err := p.Read(t.Context())
	require.Error(t, err)
	require.Empty(t, got)
}
