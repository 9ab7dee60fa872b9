package forecast_test

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor/air"
	"tackline/advisor/forecast"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// The open data are 10-minute means of a house in Belgium in the winter of 2016, a random quarter of the rows (L. Candanedo, V. Feldheim,
// D. Deramaix, Energy and Buildings 140 (2017) 81-97; UCI Machine Learning Repository, Appliances Energy Prediction, CC BY 4.0). Where the
// folder of open data is absent a simulated trace of the same shape stands in.

const (
	bridged = 2 * 3600.0 // a truth is taken from two rows no further apart
	apart   = 4 * 3600.0 // from one origin to the next
	nDays   = 14
)

// leads are those that are scored, in hours.
var leads = []float64{3, 6, 12, 24}

// winterFile finds the data.
func winterFile(t testing.TB) (path string, open bool) {
	t.Helper()
	for _, dir := range []string{os.Getenv("TACKLINE_SHARED"), filepath.Join("..", "..", "..", "shared")} {
		if dir == "" {
			continue
		}
		p := filepath.Join(dir, "data", "house-winter.csv")
		if _, err := os.Stat(p); err == nil {
			return p, true
		} else if !errors.Is(err, fs.ErrNotExist) {
			require.NoError(t, err)
		}
	}
	require.Empty(t, os.Getenv("TACKLINE_SHARED"), "TACKLINE_SHARED has no data/house-winter.csv")
	return filepath.Join("..", "..", "testdata", "traces", "shed-winter.csv"), false
}

// winter reads the data: temperatures in C, vapour of north_outside in Pa, pressure in hPa.
func winter(t testing.TB) map[string]trace.Trace {
	t.Helper()
	path, open := winterFile(t)
	if !open {
		t.Logf("no open data: the simulated trace %s stands in", filepath.Base(path))
	}
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	at := map[string]int{}
	for i, name := range rows[0] {
		at[name] = i
	}
	out := map[string]trace.Trace{}
	for _, r := range rows[1:] {
		when, err := time.Parse("2006-01-02T15:04:05-07:00", r[at["time"]]+"+01:00")
		require.NoError(t, err)
		v := func(name string) float64 {
			x, err := strconv.ParseFloat(r[at[name]], 64)
			require.NoError(t, err)
			return x
		}
		e, err := air.VapourPressure(units.Celsius(v("north_outside_c")), units.Percent(v("north_outside_rh_pct")))
		require.NoError(t, err)
		for name, x := range map[string]float64{"north_outside_c": v("north_outside_c"), "room8_c": v("room8_c"), "north_outside_pa": float64(e),
			"hpa": v("station_pressure_mmhg") * 1.333224} { // 1 mmHg = 133.3224 Pa (BIPM SI brochure)
			tr := out[name]
			tr.MaxGap = bridged
			tr.At, tr.V = append(tr.At, float64(when.Unix())), append(tr.V, x)
			out[name] = tr
		}
	}
	return out
}

// origins are the moments of the rolling origin: every four hours from 14 days after the first row, where there is a row in the two hours before.
func origins(tr trace.Trace) []float64 {
	first, _ := tr.First()
	last, _, _ := tr.Last()
	var out []float64
	for at := math.Ceil((first+nDays*86400)/apart) * apart; at < last; at += apart {
		if tr.Slice(at-bridged, at).Len() > 0 {
			out = append(out, at)
		}
	}
	return out
}

// half is a history on half hours up to an origin, as the peers want it: straight across every gap, the newest row held.
func half(tr trace.Trace, at float64) []float64 {
	past := tr.Slice(at-nDays*86400-bridged, at)
	past.MaxGap = 0
	_, v, _ := past.Last()
	var out []float64
	for k := float64(nDays * 48); k >= 0; k-- {
		if x, ok := past.Value(at - k*1800); ok {
			out = append(out, x)
		} else if len(out) > 0 {
			out = append(out, v)
		}
	}
	return out
}

// tally is one method's mean absolute errors at the leads, over the origins that it was asked about.
type tally struct {
	sum, n  [4]float64
	in, all float64 // of the 80 % band, over all half hours ahead
	width   float64
	took    time.Duration
	asked   int64
}

