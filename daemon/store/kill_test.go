package store

import (
	"bufio"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

// TestMain lets the test binary be the process that is killed.
func TestMain(m *testing.M) {
	if path := os.Getenv("TACKLINE_STORE_WRITER"); path != "" {
		if err := writeUntilKilled(path); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}

// writeUntilKilled records as fast as it can and says after every commit how far the disk has come. A commit holds 7 readings of each of
// 4 channels; an hour is over after some commits, so that sealing is hit too.
func writeUntilKilled(path string) error {
	s, err := Open(ctx, path, Options{})
	if err != nil {
		return err
	}
	at := t0
	channels, err := s.Channels(ctx)
	if err != nil {
		return err
	}
	for _, c := range channels {
		at = max(at, c.Last/killStep*killStep+killStep)
	}
	for {
		for range killCommit {
			rows := make([]Row, 4)
			for c := range rows {
				rows[c] = Row{Probe: fmt.Sprint("p", c), Place: "air", Quantity: sensors.Temperature, At: at, Mono: at - t0 + 1, Boot: "b",
					Clock: ClockSynced, Raw: float64(at/killStep%100) + float64(c), Value: float64(at / killStep % 100)}
			}
			if err := s.Append(ctx, rows); err != nil {
				return err
			}
			at += killStep
		}
		if err := s.SaveAdvice(ctx, at, fmt.Appendf(nil, `{"at":%d,"n":%d}`, at, at)); err != nil {
			return err
		}
		if err := s.Commit(ctx); err != nil {
			return err
		}
		fmt.Println(at)
	}
}

const (
	killStep   = 60_000
	killCommit = 7
)

// Killed in mid write, again and again: the file is whole, nothing that was committed is missing, nothing stands twice.
func TestKilled(t *testing.T) {
	times := 5
	if os.Getenv("TACKLINE_LONG") != "" {
		times = 200
	}
	r := seeded(t)
	path := filepath.Join(t.TempDir(), "readings.db")
	for i := range times {
		said := writeAndKill(t, path, time.Duration(20+r.IntN(150))*time.Millisecond)
		s, err := Open(ctx, path, Options{})
		require.NoError(t, err)
		require.Empty(t, s.SetAside(), "kill %d", i)
		require.NoError(t, s.Integrity(ctx))
		channels, err := s.Channels(ctx)
		require.NoError(t, err)
		for _, c := range channels {
			require.GreaterOrEqual(t, c.Last+killStep, said, "kill %d", i)
		}
		if i == times-1 {
			checkKilled(t, s)
			sameRollups(t, s)
		}
		require.NoError(t, s.Close())
	}
}

func checkKilled(t *testing.T, s *Store) {
	var n []int
	for c := range 4 {
		got := raw(t, s, fmt.Sprint("p", c), sensors.Temperature, 0, math.MaxInt64)
		for i, r := range got {
			require.Equal(t, t0+int64(i)*killStep, r.At)
			require.Equal(t, float64(r.At/killStep%100)+float64(c), r.Raw)
		}
		n = append(n, len(got))
		buckets, err := s.Range(ctx, fmt.Sprint("p", c), sensors.Temperature, t0, got[len(got)-1].At+1, 500)
		require.NoError(t, err)
		sameBuckets(t, bruteForce(got, buckets), buckets)
	}
	require.Equal(t, []int{n[0], n[0], n[0], n[0]}, n) // a commit is all or nothing
	t.Logf("%d readings of each channel", n[0])
}

func writeAndKill(t *testing.T, path string, after time.Duration) (said int64) {
	cmd := exec.Command(os.Args[0], "-test.run=^$")
	cmd.Env = append(os.Environ(), "TACKLINE_STORE_WRITER="+path)
	var errs strings.Builder
	cmd.Stderr = &errs
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	lines := bufio.NewScanner(out)
	for i := 0; lines.Scan(); i++ {
		said, err = strconv.ParseInt(lines.Text(), 10, 64)
		require.NoError(t, err)
		if i == 0 {
			time.AfterFunc(after, func() { _ = cmd.Process.Kill() })
		}
	}
	require.ErrorContains(t, cmd.Wait(), "killed", errs.String())
	return said
}

// Fifty who read, one who records, one who imports, one who prunes: nobody is turned away, and what is read is never torn.
func TestManyAtOnce(t *testing.T) {
	s := fresh(t)
	r := seeded(t)
	record(t, s, r, 4, t0, t0+3*hourMs, 30_000)
	var all sync.WaitGroup
	errs := make(chan error, 110)
	run := func(f func() error) { // a number of calls, not a length of time: readers that spin would starve the recorder of a board's one core
		all.Go(func() {
			for range 40 {
				if err := f(); err != nil {
					errs <- err
					return
				}
			}
		})
	}
	for i := range 50 {
		probe, q := fmt.Sprintf("p%02d", i%4/3), sensors.Quantity(1+i%4%3)
		run(func() error {
			var last int64
			var n int
			err := s.Raw(ctx, probe, q, t0, t0+3*hourMs, func(r Row) error {
				if r.At < last {
					return fmt.Errorf("out of order")
				}
				last = r.At
				n++
				return nil
			})
			if err == nil && n != 360 {
				err = fmt.Errorf("%d of 360 readings", n)
			}
			return err
		})
		run(func() error {
			b, err := s.Range(ctx, probe, q, t0, t0+3*hourMs, 7+int64(i%3)*80)
			var n int64
			for _, x := range b {
				if x.End <= t0+3*hourMs {
					n += x.Count + x.Excluded
				}
			}
			if err == nil && n != 360 {
				err = fmt.Errorf("%d of 360 in buckets of %d", n, len(b))
			}
			return err
		})
	}
	var cur Cursor
	run(func() error {
		p, err := s.Follow(ctx, "m", cur, 500)
		cur = p.Next
		return err
	})
	run(func() error {
		_, err := s.Import(ctx, rowsOf([]Row{{Probe: fmt.Sprint("i", r.Int()), Place: "air", Quantity: 1, At: t0 - 50*hourMs, Raw: 1, Value: 1}}))
		return err
	})
	run(func() error {
		_, err := s.Prune(ctx, Keep{RawFrom: t0 - 20*hourMs})
		return err
	})
	w := seeded(t)
	for at := t0 + 3*hourMs; at < t0+7*hourMs; at += minuteMs {
		for c := range 4 {
			require.NoError(t, s.Append(ctx, []Row{shedRow(w, c, at)}))
		}
		require.NoError(t, s.Commit(ctx))
	}
	all.Wait()
	close(errs)
	for err := range errs {
		require.NoError(t, err)
	}
	require.NoError(t, s.Integrity(ctx))
	sameRollups(t, s)
}

// A reader that never ends does not let the WAL grow without bound.
func TestWALStaysShort(t *testing.T) {
	s := fresh(t)
	r := seeded(t)
	record(t, s, r, 12, t0, t0+hourMs, 10_000)
	at := t0 + hourMs
	require.NoError(t, s.Raw(ctx, "p00", 1, t0, t0+hourMs, func(row Row) error {
		if row.At%120_000 < 10_000 { // the daemon records six hours while this one exports an hour
			record(t, s, r, 12, at, at+12*minuteMs, 20_000)
			at += 12 * minuteMs
		}
		require.LessOrEqual(t, s.Health().WALBytes, int64(16<<20))
		return nil
	}))
}
