package air_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/air"
	"tackline/advisor/units"
)

// missing skips the test where something from outside the repository is not there; where TACKLINE_REQUIRE is 1 it fails instead, so that
// the full run of the checks cannot pass by skipping.
func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("TACKLINE_REQUIRE") == "1" {
		t.Fatalf("%s, and TACKLINE_REQUIRE=1 asks for it", what)
	}
	t.Skip(what)
}

type point struct {
	mode string // "rh": x is relative humidity, %; "pw": x is vapour pressure, Pa
	t, x float64
}

// psychrolibPoints covers -40..50 C. Above the triple point psychrolib is asked by relative humidity; below it, where its humidity is over
// ice and ours over water (WMO No. 8), by our own vapour pressure.
func psychrolibPoints(t *testing.T) []point {
	t.Helper()
	var points []point
	rhs := []float64{0.5, 1, 2, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75, 80, 85, 90, 95, 99, 100}
	temps := []float64{0.01}
	for c := 0.5; c <= 50; c += 0.5 {
		temps = append(temps, c)
	}
	for _, c := range temps {
		for _, rh := range rhs {
			points = append(points, point{"rh", c, rh})
		}
	}
	for c := -40.0; c < 0; c += 0.5 {
		for _, rh := range []float64{1, 5, 10, 20, 30, 40, 50, 60, 65} { // below saturation over ice, as psychrolib asks
			e, err := air.VapourPressure(units.Celsius(c), units.Percent(rh))
			require.NoError(t, err)
			points = append(points, point{"pw", c, float64(e)})
		}
	}
	return points
}

func runPsychrolib(t *testing.T, points []point) [][]string {
	t.Helper()
	node, err := exec.LookPath("node")
	if err != nil {
		missing(t, "node is not installed")
	}
	dir := filepath.Join("..", "..", "deploy", "reference", "psychrolib")
	if _, err := os.Stat(filepath.Join(dir, "node_modules", "psychrolib")); err != nil {
		missing(t, "psychrolib is not installed: run npm ci in deploy/reference/psychrolib")
	}
	var in, errs bytes.Buffer
	for _, p := range points {
		fmt.Fprintf(&in, "%s,%s,%s\n", p.mode, strconv.FormatFloat(p.t, 'g', -1, 64), strconv.FormatFloat(p.x, 'g', -1, 64))
	}
	cmd := exec.CommandContext(t.Context(), node, "compare.mjs")
	cmd.Dir, cmd.Stdin, cmd.Stderr = dir, &in, &errs
	out, err := cmd.Output()
	require.NoError(t, err, errs.String())
	r := csv.NewReader(bytes.NewReader(out))
	r.FieldsPerRecord = -1
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, len(points))
	return rows
}

// Against the npm package psychrolib, version 1.1.1 (ASHRAE Fundamentals 2017, Hyland and Wexler), run on the spot.
func TestAgainstPsychrolib(t *testing.T) {
	points := psychrolibPoints(t)
	require.Greater(t, len(points), 2000)
	rows := runPsychrolib(t, points)
	var worst struct{ inner, outer, frost, cold, wet float64 }
	for i, p := range points {
		theirs, err := strconv.ParseFloat(rows[i][0], 64)
		require.NoError(t, err)
		at := fmt.Sprintf("%s %v C, %v", p.mode, p.t, p.x)
		if p.mode == "pw" {
			frost, ok, err := air.FrostPointFromVapourPressure(units.Pascal(p.x))
			require.NoError(t, err)
			require.True(t, ok, at)
			worst.cold = max(worst.cold, within(t, theirs, float64(frost), 0.05, at))
			continue
		}
		worst.wet = max(worst.wet, compareWetBulb(t, p, rows[i][1], at))
		c, rh := units.Celsius(p.t), units.Percent(p.x)
		if theirs < 0.01 {
			frost, ok, err := air.FrostPoint(c, rh)
			require.NoError(t, err)
			if !ok { // within a hundredth of a kelvin of the triple point the two differ on which side of 0 C they are
				require.InDelta(t, 0, theirs, 0.05, at)
				continue
			}
			worst.frost = max(worst.frost, within(t, theirs, float64(frost), 0.05, at))
			continue
		}
		td, err := air.DewPoint(c, rh)
		require.NoError(t, err)
		switch {
		case p.t <= 30 && p.x >= 30:
			worst.inner = max(worst.inner, within(t, theirs, float64(td), 0.03, at))
		default:
			worst.outer = max(worst.outer, within(t, theirs, float64(td), 0.05, at))
		}
	}
	t.Logf("%d points; largest difference in K: dew point %.4f (0..30 C, 30 %% and above), %.4f (elsewhere); frost point %.4f, cold air %.4f; wet bulb %.4f",
		len(points), worst.inner, worst.outer, worst.frost, worst.cold, worst.wet)
}

