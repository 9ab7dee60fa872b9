package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/daemon/store"
	"tackline/sensors"
	"tackline/sensors/shed"
)

// The time between two readings of the season's data: at its end, where minutes and readings themselves are looked at, it is 10 s; before that the
// roll-ups that the pages read are as many as at 10 s.
const (
	seasonStep = 5 * minuteMs
	seasonEnd  = 30 * 60 * minuteMs // of it are the last, at 10 s
)

// afterASeason is a daemon at the end of a season: 180 days of 12 channels, 60 coats on 12 pieces with touches and notes, one of them running.
func afterASeason(b *testing.B) *Daemon {
	b.Helper()
	now := time.Date(2026, 4, 20, 13, 40, 0, 0, time.UTC).UnixMilli()
	begin := now - 180*86_400_000
	sim, err := shed.New(shed.Defaults(1, begin))
	require.NoError(b, err)
	text := fmt.Sprintf("format = 1\n[shed]\nname = \"Osier Slip boatshed (invented)\"\nzone = \"Europe/Lisbon\"\ndata = %q\nlisten = \"127.0.0.1:0\"\n[systems]\nshipped = [\"medium\", \"slow\"]\n[clock]\nspeed = 1\nstart = %s\n",
		b.TempDir(), time.UnixMilli(now).UTC().Format(time.RFC3339))
	for i, place := range []string{"air", "air", "surface", "surface", "timber", "outdoors"} {
		text += fmt.Sprintf("[[probe]]\nname = \"probe %d\"\nkind = \"shed\"\nplace = %q\ninterval = \"10s\"\nseed = %d\n", i, place, i)
		if place == "surface" || place == "timber" {
			text += fmt.Sprintf("piece = \"piece %d\"\n", i)
		}
	}
	c, err := config.Parse([]byte(text), "season")
	require.NoError(b, err)
	s, err := store.Open(b.Context(), filepath.Join(c.Shed.Data, "readings.db"), store.Options{})
	require.NoError(b, err)
	read := func(from, to, step int64, yield func(store.Row, error) bool) {
		for at := from; at < to; at += step {
			day := float64(at%86_400_000) / 86_400_000 * 2 * math.Pi
			for i, p := range c.Probes {
				for q, v := range map[sensors.Quantity]float64{sensors.Temperature: 11 + 4*math.Sin(day) + float64(i), sensors.Humidity: 70 - 9*math.Sin(day)} {
					if !yield(store.Row{Probe: p.Name, Place: string(p.Place), Quantity: q, At: at, Raw: v, Value: v, Status: sensors.OK}, nil) {
						return
					}
				}
			}
		}
	}
	hour := now / 3_600_000 * 3_600_000 // the one that is not sealed yet
	for _, part := range [][3]int64{{begin, now - seasonEnd, seasonStep}, {now - seasonEnd, hour, 10_000}} {
		_, err = s.Import(b.Context(), func(yield func(store.Row, error) bool) { read(part[0], part[1], part[2], yield) })
		require.NoError(b, err)
	}
	read(hour, now, 10_000, func(r store.Row, _ error) bool {
		require.NoError(b, s.Append(b.Context(), []store.Row{r}))
		return true
	})
	require.NoError(b, s.Close())
	seasonBook(b, c.Shed.Data, begin, now)
	tick, err := clock.NewScaled(now, 1)
	require.NoError(b, err)
	d, err := New(Options{Config: c, Clock: tick, Shed: sim})
	require.NoError(b, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	b.Cleanup(func() { cancel(); require.NoError(b, <-done) })
	require.Eventually(b, func() bool { // what a start brings with it is done
		facts, err := d.book.State(ctx)
		return d.latest.Load() != nil && err == nil && len(facts.Frozen) == 59
	}, 5*time.Minute, 20*time.Millisecond)
	return d
}

func seasonBook(b *testing.B, folder string, begin, now int64) {
	b.Helper()
	book, err := jobbook.Open(b.Context(), filepath.Join(folder, "jobbook.db"), jobbook.Options{})
	require.NoError(b, err)
	system, err := config.LoadSystem("medium")
	require.NoError(b, err)
	raw, err := json.Marshal(system)
	require.NoError(b, err)
	do := func(at int64, p jobbook.Payload) int64 {
		r, err := book.Do(b.Context(), jobbook.Command{Who: "Wren", At: jobbook.Stamp{Wall: at, Mono: at - begin, Boot: "simulated", Clock: jobbook.ClockSynced}, Payload: p})
		require.NoError(b, err)
		return r.ID
	}
	job := do(begin, jobbook.AddJob{JobData: jobbook.JobData{Name: "Sandpiper"}})
	var pieces []int64
	for i := range 12 {
		pieces = append(pieces, do(begin, jobbook.AddPiece{PieceData: jobbook.PieceData{Job: job, Name: fmt.Sprintf("piece %d", i), ThicknessMM: 9, AreaM2: 3, Lie: advisor.LieFlat, Bare: true}}))
	}
	for i := range int64(60) {
		at := begin + (i+1)*(now-begin)/60 - 4*3_600_000
		coat := do(at, jobbook.StartCoat{CoatData: jobbook.CoatData{Piece: pieces[i%12], Kind: advisor.Fill, SystemName: system.Name, System: raw, AmountG: 500}})
		do(at+3_600_000, jobbook.Touch{Coat: coat, State: advisor.StateTacky})
		do(at+3_600_000, jobbook.Note{About: jobbook.About{Coat: coat}, Text: "went on well"})
		if i < 59 {
			do(at+40*3_600_000, jobbook.EndCoat{Coat: coat, Saw: 1})
		}
	}
	require.NoError(b, book.Close())
}

// BenchmarkPageAtASeason gives the server's time for each page at the end of a season, for History over each of its lengths, and for two hours of one
// channel as a program asks for them. The budget is 10 ms; the plan itself comes after its page.
func BenchmarkPageAtASeason(b *testing.B) {
	d := afterASeason(b)
	facts, err := d.book.State(b.Context())
	require.NoError(b, err)
	for _, p := range [][2]string{{"shed", "/"}, {"coats", "/coats"}, {"new", "/coats/new"}, {"plan", "/plan"}, {"book", "/book"}, {"job", "/book/jobs/2"},
		{"piece", fmt.Sprintf("/book/pieces/%d", facts.Pieces[0].ID)}, {"mix", "/mix"}, {"probes", "/probes"}, {"history day", "/history?days=1"}, {"history week", "/history?days=7"}, {"history month", "/history?days=31"}, {"history winter", "/history?days=180"},
		{"two hours", "/api/v1/readings?probe=probe+0&quantity=temp_c&from=2026-04-20T11:40:00Z"}} {
		b.Run(p[0], func(b *testing.B) {
			before := processorTime(b)
			for b.Loop() {
				look(b, d, p[1])
			}
			b.ReportMetric(float64((processorTime(b)-before).Microseconds())/1000/float64(b.N), "cpu-ms/op")
		})
	}
}

// processorTime is what this process has used: on a machine that does other work too it says more than the clock. Asking is in it with answering.
func processorTime(b *testing.B) time.Duration {
	var u syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func look(b *testing.B, d *Daemon, path string) {
	_, err := fetch(b.Context(), d, path)
	require.NoError(b, err)
}
