package store

import (
	"database/sql"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

func TestImport(t *testing.T) {
	s := fresh(t)
	r := seeded(t)
	var all []Row
	for at := t0; at < t0+30*hourMs; at += 30_000 {
		for c := range 3 {
			row := shedRow(r, c, at)
			row.Boot, row.Mono, row.Clock = "", 0, ClockSource
			all = append(all, row)
		}
	}
	n := int64(len(all))
	done, err := s.Import(ctx, rowsOf(all))
	require.NoError(t, err)
	require.Equal(t, Imported{Read: n, Added: n}, done)
	done, err = s.Import(ctx, rowsOf(all))
	require.NoError(t, err)
	require.Equal(t, Imported{Read: n, Repeated: n}, done)
	// in any order, over a half that is there
	other := fresh(t)
	mixed := slices.Clone(all)
	r.Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
	_, err = other.Import(ctx, rowsOf(mixed[:len(mixed)/2]))
	require.NoError(t, err)
	done, err = other.Import(ctx, rowsOf(mixed))
	require.NoError(t, err)
	require.Equal(t, n-n/2, done.Added)
	for _, s := range []*Store{s, other} {
		want := channelRows(all, "p00", sensors.Humidity, 0, math.MaxInt64)
		sameRows(t, want, raw(t, s, "p00", sensors.Humidity, 0, math.MaxInt64))
		got, err := s.Range(ctx, "p00", sensors.Humidity, t0, t0+30*hourMs, 9)
		require.NoError(t, err)
		sameBuckets(t, bruteForce(want, got), got)
		newest, err := s.Latest(ctx, "p00", sensors.Humidity)
		require.NoError(t, err)
		require.Equal(t, want[len(want)-1].At, newest.Any.At)
		sameRollups(t, s)
	}
	// a broken row ends it with its number; what came before is kept
	third := fresh(t)
	bad := slices.Clone(all[:10])
	bad[7].Value = math.NaN()
	done, err = third.Import(ctx, rowsOf(bad))
	require.ErrorContains(t, err, "row 8")
	require.Equal(t, int64(7), done.Added)
	_, err = third.Import(ctx, func(yield func(Row, error) bool) { yield(Row{}, errors.New("line 3: no time")) })
	require.ErrorContains(t, err, "row 1: line 3: no time")
}

// A boot in the wrong year, some hours of which are sealed and some not, is dated anew when the clock is set.
func TestRedate(t *testing.T) {
	path := filepath.Join(t.TempDir(), "readings.db")
	s := open(t, path)
	const wrong = -40 * 24 * hourMs
	var all []Row
	write := func(from, to int64, boot string, clock Clock, off int64) {
		for at := from; at < to; at += 60_000 {
			row := Row{Probe: "a", Place: "air", Quantity: sensors.Temperature, At: at + off, Mono: at - t0 + 5000, Boot: boot, Clock: clock,
				Raw: float64(at-t0) / 60_000, Value: float64(at-t0) / 60_000}
			require.NoError(t, s.Append(ctx, []Row{row}))
			require.NoError(t, s.Commit(ctx))
			row.At = at
			if off != 0 {
				row.Clock = ClockRedated
			}
			all = append(all, row)
		}
	}
	write(t0, t0+5*hourMs, "old", ClockSynced, 0)
	write(t0+6*hourMs, t0+9*hourMs+30*minuteMs, "new", ClockUnsynced, wrong)
	got := raw(t, s, "a", sensors.Temperature, 0, t0-24*hourMs)
	require.Len(t, got, 210)
	require.Equal(t, ClockUnsynced, got[0].Clock)
	p, err := s.Follow(ctx, "m", Cursor{}, 1e6)
	require.NoError(t, err)
	require.Len(t, p.Rows, 300) // those of the wrong clock are held

	moved, err := s.Redate(ctx, "new", -wrong)
	require.NoError(t, err)
	require.Equal(t, int64(210), moved)
	write(t0+9*hourMs+30*minuteMs, t0+9*hourMs+33*minuteMs, "new", ClockUnsynced, wrong) // were on their way
	write(t0+9*hourMs+33*minuteMs, t0+11*hourMs, "new", ClockSynced, 0)
	check := func(s *Store) {
		sameRows(t, channelRows(all, "a", sensors.Temperature, 0, math.MaxInt64), raw(t, s, "a", sensors.Temperature, 0, math.MaxInt64))
		require.Empty(t, raw(t, s, "a", sensors.Temperature, 0, t0))
		for _, n := range []int64{2, 11, 100} {
			buckets, err := s.Range(ctx, "a", sensors.Temperature, t0, t0+11*hourMs, n)
			require.NoError(t, err)
			sameBuckets(t, bruteForce(all, buckets), buckets)
		}
		buckets, err := s.Range(ctx, "a", sensors.Temperature, t0+wrong, t0+wrong+24*hourMs, 6)
		require.NoError(t, err)
		for _, b := range buckets {
			require.Zero(t, b.Count)
		}
		sameRollups(t, s)
	}
	check(s)
	p, err = s.Follow(ctx, "m", p.Next, 1e6)
	require.NoError(t, err)
	require.Len(t, p.Rows, 210+90)
	moved, err = s.Redate(ctx, "new", -wrong)
	require.NoError(t, err)
	require.Zero(t, moved)
	require.NoError(t, s.Close())
	check(open(t, path))
}

// A clock that seemed set is set again, two ways, while readings come: nothing is lost, doubled or out of its place, and another boot stays.
func TestRedateAll(t *testing.T) {
	path := filepath.Join(t.TempDir(), "readings.db")
	s := open(t, path)
	const year = 365 * 24 * hourMs
	lead := int64(0)
	var all []Row
	write := func(from, to int64, boot string, clock Clock) {
		for at := from; at < to; at += 60_000 {
			row := Row{Probe: "a", Place: "air", Quantity: sensors.Temperature, At: at + lead, Mono: at - t0 + 5000, Boot: boot, Clock: clock,
				Raw: float64(at-t0) / 60_000, Value: float64(at-t0) / 60_000}
			require.NoError(t, s.Append(ctx, []Row{row}))
			require.NoError(t, s.Commit(ctx))
			row.At = at
			all = append(all, row)
		}
	}
	at := t0 + 2*hourMs
	write(t0, at, "old", ClockSynced)
	for i, by := range []int64{-2 * hourMs, 3 * 24 * hourMs, -year, year - 70*hourMs} {
		to := at + 100*minuteMs
		write(at, to, "new", ClockRTC)
		at = to
		moved, err := s.RedateAll(ctx, "new", by)
		require.NoError(t, err)
		require.Equal(t, int64(100*(i+1)), moved)
		lead += by
		for k := range all { // readings keep their distance from the present of their boot
			if all[k].Boot == "new" {
				require.Equal(t, ClockRTC, all[k].Clock)
			}
		}
	}
	require.Zero(t, lead)
	write(at, at+100*minuteMs, "new", ClockSynced)
	check := func(s *Store) {
		got := raw(t, s, "a", sensors.Temperature, 0, math.MaxInt64)
		require.Len(t, got, len(all))
		for i := range got {
			require.Equal(t, all[i].At, got[i].At)
			require.Equal(t, all[i].Value, got[i].Value)
			require.Equal(t, all[i].Boot, got[i].Boot)
			require.True(t, got[i].Clock.Trusted())
		}
		buckets, err := s.Range(ctx, "a", sensors.Temperature, t0, at+100*minuteMs, 20)
		require.NoError(t, err)
		sameBuckets(t, bruteForce(all, buckets), buckets)
		sameRollups(t, s)
	}
	check(s)
	got, clock, ok := s.Boot("new")
	require.True(t, ok)
	require.Equal(t, ClockSynced, clock)
	require.InDelta(t, t0-5000, got, 500)
	_, _, ok = s.Boot("never")
	require.False(t, ok)
	require.NoError(t, s.Integrity(ctx))
	require.NoError(t, s.Close())
	check(open(t, path))
}

func TestRedateIsFinishedByOpen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "readings.db")
	s := open(t, path)
	for at := t0; at < t0+4*hourMs; at += 60_000 {
		require.NoError(t, s.Append(ctx, []Row{{Probe: "a", Place: "air", Quantity: sensors.Temperature, At: at, Mono: at - t0 + 1, Boot: "b",
			Clock: ClockUnsynced, Raw: 1, Value: 1}}))
		require.NoError(t, s.Commit(ctx))
	}
	s.writing.Lock()
	n, err := s.beginRedate(ctx, "b", 1000*hourMs+5, false)
	s.writing.Unlock()
	require.NoError(t, err)
	require.Equal(t, int64(60), n) // the open hour
	require.NoError(t, s.Close())
	s = open(t, path)
	require.Len(t, raw(t, s, "a", sensors.Temperature, t0+1000*hourMs+5, math.MaxInt64), 240)
	require.Empty(t, raw(t, s, "a", sensors.Temperature, 0, t0+1000*hourMs))
}

