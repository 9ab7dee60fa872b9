package store

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

// warmer takes a thermometer that reads 2 K too low and its humidity, here by a plain factor that uses the temperature beside it.
func warmer(r *Row, beside *float64) float64 {
	switch {
	case r.Quantity == sensors.Temperature:
		return r.Raw + 2
	case r.Quantity == sensors.Humidity && beside != nil:
		return r.Raw * (1 - *beside/100)
	}
	return r.Raw
}

// A store that was corrected for a time that is past is as one in which the readings came corrected: raw values stay, roll-ups of every length follow,
// sealed hours and open ones alike, also after the file was closed and opened; doing it twice changes nothing; a follower gets what changed.
func TestCorrectIsAsIfCorrectedFromTheBeginning(t *testing.T) {
	r := seeded(t)
	path := filepath.Join(t.TempDir(), "a.db")
	s, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	end := t0 + 9*hourMs + 20*minuteMs
	all := record(t, s, r, 6, t0, end, 20_000)
	cut, stop := t0+2*hourMs+7*minuteMs, end+1
	require.NoError(t, s.Append(ctx, []Row{shedRow(r, 1, end+5)})) // not committed yet
	all = append(all, raw(t, s, "p00", sensors.Humidity, end+5, end+6)...)

	followed := map[string]int{}
	follow := func() (n int) {
		var done Cursor
		for {
			page, err := s.Follow(ctx, "mirror", done, 10_000)
			require.NoError(t, err)
			done = page.Next
			for _, row := range page.Rows {
				followed[row.Probe]++
				n++
			}
			if len(page.Rows) == 0 {
				return n
			}
		}
	}
	follow()
	followed = map[string]int{}

	done, err := s.Correct(ctx, "p00", cut, stop+hourMs, 5*minuteMs, warmer)
	require.NoError(t, err)
	require.Positive(t, done.Changed)
	require.Zero(t, done.Pruned)
	again, err := s.Correct(ctx, "p00", cut, stop+hourMs, 5*minuteMs, warmer)
	require.NoError(t, err)
	require.Equal(t, done.Read, again.Read)
	require.Zero(t, again.Changed, "never applied twice")
	require.GreaterOrEqual(t, follow(), int(done.Changed))
	require.GreaterOrEqual(t, followed["p00"], int(done.Changed))

	want := fresh(t)
	temps := map[int64]float64{}
	for _, row := range all {
		if row.Probe == "p00" && row.Quantity == sensors.Temperature {
			temps[row.At] = quantised(row).Raw
		}
	}
	besides := func(at int64) *float64 {
		for ; at > t0-minuteMs; at-- {
			if v, ok := temps[at]; ok {
				return &v
			}
		}
		return nil
	}
	for i := range all {
		if row := &all[i]; row.Probe == "p00" && row.At >= cut {
			was := quantised(*row)
			row.Value = warmer(&was, besides(row.At))
		}
	}
	require.NoError(t, want.Append(ctx, all))
	require.NoError(t, want.Commit(ctx))
	for range 2 {
		for _, q := range []sensors.Quantity{sensors.Temperature, sensors.Humidity, sensors.Pressure} {
			for _, probe := range []string{"p00", "p01"} {
				a, b := raw(t, want, probe, q, t0, stop), raw(t, s, probe, q, t0, stop)
				require.Len(t, b, len(a))
				for i := range a {
					require.Equal(t, a[i].At, b[i].At)
					require.Equal(t, a[i].Raw, b[i].Raw)
					require.Equal(t, a[i].Status, b[i].Status)
					require.InDelta(t, a[i].Value, b[i].Value, 1.01/scaleOf(q), "%s %v", probe, q)
				}
				for _, points := range []int64{4, 40, 600, 20_000} {
					x, err := want.Range(ctx, probe, q, t0, stop, points)
					require.NoError(t, err)
					y, err := s.Range(ctx, probe, q, t0, stop, points)
					require.NoError(t, err)
					require.Len(t, y, len(x))
					for i := range x {
						require.Equal(t, x[i].Count, y[i].Count)
						require.Equal(t, x[i].Excluded, y[i].Excluded)
						for _, pair := range [][2]float64{{x[i].Min, y[i].Min}, {x[i].Mean, y[i].Mean}, {x[i].Max, y[i].Max}} {
							require.InDelta(t, pair[0], pair[1], 1.01/scaleOf(q))
						}
					}
				}
				n, err := want.Latest(ctx, probe, q)
				require.NoError(t, err)
				m, err := s.Latest(ctx, probe, q)
				require.NoError(t, err)
				require.InDelta(t, n.Any.Value, m.Any.Value, 1.01/scaleOf(q))
				require.InDelta(t, n.Usable.Value, m.Usable.Value, 1.01/scaleOf(q))
			}
		}
		sameRollups(t, s)
		require.NoError(t, s.Close())
		if s, err = Open(ctx, path, Options{}); err != nil {
			require.NoError(t, err)
		}
	}
	require.NoError(t, s.Close())
}

// What readings are corrected by is kept over a restart, and nothing is said of a probe that nothing was written of.
func TestCorrectedByIsKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.db")
	s, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	state, err := s.CorrectedBy(ctx, "bow")
	require.NoError(t, err)
	require.Empty(t, state)
	require.NoError(t, s.SetCorrectedBy(ctx, "bow", "a"))
	require.NoError(t, s.SetCorrectedBy(ctx, "bow", "b"))
	require.NoError(t, s.Close())
	s = open(t, path)
	state, err = s.CorrectedBy(ctx, "bow")
	require.NoError(t, err)
	require.Equal(t, "b", state)
	_, _, ok := s.Extent("bow")
	require.False(t, ok)
	done, err := s.Correct(ctx, "bow", 0, 1<<60, 0, warmer)
	require.NoError(t, err)
	require.Zero(t, done)
}
