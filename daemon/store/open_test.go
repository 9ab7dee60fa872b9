package store

import (
	"database/sql"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

// A file of the first schema is copied before it is changed; the copy opens, and has everything.
func TestMigrationCopiesFirst(t *testing.T) {
	s := fresh(t)
	r := seeded(t)
	all := record(t, s, r, 3, t0, t0+3*hourMs, 10_000)
	require.NoError(t, s.Close())
	asOlder(t, s.Path(), 1)

	migrated := open(t, s.Path())
	copies, err := filepath.Glob(s.Path() + ".before-version-*")
	require.NoError(t, err)
	require.Len(t, copies, 1)
	db, err := sql.Open("sqlite", dsn(copies[0], "query_only(1)"))
	require.NoError(t, err)
	var version int64
	require.NoError(t, db.QueryRow(`PRAGMA user_version`).Scan(&version))
	require.Equal(t, int64(1), version) // as it was, for the program that wrote it
	require.NoError(t, integrity(ctx, db))
	require.NoError(t, db.Close())
	copied := open(t, copies[0])
	for _, s := range []*Store{migrated, copied} {
		sameRows(t, channelRows(all, "p00", sensors.Temperature, 0, math.MaxInt64), raw(t, s, "p00", sensors.Temperature, 0, math.MaxInt64))
		require.NoError(t, s.Integrity(ctx))
	}

	// where no copy can be made nothing is changed
	require.NoError(t, migrated.Close())
	asOlder(t, s.Path(), 1)
	require.NoError(t, copied.Close())
	require.NoError(t, os.Remove(copies[0]))
	require.NoError(t, os.MkdirAll(filepath.Join(copies[0], "in the way"), 0o700))
	_, err = Open(ctx, s.Path(), Options{})
	require.ErrorContains(t, err, "copy before migration")
	db, err = sql.Open("sqlite", dsn(s.Path()))
	require.NoError(t, err)
	require.NoError(t, db.QueryRow(`PRAGMA user_version`).Scan(&version))
	require.Equal(t, int64(1), version)
	require.NoError(t, db.Close())
}

// BenchmarkOpenThreeYears opens a file of three years of 12 channels, each read once a minute, all of it kept; the budget is 5 s on a board. The
// days are copies of one. Without TACKLINE_BENCH it is a month, to see that it works.
func BenchmarkOpenThreeYears(b *testing.B) {
	days := int64(30)
	if os.Getenv("TACKLINE_BENCH") != "" {
		days = 3 * 365
	}
	s := fresh(b)
	r := rand.New(rand.NewPCG(1, 2))
	var rows []Row
	for at := t0; at < t0+24*hourMs; at += minuteMs {
		rows = append(rows, tick(r, at, nil)...)
	}
	_, err := s.Import(ctx, rowsOf(rows))
	require.NoError(b, err)
	for _, copied := range []string{
		`INSERT INTO block SELECT id + d * 24 * 65536, seq + d, untrusted, data FROM days, block`,
		`INSERT INTO minute SELECT id + d * 24 * 65536, data FROM days, minute`,
		`INSERT INTO quarter SELECT id + d * 65536, data FROM days, quarter`,
		`INSERT OR IGNORE INTO watch SELECT id + d / 14 * 65536, data FROM days, watch`,
		`UPDATE channel SET last_at = last_at + (SELECT max(d) FROM days) * 86400000`,
	} {
		_, err := s.writer.Exec(`WITH RECURSIVE days(d) AS (SELECT 1 UNION ALL SELECT d + 1 FROM days WHERE d < ?) `+copied, days-1)
		require.NoError(b, err)
	}
	require.NoError(b, s.Close())
	for b.Loop() {
		s, err := Open(ctx, s.Path(), Options{})
		require.NoError(b, err)
		_, err = s.Range(ctx, "p00", sensors.Temperature, t0, t0+days*24*hourMs, 600)
		require.NoError(b, err)
		require.NoError(b, s.Close())
	}
	b.ReportMetric(float64(size(s.Path()))/1e6, "MB")
}