func TestFollow(t *testing.T) {
	path := filepath.Join(t.TempDir(), "readings.db")
	s := open(t, path)
	r := seeded(t)
	seen := map[string]Row{}
	key := func(r Row) string { return fmt.Sprint(r.Probe, r.Quantity, r.At) }
	var calls, given int
	drain := func(s *Store, cur Cursor) Cursor {
		for {
			p, err := s.Follow(ctx, "mirror", cur, 100)
			require.NoError(t, err)
			for _, row := range p.Rows {
				if was, ok := seen[key(row)]; ok {
					require.Equal(t, was, row) // a repeat is the same
				}
				seen[key(row)] = row
			}
			calls, given = calls+1, given+len(p.Rows)
			if len(p.Rows) == 0 && len(p.Advice) == 0 {
				require.Zero(t, p.Behind)
				return p.Next
			}
			cur = p.Next
		}
	}
	all := record(t, s, r, 5, t0, t0+20*minuteMs, 10_000)
	cur := drain(s, Cursor{})
	require.Len(t, seen, len(all))
	require.Equal(t, len(all), given)
	all = append(all, record(t, s, r, 5, t0+20*minuteMs, t0+5*hourMs, 10_000)...) // away while hours are sealed
	drain(s, cur)
	require.Len(t, seen, len(all))
	require.NoError(t, s.Close())
	s = open(t, path)
	before := given
	drain(s, Cursor{}) // goes on from what was remembered
	require.Equal(t, before, given)
	_, err := s.Import(ctx, rowsOf([]Row{{Probe: "x", Place: "air", Quantity: sensors.Pressure, At: t0 - 900*hourMs, Raw: 1000, Value: 1000}}))
	require.NoError(t, err)
	drain(s, Cursor{})
	require.Equal(t, before+1, given)
	for _, row := range all {
		if _, ok := seen[key(row)]; !ok {
			require.Fail(t, "missing", "%v", row)
		}
	}
	_, err = ParseCursor("1.2")
	require.Error(t, err)
}

