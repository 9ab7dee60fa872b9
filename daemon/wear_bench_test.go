package daemon

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/daemon/config"
	"tackline/daemon/store"
)

// BenchmarkDayOfTheDaemon runs the unchanged daemon over a simulated shed, 12 channels every 10 s and a commit a minute, with a coat that runs, and
// tells what it makes the kernel write in a day: readings, advice, job book, alert state, all files together. The budget is 20 MB. Without
// TACKLINE_BENCH it is two hours told as a day.
func BenchmarkDayOfTheDaemon(b *testing.B) {
	hours := int64(2)
	if os.Getenv("TACKLINE_BENCH") != "" {
		hours = 24
	}
	for range b.N {
		text := fmt.Sprintf("[shed]\nname = \"Osier Slip (invented)\"\nzone = \"UTC\"\ndata = %q\nlisten = \"127.0.0.1:0\"\n[clock]\nspeed = \"free\"\nstart = 2026-01-14T08:00:00Z\n",
			filepath.Join(b.TempDir(), "data"))
		for i, place := range []string{"air", "air", "surface", "surface", "timber", "resin", "outdoors"} {
			text += fmt.Sprintf("[[probe]]\nname = \"p%d\"\nkind = \"shed\"\nplace = %q\ninterval = \"10s\"\n", i, place)
		}
		c, err := config.Parse([]byte(text), "day")
		require.NoError(b, err)
		ctx, cancel := context.WithCancel(b.Context())
		var d *Daemon
		start, before, coat := int64(0), int64(0), int64(0)
		d, err = New(Options{Config: c, Observe: func(m Moment) {
			now := m.At.UnixMilli()
			switch {
			case coat == 0:
				coat = startAt(b, d, oldPiece(b, d, now), now)
			case before == 0 && now >= start+60*minuteMs: // the first hour is let pass: the files are made in it
				if before, err = store.WriteBytes(); err != nil {
					cancel()
				}
				start = now
			case before > 0 && now >= start+hours*60*minuteMs:
				cancel()
			}
			if start == 0 {
				start = now
			}
		}})
		require.NoError(b, err)
		require.NoError(b, d.Run(ctx))
		after, err := store.WriteBytes()
		require.NoError(b, err)
		channels, err := channelsIn(d.o.Config.Shed.Data)
		require.NoError(b, err)
		b.ReportMetric(float64(after-before)/1e6*24/float64(hours), "MB-written/day")
		b.ReportMetric(float64(channels), "channels")
		cancel()
	}
}

// channelsIn counts what was recorded in a folder of data.
func channelsIn(folder string) (int64, error) {
	s, err := store.Open(context.Background(), filepath.Join(folder, "readings.db"), store.Options{})
	if err != nil {
		return 0, err
	}
	all, err := s.Channels(context.Background())
	if e := s.Close(); err == nil {
		err = e
	}
	return int64(len(all)), err
}