func (y *tally) add(tr trace.Trace, at float64, line func(hours float64) float64) {
	for i, h := range leads {
		if truth, ok := tr.Value(at + h*3600); ok {
			y.sum[i] += math.Abs(truth - line(h))
			y.n[i]++
		}
	}
	y.asked++
}

func (y *tally) mae(i int) float64 { return y.sum[i] / y.n[i] }

func (y *tally) String() string {
	s := ""
	for i := range leads {
		s += fmt.Sprintf(" %8.3f", y.mae(i))
	}
	return s + fmt.Sprintf("  %10.3f ms", float64(y.took.Microseconds())/1000/float64(y.asked))
}

// ours scores the ensemble: the line, and how often the truth lies inside the members' middle 80 %.
func ours(t testing.TB, tr trace.Trace, of string, data map[string]trace.Trace, at []float64) *tally {
	t.Helper()
	y := &tally{}
	for _, o := range at {
		log := forecast.Log{AirC: tr}
		if of == "north_outside_pa" {
			log = forecast.Log{AirC: data["north_outside_c"], VapourPa: tr}
		}
		began := time.Now()
		e, err := forecast.Ahead(log, o, forecast.Options{Horizon: 48 * 3600, Members: 100})
		y.took += time.Since(began)
		require.NoError(t, err)
		pick := func(m forecast.Member) []float64 {
			if of == "north_outside_pa" {
				return m.VapourPa
			}
			return m.AirC
		}
		line := pick(e.Likely)
		y.add(tr, o, func(h float64) float64 { return line[int64(h*2)] })
		for k := 1; k <= 96; k++ {
			truth, ok := tr.Value(o + float64(k)*forecast.Step)
			if !ok {
				continue
			}
			v := make([]float64, 0, len(e.Members))
			for _, m := range e.Members {
				v = append(v, pick(m)[k])
			}
			sort.Float64s(v)
			y.all++
			y.width += v[89] - v[10]
			if truth >= v[10] && truth <= v[89] {
				y.in++
			}
		}
	}
	return y
}

// simple scores persistence and the same hour of the day before.
func simple(tr trace.Trace, at []float64) (still, yesterday *tally) {
	still, yesterday = &tally{}, &tally{}
	for _, o := range at {
		y := half(tr, o)
		n := len(y) - 1
		still.add(tr, o, func(float64) float64 { return y[n] })
		yesterday.add(tr, o, func(h float64) float64 { return y[n+int(2*h)-48*int(math.Ceil(h/24))] })
	}
	return still, yesterday
}

// TestWinter scores the forecast over the winter: at 6 and 12 h better than persistence and than the same hour of the day before, and the 80 %
// band covers 75 to 85 %.
func TestWinter(t *testing.T) {
	data := winter(t)
	for _, of := range []string{"north_outside_c", "north_outside_pa", "room8_c"} {
		tr := data[of]
		all := origins(tr)
		step := 1
		if os.Getenv("TACKLINE_LONG") != "1" {
			step = 5 // every 20 hours: all hours of the day come up
		}
		var at []float64
		for i := 0; i < len(all); i += step {
			at = append(at, all[i])
		}
		y := ours(t, tr, of, data, at)
		still, yesterday := simple(tr, at)
		t.Logf("%-17s %3d origins  still     %s", of, still.asked, still)
		t.Logf("%-17s %3d origins  yesterday %s", of, yesterday.asked, yesterday)
		t.Logf("%-17s %3d origins  ours      %s   covers %.1f %%, %.2f wide", of, y.asked, y, 100*y.in/y.all, y.width/y.all)
		for i := 1; i <= 2; i++ {
			require.Less(t, y.mae(i), still.mae(i), of)
			require.Less(t, y.mae(i), yesterday.mae(i), of)
		}
		require.Greater(t, y.in/y.all, 0.75, of)
		require.Less(t, y.in/y.all, 0.85, of)
	}
}