func TestAdvice(t *testing.T) {
	path := filepath.Join(t.TempDir(), "readings.db")
	every := func() *Store {
		s, err := Open(ctx, path, Options{AdviceEvery: -1})
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, s.Close()) })
		return s
	}
	s := every()
	advice := func(i int64) []byte {
		return fmt.Appendf(nil, `{"at":%d,"pieces":[{"piece":"port topside","verdict":"wait","margin":%d}],"filler":"%s"}`, i, i/2, strings.Repeat("x y z", 300))
	}
	for i := range int64(200) {
		require.NoError(t, s.SaveAdvice(ctx, t0+i*minuteMs, advice(i)))
		require.NoError(t, s.Commit(ctx))
	}
	require.ErrorContains(t, s.SaveAdvice(ctx, t0, []byte("[]")), "JSON object")
	require.NoError(t, s.SaveAdvice(ctx, t0+300*minuteMs, advice(300))) // not committed
	check := func(s *Store) {
		for _, i := range []int64{0, 1, 2, 60, 61, 121, 199} {
			a, err := s.AdviceAt(ctx, t0+i*minuteMs+30_000)
			require.NoError(t, err)
			require.Equal(t, string(advice(i/2*2)), string(a.JSON)) // every second one changed nothing but its time
		}
		a, err := s.LastAdvice(ctx)
		require.NoError(t, err)
		require.Equal(t, string(advice(300)), string(a.JSON))
		a, err = s.AdviceAt(ctx, math.MaxInt64)
		require.NoError(t, err)
		require.Equal(t, string(advice(300)), string(a.JSON))
		a, err = s.AdviceAt(ctx, t0-1)
		require.NoError(t, err)
		require.Nil(t, a)
	}
	check(s)
	require.NoError(t, s.Close())
	s = every()
	check(s)
	p, err := s.Follow(ctx, "m", Cursor{}, 1e6)
	require.NoError(t, err)
	require.Len(t, p.Advice, 101)
	require.NoError(t, s.SaveAdvice(ctx, t0+301*minuteMs, advice(300))) // unchanged after a restart
	done, err := s.Prune(ctx, Keep{AdviceFrom: t0 + 150*minuteMs})
	require.NoError(t, err)
	require.Equal(t, int64(60), done.Advice) // the second whole one stays, the kept ones stand on it
	a, err := s.AdviceAt(ctx, t0+150*minuteMs)
	require.NoError(t, err)
	require.Equal(t, string(advice(150)), string(a.JSON))
	require.NoError(t, s.DeleteAdvice(ctx))
	a, err = s.LastAdvice(ctx)
	require.NoError(t, err)
	require.Nil(t, a)
	require.NoError(t, s.SaveAdvice(ctx, t0, advice(1)))
	require.NoError(t, s.Commit(ctx))
	a, err = s.AdviceAt(ctx, t0)
	require.NoError(t, err)
	require.Equal(t, string(advice(1)), string(a.JSON))
}

