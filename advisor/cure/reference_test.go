package cure

import (
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/trace"
)

// reference reads a table of testdata/reference: its heading row and the rows under it. Each file states its source.
func reference(t testing.TB, name string) (head []string, rows [][]string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", name))
	require.NoError(t, err)
	for _, line := range strings.Split(strings.TrimSpace(string(text)), "\n") {
		switch cells := strings.Split(line, ","); {
		case strings.HasPrefix(line, "#"):
		case head == nil:
			head = cells
		default:
			require.Len(t, cells, len(head), line)
			rows = append(rows, cells)
		}
	}
	require.NotEmpty(t, rows)
	return head, rows
}

func num(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return v
}

// stepped solves the same law without the curve of reduced time, so that the stepping solver itself is checked against exact answers.
func stepped(m Model) Model {
	m.curve = nil
	return m
}

func TestIsothermalTable(t *testing.T) {
	head, rows := reference(t, "cure_isothermal.csv")
	m := model(t, s1())
	for _, row := range rows {
		for i := 1; i < len(row); i++ {
			for _, way := range []Model{m, stepped(m)} {
				min, ok := way.IsothermalMinutes(num(t, head[i]), num(t, row[0]))
				require.True(t, ok)
				require.InDelta(t, num(t, row[i]), min, 0.3, "%s C to %s", row[0], head[i])
			}
		}
	}
}

func TestSecondOrderTable(t *testing.T) {
	_, rows := reference(t, "cure_second_order.csv")
	m := model(t, plain(1e-5, 2.5e-4, 1, 1))
	c, err := m.isothermal(25, 9*3600, Options{})
	require.NoError(t, err)
	for _, row := range rows {
		a, ok := c.ConversionAt(3600 * num(t, row[0]))
		require.True(t, ok)
		require.InDelta(t, num(t, row[1]), a, 1e-6)
	}
}

// Closed forms, to 1e-8: first and second order, and the autocatalytic one, at three temperatures, by curve and by steps.
func TestClosedForms(t *testing.T) {
	first := func(k1, k2, t float64) float64 { return 1 - math.Exp(-(k1+k2)*t) }
	second := func(k1, k2, t float64) float64 { return (k1 + k2) * t / (1 + (k1+k2)*t) }
	auto := func(k1, k2, t float64) float64 {
		e := math.Exp(-(k1 + k2) * t)
		return (1 - e) / (1 + k2/k1*e)
	}
	for _, c := range []struct {
		name   string
		k1, k2 float64
		m, n   float64
		exact  func(k1, k2, t float64) float64
	}{
		{"n 1, m 0", 4e-5, 1e-5, 0, 1, first}, {"n 2, m 0", 4e-5, 1e-5, 0, 2, second}, {"n 1, m 1", 1e-5, 2.5e-4, 1, 1, auto},
	} {
		for _, tempC := range []float64{5, 25, 40} {
			m := model(t, plain(c.k1, c.k2, c.m, c.n))
			speed := math.Exp(55000 / 8.314462618 * (1/298.15 - 1/(tempC+273.15)))
			for name, way := range map[string]Model{"curve": m, "steps": stepped(m)} {
				course, err := way.isothermal(tempC, 200000, Options{RelTol: 1e-10})
				require.NoError(t, err)
				for at := 600.0; at < 200000; at *= 1.3 {
					a, ok := course.ConversionAt(at)
					require.True(t, ok)
					require.InDelta(t, c.exact(c.k1*speed, c.k2*speed, at), a, 1e-8, "%s at %g C by %s after %g s", c.name, tempC, name, at)
				}
			}
		}
	}
}

// m 1, n 2 has time as a closed form of conversion.
func TestClosedFormOfTime(t *testing.T) {
	const k1, k2 = 1e-5, 2.5e-4
	m := model(t, s1())
	for a := 0.02; a < 0.99; a += 0.03 {
		k := k1 + k2
		exact := (k2/(k*k)*math.Log((k1+k2*a)/(k1*(1-a))) + a/(1-a)/k) / 60
		for _, way := range []Model{m, stepped(m)} {
			min, ok := way.IsothermalMinutes(a, 25)
			require.True(t, ok)
			require.InEpsilon(t, exact, min, 1e-7, a)
		}
	}
}

