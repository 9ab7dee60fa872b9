package drivers

import (
	"context"
	"errors"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"tackline/sensors"
	"tackline/sensors/sensortest"
)

// babble is a bus on which every address answers whatever it likes.
type babble struct {
	says []byte
	at   int
}

func (b *babble) String() string                  { return "babble" }
func (b *babble) SetSpeed(physic.Frequency) error { return nil }
func (b *babble) Close() error                    { return nil }

func (b *babble) Tx(_ uint16, _, r []byte) error {
	time.Sleep(time.Millisecond) // a few bytes at 100 kHz; a driver that asks a busy chip again and again comes to its deadline
	if len(b.says) == 0 {
		return errors.New("no answer")
	}
	for i := range r {
		r[i] = b.says[b.at%len(b.says)]
		b.at++
	}
	return nil
}

// FuzzFrames has every chip by I2C read frames of any bytes: no driver panics or hangs, and what it gives is a finite number that its quantity can have.
func FuzzFrames(f *testing.F) {
	specs := []Spec{{"bme280", "a", sensors.Air, nil}, {"sht3x", "b", sensors.Air, nil}, {"sht4x", "c", sensors.Air, nil}, {"aht20", "d", sensors.Air, nil}, {"hdc302x", "e", sensors.Air, nil},
		{"mcp9808", "f", sensors.Surface, nil}, {"mlx90614", "g", sensors.Surface, nil}, {"ds18b20", "h", sensors.Timber, options("address", "28-0316a2791234")},
		{"timberpins", "i", sensors.Timber, options("series_ohm", "47e6", "curve", "120e6=12,2.14e6=20", "thermistor", "2")}}
	for i, s := range specs {
		var seed []byte
		switch s.Kind {
		case "ds18b20", "timberpins":
			seed = []byte{0x91, 0x01, 0x4b, 0x46, 0x7f, 0xff, 0x0f, 0x10, 0x25}
		default:
			for _, op := range sensortest.Playback(f, "../../testdata/i2c/"+s.Kind+".txt").Ops {
				seed = append(seed, op.R...)
			}
		}
		f.Add(uint8(i), seed)
	}
	f.Fuzz(func(t *testing.T, kind uint8, says []byte) {
		spec := specs[int(kind)%len(specs)]
		synctest.Test(t, func(t *testing.T) { // waits of a chip cost nothing
			s := New(Env{Sys: "/nowhere", OpenI2C: func(int) (i2c.BusCloser, error) { return &babble{says: says}, nil }})
			o, err := s.Open(spec)
			require.NoError(t, err)
			for range 3 {
				ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second) // as the poller does: a chip may be busy for ever
				got, err := o.Probe.Read(ctx)
				cancel()
				if err != nil {
					require.Empty(t, got, "a failed read leaves no value")
				}
				for _, r := range got {
					require.False(t, math.IsNaN(r.Value) || math.IsInf(r.Value, 0), "%s: %v", spec.Kind, r)
					switch r.Quantity {
					case sensors.Humidity:
						require.True(t, r.Value >= 0 && r.Value <= 100, "%s: %v", spec.Kind, r)
					case sensors.Temperature:
						require.True(t, r.Value >= -273.15 && r.Value <= 1100, "%s: %v", spec.Kind, r)
					case sensors.Pressure:
						require.True(t, r.Value > 0 && r.Value <= 1200, "%s: %v", spec.Kind, r)
					case sensors.Moisture:
						require.True(t, r.Value >= 0 && r.Value <= 250, "%s: %v", spec.Kind, r)
					}
				}
			}
			require.NoError(t, o.Probe.Close())
			require.NoError(t, s.Close())
		})
	})
}