// Numbers move every minute and go to disk now and then; a word that changes goes at once.
func TestAdviceOfTheSameShape(t *testing.T) {
	s := fresh(t)
	save := func(i int64, verdict string) {
		require.NoError(t, s.SaveAdvice(ctx, t0+i*minuteMs, fmt.Appendf(nil, `{"at":%d,"verdict":%q,"margin":%g}`, i, verdict, float64(i)-7.5)))
		require.NoError(t, s.Commit(ctx))
		a, err := s.LastAdvice(ctx)
		require.NoError(t, err)
		require.Equal(t, t0+i*minuteMs, a.At)
	}
	for i := range int64(25) {
		save(i, "wait")
	}
	save(25, "stop")
	save(26, "stop")
	require.NoError(t, s.Close())
	s = open(t, s.Path())
	p, err := s.Follow(ctx, "m", Cursor{}, 1e6)
	require.NoError(t, err)
	var at []int64
	for _, a := range p.Advice {
		at = append(at, (a.At-t0)/minuteMs)
	}
	require.Equal(t, []int64{0, 10, 20, 25, 26}, at) // the newest at Close
}

func TestPrune(t *testing.T) {
	s := fresh(t)
	r := seeded(t)
	all := record(t, s, r, 3, t0, t0+10*hourMs, 20_000)
	_, err := s.Follow(ctx, "m", Cursor{}, 1)
	require.NoError(t, err)
	done, err := s.Prune(ctx, Keep{RawFrom: t0 + 8*hourMs})
	require.NoError(t, err)
	require.Equal(t, Pruned{Waiting: 24}, done)
	require.NoError(t, s.DropFollower(ctx, "m"))
	done, err = s.Prune(ctx, Keep{RawFrom: t0 + 8*hourMs, Pinned: []Span{{t0 + 3*hourMs + 5, t0 + 5*hourMs}}})
	require.NoError(t, err)
	require.Equal(t, Pruned{Blocks: 18}, done)
	want := channelRows(all, "p00", sensors.Temperature, 0, math.MaxInt64)
	require.Len(t, raw(t, s, "p00", sensors.Temperature, t0, t0+8*hourMs), 2*180)
	for _, n := range []int64{4, 30, 600} { // roll-ups are all there
		got, err := s.Range(ctx, "p00", sensors.Temperature, t0, t0+10*hourMs, n)
		require.NoError(t, err)
		sameBuckets(t, bruteForce(want, got), got)
	}
	got, err := s.Range(ctx, "p00", sensors.Temperature, t0+hourMs, t0+2*hourMs, 600) // finer than what is left
	require.NoError(t, err)
	var count int64
	for _, b := range got {
		count += b.Count
	}
	require.Greater(t, count, int64(170))
	// a late reading for an hour without raw ones does not destroy what is kept of it, nor does it count twice
	gap := t0 + 30*minuteMs
	late := []Row{{Probe: "p00", Place: "air", Quantity: sensors.Temperature, At: gap, Raw: 99, Value: 99}}
	before, err := s.Range(ctx, "p00", sensors.Temperature, t0, t0+4*hourMs, 16)
	require.NoError(t, err)
	imported, err := s.Import(ctx, rowsOf(late))
	require.NoError(t, err)
	require.Equal(t, Imported{Read: 1, Repeated: 1}, imported)
	after, err := s.Range(ctx, "p00", sensors.Temperature, t0, t0+4*hourMs, 16)
	require.NoError(t, err)
	require.Equal(t, before, after)
	require.NoError(t, s.Integrity(ctx))
	sameRollups(t, s)
}

