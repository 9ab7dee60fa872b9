package board

import (
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/jobbook"
	"tackline/daemon/store"
	"tackline/sensors"
)

// TestEveryPrefix records everything that a short run of both databases writes and syncs, and builds the files anew as a power cut after each of
// these steps leaves them: with what was synced and nothing else, and, at many of them, with any part of what was not. Each time both files are
// sound, and everything that was acknowledged before the cut is in them.
//
// A sync of a file is taken to bring its name to the disk too, as ext4 does; a removal counts once the folder is synced, which SQLite does with the
// first sync of a new journal or WAL.
func TestEveryPrefix(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	folder := t.TempDir()
	r, stop := record(t, folder)
	shortRun(t, r, folder)
	stop()

	torn := 40
	if os.Getenv("TACKLINE_LONG") != "" {
		torn = 400
	}
	d := &disk{folder: folder, sure: map[string][]byte{}, now: map[string][]byte{}}
	chance := float64(torn) / float64(len(r.ops))
	var have ack
	checked, parts := 0, 0
	for _, o := range r.ops {
		if o.kind == "mark" {
			have = o.mark
			continue
		}
		if o.kind == "sync" || o.sure { // only these change what a cut leaves for sure
			requireSound(t, d.after(nil), have)
			checked++
		}
		d.do(o)
		if random.Float64() < chance {
			requireSound(t, d.after(random), have)
			parts++
		}
	}
	requireSound(t, d.after(nil), have)
	require.Equal(t, ack{minutes: 3 * 14 * 7, notes: 3 * 5}, have)
	t.Logf("%d steps, %d states of what was synced, %d with parts of what was not", len(r.ops), checked+1, parts)
	require.Greater(t, checked, 60)
}

const runStart = int64(1_761_955_200_000) // 2025-11-01 00:00 UTC

// shortRun opens both databases three times, records 98 minutes each time with a commit every seven, and enters notes.
func shortRun(t *testing.T, r *recorder, folder string) {
	t.Helper()
	ctx := t.Context()
	var have ack
	var job int64
	for range 3 {
		book, err := jobbook.Open(ctx, filepath.Join(folder, "jobbook.db"), jobbook.Options{})
		require.NoError(t, err)
		s, err := store.Open(ctx, filepath.Join(folder, "readings.db"), store.Options{})
		require.NoError(t, err)
		do := func(p jobbook.Payload) int64 {
			res, err := book.Do(ctx, jobbook.Command{At: jobbook.Stamp{Wall: runStart + have.minutes*60_000, Clock: jobbook.ClockSynced}, Who: "Wren", Payload: p})
			require.NoError(t, err)
			return res.ID
		}
		if job == 0 {
			job = do(jobbook.AddJob{JobData: jobbook.JobData{Name: "Sandpiper (invented)"}})
		}
		for c := range 14 {
			minutes := have.minutes
			for range 7 {
				for _, probe := range []string{"bow", "stern"} {
					v := float64(minutes % 100)
					require.NoError(t, s.Append(ctx, []store.Row{{Probe: probe, Place: "air", Quantity: sensors.Temperature, At: runStart + minutes*60_000,
						Mono: minutes*60_000 + 1, Boot: "b", Clock: store.ClockSynced, Raw: v, Value: v}}))
				}
				minutes++
			}
			require.NoError(t, s.SaveAdvice(ctx, runStart+minutes*60_000, fmt.Appendf(nil, `{"n":%d}`, minutes)))
			require.NoError(t, s.Commit(ctx))
			have.minutes = minutes
			r.mark(have)
			if c%3 == 0 {
				do(jobbook.Note{About: jobbook.About{Job: job}, Text: fmt.Sprintf("note %d", have.notes)})
				have.notes++
				r.mark(have)
			}
		}
		require.NoError(t, s.Close())
		require.NoError(t, book.Close())
	}
}

// disk is what stands in the files, and what of it is sure to be there after a cut.
type disk struct {
	folder  string
	sure    map[string][]byte // by name; no entry is no file
	now     map[string][]byte
	pending []op
}

func (d *disk) do(o op) {
	switch o.kind {
	case "write", "truncate":
		d.now[o.file] = apply(d.now[o.file], o)
		d.pending = append(d.pending, o)
	case "sync":
		d.pending = slices.DeleteFunc(d.pending, func(p op) bool {
			if o.sure && p.kind == "remove" {
				delete(d.sure, p.file)
				return true
			}
			return p.file == o.file
		})
		d.sure[o.file] = slices.Clone(d.now[o.file])
	case "remove":
		delete(d.now, o.file)
		d.pending = append(slices.DeleteFunc(d.pending, func(p op) bool { return p.file == o.file }), o)
		if o.sure {
			delete(d.sure, o.file)
			d.pending = d.pending[:len(d.pending)-1]
		}
	}
}

func apply(b []byte, o op) []byte {
	end := o.off
	if o.kind == "write" {
		end += int64(len(o.data))
	}
	if int64(len(b)) < end {
		b = append(b, make([]byte, end-int64(len(b)))...)
	}
	if o.kind == "truncate" {
		return b[:end]
	}
	copy(b[o.off:], o.data)
	return b
}

// after gives the files as a cut leaves them: what is sure, with each step that is not with an even chance where random is given.
func (d *disk) after(random *rand.Rand) map[string][]byte {
	out := map[string][]byte{}
	for name, b := range d.sure {
		out[name] = slices.Clone(b)
	}
	if random == nil {
		return out
	}
	for _, o := range d.pending {
		if random.IntN(2) == 0 {
			continue
		}
		if o.kind == "remove" {
			delete(out, o.file)
			continue
		}
		out[o.file] = apply(out[o.file], o)
	}
	return out
}

func requireSound(t *testing.T, files map[string][]byte, have ack) {
	t.Helper()
	ctx := t.Context()
	dir, err := os.MkdirTemp(t.TempDir(), "cut")
	require.NoError(t, err)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, filepath.Base(name)), files[name], 0o600))
	}
	book, err := jobbook.Open(ctx, filepath.Join(dir, "jobbook.db"), jobbook.Options{})
	require.NoError(t, err)
	require.NoError(t, book.Integrity(ctx))
	v, err := book.Verify(ctx)
	require.NoError(t, err)
	require.Zero(t, v.BadRow, v.Why)
	facts, err := book.State(ctx)
	require.NoError(t, err)
	require.GreaterOrEqual(t, int64(len(facts.Notes)), have.notes, "an acknowledged entry is gone")
	for i, n := range facts.Notes {
		require.Equal(t, fmt.Sprintf("note %d", i), n.Text)
	}
	require.NoError(t, book.Close())
	s, err := store.Open(ctx, filepath.Join(dir, "readings.db"), store.Options{})
	require.NoError(t, err)
	require.Empty(t, s.SetAside())
	require.NoError(t, s.Integrity(ctx))
	for _, probe := range []string{"bow", "stern"} {
		n := int64(0)
		require.NoError(t, s.Raw(ctx, probe, sensors.Temperature, 0, math.MaxInt64, func(row store.Row) error {
			require.Equal(t, runStart+n*60_000, row.At)
			require.Equal(t, float64(n%100), row.Value)
			n++
			return nil
		}))
		require.GreaterOrEqual(t, n, have.minutes, "readings of a commit that was done are gone")
	}
	require.NoError(t, s.Close())
	require.NoError(t, os.RemoveAll(dir))
}
