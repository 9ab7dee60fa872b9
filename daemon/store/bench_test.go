package store

import (
	"database/sql"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

// tick gives one tick of 12 channels.
func tick(r *rand.Rand, at int64, rows []Row) []Row {
	rows = rows[:0]
	for c := range 12 {
		rows = append(rows, shedRow(r, c, at+int64(c)*3+r.Int64N(3)))
	}
	return rows
}

// sizedAdvice is about as large, and changes about as much from minute to minute, as real advice.
func sizedAdvice(r *rand.Rand, at int64) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, `{"at":%d,"model":"1","shed":{"air_c":{"value":%.2f,"u":0.3},"rh_pct":{"value":%.2f,"u":2}},"pieces":[`, at, 8+r.Float64(), 70+r.Float64())
	for p := range 4 {
		comma(&b, p)
		fmt.Fprintf(&b, `{"piece":"piece %d","verdict":"wait","reasons":[`, p)
		for i := range 8 {
			comma(&b, i)
			fmt.Fprintf(&b, `{"rule":"rule %d","verdict":"clear","value":%.2f,"limit":3,"unit":"K","source":"ISO 8502-4 practice","text":"margin less its uncertainty is %.2f K, limit 3 K"}`, i, r.Float64(), r.Float64())
		}
		b.WriteString(`],"margin_trend":[`)
		for i := range 96 {
			comma(&b, i)
			fmt.Fprintf(&b, `{"at":%d,"value":%.2f,"low":%.2f,"high":%.2f}`, at/1_800_000*1800+int64(i)*1800, 4+r.Float64(), 3+r.Float64(), 5+r.Float64())
		}
		b.WriteString(`]}`)
	}
	b.WriteString(`]}`)
	return []byte(b.String())
}

func comma(b *strings.Builder, i int) {
	if i > 0 {
		b.WriteByte(',')
	}
}

// BenchmarkDay records a day of 12 channels every 10 s with a commit a minute, and tells bytes written by the kernel's count and bytes
// kept per reading. The budget is 20 MB a day for both files of the daemon, advice included, and 6 bytes per reading.
func BenchmarkDay(b *testing.B) {
	for _, withAdvice := range []bool{false, true} {
		b.Run(fmt.Sprintf("advice=%v", withAdvice), func(b *testing.B) {
			var written, readings, size int64
			for range b.N {
				r := rand.New(rand.NewPCG(1, 2))
				s, err := Open(ctx, filepath.Join(b.TempDir(), "readings.db"), Options{})
				require.NoError(b, err)
				before := bytesWritten(b)
				var rows []Row
				for at := t0; at < t0+24*hourMs; at += 10_000 {
					rows = tick(r, at, rows)
					require.NoError(b, s.Append(ctx, rows))
					readings += int64(len(rows))
					if (at+10_000)%minuteMs == 0 {
						if withAdvice {
							require.NoError(b, s.SaveAdvice(ctx, at, sizedAdvice(r, at)))
						}
						require.NoError(b, s.Commit(ctx))
					}
				}
				written += bytesWritten(b) - before
				size += used(b, s)
				require.NoError(b, s.Close())
			}
			b.ReportMetric(float64(written)/1e6/float64(b.N), "MB-written/day")
			b.ReportMetric(float64(size)/float64(readings), "bytes/reading")
		})
	}
}

// BenchmarkDayRowPerReading is the peer of BenchmarkDay: every reading a row, every tick a transaction. A tenth of a day, told as a day.
func BenchmarkDayRowPerReading(b *testing.B) {
	for _, perTransaction := range []int{12, 1} {
		b.Run(fmt.Sprintf("rows=%d", perTransaction), func(b *testing.B) {
			var written int64
			for range b.N {
				db, err := sql.Open("sqlite", dsn(filepath.Join(b.TempDir(), "plain.db"), "journal_mode(WAL)", "synchronous(FULL)"))
				require.NoError(b, err)
				db.SetMaxOpenConns(1)
				_, err = db.Exec(`CREATE TABLE reading (at INTEGER, probe INTEGER, value REAL, PRIMARY KEY (at, probe)) WITHOUT ROWID`)
				require.NoError(b, err)
				r := rand.New(rand.NewPCG(1, 2))
				before := bytesWritten(b)
				var rows []Row
				for at := t0; at < t0+hourMs*24/10; at += 10_000 {
					rows = tick(r, at, rows)
					for i := 0; i < len(rows); i += perTransaction {
						tx, err := db.Begin()
						require.NoError(b, err)
						for c, row := range rows[i : i+perTransaction] {
							_, err = tx.Exec(`INSERT INTO reading VALUES (?, ?, ?)`, row.At, i+c, row.Value)
							require.NoError(b, err)
						}
						require.NoError(b, tx.Commit())
					}
				}
				written += bytesWritten(b) - before
				require.NoError(b, db.Close())
			}
			b.ReportMetric(10*float64(written)/1e6/float64(b.N), "MB-written/day")
		})
	}
}

func bytesWritten(b *testing.B) int64 {
	n, err := WriteBytes()
	require.NoError(b, err)
	return n
}

// used is the size of the file without pages that are free again.
func used(b *testing.B, s *Store) int64 {
	var pages, free, size int64
	require.NoError(b, s.writer.QueryRow(`SELECT (SELECT page_count FROM pragma_page_count), (SELECT freelist_count FROM pragma_freelist_count),
		(SELECT page_size FROM pragma_page_size)`).Scan(&pages, &free, &size))
	return (pages - free) * size
}