func TestBackup(t *testing.T) {
	s := fresh(t)
	r := seeded(t)
	all := record(t, s, r, 3, t0, t0+2*hourMs+5*minuteMs, 10_000)
	extra := shedRow(r, 0, t0+3*hourMs)
	require.NoError(t, s.Append(ctx, []Row{extra}))
	to := filepath.Join(t.TempDir(), "it's a copy.db")
	require.NoError(t, s.Backup(ctx, to))
	require.NoFileExists(t, to+".part")
	copied := open(t, to)
	all = append(all, extra)
	sameRows(t, channelRows(all, "p00", 1, 0, math.MaxInt64), raw(t, copied, "p00", 1, 0, math.MaxInt64))
	require.Error(t, s.Backup(ctx, filepath.Join(t.TempDir(), "absent", "copy.db")))
}

// A flipped bit inside packed data costs one hour of one channel, and the roll-ups of it stay.
func TestFlippedBit(t *testing.T) {
	s := fresh(t)
	r := seeded(t)
	record(t, s, r, 1, t0, t0+3*hourMs, 10_000)
	id := blockID(t0/hourMs+1, 1)
	var data []byte
	require.NoError(t, s.reader.QueryRow(`SELECT data FROM block WHERE id = ?`, id).Scan(&data))
	data[len(data)/2] ^= 4
	_, err := s.writer.Exec(`UPDATE block SET data = ? WHERE id = ?`, data, id)
	require.NoError(t, err)
	require.Len(t, raw(t, s, "p00", 1, 0, math.MaxInt64), 2*360)
	require.Equal(t, int64(1), s.Health().DamagedSeen)
	require.ErrorContains(t, s.Integrity(ctx), "1 packed rows")
	minutes, err := s.Minutes(ctx, "p00", 1, t0, t0+3*hourMs)
	require.NoError(t, err)
	require.Len(t, minutes, 180)
	_, err = s.Import(ctx, rowsOf([]Row{{Probe: "p00", Place: "air", Quantity: 1, At: t0 + hourMs + 5, Raw: 1, Value: 1}}))
	require.NoError(t, err)
	require.Equal(t, int64(1), s.Health().Damaged)
	minutes, err = s.Minutes(ctx, "p00", 1, t0, t0+3*hourMs)
	require.NoError(t, err)
	require.Len(t, minutes, 180)
}

