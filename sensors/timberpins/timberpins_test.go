package timberpins

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
	"tackline/sensors/sensortest"
)

// The curve of coast Douglas fir at 27 C as the handbook has it (W. L. James, FPL-GTR-6, 1988, table of megohms by moisture content; from memory):
// 12 % 120, 14 % 33, 16 % 11.2, 18 % 4.6, 20 % 2.14, 22 % 1.10, 25 % 0.46.
const fir = "120e6=12,11.2e6=16,2.14e6=20,0.46e6=25"

func curve(t *testing.T) Curve {
	t.Helper()
	c, err := ParseCurve(fir)
	require.NoError(t, err)
	return c
}

// Between its points the curve is straight by the logarithm: the rows of the table that were left out come back within 0.3 % moisture.
func TestCurveBetweenItsPoints(t *testing.T) {
	c := curve(t)
	for ohm, want := range map[float64]float64{120e6: 12, 33e6: 14, 11.2e6: 16, 4.6e6: 18, 2.14e6: 20, 1.10e6: 22, 0.46e6: 25} {
		got, ok := c.At(ohm)
		require.True(t, ok)
		require.InDelta(t, want, got, 0.3, "%g ohms", ohm)
	}
	for _, beyond := range []float64{121e6, 0.459e6, 0, math.Inf(1), math.NaN(), -1} {
		_, ok := c.At(beyond)
		require.False(t, ok, "nothing is known at %g ohms", beyond)
	}
	for r, last := 0.46e6, 25.0; r < 120e6; r *= 1.01 {
		got, ok := c.At(r)
		require.True(t, ok)
		require.LessOrEqual(t, got, last)
		last = got
	}
}

// The published correction for temperature, M. Y. Pfaff and H. L. C. Garrahan, Forest Products Journal 36(3), 1986 (from memory), as the change
// from 20 C to x: MC = (M + 0.567 - 0.0260 x + 0.000051 x^2) / (0.881 * 1.0056^x).
func TestTemperatureAsPublished(t *testing.T) {
	published := func(m, x float64) float64 {
		return (m + 0.567 - 0.0260*x + 0.000051*x*x) / (0.881 * math.Pow(1.0056, x))
	}
	for _, m := range []float64{8, 12, 16, 20} {
		for _, x := range []float64{0, 5, 10, 15, 25, 30} {
			require.InDelta(t, published(m, x)-published(m, 20), toTimber(m, 20, x)-m, 0.35, "%g %% at %g C", m, x)
		}
	}
	require.Greater(t, toTimber(12, 27, 5), 13.5, "cold timber is damper than it seems")
}

// converter is a converter in memory: volts by input.
type converter struct {
	volts [4]float64
	input byte
	reset bool
	waits int // asks until a conversion is done
	left  int
}

func (c *converter) answer(w, r []byte) error {
	switch {
	case len(w) == 3 && w[0] == 1:
		c.input, c.left = w[1]>>4&7, c.waits
	case len(r) == 2 && w[0] == 1:
		copy(r, []byte{0x80 | (c.input << 4) | 0x03, 0x03})
		if c.reset {
			copy(r, []byte{0x85, 0x83})
		}
		if c.left--; c.left >= 0 {
			r[0] &= 0x7f
		}
	case len(r) == 2 && w[0] == 0:
		v := c.volts[c.input-4] / 4.096 * 32768
		raw := int16(math.Max(-32768, math.Min(32767, math.Round(v))))
		copy(r, []byte{byte(uint16(raw) >> 8), byte(raw)})
	}
	return nil
}

func options(t *testing.T) Options {
	return Options{Pins: 0, Supply: 1, SupplyShare: 0.5, SeriesOhm: 47e6, Curve: curve(t), CurveC: 27, AssumeC: 27, Thermistor: None}
}

func probe(t *testing.T, o Options, volts ...float64) (*Probe, *converter, *sensortest.Bus) {
	t.Helper()
	c := &converter{waits: 1}
	copy(c.volts[:], volts)
	bus := &sensortest.Bus{Answer: c.answer}
	p, err := New(bus, DefaultAddress, o)
	require.NoError(t, err)
	return p, c, bus
}

