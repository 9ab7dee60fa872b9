package cure

import (
	"bufio"
	"bytes"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/trace"
)

// The peer is SUNDIALS CVODE (Hindmarsh et al., ACM Trans. Math. Softw. 31 (2005) 363) through the small C program in deploy/reference.

// peer builds the C program, or skips where there is no compiler or no SUNDIALS; TACKLINE_REQUIRE=1 makes that a failure.
func peer(t testing.TB) string {
	t.Helper()
	bin := filepath.Join(t.TempDir(), "cure-cvode")
	build := exec.Command("make", "-C", filepath.Join("..", "..", "deploy", "reference", "cvode"), "OUT="+bin)
	if out, err := build.CombinedOutput(); err != nil {
		if os.Getenv("TACKLINE_REQUIRE") == "1" {
			require.NoError(t, err, string(out))
		}
		t.Skipf("no C compiler or no libsundials-dev: %v", err)
	}
	return bin
}

// history is a film temperature of two or three days for the comparison; figures invented.
type history struct {
	name   string
	film   trace.Trace
	system System
}

// histories are ten, with cold fronts (a fall within one step), heater cycles, ramps and calm; half on knots of 15 min, others as they fall.
func histories() []history {
	grid := func(step, hours float64, f func(h float64) float64) trace.Trace {
		var out trace.Trace
		for t := 0.0; t <= hours*3600; t += step {
			out.At, out.V = append(out.At, t), append(out.V, f(t/3600))
		}
		return out
	}
	square := func(h, period, on float64) float64 {
		if math.Mod(h, period) < on {
			return 1
		}
		return 0
	}
	day := func(h float64) float64 { return math.Sin(2 * math.Pi * (h - 9) / 24) }
	ragged := trace.Trace{}
	for i, t := 0, 0.0; t <= 60*3600; i++ {
		ragged.At, ragged.V = append(ragged.At, t), append(ragged.V, 12+4*math.Sin(float64(i)*1.7)+3*math.Sin(float64(i)*0.31))
		t += 600 + 5400*math.Abs(math.Sin(float64(i)*2.3))
	}
	return []history{
		{"calm at 20", trace.Trace{At: []float64{0, 172800}, V: []float64{20, 20}}, medium()},
		{"days and nights", grid(900, 48, func(h float64) float64 { return 12 + 6*day(h) }), medium()},
		{"front after 3 h", grid(900, 48, func(h float64) float64 { return 16 - 11*square(h+45, 48, 45) + 0.5*day(h) }), medium()},
		{"front after 10 h, then a heater", grid(900, 72, func(h float64) float64 {
			switch {
			case h < 10:
				return 18
			case h < 30:
				return 4
			}
			return 24
		}), medium()},
		{"heater 20 min in the hour", grid(300, 24, func(h float64) float64 { return 10 + 9*square(h, 1, 1.0/3) }), medium()},
		{"heater by day", grid(900, 72, func(h float64) float64 { return 8 + 12*square(h, 24, 9) + 2*day(h) }), byTimes()},
		{"ragged samples", ragged, medium()},
		{"ramp from 2 to 30", trace.Trace{At: []float64{0, 7200, 130000}, V: []float64{2, 2, 30}}, medium()},
		{"minutes with ripple", grid(60, 24, func(h float64) float64 { return 15 + 3*math.Sin(40*h) - h/6 }), byTimes()},
		{"no diffusion, heater cycles", grid(900, 48, func(h float64) float64 { return 9 + 10*square(h, 3, 1) + 2*day(h) }), s1()},
	}
}

// outputs are the moments at which both are read, s: every 47 min, so that most lie between knots.
func (h history) outputs() []float64 {
	last, _, _ := h.film.Last()
	var out []float64
	for t := 2820.0; t <= last; t += 2820 {
		out = append(out, t)
	}
	return out
}

// peerRun is one way to run the peer, and what it gave.
type peerRun struct {
	method     string
	restart    int64
	rtol, atol float64
	seconds    float64
	conv       []float64
}

