package backup_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/backup"
	"tackline/daemon/jobbook"
	"tackline/daemon/store"
	"tackline/sensors"
)

var noon = time.Date(2026, 1, 14, 12, 0, 0, 0, time.UTC)

func row(i int64) store.Row {
	return store.Row{Probe: "bow air", Place: "air", Quantity: sensors.Temperature, At: noon.UnixMilli() + 1000*i, Mono: 1000 * i, Boot: "b", Clock: store.ClockSynced,
		Value: 12 + float64(i%10)/10, Raw: 12, Status: sensors.OK}
}

func addJob(t *testing.T, b *jobbook.Book, name string) {
	t.Helper()
	_, err := b.Do(t.Context(), jobbook.Command{Who: "Wren", At: jobbook.Stamp{Wall: noon.UnixMilli(), Boot: "b", Clock: jobbook.ClockSynced},
		Payload: jobbook.AddJob{JobData: jobbook.JobData{Name: name}}})
	require.NoError(t, err)
}

func openBoth(t *testing.T, data string) (*store.Store, *jobbook.Book) {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(data, "readings.db"), store.Options{})
	require.NoError(t, err)
	b, err := jobbook.Open(t.Context(), filepath.Join(data, "jobbook.db"), jobbook.Options{})
	require.NoError(t, err)
	return s, b
}

func counts(t *testing.T, data string) (rows, jobs int64) {
	t.Helper()
	s, b := openBoth(t, data)
	require.NoError(t, s.Integrity(t.Context()))
	require.NoError(t, s.Raw(t.Context(), "bow air", sensors.Temperature, 0, 1<<60, func(store.Row) error { rows++; return nil }))
	facts, err := b.State(t.Context())
	require.NoError(t, err)
	_, err = b.Verify(t.Context())
	require.NoError(t, err)
	require.NoError(t, errors.Join(s.Close(), b.Close()))
	return rows, int64(len(facts.Jobs))
}

// TestBackupUnderLoad: a backup that is made while readings and commands come in holds everything that was kept before it began, and is whole;
// restored elsewhere it opens and goes on.
func TestBackupUnderLoad(t *testing.T) {
	data, to := t.TempDir(), filepath.Join(t.TempDir(), "stick")
	s, b := openBoth(t, data)
	var kept, jobs atomic.Int64
	ctx, stop := context.WithCancel(t.Context())
	var all sync.WaitGroup
	all.Go(func() {
		for i := int64(0); ctx.Err() == nil; i++ {
			_ = s.Append(t.Context(), []store.Row{row(i)})
			if i%20 == 19 && s.Commit(t.Context()) == nil {
				kept.Store(i + 1)
			}
		}
	})
	all.Go(func() {
		for ctx.Err() == nil {
			addJob(t, b, "Dunlin (invented)")
			jobs.Add(1)
		}
	})
	require.Eventually(t, func() bool { return kept.Load() >= 200 && jobs.Load() >= 5 }, 20*time.Second, time.Millisecond)
	var folders []string
	for i := range 3 {
		k, j := kept.Load(), jobs.Load()
		folder, err := backup.Make(t.Context(), data, to, noon.Add(time.Duration(i)*time.Hour))
		require.NoError(t, err)
		folders = append(folders, folder)
		c, err := backup.Check(t.Context(), folder)
		require.NoError(t, err)
		require.Len(t, c.Files, 2)
		home := t.TempDir()
		aside, err := backup.Restore(t.Context(), folder, home, noon)
		require.NoError(t, err)
		require.Empty(t, aside)
		rows, got := counts(t, home)
		require.GreaterOrEqual(t, rows, k)
		require.GreaterOrEqual(t, got, j)
	}
	stop()
	all.Wait()
	_, err := backup.Restore(t.Context(), folders[0], data, noon)
	require.ErrorIs(t, err, store.ErrLocked, "a running daemon has it open")
	require.NoError(t, errors.Join(s.Close(), b.Close()))

	removed, err := backup.Prune(to, 2)
	require.NoError(t, err)
	require.Equal(t, folders[:1], removed)
	_, err = backup.Prune(to, 0)
	require.ErrorContains(t, err, "want 1 or more")
}

