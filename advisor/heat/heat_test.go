package heat

import (
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/internal/refcase"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

func table(t *testing.T, name string) refcase.Table {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "reference", name))
	require.NoError(t, err)
	defer f.Close()
	tab, err := refcase.Parse(f)
	require.NoError(t, err, name)
	return tab
}

// The plywood of the reference cases: k 0.12, rho 500, c 1600, so alpha 1.5e-7 m2/s.
func ply(thickness units.Metre) Layer { return Layer{thickness, 0.12, 500, 1600} }

const plyAlpha = 0.12 / (500 * 1600)

func plain(h float64) Face { return Face{Warm: h, Cool: h} }

func steady(v, from, to float64) trace.Trace {
	return trace.Trace{At: []float64{from, to}, V: []float64{v, v}}
}

const t0 = 1767225600.0 // 2026-01-01, so that the size of Unix seconds is tested along

func valueAt(t *testing.T, tr trace.Trace, at float64) float64 {
	t.Helper()
	v, ok := tr.Value(at)
	require.True(t, ok, "no value at %v", at)
	return v
}

func TestPlaneWallRoots(t *testing.T) {
	for _, r := range table(t, "heat-plane-wall-roots.csv").Rows {
		bi := r.Float("bi")
		z := refcase.PlaneWallRoot(bi, 0)
		require.InDelta(t, r.Float("z1"), z, 1e-6)
		require.InDelta(t, r.Float("c1"), 4*math.Sin(z)/(2*z+math.Sin(2*z)), 1e-6)
	}
	for _, r := range table(t, "heat-plane-wall-roots-higher.csv").Rows {
		for n, c := range []string{"z1", "z2", "z3", "z4"} {
			require.InDelta(t, r.Float(c), refcase.PlaneWallRoot(r.Float("bi"), int64(n)), 1e-5)
		}
	}
}

// The solver against the series: 40 cells in the half thickness, steps of a five-hundredth of the half thickness's own time L2/alpha.
func TestPlaneWallSeries(t *testing.T) {
	const half = 0.0045
	worst := 0.0
	for _, r := range table(t, "heat-plane-wall.csv").Rows {
		bi, fo := r.Float("bi"), r.Float("fo")
		require.InDelta(t, r.Float("theta_centre"), refcase.PlaneWall(bi, fo, 0), 1e-5)
		require.InDelta(t, r.Float("theta_surface"), refcase.PlaneWall(bi, fo, 1), 1e-5)
		unit := half * half / plyAlpha
		for _, scheme := range []Scheme{TRBDF2, BackwardEuler} {
			p := Panel{Layers: []Layer{ply(2 * half)}, Front: plain(bi * 0.12 / half), Back: plain(bi * 0.12 / half), Cell: half / 40}
			end := t0 + fo*unit
			res, err := p.Run(Drive{Air: steady(0, t0, end), Start: Uniform(1), Step: units.Second(unit / 2000), Scheme: scheme}, t0, end)
			require.NoError(t, err)
			for _, c := range []struct {
				want float64
				tr   trace.Trace
			}{{r.Float("theta_centre"), res.Core}, {r.Float("theta_surface"), res.Front}, {r.Float("theta_surface"), res.Back}} {
				_, got, _ := c.tr.Last()
				require.InDelta(t, c.want, got, 2e-3, "Bi %v Fo %v scheme %v", bi, fo, scheme)
				if scheme == TRBDF2 {
					worst = max(worst, math.Abs(got-c.want))
				}
			}
		}
	}
	t.Logf("TR-BDF2: largest difference to the series %.1e", worst)
}

// The 9 mm panel of the table, in an ordinary grid of 1 mm and steps of 10 s.
func TestNineMillimetrePanel(t *testing.T) {
	p := Panel{Layers: []Layer{ply(0.009)}, Front: FaceTowards(Sideways), Back: FaceTowards(Sideways)}
	res, err := p.Run(Drive{Air: steady(0, t0, t0+1800), Start: Uniform(1), Step: 10}, t0, t0+1800)
	require.NoError(t, err)
	for _, r := range table(t, "heat-ply-9mm.csv").Rows {
		at := t0 + r.Float("t_s")
		require.InDelta(t, r.Float("surface"), valueAt(t, res.Front, at), 2e-3)
		require.InDelta(t, r.Float("centre"), valueAt(t, res.Core, at), 2e-3)
		require.InDelta(t, r.Float("lumped"), math.Exp(-r.Float("t_s")/468), 5e-4)
	}
	require.InDelta(t, 514, float64(p.Lag()), 0.1*514) // L2/(alpha z1^2), z1 the first root for Bi 0.2885
}