// The disk is full: commits fail and say so, readings wait in a bounded buffer, and recording goes on by itself when there is room.
func TestDiskFull(t *testing.T) {
	path := filepath.Join(t.TempDir(), "readings.db")
	s, err := Open(ctx, path, Options{Buffer: 400})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	r := seeded(t)
	var pages int64
	require.NoError(t, s.writer.QueryRow(`PRAGMA page_count`).Scan(&pages))
	_, err = s.writer.Exec(fmt.Sprintf(`PRAGMA max_page_count = %d`, pages))
	require.NoError(t, err)
	var all []Row
	var failed error
	for m := int64(0); failed == nil; m++ {
		require.Less(t, m, int64(3600))
		for c := range 6 {
			row := shedRow(r, c, t0+m*1000) // all in one hour, so that it is the commit that finds no room
			all = append(all, row)
			require.NoError(t, s.Append(ctx, []Row{row}))
		}
		failed = s.Commit(ctx)
	}
	require.ErrorContains(t, failed, "full")
	require.Error(t, s.Health().Err)
	require.Equal(t, int64(6), s.Health().Pending)
	more := record2(t, s, 6, all[len(all)-1].At+minuteMs, 50)
	all = append(all, more...)
	require.Error(t, s.Commit(ctx))
	_, err = s.writer.Exec(`PRAGMA max_page_count = 1000000`)
	require.NoError(t, err)
	require.NoError(t, s.Commit(ctx))
	h := s.Health()
	require.NoError(t, h.Err)
	require.Zero(t, h.Pending)
	require.Zero(t, h.Dropped)
	sameRows(t, channelRows(all, "p00", 1, 0, math.MaxInt64), raw(t, s, "p00", 1, 0, math.MaxInt64))
	// beyond the buffer the oldest go, and are counted
	_, err = s.writer.Exec(`PRAGMA query_only = 1`)
	require.NoError(t, err)
	record2(t, s, 6, t0+600*hourMs, 100)
	require.Error(t, s.Commit(ctx))
	require.Equal(t, int64(400), s.Health().Pending)
	require.Equal(t, int64(200), s.Health().Dropped)
	_, err = s.writer.Exec(`PRAGMA query_only = 0`)
	require.NoError(t, err)
	require.NoError(t, s.Commit(ctx))
}

func record2(t *testing.T, s *Store, channels int, from, minutes int64) []Row {
	r := seeded(t)
	var all []Row
	for m := range minutes {
		for c := range channels {
			all = append(all, shedRow(r, c, from+m*minuteMs))
		}
	}
	require.NoError(t, s.Append(ctx, all))
	return all
}

// Nobody switches the safety of the file off: a power cut would then cost more than an interval.
func TestNobodySwitchesSafetyOff(t *testing.T) {
	root := "../.."
	pragma, off := "synchronous", "journal_mode"
	require.NoError(t, filepath.WalkDir(root, func(name string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(name) != ".go" && filepath.Ext(name) != ".sql" {
			return err
		}
		b, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		for i, line := range strings.Split(strings.ToLower(string(b)), "\n") {
			flat := strings.NewReplacer(" ", "", "(", "=", "\"", "", "'", "").Replace(line)
			for _, bad := range []string{pragma + "=off", pragma + "=0", off + "=off", off + "=memory"} {
				require.NotContains(t, flat, bad, "%s:%d", name, i+1)
			}
		}
		return nil
	}))
}

// The driver is generated against one version of its C library in Go; another has crashed on 32-bit boards.
func TestLibcIsTheOneTheDriverPins(t *testing.T) {
	have, want := "", ""
	mod, err := os.ReadFile("../../go.mod")
	require.NoError(t, err)
	version := func(text, module string) string {
		for line := range strings.Lines(text) {
			f := strings.Fields(strings.TrimPrefix(strings.TrimSpace(line), "require "))
			if len(f) >= 2 && f[0] == module {
				return f[1]
			}
		}
		return ""
	}
	have = version(string(mod), "modernc.org/libc")
	driver := version(string(mod), "modernc.org/sqlite")
	pinned, err := os.ReadFile(filepath.Join(moduleCache(t), "modernc.org", "sqlite@"+driver, "go.mod"))
	require.NoError(t, err)
	want = version(string(pinned), "modernc.org/libc")
	require.NotEmpty(t, want)
	require.Equal(t, want, have)
}

func TestPragmas(t *testing.T) {
	s := fresh(t)
	for _, p := range []struct{ name, want string }{{"journal_mode", "wal"}, {"synchronous", "2"}, {"auto_vacuum", "0"}} {
		var got string
		require.NoError(t, s.writer.QueryRow(`PRAGMA `+p.name).Scan(&got))
		require.Equal(t, p.want, got, p.name)
	}
	_, err := s.reader.Exec(`DELETE FROM hot`)
	require.Error(t, err) // readers cannot write
	var _ *sql.DB = s.reader
}

func moduleCache(t *testing.T) string {
	out, err := exec.Command("go", "env", "GOMODCACHE").Output()
	require.NoError(t, err)
	return strings.TrimSpace(string(out))
}