// TestRestoreKeepsWhatWasThere: the old files, with what SQLite keeps beside them, are moved aside whole and can be brought back.
func TestRestoreKeepsWhatWasThere(t *testing.T) {
	data, to := t.TempDir(), t.TempDir()
	s, b := openBoth(t, data)
	addJob(t, b, "Dunlin (invented)")
	require.NoError(t, errors.Join(s.Close(), b.Close()))
	folder, err := backup.Make(t.Context(), data, to, noon)
	require.NoError(t, err)
	_, err = backup.Make(t.Context(), data, to, noon)
	require.ErrorContains(t, err, "is there already")
	s, b = openBoth(t, data)
	addJob(t, b, "Sandpiper (invented)")
	require.NoError(t, errors.Join(s.Close(), b.Close()))
	require.NoError(t, os.WriteFile(filepath.Join(data, "readings.db-wal"), []byte("left by a power cut"), 0o600))
	aside, err := backup.Restore(t.Context(), folder, data, noon)
	require.NoError(t, err)
	require.FileExists(t, filepath.Join(aside, "readings.db-wal"))
	require.NoFileExists(t, filepath.Join(data, "readings.db-wal"))
	_, jobs := counts(t, data)
	require.EqualValues(t, 1, jobs)
	require.NoError(t, os.Remove(filepath.Join(aside, "readings.db-wal")))
	_, jobs = counts(t, aside)
	require.EqualValues(t, 2, jobs)
}

// TestABackupThatIsNotWholeChangesNothing: a flipped byte in any file, a missing file, a name that leads elsewhere, a newer form.
func TestABackupThatIsNotWholeChangesNothing(t *testing.T) {
	data, to := t.TempDir(), t.TempDir()
	s, b := openBoth(t, data)
	addJob(t, b, "Dunlin (invented)")
	require.NoError(t, s.Append(t.Context(), []store.Row{row(1)}))
	require.NoError(t, errors.Join(s.Close(), b.Close()))
	folder, err := backup.Make(t.Context(), data, to, noon)
	require.NoError(t, err)
	for _, name := range []string{"jobbook.db", "readings.db"} {
		path := filepath.Join(folder, name)
		whole, err := os.ReadFile(path)
		require.NoError(t, err)
		for _, at := range []int{0, len(whole) / 2, len(whole) - 1} {
			bad := append([]byte(nil), whole...)
			bad[at] ^= 1
			require.NoError(t, os.WriteFile(path, bad, 0o600))
			_, err = backup.Restore(t.Context(), folder, data, noon)
			require.ErrorContains(t, err, name+" is not as it was written")
		}
		require.NoError(t, os.Remove(path))
		_, err = backup.Restore(t.Context(), folder, data, noon)
		require.ErrorIs(t, err, os.ErrNotExist)
		require.NoError(t, os.WriteFile(path, whole, 0o600))
	}
	list := filepath.Join(folder, "contents.json")
	text, err := os.ReadFile(list)
	require.NoError(t, err)
	for change, want := range map[[2]string]string{
		{`"readings.db"`, `"../readings.db"`}: "no plain file name",
		{`"form": 1`, `"form": 2`}:            "use the newer program",
		{`{`, `[`}:                            "contents.json",
	} {
		require.NoError(t, os.WriteFile(list, []byte(strings.Replace(string(text), change[0], change[1], 1)), 0o600))
		_, err = backup.Restore(t.Context(), folder, data, noon)
		require.ErrorContains(t, err, want)
	}
	require.NoError(t, os.Remove(list))
	_, err = backup.Restore(t.Context(), folder, data, noon)
	require.ErrorContains(t, err, "is no whole backup")
	_, jobs := counts(t, data)
	require.EqualValues(t, 1, jobs)
	entries, err := filepath.Glob(filepath.Join(data, "before-restore-*"))
	require.NoError(t, err)
	require.Empty(t, entries)
}

// TestAnInterruptedBackupHasNoName: where the copy fails, no folder of a backup's name is left, and the next Prune clears what is.
func TestAnInterruptedBackupHasNoName(t *testing.T) {
	data, to := t.TempDir(), t.TempDir()
	_, err := backup.Make(t.Context(), data, to, noon)
	require.ErrorIs(t, err, os.ErrNotExist, "no job book yet")
	s, b := openBoth(t, data)
	require.NoError(t, errors.Join(s.Close(), b.Close()))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = backup.Make(ctx, data, to, noon)
	require.Error(t, err)
	entries, err := os.ReadDir(to)
	require.NoError(t, err)
	require.Empty(t, entries)
	require.NoError(t, os.Mkdir(filepath.Join(to, "tackline-20260101T000000Z.part"), 0o750))
	_, err = backup.Make(t.Context(), data, to, noon)
	require.NoError(t, err)
	removed, err := backup.Prune(to, 1)
	require.NoError(t, err)
	require.Len(t, removed, 1)
}