func within(t *testing.T, want, got, tol float64, at string) float64 {
	t.Helper()
	require.InDelta(t, want, got, tol, at)
	return max(want-got, got-want)
}

// compareWetBulb holds the wet bulb to 0.05 K at 5..30 C, where the bulb is wet on both sides; where it freezes the two settle on
// different sides of the step between water and ice.
func compareWetBulb(t *testing.T, p point, theirs, at string) float64 {
	t.Helper()
	want, err := strconv.ParseFloat(theirs, 64)
	require.NoError(t, err)
	if p.t < 5 || p.t > 30 || want < 0.5 {
		return 0
	}
	got, err := air.WetBulb(units.Celsius(p.t), units.Percent(p.x), air.StandardAtmosphere)
	require.NoError(t, err)
	return within(t, want, float64(got), 0.05, at)
}

// Single figures of a weather station (temperature, relative humidity in whole per cent, dew point to a tenth), from the data of
// L. Candanedo, V. Feldheim and D. Deramaix, Energy and Buildings 140 (2017) 81-97; UCI Machine Learning Repository, Appliances Energy
// Prediction (CC BY 4.0). The tolerance is what the rounding of the three figures allows.
func TestDewPointAgainstSingleStationFigures(t *testing.T) {
	rows := []struct {
		when     string
		t, rh, d float64
	}{
		{"2016-01-11 18:00", 5.90, 92, 4.7}, {"2016-01-18 01:00", -3.3, 86, -5.4}, {"2016-03-03 15:00", 7.7, 70, 2.5},
		{"2016-02-25 21:10", 1.85, 91, 0.45}, {"2016-03-29 04:50", 5.65, 87, 3.56667},
	}
	for _, r := range rows {
		requireStation(t, r.when, r.t, r.rh, r.d, 0)
	}
}

// requireStation compares our dew point with a station's, whose figures are rounded: temperature and dew point to 0.1 C, humidity to 1 %.
func requireStation(t *testing.T, when string, c, rh, dewPoint, extra float64) float64 {
	t.Helper()
	got, err := air.DewPoint(units.Celsius(c), units.Percent(rh))
	require.NoError(t, err, when)
	perK, perPct, err := air.DewPointSlopes(units.Celsius(c), units.Percent(rh))
	require.NoError(t, err, when)
	tol := 0.05 + 0.05*perK + 0.5*perPct + 0.01 + extra
	return within(t, dewPoint, float64(got), tol, when)
}

// The whole file of the same source, where the folder of open data is there. Its rows are 10-minute means put between hourly reports on a
// straight line; a dew point so interpolated differs from that of the interpolated humidity by up to another tenth of a kelvin.
func TestDewPointAgainstStationFile(t *testing.T) {
	dir := os.Getenv("TACKLINE_SHARED")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared")
	}
	f, err := os.Open(filepath.Join(dir, "data", "house-winter.csv"))
	if errors.Is(err, fs.ErrNotExist) {
		missing(t, "the open data set house-winter.csv is not there (TACKLINE_SHARED names its folder)")
	}
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	column := map[string]int{}
	for i, name := range rows[0] {
		column[name] = i
	}
	var n int64
	var worst, sum float64
	for _, r := range rows[1:] {
		c, e1 := strconv.ParseFloat(r[column["station_c"]], 64)
		rh, e2 := strconv.ParseFloat(r[column["station_rh_pct"]], 64)
		td, e3 := strconv.ParseFloat(r[column["station_dew_point_c"]], 64)
		if errors.Join(e1, e2, e3) != nil {
			continue
		}
		extra := 0.0
		if when := r[column["time"]]; !strings.HasSuffix(when, ":00:00") {
			extra = 0.1
		}
		d := requireStation(t, r[column["time"]], c, rh, td, extra)
		worst, sum, n = max(worst, d), sum+d, n+1
	}
	require.Greater(t, n, int64(2000))
	require.Less(t, sum/float64(n), 0.06, "mean difference")
	t.Logf("%d rows; mean difference %.3f K, largest %.3f K", n, sum/float64(n), worst)
}
