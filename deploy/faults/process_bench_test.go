package faults

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// load12 is the load of the budgets: seven probes with 12 channels, read every 10 s, by the clock that is given.
func load12(clock string) string {
	var b strings.Builder
	b.WriteString("format = 1\n[shed]\nname = \"Osier Slip boatshed (invented)\"\nzone = \"UTC\"\ndata = \"%DIR%/data\"\nlisten = \"%ADDRESS%\"\n" + clock)
	for i, place := range []string{"air", "air", "surface", "surface", "timber", "resin", "outdoors"} {
		fmt.Fprintf(&b, "[[probe]]\nname = \"p%d\"\nkind = \"shed\"\nplace = %q\ninterval = \"10s\"\n", i, place)
	}
	return b.String()
}

// BenchmarkWeekOfTheProgram runs the program as it ships over a simulated week, 12 channels every 10 s and a new coat each day, with a phone that looks at the shed
// and at its history every simulated hour or so. It tells what memory is resident at the end, and the processor's time as a share of one core over the week. The
// budgets are 40 MB and 0.5 %. Without TACKLINE_BENCH it is two hours.
func BenchmarkWeekOfTheProgram(b *testing.B) {
	length := 2 * time.Hour
	if os.Getenv("TACKLINE_BENCH") != "" {
		length = 7 * 24 * time.Hour
	}
	for range b.N {
		s := begin(b, load12("[clock]\nspeed = \"free\"\nstart = 2026-01-14T06:00:00Z\n"))
		start := time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)
		piece := s.made("add-piece", map[string]any{"job": s.made("add-job", map[string]any{"name": "Sandpiper"}), "name": "garboard", "lie": "flat", "bare": true, "thickness_mm": 9, "area_m2": 3})
		for day := -1; ; {
			var now struct {
				At time.Time `json:"server_time"`
			}
			require.Equal(b, http.StatusOK, s.get("/api/v1/now", &now))
			s.get("/", nil)
			s.get("/history", nil)
			gone := now.At.Sub(start)
			if gone >= length {
				break
			}
			if today := int(gone.Hours() / 24); today > day {
				day = today
				s.made("start-coat", map[string]any{"piece": piece, "kind": "fill", "system": "medium", "amount_g": 700})
			}
			time.Sleep(200 * time.Millisecond)
		}
		rss, _ := s.load()
		require.NoError(b, s.cmd.Process.Signal(os.Interrupt))
		require.NoError(b, s.cmd.Wait(), "it did not stop in order: %s", s.said.String())
		spent := s.cmd.ProcessState.UserTime() + s.cmd.ProcessState.SystemTime()
		b.ReportMetric(float64(rss)/1e6, "MB-resident")
		b.ReportMetric(100*spent.Seconds()/length.Seconds(), "%-of-a-core")
	}
}

// BenchmarkStartToFirstReading gives the time from the start of the process, on an empty folder, until its first readings are on the disk. The budget is 0.5 s.
func BenchmarkStartToFirstReading(b *testing.B) {
	for range b.N {
		b.StopTimer()
		s := lay(b, load12(""))
		b.StartTimer()
		s.start()
		for !s.committed() {
			time.Sleep(2 * time.Millisecond)
		}
		b.StopTimer()
		require.NoError(b, s.cmd.Process.Signal(os.Interrupt))
		require.NoError(b, s.cmd.Wait())
	}
}

// made has a command kept, and gives the number of what it made.
func (s *shed) made(kind string, payload map[string]any) int64 {
	s.t.Helper()
	body, err := json.Marshal(map[string]any{"who": "Wren", "payload": payload})
	require.NoError(s.t, err)
	got, err := http.Post("http://"+s.address+"/api/v1/commands/"+kind, "application/json", bytes.NewReader(body))
	require.NoError(s.t, err)
	defer got.Body.Close()
	text, err := io.ReadAll(got.Body)
	require.NoError(s.t, err)
	require.Equal(s.t, http.StatusCreated, got.StatusCode, "%s: %s", kind, text)
	var made struct {
		ID int64 `json:"id"`
	}
	require.NoError(s.t, json.Unmarshal(text, &made))
	return made.ID
}

// committed tells whether readings are on the disk.
func (s *shed) committed() bool {
	got, err := http.Get("http://" + s.address + "/metrics")
	if err != nil {
		return false
	}
	defer got.Body.Close()
	text, err := io.ReadAll(got.Body)
	return err == nil && strings.Contains(string(text), "\ntackline_storage_commits_total ") && !strings.Contains(string(text), "\ntackline_storage_commits_total 0\n")
}
