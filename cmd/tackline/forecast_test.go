package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestForecastSteps: every half hour from the moment on, in order, the band around the line, nothing of the moment itself or after it used.
func TestForecastSteps(t *testing.T) {
	whole, err := os.ReadFile(winterTrace)
	require.NoError(t, err)
	at := time.Date(2016, 2, 20, 7, 0, 0, 0, time.UTC)
	args := func(file string) []string {
		return []string{"forecast", "--trace", file, "--columns", winterColumns, "--zone", "+01:00", "--at", at.Format(time.RFC3339)}
	}
	m := jsonOf(t, args(winterTrace)...)
	steps, ok := m["steps"].([]any)
	require.True(t, ok)
	require.Len(t, steps, 96)
	for i, s := range steps {
		step := s.(map[string]any)
		requireFields(t, step, "at air_c air_c_p10 air_c_p90 rh_pct")
		require.Equal(t, at.Add(time.Duration(i+1)*30*time.Minute).Format(time.RFC3339), step["at"])
		require.LessOrEqual(t, number(t, step, "air_c_p10"), number(t, step, "air_c"))
		require.GreaterOrEqual(t, number(t, step, "air_c_p90"), number(t, step, "air_c"))
		rh := number(t, step, "rh_pct")
		require.True(t, rh > 0 && rh <= 100, rh)
		require.Nil(t, step["surface_c"])
	}

	// The same file with every row from the moment on (08:00 of its own zone) made absurd gives the same.
	var changed []string
	for _, line := range strings.Split(string(whole), "\n") {
		if line >= "2016-02-20T08:00" && !strings.HasPrefix(line, "time") {
			f := strings.Split(line, ",")
			f[1], f[2] = "45", "3"
			line = strings.Join(f, ",")
		}
		changed = append(changed, line)
	}
	file := filepath.Join(t.TempDir(), "changed.csv")
	require.NoError(t, os.WriteFile(file, []byte(strings.Join(changed, "\n")), 0o600))
	require.Equal(t, m, jsonOf(t, args(file)...))
}

// TestForecastOfWhatIsThere: without humidity it is null and not 0; a surface has its own line; a trace in seconds takes a moment in seconds.
func TestForecastOfWhatIsThere(t *testing.T) {
	var b strings.Builder
	b.WriteString("time_s,air_c,surface_c\n")
	for s := 0; s <= 3*86400; s += 1800 {
		fmt.Fprintf(&b, "%d,%.2f,%.2f\n", s, 10+3*math.Sin(float64(s)/13751), 9+2*math.Sin(float64(s)/13751-0.5))
	}
	file := filepath.Join(t.TempDir(), "seconds.csv")
	require.NoError(t, os.WriteFile(file, []byte(b.String()), 0o600))
	m := jsonOf(t, "forecast", "--trace", file, "--at", "172800", "--hours", "1.5")
	steps := m["steps"].([]any)
	require.Len(t, steps, 3)
	step := steps[0].(map[string]any)
	require.Nil(t, step["rh_pct"])
	require.Nil(t, step["pressure_hpa"])
	require.InDelta(t, 9+2*math.Sin(174600.0/13751-0.5), number(t, step, "surface_c"), 0.5)
	require.Contains(t, m["basis"], "assumed")

	gone := tackline(t, "forecast", "--trace", "testdata/gap.csv", "--at", "2026-01-14T05:30:00Z")
	require.Equal(t, exitFailed, gone.code)
	require.Contains(t, gone.err, "--stale-after")
}