func TestSemiInfiniteSolid(t *testing.T) {
	for _, r := range table(t, "heat-semi-infinite.csv").Rows {
		x, dt := r.Float("x_m"), r.Float("t_s")
		require.InDelta(t, r.Float("rise"), refcase.SemiInfinite(8, 0.12, plyAlpha, x, dt), 1e-5)
		p := Panel{Layers: []Layer{ply(0.2)}, Front: plain(8), Back: plain(0), Cell: 1e-3}
		res, err := p.Run(Drive{Air: steady(1, t0, t0+dt), Start: Uniform(0), Step: 1}, t0, t0+dt)
		require.NoError(t, err)
		got, ok := res.End.At(x)
		require.True(t, ok)
		if x == 0 {
			_, v, _ := res.Front.Last()
			got = units.Celsius(v)
		}
		require.InDelta(t, r.Float("rise"), float64(got), 2e-3, "x %v t %v", x, dt)
	}
}

// Steady state of three layers between two rooms: exact, by resistances in series.
func TestSteadyStateIsExact(t *testing.T) {
	layers := []Layer{{0.0003, 0.2, 1110, 1800}, ply(0.009), {0.05, 0.035, 30, 1400}}
	p := Panel{Layers: layers, Front: plain(7.69), Back: Face{Warm: 25, Cool: 25, Radiant: 25}}
	// The back face exchanges by radiation alone, with walls at 0 C; the front is in air at 20 C and sees those walls not at all.
	end := t0 + 400*float64(p.Lag())
	res, err := p.Run(Drive{Air: steady(20, t0, end), Radiant: steady(0, t0, end), Step: p.Lag() / 5}, t0, end)
	require.NoError(t, err)
	r := 1/7.69 + 1.0/25
	for _, l := range layers {
		r += float64(l.Thickness) / l.Conductivity
	}
	q := 20 / r
	_, f, _ := res.Front.Last()
	_, b, _ := res.Back.Last()
	require.InDelta(t, 20-q/7.69, f, 1e-9)
	require.InDelta(t, q/25, b, 1e-9)
	depth := 0.0003 + 0.0045
	mid, _ := res.End.At(depth)
	require.InDelta(t, 20-q*(1/7.69+0.0003/0.2+0.0045/0.12), float64(mid), 1e-9)
}

// What comes in through the faces and from the source is what is stored, to 1e-9 of what was moved.
func TestEnergyBalance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 3).Draw(t, "layers")
		p := Panel{Front: FaceTowards(rapid.SampledFrom([]Facing{Up, Sideways, Down}).Draw(t, "facing"))}
		p.Back = FaceTowards(rapid.SampledFrom([]Facing{Up, Sideways, Down}).Draw(t, "back"))
		for range n {
			p.Layers = append(p.Layers, Layer{
				units.Metre(rapid.Float64Range(2e-4, 0.03).Draw(t, "thickness")), rapid.Float64Range(0.03, 2).Draw(t, "k"),
				rapid.Float64Range(30, 2000).Draw(t, "rho"), rapid.Float64Range(800, 2500).Draw(t, "c")})
		}
		var air trace.Trace
		for i := range 25 {
			air.At = append(air.At, t0+float64(i)*600)
			air.V = append(air.V, rapid.Float64Range(-10, 35).Draw(t, "air"))
		}
		scheme := rapid.SampledFrom([]Scheme{TRBDF2, BackwardEuler}).Draw(t, "scheme")
		source := func(at, step float64, c units.Celsius) float64 {
			return 2e4 * math.Exp(-(at-t0)/3000) * (1 + float64(c)/100)
		}
		res, err := p.Run(Drive{Air: air, Scheme: scheme, Source: source, Step: 97, Start: Uniform(12)}, t0, t0+14400)
		require.NoError(t, err)
		b := res.Balance
		moved := math.Abs(b.In) + math.Abs(b.Released) + 1e4
		require.InDelta(t, 0, (b.Stored-b.In-b.Released)/moved, 1e-9)
	})
}

