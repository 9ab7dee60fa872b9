package store

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

// damagedBy records some hours, lets the raw readings of the first go, dates a boot anew, spoils the file, and gives what was recorded.
func damagedBy(t *testing.T, closed bool, hours int64, spoil func(path string)) (*Store, string, []Row) {
	path := filepath.Join(t.TempDir(), "readings.db")
	s := open(t, path)
	r := seeded(t)
	all := record(t, s, r, 4, t0, t0+hours*hourMs, 30_000)
	_, err := s.Prune(ctx, Keep{RawFrom: t0 + hourMs})
	require.NoError(t, err)
	for at := t0 + 24*hourMs; at < t0+26*hourMs; at += minuteMs {
		row := Row{Probe: "late", Place: "air", Quantity: sensors.Temperature, At: at - 1000*hourMs, Mono: at - t0, Boot: "dark", Clock: ClockUnsynced, Raw: 7, Value: 7}
		require.NoError(t, s.Append(ctx, []Row{row}))
		require.NoError(t, s.Commit(ctx))
	}
	_, err = s.Redate(ctx, "dark", 1000*hourMs)
	require.NoError(t, err)
	if closed {
		require.NoError(t, s.Close())
	} else { // as a power cut leaves it, with a WAL
		copied := filepath.Join(t.TempDir(), "readings.db")
		for _, tail := range []string{"", "-wal"} {
			b, err := os.ReadFile(path + tail)
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(copied+tail, b, 0o600))
		}
		path = copied
	}
	spoil(path)
	if !closed {
		return fresh(t), path, all
	}
	s = open(t, path)
	require.FileExists(t, s.SetAside())
	return s, s.SetAside(), all
}

func TestSalvage(t *testing.T) {
	middle := func(path string) { // pages in the middle and the schema on the first page
		f, err := os.OpenFile(path, os.O_RDWR, 0)
		require.NoError(t, err)
		info, err := f.Stat()
		require.NoError(t, err)
		junk := make([]byte, 3000)
		for i := range junk {
			junk[i] = 0xa5
		}
		for _, at := range []int64{0, info.Size() / 2} {
			_, err = f.WriteAt(junk[:min(int64(len(junk)), 100+at)], at)
			require.NoError(t, err)
		}
		require.NoError(t, f.Close())
	}
	half := func(path string) {
		info, err := os.Stat(path)
		require.NoError(t, err)
		require.NoError(t, os.Truncate(path, info.Size()/2))
	}
	for _, c := range []struct {
		name   string
		closed bool
		hours  int64
		spoil  func(string)
		most   float64 // share of the readings that may be gone; the first half of a small file is mostly names and free room
	}{{"middle", true, 24, middle, 0.15}, {"half", true, 24, half, 0.85}, {"file is gone, its WAL is whole", false, 5, func(path string) {
		require.NoError(t, os.WriteFile(path, make([]byte, 5000), 0o600))
	}, 0}} {
		t.Run(c.name, func(t *testing.T) {
			s, aside, all := damagedBy(t, c.closed, c.hours, c.spoil)
			r := seeded(t)
			fresh := record(t, s, r, 4, t0+28*hourMs, t0+28*hourMs+20*minuteMs, 10_000) // recording went on
			done, err := s.Salvage(ctx, aside)
			require.NoError(t, err)
			t.Logf("%+v", done)
			var want, got int64
			for ch := range 4 {
				probe, q := []string{"p00", "p00", "p00", "p01"}[ch], sensors.Quantity(1+ch%3)
				have := map[int64]Row{}
				for _, x := range channelRows(append(all, fresh...), probe, q, t0+hourMs, math.MaxInt64) {
					x.Mono = 0
					have[x.At] = x
					want++
				}
				for _, x := range raw(t, s, probe, q, t0+hourMs, math.MaxInt64) { // nothing comes in that was not measured
					x.Mono = 0
					require.Equal(t, have[x.At], x)
					got++
				}
			}
			require.GreaterOrEqual(t, float64(got), (1-c.most)*float64(want))
			for _, x := range raw(t, s, "late", sensors.Temperature, 0, math.MaxInt64) {
				require.GreaterOrEqual(t, x.At, t0+24*hourMs, "a reading that was dated anew came back at its old time")
			}
			if c.most == 0 {
				require.Len(t, raw(t, s, "late", sensors.Temperature, 0, math.MaxInt64), 120)
				require.Equal(t, int64(4), done.Hours) // the first hour, of which only the minutes were left
				buckets, err := s.Range(ctx, "p00", 1, t0, t0+5*hourMs, 20)
				require.NoError(t, err)
				sameBuckets(t, bruteForce(channelRows(all, "p00", 1, 0, math.MaxInt64), buckets), buckets)
			}
			again, err := s.Salvage(ctx, aside)
			require.NoError(t, err)
			require.Zero(t, again.Readings)
			require.NoError(t, s.Integrity(ctx))
			sameRollups(t, s)
		})
	}
	s := fresh(t)
	_, err := s.Salvage(ctx, "/nowhere/readings.db.corrupt-1")
	require.ErrorContains(t, err, "no such file")
}

// Whatever bytes a damaged page has, reading it neither hangs nor panics.
func FuzzSalvagePage(f *testing.F) {
	f.Add(make([]byte, pageSize))
	f.Fuzz(func(t *testing.T, page []byte) {
		path := filepath.Join(t.TempDir(), "x")
		require.NoError(t, os.WriteFile(path, page, 0o600))
		p, err := openPages(path)
		require.NoError(t, err)
		defer p.close()
		w := wreck{weights: map[int64]int64{}}
		require.NoError(t, p.each(ctx, w.learn))
		require.NoError(t, p.each(ctx, func(c cell) error {
			w.readings(c)
			return nil
		}))
	})
}
