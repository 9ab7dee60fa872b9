package heat

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// film is a curing coat of this test's own: da/dt = (k1 + k2 a)(1 - a)^2 with both rates at 25 C and 55 kJ/mol, 400 J/g, 1110 kg/m3. Invented,
// of the size that ambient amine systems have.
type film struct{ a float64 }

func (f *film) heat(_, step float64, c units.Celsius) float64 {
	arr := math.Exp(-55000 / units.GasConstant * (1/float64(c.Kelvin()) - 1/298.15))
	before := f.a
	for range 10 {
		f.a += step / 10 * arr * (5e-5 + 6e-4*f.a) * (1 - f.a) * (1 - f.a)
	}
	return (f.a - before) / step * 400e3 * 1110
}

func warmest(t *testing.T, thickness units.Metre) float64 {
	t.Helper()
	p := Panel{
		Layers: []Layer{{thickness, 0.2, 1110, 1800}, ply(0.009)},
		Front:  FaceTowards(Sideways), Back: FaceTowards(Sideways),
	}
	end := t0 + 24*3600
	f := &film{}
	res, err := p.Run(Drive{Air: steady(18, t0, end), Step: 20, Source: f.heat}, t0, end)
	require.NoError(t, err)
	require.Greater(t, f.a, 0.8)
	require.InDelta(t, f.a*400e3*1110*float64(thickness), res.Balance.Released, 1e-6*res.Balance.Released)
	top := 0.0
	for _, v := range res.Coat.V {
		top = max(top, v)
	}
	return top - 18
}

// A rolled film warms by a few tenths of a kelvin of its own reaction, a flooded one by much more.
func TestThinFilmStaysCoolFloodedOneWarms(t *testing.T) {
	thin, flooded := warmest(t, 0.0003), warmest(t, 0.003)
	require.True(t, thin > 0.1 && thin < 0.9, "%v", thin)
	require.Greater(t, flooded, 8*thin)
	t.Logf("0.3 mm: %.2f K; 3 mm: %.2f K", thin, flooded)
}

func TestSourceTrace(t *testing.T) {
	s := SourceTrace(trace.Trace{At: []float64{0, 100}, V: []float64{0, 1000}})
	require.InDelta(t, 50, s(0, 10, 20), 1e-12)
	require.Zero(t, s(200, 10, 20))
}

// A day at steps of one minute, with a reading every ten minutes.
func BenchmarkDay(b *testing.B) {
	var air trace.Trace
	for i := range 145 {
		x := float64(i) * 600
		air.At, air.V = append(air.At, t0+x), append(air.V, 8+6*math.Sin(2*math.Pi*x/86400))
	}
	p := Panel{Layers: []Layer{{0.0003, 0.2, 1110, 1800}, ply(0.009)}, Front: FaceTowards(Up), Back: FaceTowards(Down)}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := p.Run(Drive{Air: air}, t0, t0+86400); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkFirstOrderLagDay(b *testing.B) {
	var air trace.Trace
	for i := range 1441 {
		x := float64(i) * 60
		air.At, air.V = append(air.At, t0+x), append(air.V, 8+6*math.Sin(2*math.Pi*x/86400))
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := FirstOrderLag(air, 600); err != nil {
			b.Fatal(err)
		}
	}
}