func TestReducedTimeOfHistories(t *testing.T) {
	_, rows := reference(t, "cure_reduced_time.csv")
	for _, row := range rows {
		hours, from, to, ref := num(t, row[1]), num(t, row[2]), num(t, row[3]), num(t, row[4])
		film := trace.Trace{At: []float64{0, hours * 3600}, V: []float64{from, to}}
		if row[0] == "sine" {
			film = trace.Trace{}
			for s := 0.0; s <= hours*3600; s += 60 {
				film.At, film.V = append(film.At, s), append(film.V, from+to*math.Sin(2*math.Pi*s/86400))
			}
		}
		for _, s := range []System{s1(), medium()} { // by the curve, and beside the diffusion law
			m := model(t, s)
			c, err := m.Course(film, 0, hours*3600)
			require.NoError(t, err)
			reduced, ok := c.ReducedAt(hours * 3600)
			require.True(t, ok)
			require.InEpsilon(t, num(t, row[5]), reduced/m.Equivalent(ref)/3600, 1e-5, row)
		}
	}
}

// Without diffusion conversion depends on reduced time alone: any history against its isothermal equivalent.
func TestReducedTimeIsExact(t *testing.T) {
	m := model(t, s1())
	film := histories()[9].film
	for _, way := range []Model{m, stepped(m)} {
		c, err := way.CourseWith(film, 0, 172800, Options{RelTol: 1e-10})
		require.NoError(t, err)
		for at := 3000.0; at < 172800; at += 7000 {
			reduced, _ := c.ReducedAt(at)
			same, err := m.isothermal(25, reduced, tight)
			require.NoError(t, err)
			want, _ := same.ConversionAt(reduced)
			got, _ := c.ConversionAt(at)
			require.InDelta(t, want, got, 1e-8)
		}
	}
}

func TestTimeFactors(t *testing.T) {
	_, rows := reference(t, "cure_time_factors.csv")
	for _, row := range rows {
		m := model(t, s1()).WithActivation(num(t, row[0]))
		ref, ok := m.IsothermalMinutes(0.4, num(t, row[1]))
		require.True(t, ok)
		at, ok := m.IsothermalMinutes(0.4, num(t, row[2]))
		require.True(t, ok)
		require.InEpsilon(t, num(t, row[3]), at/ref, 1e-3, row)
	}
}

// Gel at one conversion whatever the temperature, so that ln(gel time) against 1/T has the slope E/R.
func TestGelTimeHasTheSlopeOfArrhenius(t *testing.T) {
	m := model(t, s1())
	cold, _ := m.IsothermalMinutes(m.GelConversion(), 10)
	warm, _ := m.IsothermalMinutes(m.GelConversion(), 30)
	require.InEpsilon(t, 55000/8.314462618, math.Log(cold/warm)/(1/283.15-1/303.15), 1e-6)
}

func TestDiBenedetto(t *testing.T) {
	_, rows := reference(t, "cure_dibenedetto.csv")
	s := medium()
	k := *s.Kinetics
	k.TgInfC = 90
	s.Kinetics = &k
	m := model(t, s)
	for _, row := range rows {
		a, tg := num(t, row[1]), num(t, row[2])
		if row[0] == "at_film" {
			require.InDelta(t, a, m.ConversionOfTg(tg), 1e-4)
			continue
		}
		require.InDelta(t, tg, m.Tg(a), 0.0051)
		require.InDelta(t, a, m.ConversionOfTg(m.Tg(a)), 1e-12)
	}
}

func TestDiffusionFactor(t *testing.T) {
	_, rows := reference(t, "cure_diffusion.csv")
	m := model(t, medium())
	film := m.Tg(0.60) - 10 // ac is where Tg is 10 K above the film
	free := m
	free.law.diffusion = false
	for _, row := range rows {
		a := num(t, row[0])
		require.InDelta(t, num(t, row[1]), m.Rate(a, film)/free.Rate(a, film), 1e-5)
	}
}

func TestFloryStockmayer(t *testing.T) {
	_, rows := reference(t, "cure_gel_point.csv")
	for _, row := range rows {
		a, err := FloryStockmayer(num(t, row[0]), num(t, row[1]), num(t, row[2]))
		require.NoError(t, err)
		require.InDelta(t, num(t, row[3]), a, 1e-5)
	}
	for _, bad := range [][3]float64{{0, 4, 2}, {1.1, 4, 2}, {math.NaN(), 4, 2}, {0.2, 4, 2}, {1, 1, 2}} {
		_, err := FloryStockmayer(bad[0], bad[1], bad[2])
		require.ErrorContains(t, err, "cure: ")
	}
}
