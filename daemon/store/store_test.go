package store

import (
	"context"
	"database/sql"
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

var ctx = context.Background()

// t0 is a full hour and a full watch: 2025-11-01 00:00 UTC.
const t0 = int64(1_761_955_200_000)

func open(t testing.TB, path string) *Store {
	s, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

func fresh(t testing.TB) *Store { return open(t, filepath.Join(t.TempDir(), "readings.db")) }

func seeded(t testing.TB) *rand.Rand {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	return rand.New(rand.NewPCG(seed, 1))
}

// shedRow is a reading of an invented shed with noise of a cheap sensor.
func shedRow(r *rand.Rand, probe int, at int64) Row {
	q := sensors.Quantity(1 + probe%3)
	day := math.Sin(float64(at%86_400_000) / 86_400_000 * 2 * math.Pi)
	row := Row{Probe: fmt.Sprintf("p%02d", probe/3), Place: string(sensors.Places()[probe/3%5]), Quantity: q, At: at, Mono: at - t0 + 60_000,
		Boot: "boot-a", Clock: ClockSynced}
	switch q {
	case sensors.Temperature:
		row.Raw = math.Round((8+5*day+0.04*r.NormFloat64())*100) / 100
		row.Value = row.Raw - 0.15
	case sensors.Humidity:
		row.Raw = math.Round((70-9*day+0.1*r.NormFloat64())*100) / 100
		row.Value = row.Raw + 1.2
	default:
		row.Raw = math.Round((1009+3*day+0.02*r.NormFloat64())*100) / 100
		row.Value = row.Raw
	}
	if r.IntN(500) == 0 {
		row.Status = sensors.Spike
	}
	return row
}

// record appends channels readings every step ms and commits every minute.
func record(t testing.TB, s *Store, r *rand.Rand, channels int, from, to, step int64) []Row {
	var all []Row
	for at := from; at < to; at += step {
		rows := make([]Row, channels)
		for c := range rows {
			rows[c] = shedRow(r, c, at+int64(c)*7+r.Int64N(4))
		}
		require.NoError(t, s.Append(ctx, rows))
		all = append(all, rows...)
		if (at+step)/minuteMs != at/minuteMs {
			require.NoError(t, s.Commit(ctx))
		}
	}
	return all
}

// quantised is a row as it comes back: values to the scale, monotonic time to maxLead.
func quantised(r Row) Row {
	r.Raw = float64(scaled(r.Raw, r.Quantity)) / scaleOf(r.Quantity)
	r.Value = float64(scaled(r.Value, r.Quantity)) / scaleOf(r.Quantity)
	return r
}

func channelRows(all []Row, probe string, q sensors.Quantity, from, to int64) []Row {
	var out []Row
	for _, r := range all {
		if r.Probe == probe && r.Quantity == q && r.At >= from && r.At < to {
			out = append(out, quantised(r))
		}
	}
	return out
}

func raw(t testing.TB, s *Store, probe string, q sensors.Quantity, from, to int64) []Row {
	var got []Row
	require.NoError(t, s.Raw(ctx, probe, q, from, to, func(r Row) error {
		got = append(got, r)
		return nil
	}))
	return got
}

func sameRows(t testing.TB, want, got []Row) {
	require.Len(t, got, len(want))
	for i := range want {
		require.LessOrEqual(t, math.Abs(float64(want[i].Mono-got[i].Mono)), float64(maxLead))
		want[i].Mono, got[i].Mono = 0, 0
		require.Equal(t, want[i], got[i])
	}
}

// bruteForce computes the buckets of Range by the plainest code there is.
func bruteForce(rows []Row, like []Bucket) []Bucket {
	out := make([]Bucket, len(like))
	for i, b := range like {
		o := Bucket{Start: b.Start, End: b.End}
		var sum float64
		for _, r := range rows {
			if r.At < b.Start || r.At >= b.End {
				continue
			}
			if !r.Status.Usable() {
				o.Excluded++
				continue
			}
			if o.Count == 0 || r.Value < o.Min {
				o.Min = r.Value
			}
			if o.Count == 0 || r.Value > o.Max {
				o.Max = r.Value
			}
			o.Count++
			sum += r.Value
		}
		if o.Count > 0 {
			o.Mean = sum / float64(o.Count)
		}
		out[i] = o
	}
	return out
}

func sameBuckets(t testing.TB, want, got []Bucket) {
	require.Len(t, got, len(want))
	for i := range want {
		require.InDelta(t, want[i].Mean, got[i].Mean, 1e-9) // sums of integers against sums of floats
		want[i].Mean, got[i].Mean = 0, 0
		require.Equal(t, want[i], got[i])
	}
}

func TestRoundTripAndRollups(t *testing.T) {
	r := seeded(t)
	path := filepath.Join(t.TempDir(), "readings.db")
	s := open(t, path)
	all := record(t, s, r, 4, t0+40*minuteMs, t0+7*hourMs+13*minuteMs, 10_000)
	// a gap of two hours, then on
	all = append(all, record(t, s, r, 4, t0+9*hourMs, t0+10*hourMs+20*minuteMs, 10_000)...)
	rows := []Row{shedRow(r, 0, t0+10*hourMs+21*minuteMs)}
	require.NoError(t, s.Append(ctx, rows)) // not committed
	all = append(all, rows...)
	check := func(s *Store) {
		for c := range 4 {
			probe, q := fmt.Sprintf("p%02d", c/3), sensors.Quantity(1+c%3)
			want := channelRows(all, probe, q, 0, math.MaxInt64)
			sameRows(t, channelRows(all, probe, q, t0+3*hourMs+5, t0+9*hourMs+777), raw(t, s, probe, q, t0+3*hourMs+5, t0+9*hourMs+777))
			sameRows(t, want, raw(t, s, probe, q, 0, math.MaxInt64))
			for _, n := range []int64{1, 2, 3, 7, 40, 100, 600, 5000} {
				from, to := t0+r.Int64N(5*hourMs), t0+5*hourMs+r.Int64N(8*hourMs)
				got, err := s.Range(ctx, probe, q, from, to, n)
				require.NoError(t, err)
				require.LessOrEqual(t, int64(len(got)), n)
				require.LessOrEqual(t, got[0].Start, from)
				require.GreaterOrEqual(t, got[len(got)-1].End, to)
				sameBuckets(t, bruteForce(want, got), got)
			}
			minutes, err := s.Minutes(ctx, probe, q, t0, t0+12*hourMs)
			require.NoError(t, err)
			require.Greater(t, len(minutes), 7*60)
			sameBuckets(t, bruteForce(want, minutes), minutes)
		}
	}
	check(s)
	require.NoError(t, s.Close())
	s = open(t, path) // restart in mid hour
	check(s)
	all = append(all, record(t, s, r, 4, t0+10*hourMs+22*minuteMs, t0+11*hourMs+5*minuteMs, 10_000)...)
	check(s)
	require.NoError(t, s.Integrity(ctx))
}

func TestGapsShow(t *testing.T) {
	s := fresh(t)
	r := seeded(t)
	record(t, s, r, 1, t0, t0+2*hourMs, 10_000)
	record(t, s, r, 1, t0+5*hourMs, t0+6*hourMs+minuteMs, 10_000)
	got, err := s.Range(ctx, "p00", sensors.Temperature, t0, t0+8*hourMs, 8)
	require.NoError(t, err)
	var counts []bool
	for _, b := range got {
		counts = append(counts, b.Count > 0)
	}
	require.Equal(t, []bool{true, true, false, false, false, true, true, false}, counts)
	got, err = s.Range(ctx, "nobody", sensors.Temperature, t0, t0+8*hourMs, 8)
	require.NoError(t, err)
	require.Len(t, got, 8)
	got, err = s.Range(ctx, "p00", sensors.Temperature, t0, t0, 8)
	require.NoError(t, err)
	require.Empty(t, got)
}

func TestLateAndRepeated(t *testing.T) {
	s := fresh(t)
	row := func(min int64, v float64, status sensors.Status) Row {
		return Row{Probe: "node", Place: "outdoors", Quantity: sensors.Temperature, At: t0 + min*minuteMs, Raw: v, Value: v, Status: status}
	}
	var all []Row
	add := func(rows ...Row) {
		require.NoError(t, s.Append(ctx, rows))
		require.NoError(t, s.Commit(ctx))
	}
	for m := int64(0); m < 200; m += 2 {
		all = append(all, row(m, float64(m), sensors.OK))
		add(row(m, float64(m), sensors.OK))
	}
	// late ones for sealed hours, every reading twice, one repeated with another value: the first stands
	for m := int64(1); m < 100; m += 2 {
		all = append(all, row(m, float64(-m), sensors.Late))
		add(row(m, float64(-m), sensors.Late), row(m, float64(-m), sensors.Late), row(m-1, float64(m-1), sensors.OK))
	}
	add(row(10, 99, sensors.OK))
	check := func() {
		got := raw(t, s, "node", sensors.Temperature, 0, math.MaxInt64)
		require.Len(t, got, len(all))
		n, err := s.Latest(ctx, "node", sensors.Temperature)
		require.NoError(t, err)
		require.Equal(t, 198.0, n.Any.Value)
		buckets, err := s.Range(ctx, "node", sensors.Temperature, t0, t0+4*hourMs, 16)
		require.NoError(t, err)
		sameBuckets(t, bruteForce(all, buckets), buckets)
		buckets, err = s.Range(ctx, "node", sensors.Temperature, t0, t0+8*hourMs, 2)
		require.NoError(t, err)
		sameBuckets(t, bruteForce(all, buckets), buckets)
	}
	check()
	// the next hour seals the late ones into their blocks
	for _, m := range []int64{250, 251} {
		add(Row{Probe: "other", Place: "air", Quantity: sensors.Temperature, At: t0 + m*minuteMs, Raw: 1, Value: 1})
	}
	require.Empty(t, s.tail[1])
	check()
	add(all...)
	check()
	for _, m := range []int64{320, 321} {
		add(Row{Probe: "other", Place: "air", Quantity: sensors.Temperature, At: t0 + m*minuteMs, Raw: 1, Value: 1})
	}
	check()
}

func TestLatest(t *testing.T) {
	path := filepath.Join(t.TempDir(), "readings.db")
	s := open(t, path)
	row := func(at int64, v float64, status sensors.Status) Row {
		return Row{Probe: "a", Place: "air", Quantity: sensors.Temperature, At: at, Mono: 1000, Boot: "b", Clock: ClockSynced, Raw: v, Value: v + 1, Status: status}
	}
	none, err := s.Latest(ctx, "a", sensors.Temperature)
	require.NoError(t, err)
	require.Nil(t, none.Any)
	require.NoError(t, s.Append(ctx, []Row{row(t0, 5, sensors.OK), row(t0+1000, 85, sensors.PowerOnValue)}))
	check := func(s *Store) {
		n, err := s.Latest(ctx, "a", sensors.Temperature)
		require.NoError(t, err)
		require.Equal(t, 85.0, n.Any.Raw)
		require.Equal(t, 5.0, n.Usable.Raw)
		require.Equal(t, 6.0, n.Usable.Value)
		require.Equal(t, t0, n.Usable.At)
	}
	check(s)
	require.NoError(t, s.Append(ctx, []Row{row(t0-9000, 1, sensors.Late)}))
	check(s)
	require.NoError(t, s.Close())
	s = open(t, path)
	check(s)
	// our own clock set back by a year: the newest in order of arrival is the newest
	back := row(t0-365*24*hourMs, 7, sensors.OK)
	require.NoError(t, s.Append(ctx, []Row{back}))
	n, err := s.Latest(ctx, "a", sensors.Temperature)
	require.NoError(t, err)
	require.Equal(t, 7.0, n.Usable.Raw)
	channels, err := s.Channels(ctx)
	require.NoError(t, err)
	require.Equal(t, []Channel{{Probe: "a", Quantity: sensors.Temperature, Place: "air", First: back.At, Last: t0 + 1000}}, channels)
}

func TestBadRowsAreNamedAndTheRestKept(t *testing.T) {
	s := fresh(t)
	good := Row{Probe: "a", Place: "air", Quantity: sensors.Temperature, At: t0, Raw: 1, Value: 1}
	for name, spoil := range map[string]func(*Row){
		"probe":    func(r *Row) { r.Probe = "" },
		"quantity": func(r *Row) { r.Quantity = 9 },
		"status":   func(r *Row) { r.Status = 200 },
		"finite":   func(r *Row) { r.Value = math.NaN() },
		"numbers":  func(r *Row) { r.Raw = math.Inf(1) },
		"time":     func(r *Row) { r.At = -1 },
		"clock":    func(r *Row) { r.Clock = 77 },
		"UTF-8":    func(r *Row) { r.Place = "\xff" },
	} {
		bad := good
		spoil(&bad)
		good.At += 1000
		require.ErrorContains(t, s.Append(ctx, []Row{bad, good}), name)
	}
	require.Len(t, raw(t, s, "a", sensors.Temperature, 0, math.MaxInt64), 8)
}

// A clock that is set back, by our own hand or the network's, puts readings on times that are taken: all are kept.
func TestClockSetBackLosesNothing(t *testing.T) {
	s := fresh(t)
	const step = 10_000
	at, mono := t0+5*hourMs, int64(1_000_000)
	want := 0
	for _, jump := range []int64{0, -2 * hourMs, 3 * 24 * hourMs, -365 * 24 * hourMs, 366 * 24 * hourMs} {
		at += jump
		for range 300 {
			require.NoError(t, s.Append(ctx, []Row{{Probe: "a", Place: "air", Quantity: sensors.Temperature, At: at, Mono: mono, Boot: "x",
				Clock: ClockSynced, Raw: 5, Value: 5}}))
			want++
			if mono%60_000 == 0 {
				require.NoError(t, s.Commit(ctx))
			}
			at, mono = at+step, mono+step
		}
	}
	require.Len(t, raw(t, s, "a", sensors.Temperature, 0, math.MaxInt64), want)
}

func TestLock(t *testing.T) {
	s := fresh(t)
	_, err := Open(ctx, s.Path(), Options{})
	require.ErrorIs(t, err, ErrLocked)
	require.NoError(t, s.Close())
	require.NoError(t, s.Close())
	require.ErrorIs(t, s.Append(ctx, nil), ErrClosed)
	again, err := Open(ctx, s.Path(), Options{})
	require.NoError(t, err)
	require.NoError(t, again.Close())
}

func TestNewerSchemaIsRefused(t *testing.T) {
	s := fresh(t)
	require.NoError(t, s.Close())
	db, err := sql.Open("sqlite", dsn(s.Path()))
	require.NoError(t, err)
	_, err = db.Exec(`PRAGMA user_version = 999`)
	require.NoError(t, err)
	require.NoError(t, db.Close())
	_, err = Open(ctx, s.Path(), Options{})
	require.ErrorIs(t, err, ErrNewerSchema)
	require.ErrorContains(t, err, "version 999")
	require.FileExists(t, s.Path())
}

func TestDamagedFileIsPutAside(t *testing.T) {
	for name, spoil := range map[string]func(t *testing.T, path string){
		"garbage": func(t *testing.T, path string) {
			require.NoError(t, os.WriteFile(path, []byte("this is no database, though it has a good many bytes, more than a hundred of them, that could be one ..........."), 0o600))
		},
		"half": func(t *testing.T, path string) {
			info, err := os.Stat(path)
			require.NoError(t, err)
			require.NoError(t, os.Truncate(path, info.Size()/2))
		},
		"few bytes": func(t *testing.T, path string) { require.NoError(t, os.Truncate(path, 20)) },
	} {
		t.Run(name, func(t *testing.T) {
			s := fresh(t)
			r := seeded(t)
			record(t, s, r, 3, t0, t0+2*hourMs, 10_000)
			require.NoError(t, s.Close())
			spoil(t, s.Path())
			again := open(t, s.Path())
			require.FileExists(t, again.SetAside())
			all := record(t, again, r, 3, t0+3*hourMs, t0+4*hourMs, 10_000)
			sameRows(t, channelRows(all, "p00", 1, 0, math.MaxInt64), raw(t, again, "p00", 1, 0, math.MaxInt64))
			require.NoError(t, again.Integrity(ctx))
		})
	}
}

// The card goes bad while we run: recording goes on in a fresh file, and the open hour is not lost.
func TestDamageWhileRunning(t *testing.T) {
	s := fresh(t)
	r := seeded(t)
	all := record(t, s, r, 3, t0, t0+30*minuteMs, 10_000)
	f, err := os.OpenFile(s.Path(), os.O_RDWR, 0)
	require.NoError(t, err)
	_, err = s.writer.Exec(`PRAGMA wal_checkpoint(TRUNCATE)`)
	require.NoError(t, err)
	junk := make([]byte, 200_000)
	for i := range junk {
		junk[i] = 0x5a
	}
	_, err = f.WriteAt(junk, 0)
	require.NoError(t, err)
	require.NoError(t, f.Close())
	for _, db := range []*sql.DB{s.writer, s.reader} { // the page cache of open connections hides it
		db.SetMaxIdleConns(0)
	}
	all = append(all, record(t, s, r, 3, t0+30*minuteMs, t0+50*minuteMs, 10_000)...)
	require.NotEmpty(t, s.SetAside())
	sameRows(t, channelRows(all, "p00", 1, 0, math.MaxInt64), raw(t, s, "p00", 1, 0, math.MaxInt64))
	require.NoError(t, s.Close())
	again := open(t, s.Path())
	sameRows(t, channelRows(all, "p00", 1, 0, math.MaxInt64), raw(t, again, "p00", 1, 0, math.MaxInt64))
}

func rowsOf(all []Row) iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		for _, r := range all {
			if !yield(r, nil) {
				return
			}
		}
	}
}