// orderOf gives log2 of the ratio of errors as the step or the cell is halved.
func orderOf(errs []float64) float64 { return math.Log2(errs[len(errs)-2] / errs[len(errs)-1]) }

// Order in the step: the air goes as a sine wave, and the answer is compared with that of a step 64 times finer on the same grid.
func TestOrderInTime(t *testing.T) {
	var air trace.Trace
	for i := range 7201 {
		x := float64(i) * 2
		air.At, air.V = append(air.At, t0+x), append(air.V, 10+5*math.Sin(2*math.Pi*x/7200))
	}
	p := Panel{Layers: []Layer{ply(0.009)}, Front: plain(7.69), Back: plain(7.69)}
	run := func(step units.Second, s Scheme) float64 {
		res, err := p.Run(Drive{Air: air, Start: Uniform(10), Step: step, Scheme: s}, t0, t0+14400)
		require.NoError(t, err)
		_, v, _ := res.Front.Last()
		return v
	}
	for _, c := range []struct {
		scheme Scheme
		order  float64
	}{{TRBDF2, 2}, {BackwardEuler, 1}} {
		exact := run(2, TRBDF2)
		var errs []float64
		for _, step := range []units.Second{480, 240, 120} {
			errs = append(errs, math.Abs(run(step, c.scheme)-exact))
		}
		require.InDelta(t, c.order, orderOf(errs), 0.3, "errors %v", errs)
		t.Logf("scheme %d: order %.2f, error at 120 s %.1e K", c.scheme, orderOf(errs), errs[2])
	}
}

// Order in the cell: halving it makes the error to the series a quarter.
func TestOrderInSpace(t *testing.T) {
	const half, bi, fo = 0.0045, 1.0, 0.2
	unit := half * half / plyAlpha
	var errs []float64
	for _, n := range []float64{4, 8, 16} {
		h := bi * 0.12 / half
		p := Panel{Layers: []Layer{ply(2 * half)}, Front: plain(h), Back: plain(h), Cell: units.Metre(2 * half / n)}
		end := t0 + fo*unit
		res, err := p.Run(Drive{Air: steady(0, t0, end), Start: Uniform(1), Step: units.Second(unit / 4000)}, t0, end)
		require.NoError(t, err)
		_, v, _ := res.Front.Last()
		errs = append(errs, math.Abs(v-refcase.PlaneWall(bi, fo, 1)))
	}
	require.InDelta(t, 2, orderOf(errs), 0.3, "errors %v", errs)
	t.Logf("order %.2f, errors %.1e", orderOf(errs), errs)
}

// A sudden step of the air: backward Euler stays between the old and the new temperature at any step, and so does TR-BDF2 on timber at
// steps of a minute; a foil that follows within a second makes it leave them by less than 1e-4.
func TestNoOvershoot(t *testing.T) {
	for _, c := range []struct {
		scheme Scheme
		step   units.Second
		under  Layer
		tol    float64
	}{
		{BackwardEuler, 1, ply(0.012), 1e-12}, {BackwardEuler, 60, ply(0.012), 1e-12}, {BackwardEuler, 3600, ply(0.012), 1e-12},
		{TRBDF2, 1, ply(0.012), 1e-12}, {TRBDF2, 60, ply(0.012), 1e-12}, {TRBDF2, 60, Layer{0.0001, 0.2, 100, 1000}, 1e-4},
	} {
		p := Panel{Layers: []Layer{{0.0003, 0.2, 1110, 1800}, c.under}, Front: FaceTowards(Down), Back: FaceTowards(Up)}
		if c.under.Thickness < 0.001 {
			p.Layers = p.Layers[1:]
		}
		res, err := p.Run(Drive{Air: steady(1, t0, t0+36000), Start: Uniform(0), Step: c.step, Scheme: c.scheme}, t0, t0+36000)
		require.NoError(t, err)
		worst := 0.0
		for _, tr := range []trace.Trace{res.Front, res.Core, res.Back, res.Coat} {
			for _, v := range tr.V {
				worst = max(worst, -v, v-1)
			}
		}
		require.LessOrEqual(t, worst, c.tol, "scheme %v step %v", c.scheme, c.step)
		t.Logf("scheme %d, step %v s, %v m: leaves by %.1e", c.scheme, c.step, p.Thickness(), worst)
	}
}