// dividing gives the volts at the pins for a resistance, from 3.3 V.
func dividing(ohm float64) float64 { return 3.3 * ohm / (47e6 + ohm) }

func TestConformance(t *testing.T) {
	made := func(volts ...float64) func(*testing.T) sensors.Probe {
		return func(t *testing.T) sensors.Probe { p, _, _ := probe(t, options(t), volts...); return p }
	}
	sensortest.Run(t, sensortest.Case{
		Healthy: made(dividing(11.2e6), 1.65),
		Absent: func(t *testing.T) sensors.Probe {
			p, _, bus := probe(t, options(t))
			bus.Gone = true
			return p
		},
		Broken: map[string]func(*testing.T) sensors.Probe{
			"a pin is loose":         made(3.3, 1.65),
			"drier than the curve":   made(dividing(500e6), 1.65),
			"damper than the curve":  made(dividing(0.1e6), 1.65),
			"no supply":              made(0, 0.01),
			"too much for the input": made(1, 4.2),
			"the converter was reset": func(t *testing.T) sensors.Probe {
				p, c, _ := probe(t, options(t), dividing(11.2e6), 1.65)
				c.reset = true
				return p
			},
		},
	})
}

func TestMoisture(t *testing.T) {
	p, c, _ := probe(t, options(t), dividing(11.2e6), 1.65)
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.Len(t, got, 1)
	require.InDelta(t, 16, got[0].Value, 0.01)
	c.volts[0] = dividing(33e6)
	got, err = p.Read(t.Context())
	require.NoError(t, err)
	require.InDelta(t, 14, got[0].Value, 0.3)
}

// A thermistor beside the pins, 10 kilohms at 25 C and B 3950: 32.7 kilohms are 0.0 C and 10 are 25 C by the B equation, worked by hand.
func TestThermistor(t *testing.T) {
	o := options(t)
	o.Thermistor, o.ThermistorOhm, o.ThermistorB, o.ThermistorUp = 2, 10e3, 3950, 10e3
	ntc := func(r float64) float64 { return 3.3 * r / (10e3 + r) }
	p, c, _ := probe(t, o, dividing(11.2e6), 1.65, ntc(10e3))
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.Len(t, got, 2)
	require.Equal(t, sensors.Temperature, got[0].Quantity)
	require.InDelta(t, 25, got[0].Value, 0.02)
	require.InDelta(t, 16*(1+0.0080*2), got[1].Value, 0.01)
	c.volts[2] = ntc(10e3 * math.Exp(3950*(1/273.15-1/298.15)))
	got, err = p.Read(t.Context())
	require.NoError(t, err)
	require.InDelta(t, 0, got[0].Value, 0.02)
	require.InDelta(t, 19.46, got[1].Value, 0.02, "cold timber is damper than it seems")
	c.volts[2] = 3.3
	_, err = p.Read(t.Context())
	var bad *sensors.BadSample
	require.ErrorAs(t, err, &bad, "open: no moisture at an unknown temperature")
}

func TestOptions(t *testing.T) {
	for text, change := range map[string]func(o *Options){
		"two things hang on one input": func(o *Options) { o.Supply = o.Pins },
		"input 4":                      func(o *Options) { o.Pins = 4 },
		"series_ohm":                   func(o *Options) { o.SeriesOhm = 0 },
		"assume_c":                     func(o *Options) { o.AssumeC = -300 },
		"thermistor_b":                 func(o *Options) { o.Thermistor = 2 },
		"two points or more":           func(o *Options) { o.Curve = o.Curve[:1] },
	} {
		o := options(t)
		change(&o)
		_, err := New(nil, DefaultAddress, o)
		require.ErrorContains(t, err, text)
	}
	for text, want := range map[string]string{"": "want ohms=per cent", "1e6=12,2e6=14": "falling ohms", "1e6=12,1e5=70": "4 to 60", "12=12,11=13": "100 to 1e13"} {
		_, err := ParseCurve(text)
		require.ErrorContains(t, err, want, text)
	}
}
