package mcp9808

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
	"tackline/sensors/sensortest"
)

func TestTalk(t *testing.T) {
	bus := sensortest.Playback(t, "../../testdata/i2c/mcp9808.txt")
	p, err := New(bus, DefaultAddress)
	require.NoError(t, err)
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.Equal(t, []sensors.Reading{{Quantity: sensors.Temperature, Value: 25.25}}, got)
	require.NoError(t, bus.Close())
}

func probe(t *testing.T, maker byte, raw uint16) (*Probe, *sensortest.Bus, *uint16) {
	t.Helper()
	bus := &sensortest.Bus{Answer: func(w, r []byte) error {
		switch {
		case len(r) == 2 && w[0] == 0x06:
			copy(r, []byte{0, maker})
		case len(r) == 2 && w[0] == 0x07:
			copy(r, []byte{0x04, 0})
		case len(r) == 2 && w[0] == 0x05:
			copy(r, []byte{byte(raw >> 8), byte(raw)})
		}
		return nil
	}}
	p, err := New(bus, 0x1f)
	require.NoError(t, err)
	return p, bus, &raw
}

func TestConformance(t *testing.T) {
	made := func(maker byte, raw uint16) func(*testing.T) sensors.Probe {
		return func(t *testing.T) sensors.Probe { p, _, _ := probe(t, maker, raw); return p }
	}
	sensortest.Run(t, sensortest.Case{
		Healthy: made(0x54, 0xc194),
		Absent: func(t *testing.T) sensors.Probe {
			p, bus, _ := probe(t, 0x54, 0)
			bus.Gone = true
			return p
		},
		Broken: map[string]func(*testing.T) sensors.Probe{
			"another chip":         made(0x2c, 0xc194),
			"value of power-up":    made(0x54, 0xc000),
			"colder than it tells": made(0x54, 0x1c00), // -64 C
		},
	})
}

// Sixteenths of a degree, with a sign in bit 12 and three flags above it (data sheet; worked by hand).
func TestConversion(t *testing.T) {
	p, _, raw := probe(t, 0x54, 0)
	for v, want := range map[uint16]float64{0xc194: 25.25, 0x8000: 0, 0xc001: 0.0625, 0x1fff: -0.0625, 0x1f5e: -10.125, 0xc7d0: 125} {
		*raw = v
		got, err := p.Read(t.Context())
		require.NoError(t, err, "%04x", v)
		require.Equal(t, want, got[0].Value, "%04x", v)
	}
}