func TestSurfaceResistances(t *testing.T) {
	hr, err := RadiativeCoefficient(20)
	require.NoError(t, err)
	for _, r := range table(t, "heat-surface-resistance.csv").Rows {
		computed := 1 / (r.Float("hc") + Emissivity*hr)
		require.InDelta(t, r.Float("computed"), computed, 1e-4)
		require.InDelta(t, r.Float("rsi"), computed, r.Float("abs_tol"))
		f := map[string]float64{"up": FaceTowards(Up).Warm, "horizontal": FaceTowards(Sideways).Warm, "down": FaceTowards(Down).Warm}
		require.InDelta(t, r.Float("rsi"), 1/f[r.Text("direction")], 1e-12)
	}
	require.InDelta(t, 7.69, FaceTowards(Sideways).Warm, 0.005)
	require.Equal(t, FaceTowards(Up).Cool, FaceTowards(Down).Warm)
	for _, r := range table(t, "heat-radiation.csv").Rows {
		hr, err := RadiativeCoefficient(units.Celsius(r.Float("t_c")))
		require.NoError(t, err)
		require.InDelta(t, r.Float("hr0_w_m2k"), hr, 5.1e-4)
	}
	require.Equal(t, []Facing{Down, Sideways, Up}, []Facing{Up.Opposite(), Sideways.Opposite(), Down.Opposite()})
}

// A daily wave dies away in the thickness by exp(-x/d), d = sqrt(2 alpha/omega).
func TestDailyWaveDepth(t *testing.T) {
	for _, r := range table(t, "heat-daily-wave.csv").Rows {
		omega := 2 * math.Pi / (3600 * r.Float("period_h"))
		d := math.Sqrt(2 * plyAlpha / omega)
		require.InDelta(t, r.Float("depth_mm"), 1000*d, r.Float("abs_tol"))
	}
	var air trace.Trace
	for i := range 20 * 24 * 12 {
		x := float64(i) * 300
		air.At, air.V = append(air.At, t0+x), append(air.V, math.Sin(2*math.Pi*x/86400))
	}
	p := Panel{Layers: []Layer{ply(0.5)}, Front: plain(1000), Back: plain(0), Cell: 0.0025}
	end := air.At[len(air.At)-1]
	res, err := p.Run(Drive{Air: air, Start: Uniform(0), Step: 300}, t0, end)
	require.NoError(t, err)
	swing := func(tr trace.Trace) float64 { // over the last day
		day := tr.Slice(end-86400, end).V
		return slices.Max(day) - slices.Min(day)
	}
	d := math.Sqrt(2 * plyAlpha * 86400 / (2 * math.Pi))
	require.InDelta(t, math.Exp(-0.25/d), swing(res.Core)/swing(res.Front), 2e-3)
}

// A panel under a cold roof falls below the air's temperature: half and more of the exchange is radiation.
func TestColdRoofCoolsBelowTheAir(t *testing.T) {
	p := Panel{Layers: []Layer{ply(0.009)}, Front: FaceTowards(Up), Back: plain(0)}
	end := t0 + 36000
	res, err := p.Run(Drive{Air: steady(8, t0, end), Radiant: steady(2, t0, end)}, t0, end)
	require.NoError(t, err)
	_, v, _ := res.Front.Last()
	f := FaceTowards(Up)
	require.InDelta(t, 8-6*f.Radiant/f.Cool, v, 1e-6) // the face is the cooler
	require.Less(t, v, 3.0)
}

func TestLayAWetCoatOnAPanel(t *testing.T) {
	p := Uniform(8).Under(0.003, 20)
	for _, c := range []struct{ depth, want float64 }{{0, 20}, {0.0029, 20}, {0.0031, 8}, {0.01, 8}} {
		got, ok := p.At(c.depth)
		require.True(t, ok)
		require.InDelta(t, c.want, float64(got), 1e-9)
	}
	_, ok := Profile{}.At(0)
	require.False(t, ok)
}