// askPeers runs R's two methods on the histories before the given origins.
func askPeers(t testing.TB, tr trace.Trace, at []float64) (stl, waves *tally) {
	t.Helper()
	var in strings.Builder
	for i, o := range at {
		fmt.Fprint(&in, i)
		for _, v := range half(tr, o) {
			fmt.Fprintf(&in, " %.6g", v)
		}
		fmt.Fprintln(&in)
	}
	cmd := exec.Command("Rscript", filepath.Join("..", "..", "deploy", "reference", "rforecast", "peers.R"))
	cmd.Stdin = strings.NewReader(in.String())
	cmd.Stderr = os.Stderr
	out, err := cmd.Output()
	require.NoError(t, err)
	stl, waves = &tally{}, &tally{}
	rows := strings.Split(strings.TrimSpace(string(out)), "\n")
	require.Len(t, rows, len(at))
	for i, row := range rows {
		var x []float64
		for _, f := range strings.Fields(row) {
			v, err := strconv.ParseFloat(f, 64)
			require.NoError(t, err)
			x = append(x, v)
		}
		require.Len(t, x, 1+2*97)
		for p, y := range []*tally{stl, waves} {
			part := x[1+97*p : 1+97*(p+1)]
			y.took += time.Duration(part[0] * float64(time.Second))
			y.add(tr, at[i], func(h float64) float64 { return part[int64(2*h)] })
		}
	}
	return stl, waves
}

// TestWinterAgainstR runs R's package forecast (stlf with arima; three waves of the day with auto.arima) and ours on the same histories. The
// short form takes a handful of origins and only holds that both are of the same class; deploy/bench takes every sixth and prints the table.
func TestWinterAgainstR(t *testing.T) {
	if err := exec.Command("Rscript", "-e", "library(forecast)").Run(); err != nil {
		require.NotEqual(t, "1", os.Getenv("TACKLINE_REQUIRE"), "Rscript with the package forecast is not here: Debian's r-base-core and r-cran-forecast")
		t.Skip("Rscript with the package forecast is not here: Debian's r-base-core and r-cran-forecast")
	}
	full := os.Getenv("TACKLINE_BENCH") == "1"
	data := winter(t)
	ratios, compared := 0.0, 0.0
	for _, of := range []string{"north_outside_c", "north_outside_pa", "room8_c"} {
		tr := data[of]
		all := origins(tr)
		every := 85 // not a multiple of six: the hours of the day come up in turn
		switch {
		case full:
			every = 6
		case os.Getenv("TACKLINE_LONG") != "1":
			every = 205
		}
		var at []float64
		for i := 0; i < len(all); i += every {
			at = append(at, all[i])
		}
		stl, waves := askPeers(t, tr, at)
		y := ours(t, tr, of, data, at)
		if full {
			still, yesterday := simple(tr, at)
			table(t, of, []named{{"persistence", still}, {"same hour yesterday", yesterday}, {"R stlf, arima", stl}, {"R waves, auto.arima", waves}, {"ours", y},
				{"ours, all origins", ours(t, tr, of, data, all)}})
			continue
		}
		for i, h := range leads {
			best := math.Min(stl.mae(i), waves.mae(i))
			t.Logf("%s %2.0f h: R %.3f and %.3f, ours %.3f", of, h, stl.mae(i), waves.mae(i), y.mae(i))
			ratios, compared = ratios+y.mae(i)/best, compared+1
		}
	}
	if !full { // a few origins say little of one quantity at one lead; over all twelve they say whether either side is broken
		require.Less(t, ratios/compared, 1.5)
		require.Greater(t, ratios/compared, 0.5)
	}
}

type named struct {
	name string
	y    *tally
}

func table(t testing.TB, of string, rows []named) {
	fmt.Printf("\n%s: mean absolute error at 3, 6, 12, 24 h\n", of)
	for _, r := range rows {
		fmt.Printf("  %-20s %4d %s", r.name, r.y.asked, r.y)
		if r.y.all > 0 {
			fmt.Printf("   80 %% band covers %.1f %%", 100*r.y.in/r.y.all)
		}
		fmt.Println()
	}
	best := func(i int) float64 {
		b := math.Inf(1)
		for _, r := range rows[:4] {
			b = math.Min(b, r.y.mae(i))
		}
		return b
	}
	fmt.Printf("  ours over the best  ")
	for i := range leads {
		fmt.Printf("     %8.3f", rows[4].y.mae(i)/best(i))
	}
	fmt.Printf("\n")
	require.NotEmpty(t, rows)
}