// solvePeer runs the peer on a history in each of the ways.
func solvePeer(t testing.TB, bin string, h history, m Model, repeat int64, runs []peerRun) {
	t.Helper()
	k := m.Kinetics()
	diffusion := 0
	if k.Diffusion {
		diffusion = 1
	}
	var in bytes.Buffer
	fmt.Fprintf(&in, "law %.17g %.17g %g %g %.17g %g %g %g %d %g %g\n", k.K1PerS, k.K2PerS, k.M, k.N, k.ActivationKJMol*1000/8.314462618,
		k.Tg0C, k.TgInfC-k.Tg0C, k.Lambda, diffusion, k.VitrifyC, k.VitrifyOffsetK)
	fmt.Fprintf(&in, "history %d\n", len(h.film.At))
	for i := range h.film.At {
		fmt.Fprintf(&in, "%.17g %.17g\n", h.film.At[i], h.film.V[i])
	}
	outs := h.outputs()
	fmt.Fprintf(&in, "outputs %d\n", len(outs))
	for _, o := range outs {
		fmt.Fprintf(&in, "%.17g\n", o)
	}
	for _, r := range runs {
		fmt.Fprintf(&in, "run %s %d %g %g %d\n", r.method, r.restart, r.rtol, r.atol, repeat)
	}
	cmd := exec.Command(bin)
	cmd.Stdin = &in
	var bad strings.Builder
	cmd.Stderr = &bad
	text, err := cmd.Output()
	require.NoError(t, err, bad.String())
	scan := bufio.NewReader(bytes.NewReader(text))
	for i := range runs {
		var steps, evals int64
		_, err := fmt.Fscanf(scan, "run %g %d %d\n", &runs[i].seconds, &steps, &evals)
		require.NoError(t, err)
		runs[i].conv = make([]float64, len(outs))
		for j := range outs {
			_, err := fmt.Fscanf(scan, "%g\n", &runs[i].conv[j])
			require.NoError(t, err)
		}
	}
}

// best is the way in which the peer is most exact.
var best = peerRun{method: "bdf", restart: 1, rtol: 1e-13, atol: 1e-17}

// worst gives the largest difference between a course and conversions at the outputs.
func worst(t testing.TB, c *Course, outs, conv []float64) float64 {
	t.Helper()
	off := 0.0
	for i, o := range outs {
		a, ok := c.ConversionAt(o)
		require.True(t, ok)
		off = math.Max(off, math.Abs(a-conv[i]))
	}
	return off
}

func TestAgainstCVODE(t *testing.T) {
	bin := peer(t)
	for _, h := range histories() {
		t.Run(h.name, func(t *testing.T) {
			m := model(t, h.system)
			runs := []peerRun{best, {method: "adams", restart: 1, rtol: 1e-13, atol: 1e-17}}
			solvePeer(t, bin, h, m, 1, runs)
			last, _, _ := h.film.Last()
			usual, err := m.Course(h.film, 0, last)
			require.NoError(t, err)
			fine, err := m.CourseWith(h.film, 0, last, Options{RelTol: 1e-10})
			require.NoError(t, err)
			outs := h.outputs()
			off, offFine := worst(t, &usual, outs, runs[0].conv), worst(t, &fine, outs, runs[0].conv)
			t.Logf("usual %.1e, fine %.1e; the peer's two methods differ by %.1e", off, offFine, spread(runs[0].conv, runs[1].conv))
			require.Less(t, off, 1e-6)
			require.Less(t, offFine, 1e-8)
		})
	}
}

func spread(a, b []float64) float64 {
	d := 0.0
	for i := range a {
		d = math.Max(d, math.Abs(a[i]-b[i]))
	}
	return d
}

// BenchmarkBesideCVODE reports for each history the time of one of our solves, of the cheapest of the peer's ways that is at least as exact
// as ours (or to 1e-9, where ours is finer), and their ratio: above 1 we are the faster.
func BenchmarkBesideCVODE(b *testing.B) {
	bin := peer(b)
	for _, h := range histories() {
		b.Run(h.name, func(b *testing.B) {
			m := model(b, h.system)
			last, _, _ := h.film.Last()
			runs := []peerRun{best}
			for _, method := range []string{"bdf", "adams"} {
				for _, restart := range []int64{0, 1} {
					for _, rtol := range []float64{1e-4, 1e-5, 1e-6, 1e-7, 1e-8, 1e-9, 1e-10, 1e-11, 1e-12} {
						runs = append(runs, peerRun{method: method, restart: restart, rtol: rtol, atol: rtol * 1e-2})
					}
				}
			}
			solvePeer(b, bin, h, m, 5, runs)
			c, err := m.Course(h.film, 0, last)
			require.NoError(b, err)
			ours := worst(b, &c, h.outputs(), runs[0].conv)
			for b.Loop() {
				_, _ = m.Course(h.film, 0, last)
			}
			each := b.Elapsed().Seconds() / float64(b.N)
			cheapest := math.Inf(1)
			for _, r := range runs[1:] {
				if spread(r.conv, runs[0].conv) <= math.Max(ours, 1e-9) {
					cheapest = math.Min(cheapest, r.seconds)
				}
			}
			b.ReportMetric(ours, "error")
			b.ReportMetric(cheapest*1e9, "cvode-ns")
			b.ReportMetric(cheapest/each, "cvode/ours")
		})
	}
}
