package bme280

import (
	"context"
	"errors"
	"testing"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"tackline/sensors"
	"tackline/sensors/sensortest"
)

const talk = "../../testdata/i2c/bme280.txt"

// The data sheet's example, from memory and recomputed: 25.08 C, 100653 Pa. Humidity: made-up trims, value by the published integer formula.
func TestKnownGoodVector(t *testing.T) {
	bus := sensortest.Playback(t, talk)
	p, err := New(bus, DefaultAddress)
	require.NoError(t, err)
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.Len(t, got, 3)
	require.Equal(t, sensors.Temperature, got[0].Quantity)
	require.InDelta(t, 25.08, got[0].Value, 0.01)
	require.Equal(t, sensors.Pressure, got[1].Quantity)
	require.InDelta(t, 1006.53, got[1].Value, 0.01)
	require.Equal(t, sensors.Humidity, got[2].Quantity)
	require.InDelta(t, 54.997, got[2].Value, 0.02)
	require.NoError(t, bus.Close(), "the whole talk was had: the first measurement was made and thrown away")
}

// chip is a chip in memory, which can be pulled out and upset.
type chip struct {
	trims, humidity, data []byte
	gone, busy            bool
	setUps                int
}

func good() *chip {
	return &chip{
		trims: []byte{0x70, 0x6B, 0x43, 0x67, 0x18, 0xFC, 0x7D, 0x8E, 0x43, 0xD6, 0xD0, 0x0B, 0x27, 0x0B, 0x8C, 0x00, 0xF9, 0xFF, 0x8C, 0x3C,
			0xF8, 0xC6, 0x70, 0x17, 0x00, 0x4B},
		humidity: []byte{0x6A, 0x01, 0x00, 0x13, 0x29, 0x03, 0x1E},
		data:     []byte{0x65, 0x5A, 0xC0, 0x7E, 0xED, 0x00, 0x75, 0x30},
	}
}

var errNAK = errors.New("remote I/O error")

func (c *chip) String() string                  { return "chip" }
func (c *chip) SetSpeed(physic.Frequency) error { return nil }
func (c *chip) Tx(_ uint16, w, r []byte) error {
	if c.gone {
		return errNAK
	}
	switch w[0] {
	case 0xD0:
		r[0] = 0x60
		c.setUps++
	case 0x88:
		copy(r, c.trims)
	case 0xE1:
		copy(r, c.humidity)
	case 0xF3:
		r[0] = 0
		if c.busy {
			r[0] = 8
		}
	case 0xF7:
		copy(r, c.data)
	}
	return nil
}

func probe(t *testing.T, bus i2c.Bus) *Probe {
	t.Helper()
	p, err := New(bus, 0x77)
	require.NoError(t, err)
	return p
}

func TestConformance(t *testing.T) {
	broken := func(change func(c *chip)) func(t *testing.T) sensors.Probe {
		return func(t *testing.T) sensors.Probe {
			c := good()
			change(c)
			return probe(t, c)
		}
	}
	sensortest.Run(t, sensortest.Case{
		Healthy: func(t *testing.T) sensors.Probe { return probe(t, good()) },
		Absent:  func(t *testing.T) sensors.Probe { return probe(t, &chip{gone: true}) },
		Broken: map[string]func(t *testing.T) sensors.Probe{
			"reset between":       broken(func(c *chip) { c.data = []byte{0x80, 0, 0, 0x80, 0, 0, 0x80, 0} }),
			"humidity not set":    broken(func(c *chip) { c.data[6], c.data[7] = 0x80, 0 }),
			"trims lost":          broken(func(c *chip) { clear(c.trims) }),
			"one of three absurd": broken(func(c *chip) { c.data[0], c.data[1] = 0x00, 0x00 }),
		},
	})
}

func TestUnpluggedAndBack(t *testing.T) {
	c := good()
	p := probe(t, c)
	_, err := p.Read(t.Context())
	require.NoError(t, err)
	_, err = p.Read(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, c.setUps)
	c.gone = true
	_, err = p.Read(t.Context())
	require.ErrorIs(t, err, sensors.ErrAbsent)
	require.ErrorIs(t, err, errNAK, "the bus's own word is kept")
	c.gone = false
	_, err = p.Read(t.Context())
	require.NoError(t, err)
	require.Equal(t, 2, c.setUps, "set up anew")
}

func TestBusyForEverEndsWithTheContext(t *testing.T) {
	c := good()
	p := probe(t, c)
	_, err := p.Read(t.Context())
	require.NoError(t, err)
	c.busy = true
	ctx, cancel := context.WithCancel(t.Context())
	go cancel()
	_, err = p.Read(ctx)
	require.ErrorIs(t, err, context.Canceled)
}

func TestNegativeTrimIsFlagged(t *testing.T) {
	c := good()
	c.humidity[5] = 0xFF
	got, err := probe(t, c).Read(t.Context())
	if err != nil { // the wrong trim may also make the value impossible
		var bad *sensors.BadSample
		require.ErrorAs(t, err, &bad)
		return
	}
	require.Equal(t, sensors.OutOfRange, got[2].Status)
}

func TestAddress(t *testing.T) {
	_, err := New(good(), 0x40)
	require.ErrorContains(t, err, "0x76 or 0x77")
}