func seasonRows(days int64) func(func(Row, error) bool) {
	return func(yield func(Row, error) bool) {
		r := rand.New(rand.NewPCG(7, 7))
		noise := make([]float64, 4096)
		for i := range noise {
			noise[i] = r.NormFloat64()
		}
		var rows []Row
		for i, at := int64(0), t0; at < t0+days*24*hourMs; i, at = i+1, at+10_000 {
			if i%6 == 0 {
				rows = tick(r, at, rows)
			}
			for c := range rows {
				rows[c].At = at + int64(c)*3 + r.Int64N(3)
				rows[c].Mono = rows[c].At - t0 + 60_000
				n := 0.04 * noise[(i*12+int64(c)*997)%4096]
				rows[c].Value += math.Round(n*100) / 100
				rows[c].Raw += math.Round(n*100) / 100
				if !yield(rows[c], nil) {
					return
				}
			}
		}
	}
}

// BenchmarkImport tells readings per second; the budget is 150 000.
// BenchmarkCorrect corrects a week of one probe anew, in steps of a day as the daemon does, there and back.
func BenchmarkCorrect(b *testing.B) {
	s, err := Open(ctx, filepath.Join(b.TempDir(), "readings.db"), Options{})
	require.NoError(b, err)
	defer func() { require.NoError(b, s.Close()) }()
	_, err = s.Import(ctx, seasonRows(7))
	require.NoError(b, err)
	var read int64
	b.ResetTimer()
	for i := range b.N {
		for day := int64(0); day < 7; day++ {
			done, err := s.Correct(ctx, "p00", t0+day*24*hourMs, t0+(day+1)*24*hourMs, 5*minuteMs, func(r *Row, _ *float64) float64 { return r.Raw + float64(1+i%2)/10 })
			require.NoError(b, err)
			require.Positive(b, done.Changed)
			read += done.Read
		}
	}
	b.ReportMetric(float64(read)/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric(b.Elapsed().Seconds()*1000/float64(b.N)/7, "ms/day")
}

func BenchmarkImport(b *testing.B) {
	for range b.N {
		s, err := Open(ctx, filepath.Join(b.TempDir(), "readings.db"), Options{})
		require.NoError(b, err)
		done, err := s.Import(ctx, seasonRows(7))
		require.NoError(b, err)
		b.ReportMetric(float64(done.Added)/b.Elapsed().Seconds()*float64(b.N), "readings/s")
		b.ReportMetric(float64(used(b, s))/float64(done.Added), "bytes/reading")
		require.NoError(b, s.Close())
	}
}

// BenchmarkSeason draws from 18.7 million readings. The budget for a season in 600 points with min and max is 30 ms.
func BenchmarkSeason(b *testing.B) {
	path := os.Getenv("TACKLINE_SEASON") // keeps the file between runs
	if path == "" {
		path = filepath.Join(b.TempDir(), "readings.db")
	}
	s, err := Open(ctx, path, Options{})
	require.NoError(b, err)
	defer func() { require.NoError(b, s.Close()) }()
	channels, err := s.Channels(ctx)
	require.NoError(b, err)
	if len(channels) == 0 {
		done, err := s.Import(ctx, seasonRows(180))
		require.NoError(b, err)
		b.Logf("%d readings imported in %v, %.2f bytes each", done.Added, b.Elapsed(), float64(used(b, s))/float64(done.Added))
	}
	end := t0 + 180*24*hourMs
	for _, span := range []struct {
		name string
		from int64
	}{{"180 d", t0}, {"100 d", end - 100*24*hourMs}, {"90 d", end - 90*24*hourMs}, {"30 d", end - 30*24*hourMs}, {"7 d", end - 7*24*hourMs},
		{"6 d", end - 6*24*hourMs}, {"1 d", end - 24*hourMs}, {"10 h", end - 10*hourMs}, {"2 h", end - 2*hourMs}} {
		b.Run("600 points of "+span.name, func(b *testing.B) {
			for range b.N {
				got, err := s.Range(ctx, "p00", sensors.Temperature, span.from, end, 600)
				require.NoError(b, err)
				require.Greater(b, len(got), 290)
				require.Positive(b, got[5].Count)
			}
		})
	}
	b.Run("600 points of 180 d, 12 channels", func(b *testing.B) {
		for range b.N {
			channels, err := s.Channels(ctx)
			require.NoError(b, err)
			for _, c := range channels {
				_, err := s.Range(ctx, c.Probe, c.Quantity, t0, end, 600)
				require.NoError(b, err)
			}
		}
	})
	b.Run("minutes of 14 d", func(b *testing.B) {
		for range b.N {
			got, err := s.Minutes(ctx, "p00", sensors.Temperature, end-14*24*hourMs, end)
			require.NoError(b, err)
			require.Greater(b, len(got), 14*1440-100)
		}
	})
	b.Run("raw of 1 d", func(b *testing.B) {
		for range b.N {
			require.NoError(b, s.Raw(ctx, "p00", sensors.Temperature, end-24*hourMs, end, func(Row) error { return nil }))
		}
	})
	b.Run("open", func(b *testing.B) {
		for range b.N {
			require.NoError(b, s.Close())
			s, err = Open(ctx, path, Options{})
			require.NoError(b, err)
		}
	})
}
