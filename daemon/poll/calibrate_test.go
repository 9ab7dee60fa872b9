package poll

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

// Undo is the inverse of what the correction of the quantity does, whatever the numbers.
func TestUndo(t *testing.T) {
	const seed = 11
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	for range 2000 {
		c := Calibration{TemperatureK: r.Float64()*4 - 2, HumidityFactor: 0.9 + r.Float64()*0.2, HumidityPct: r.Float64()*4 - 2, PressureHPa: r.Float64() - 0.5, MoisturePct: r.Float64()}
		for q, raw := range map[sensors.Quantity]float64{sensors.Temperature: r.Float64() * 30, sensors.Pressure: 1000, sensors.Moisture: 8 + r.Float64()*10} {
			require.InDelta(t, raw, c.Undo(q, c.apply(q, raw, 0, false)), 1e-9)
		}
		rh := 20 + r.Float64()*50
		carried := Calibration{TemperatureK: c.TemperatureK}.apply(sensors.Humidity, rh, 15, true)
		require.InDelta(t, carried, c.Undo(sensors.Humidity, c.apply(sensors.Humidity, rh, 15, true)), 1e-9)
	}
}

// Two jars at 20 C, 33.1 and 75.5 % (Greenspan 1977), in which a probe shows 35.1 and 73.4: true = 1.1070 shown - 5.758, worked by hand; put to use, it
// shows what is in the jars.
func TestTwoPoint(t *testing.T) {
	gain, offset, u, err := TwoPoint(Jar{35.1, 33.1, 0.6}, Jar{73.4, 75.5, 0.5})
	require.NoError(t, err)
	require.InDelta(t, 1.10705, gain, 1e-4)
	require.InDelta(t, -5.757, offset, 1e-2)
	require.Equal(t, 0.6, u)
	c := Calibration{}.Set(sensors.Humidity, gain, offset)
	require.NoError(t, c.Check())
	require.InDelta(t, 33.1, c.apply(sensors.Humidity, 35.1, 20, true), 1e-9)
	require.InDelta(t, 75.5, c.apply(sensors.Humidity, 73.4, 20, true), 1e-9)
	_, _, _, err = TwoPoint(Jar{70, 75.5, 1}, Jar{80, 85.1, 1})
	require.ErrorContains(t, err, "20 apart")
	_, _, _, err = TwoPoint(Jar{50, 33.1, 1}, Jar{52, 75.5, 1})
	require.ErrorContains(t, err, "settled?")
}

// A jar settles as exp(-t/20 min) does: after one hour it still drifts by a per cent an hour, after three it is still.
func TestSettling(t *testing.T) {
	jar := func(from float64) []Point {
		var out []Point
		for i := range 31 {
			m := from + float64(i)
			v := 75.5 - 20*math.Exp(-m/20)
			out = append(out, Point{m * 60, v})
		}
		return out
	}
	still := func(p []Point) error { return Settle(p).Still(30*time.Minute, 0.5, 0.4, "%") }
	require.ErrorContains(t, still(jar(60)), "drifts by")
	require.NoError(t, still(jar(180)))
	require.ErrorContains(t, still(jar(180)[:10]), "want 30m0s")
	require.ErrorContains(t, still(nil), "0 readings")
	p := jar(180)
	for i := range p {
		p[i].V += float64(i%2)*2 - 1
	}
	require.ErrorContains(t, still(p), "scatters by")
}
