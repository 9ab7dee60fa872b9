package daemon

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/daemon/store"
	"tackline/sensors"
)

// The daemon starts on a file of readings that is damaged: it records at once, rings, keeps all that is in the job book, and brings in what can
// still be read. A second start does not go through the damaged file again.
func TestStartsOnADamagedFile(t *testing.T) {
	dir := t.TempDir()
	d := onDisk(t, dir, nil)
	start := d.clock.Now().Wall
	past(t, d, start, 5)
	addPiece(t, d, 0)
	require.NoError(t, d.Stop())
	name := filepath.Join(dir, "data", "readings.db")
	b, err := os.ReadFile(name)
	require.NoError(t, err)
	for i := range b[:90] { // the file's own head, and a page in the middle
		b[i], b[len(b)/2+i] = 0x5a, 0x5a
	}
	require.NoError(t, os.WriteFile(name, b, 0o600))

	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var rang []string
	first := int64(0)
	d = onDisk(t, dir, nil)
	d.o.Observe = func(m Moment) {
		if n, err := d.store.Latest(ctx, "a", sensors.Temperature); first == 0 && err == nil && n.Any != nil && n.Any.At >= start {
			first = n.Any.At
		}
		for _, x := range m.Told {
			rang = append(rang, x.Title+"\n"+x.Body)
		}
		d.salvage.mu.Lock()
		if d.salvage.found != "" && len(rang) > 0 {
			cancel()
		}
		d.salvage.mu.Unlock()
	}
	require.NoError(t, d.Run(ctx))
	require.LessOrEqual(t, first-start, int64(60_000)) // the first look is at a whole minute
	require.Contains(t, strings.Join(rang, "\n"), "Readings file was damaged\nThe file of readings could not be read. It was set aside as readings.db.corrupt-")
	asides, err := filepath.Glob(name + ".corrupt-*")
	require.NoError(t, err)
	require.Len(t, asides, 2) // the file, and that it was gone through
	require.Empty(t, unsalvaged(name))

	d = onDisk(t, dir, nil)
	raw, _ := rawCount(t, d, start-5*dayMs, start)
	require.Greater(t, raw, int64(5*144*8/10))
	var recorded []int64
	require.NoError(t, d.store.Raw(t.Context(), "a", sensors.Temperature, start, start+minuteMs, func(r store.Row) error {
		recorded = append(recorded, r.At)
		return nil
	}))
	require.NotEmpty(t, recorded)
	require.LessOrEqual(t, recorded[0]-start, int64(30_000), "recording within half a minute")
	facts, err := d.book.State(t.Context())
	require.NoError(t, err)
	require.Len(t, facts.Pieces, 1)
	require.Empty(t, d.salvage.queue)
	require.Contains(t, d.salvage.condition(d.clock.Now()).Body, "set aside")
	require.False(t, d.salvage.condition(d.clock.Now()).Active)
}
