package store

import (
	"database/sql"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

// sameRollups makes all roll-ups of a file anew, minutes of the raw readings that are there and the rest of the minutes, and holds what is kept to them.
func sameRollups(t testing.TB, s *Store) {
	each := func(table string, f func(id int64, data []byte)) {
		require.NoError(t, query(ctx, s.reader, `SELECT id, data FROM `+table+` ORDER BY id`, nil, func(rows *sql.Rows) error {
			var id int64
			var data []byte
			err := rows.Scan(&id, &data)
			f(id, data)
			return err
		}))
	}
	read := func(l level) map[int64][]tally {
		all := map[int64][]tally{}
		each(l.table, func(id int64, data []byte) {
			some, err := unpackTallies(data, l.kind)
			require.NoError(t, err)
			require.NotEmpty(t, some)
			all[id] = some
		})
		return all
	}
	kept := read(levels[0])
	each("block", func(id int64, data []byte) {
		all, err := unpackBlock(data, 0)
		require.NoError(t, err)
		require.Equal(t, tallySamples(all, minuteMs), kept[id])
	})
	for i, l := range levels[1:] {
		want, below := map[int64][]tally{}, levels[i]
		for _, id := range sortedKeys(kept) {
			number, channel := blockKey(id)
			to := blockID(number*below.span/l.span, channel)
			want[to] = append(want[to], kept[id]...)
		}
		for id := range want {
			want[id] = tallyTallies(want[id], l.unit/below.unit)
		}
		kept = read(l)
		require.Equal(t, want, kept, l.table)
	}
}

func sortedKeys(m map[int64][]tally) []int64 {
	var ids []int64
	for id := range m {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	return ids
}

// asOlder makes a closed file one of an earlier schema, as the program of that time left it.
func asOlder(t testing.TB, path string, version int64) {
	db, err := sql.Open("sqlite", dsn(path))
	require.NoError(t, err)
	if version < 3 {
		first, err := fs.ReadFile(migrations, "migrations/0001_readings.sql")
		require.NoError(t, err)
		for table, unit := range map[string]int64{"quarter": quarterMs, "watch": watchMs} {
			_, err := db.Exec(`DROP TABLE ` + table)
			require.NoError(t, err)
			begin := strings.Index(string(first), "CREATE TABLE "+table)
			end := begin + strings.Index(string(first)[begin:], ";")
			_, err = db.Exec(string(first)[begin:end])
			require.NoError(t, err)
			_, err = db.Exec(`INSERT OR IGNORE INTO `+table+` SELECT (id >> 16) * 3600000 / ?, id & 65535, 1, 0, 0, 0, 0 FROM minute`, unit)
			require.NoError(t, err)
		}
		_, err = db.Exec(`DROP TABLE rolled`)
		require.NoError(t, err)
	}
	if version < 2 {
		_, err := db.Exec(`DROP TABLE corrected`)
		require.NoError(t, err)
	}
	_, err = db.Exec(fmt.Sprintf(`PRAGMA user_version = %d`, version))
	require.NoError(t, err)
	require.NoError(t, db.Close())
}

// A file whose roll-ups an older program kept as rows answers the same at once, while they are made anew a few at each commit, over a restart in
// between, and afterwards: over a gap of months, readings of a board that thought it was 1970, and ones that come late meanwhile.
func TestOlderFileAnswersTheSame(t *testing.T) {
	r := seeded(t)
	path := filepath.Join(t.TempDir(), "readings.db")
	s := open(t, path)
	var all []Row
	for _, span := range []Span{{5 * hourMs, 9 * hourMs}, {t0, t0 + 40*dayMs}, {t0 + 150*dayMs, t0 + 175*dayMs}} {
		for at := span.From; at < span.To; at += 20*minuteMs + r.Int64N(5*minuteMs) {
			for c := range 4 {
				row := shedRow(r, c, at)
				row.Boot, row.Mono, row.Clock = "", 0, ClockSource
				all = append(all, row)
			}
		}
	}
	_, err := s.Import(ctx, rowsOf(all))
	require.NoError(t, err)
	sameRollups(t, s)
	require.NoError(t, s.Close())
	asOlder(t, path, 2)

	s = open(t, path)
	require.Positive(t, s.rolled)
	now := t0 + 175*dayMs
	check := func() {
		for _, c := range []struct {
			probe string
			q     sensors.Quantity
		}{{"p00", sensors.Temperature}, {"p01", sensors.Temperature}} {
			rows := channelRows(all, c.probe, c.q, 0, math.MaxInt64)
			for _, span := range []Span{{0, 2 * dayMs}, {t0 - 20*dayMs, now + dayMs}, {t0 + 10*dayMs + 12345, t0 + 41*dayMs}, {now - 31*dayMs, now}, {now - 7*dayMs, now}, {now - dayMs, now}} {
				got, err := s.Range(ctx, c.probe, c.q, span.From, span.To, 480)
				require.NoError(t, err)
				sameBuckets(t, bruteForce(rows, got), got)
			}
		}
	}
	check()
	commits := 0
	for ; s.rolled > 0; commits++ {
		require.Less(t, commits, 100)
		now += minuteMs
		rows := []Row{shedRow(r, 0, now), shedRow(r, 3, t0+r.Int64N(175*dayMs))}
		rows[1].Status = sensors.Late
		all = append(all, rows...)
		slices.SortStableFunc(all, func(a, b Row) int { return int(a.At - b.At) })
		require.NoError(t, s.Append(ctx, rows))
		require.NoError(t, s.Commit(ctx))
		if commits%2 == 0 {
			check()
			require.NoError(t, s.Close())
			s = open(t, path)
		}
	}
	require.Greater(t, commits, 3, "a file of a winter is not rolled up at one commit")
	check()
	sameRollups(t, s)
	require.NoError(t, s.Integrity(ctx))
}

// Whatever comes in whatever order, what is told of any stretch is what its readings come to, and every roll-up is that of its readings: as they
// come, late, imported, corrected, dated anew, let go, over restarts, and in a file of an older program.
func TestRollupsWhateverHappens(t *testing.T) {
	r := seeded(t)
	path := filepath.Join(t.TempDir(), "readings.db")
	s := open(t, path)
	const probe, q = "p00", sensors.Temperature
	now, boot, dark := t0+30*dayMs, 0, int64(0)
	pruned := t0     // before this, raw readings went
	var before []Row // what they were
	append1 := func() {
		row := shedRow(r, 0, now-dark)
		row.Boot, row.Mono = fmt.Sprint("boot ", boot), now-t0
		if dark > 0 {
			row.Clock = ClockUnsynced
		}
		require.NoError(t, s.Append(ctx, []Row{row}))
	}
	deeds := map[string]func(){
		"record": func() {
			for range 1 + r.IntN(60) {
				now += minuteMs * (1 + r.Int64N(9))
				append1()
				if r.IntN(3) == 0 {
					require.NoError(t, s.Commit(ctx))
				}
			}
		},
		"gap": func() { now += r.Int64N(20 * dayMs) },
		"late": func() {
			for range 20 {
				row := shedRow(r, 0, pruned+hourMs+r.Int64N(now-pruned-hourMs))
				row.Status = sensors.Late
				require.NoError(t, s.Append(ctx, []Row{row}))
			}
		},
		"import": func() {
			var rows []Row
			for range 100 {
				rows = append(rows, shedRow(r, 0, pruned+hourMs+r.Int64N(now-pruned-hourMs)))
			}
			_, err := s.Import(ctx, rowsOf(rows))
			require.NoError(t, err)
		},
		"correct": func() {
			from := pruned + r.Int64N(now-pruned)
			by := r.Float64()
			_, err := s.Correct(ctx, probe, from, from+r.Int64N(20*dayMs), 0, func(r *Row, _ *float64) float64 { return r.Raw + by })
			require.NoError(t, err)
		},
		"boot in the dark": func() { boot, dark = boot+1, dayMs+r.Int64N(min(9*dayMs, now-pruned-3*dayMs)) }, // never back to where raw readings went
		"clock set": func() {
			_, err := s.Redate(ctx, fmt.Sprint("boot ", boot), dark)
			require.NoError(t, err)
			boot, dark = boot+1, 0
		},
		"prune": func() {
			if dark > 0 {
				return // what is dated anew must still be there
			}
			to := pruned + r.Int64N(1+(now-pruned)/3)
			if waiting := s.tail[1]; len(waiting) > 0 {
				to = min(to, waiting[0].at) // what comes for an hour without raw readings is told by its minutes alone
			}
			to = max(pruned, floorDiv(to, hourMs)*hourMs)
			before = append(before, raw(t, s, probe, q, pruned, to)...)
			_, err := s.Prune(ctx, Keep{RawFrom: to})
			require.NoError(t, err)
			pruned = to
		},
		"restart": func() {
			require.NoError(t, s.Close())
			s = open(t, path)
		},
		"older file": func() {
			require.NoError(t, s.Close())
			asOlder(t, path, 2)
			s = open(t, path)
		},
	}
	var names []string
	for name := range deeds {
		names = append(names, name)
	}
	slices.Sort(names)
	deeds["record"]()
	for range 60 {
		name := names[r.IntN(len(names))]
		t.Log(name)
		deeds[name]()
		all := append(slices.Clone(before), raw(t, s, probe, q, 0, math.MaxInt64)...)
		for _, points := range []int64{1, 9, 100, 480, 700} {
			from := t0 + r.Int64N(now-t0)
			if points == 480 {
				from = max(t0, now-31*dayMs)
			}
			to := from + 1 + r.Int64N(now-from+dayMs)
			if unit, _ := resolution(from, to, points); unit < minuteMs && from < pruned {
				continue // the minutes are all that is left
			}
			got, err := s.Range(ctx, probe, q, from, to, points)
			require.NoError(t, err)
			sameBuckets(t, bruteForce(all, got), got)
		}
		if s.rolled == 0 {
			sameRollups(t, s)
		}
	}
}

// A flipped bit inside a row of quarters or of watches costs nothing: they are told by the minutes, and made anew when something comes. One inside
// minutes whose raw readings went leaves what was made of them.
func TestFlippedBitInRollups(t *testing.T) {
	s := fresh(t)
	r := seeded(t)
	all := record(t, s, r, 1, t0, t0+30*hourMs, 5*minuteMs)
	want := channelRows(all, "p00", 1, 0, math.MaxInt64)
	flip := func(table string, id int64) {
		var data []byte
		require.NoError(t, s.reader.QueryRow(`SELECT data FROM `+table+` WHERE id = ?`, id).Scan(&data))
		data[len(data)/2] ^= 4
		_, err := s.writer.Exec(`UPDATE `+table+` SET data = ? WHERE id = ?`, data, id)
		require.NoError(t, err)
	}
	check := func() {
		for _, points := range []int64{7, 100} { // watches, quarters
			got, err := s.Range(ctx, "p00", 1, t0, t0+31*hourMs, points)
			require.NoError(t, err)
			sameBuckets(t, bruteForce(want, got), got)
		}
	}
	check()
	flip("quarter", blockID(t0/dayMs, 1))
	flip("watch", blockID(t0/fortnightMs, 1))
	check()
	require.Equal(t, int64(3), s.Health().DamagedSeen, "watches, the quarters below them, and quarters")
	require.ErrorContains(t, s.Integrity(ctx), "2 packed rows")
	late := shedRow(r, 0, t0+91*minuteMs)
	_, err := s.Import(ctx, rowsOf([]Row{late}))
	require.NoError(t, err)
	want = append(want, quantised(late))
	check()
	require.NoError(t, s.Integrity(ctx))
	sameRollups(t, s)

	_, err = s.Prune(ctx, Keep{RawFrom: t0 + 3*hourMs})
	require.NoError(t, err)
	flip("minute", blockID(t0/hourMs+2, 1))
	late = shedRow(r, 0, t0+5*hourMs+minuteMs)
	_, err = s.Import(ctx, rowsOf([]Row{late}))
	require.NoError(t, err)
	want = append(want, quantised(late))
	check()
}
