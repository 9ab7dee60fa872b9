package mlx90614

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
	"tackline/sensors/internal/chip"
	"tackline/sensors/sensortest"
)

func TestTalk(t *testing.T) {
	bus := sensortest.Playback(t, "../../testdata/i2c/mlx90614.txt")
	p, err := New(bus, DefaultAddress, 1)
	require.NoError(t, err)
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.Len(t, got, 1)
	require.InDelta(t, 28.01, got[0].Value, 1e-9)
	require.NoError(t, bus.Close())
}

// fake is a chip in memory, by registers.
type fake map[byte]uint16

func probe(t *testing.T, f fake, emissivity float64, spoil bool) (*Probe, *sensortest.Bus) {
	t.Helper()
	bus := &sensortest.Bus{Answer: func(w, r []byte) error {
		v := f[w[0]]
		b := []byte{0xb4, w[0], 0xb5, byte(v), byte(v >> 8)}
		copy(r, []byte{b[3], b[4], chip.PEC(b)})
		if spoil {
			r[0] ^= 1
		}
		return nil
	}}
	p, err := New(bus, DefaultAddress, emissivity)
	require.NoError(t, err)
	return p, bus
}

func raw(c float64) uint16 { return uint16((c + 273.15) * 50) }

func TestConformance(t *testing.T) {
	made := func(f fake, spoil bool) func(*testing.T) sensors.Probe {
		return func(t *testing.T) sensors.Probe { p, _ := probe(t, f, 0.95, spoil); return p }
	}
	good := fake{0x24: 0xffff, 0x06: raw(12), 0x07: raw(10)}
	sensortest.Run(t, sensortest.Case{
		Healthy: made(good, false),
		Absent: func(t *testing.T) sensors.Probe {
			p, bus := probe(t, good, 0.95, false)
			bus.Gone = true
			return p
		},
		Broken: map[string]func(*testing.T) sensors.Probe{
			"error code":            made(good, true),
			"marked by the chip":    made(fake{0x24: 0xffff, 0x06: raw(12), 0x07: 0x8001}, false),
			"emissivity set to 0":   made(fake{0x24: 1, 0x06: raw(12), 0x07: raw(10)}, false),
			"chip too warm for it":  made(fake{0x24: 0xffff, 0x06: raw(126), 0x07: raw(10)}, false),
			"object beyond it":      made(fake{0x24: 0xffff, 0x06: raw(12), 0x07: raw(381)}, false),
			"nobody drives the bus": made(fake{0x24: 0xffff, 0x06: 0xffff, 0x07: 0xffff}, false),
		},
	})
}

func TestHeldDown(t *testing.T) {
	bus := &sensortest.Bus{Answer: func(_, r []byte) error { clear(r); return nil }}
	p, err := New(bus, DefaultAddress, 0.95)
	require.NoError(t, err)
	_, err = p.Read(t.Context())
	var bad *sensors.BadSample
	require.ErrorAs(t, err, &bad)
	require.Equal(t, sensors.AllZero, bad.Status)
}

// A grey surface at 10 C in a shed of 20 C, of which the chip sees 0.9 of its own radiation and 0.1 of the shed's, seems 11.05 C to a chip set
// to 1 (Stefan and Boltzmann: 0.9*283.15^4 + 0.1*293.15^4 = 284.1984^4, worked by hand). Carried back it is 10 C.
func TestEmissivity(t *testing.T) {
	require.InDelta(t, 283.15, carry(284.1984, 293.15, 1, 0.9), 0.001)
	require.InDelta(t, 284.1984, carry(284.1984, 293.15, 0.95, 0.95), 1e-9, "set alike: nothing to carry")
	p, _ := probe(t, fake{0x24: 0xffff, 0x06: raw(20), 0x07: raw(11.05)}, 0.9, false)
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.InDelta(t, 10, got[0].Value, 0.03)
	_, err = New(nil, DefaultAddress, 0.1)
	require.ErrorContains(t, err, "shiny surface")
}
