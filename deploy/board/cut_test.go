package board

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/jobbook"
	"tackline/daemon/store"
	"tackline/sensors"
)

// TestPowerCuts cuts the power of a board that stores readings each second and takes entries as fast as it answers, at random moments, and boots
// it again from the same disk. Every entry that was acknowledged is there, the journal's chain is whole, both files are sound, and at most one
// commit interval of readings is gone.
//
// What was written to the disk stays, as if it had no cache of its own; what the guest had not written yet is lost.
func TestPowerCuts(t *testing.T) {
	cuts := int64(3)
	if s := os.Getenv("TACKLINE_CUTS"); s != "" {
		var err error
		cuts, err = strconv.ParseInt(s, 10, 64)
		require.NoError(t, err)
	}
	k := newKit(t, config)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	disk := filepath.Join(t.TempDir(), "disk.img")
	require.NoError(t, os.WriteFile(disk, nil, 0o600))
	require.NoError(t, os.Truncate(disk, 64<<20))
	tool(t, "mkfs.ext4", "-q", "-F", disk)

	load := &load{}
	for cut := range cuts {
		m := k.boot(t, disk, thermometers)
		load.resume(t, m)
		m.shows("bow", 18)
		load.work(t, m, time.Duration(1+random.Int64N(5000))*time.Millisecond)
		m.cut()
		t.Logf("cut %d: %d entries acknowledged", cut+1, load.acknowledged)
		load.check(t, disk)
	}
	m := k.boot(t, disk, thermometers)
	load.resume(t, m)
	m.shows("bow", 18)
}

// load is what a board is given to do, and what it has said about it.
type load struct {
	job, entries int64
	acknowledged int64 // entries that were answered
	lastKey      string
	stored       time.Time // readings up to here must have reached the card
}

// resume begins a job, or finds the last entry in the book again: the same key is obeyed once.
func (l *load) resume(t *testing.T, m *machine) {
	t.Helper()
	if l.job == 0 {
		r, err := l.command(m, "add-job", "job", map[string]any{"name": "Dunlin (invented)"})
		require.NoError(t, err)
		l.job = r.ID
		return
	}
	r, err := l.command(m, "note", l.lastKey, map[string]any{"job": l.job, "text": l.lastKey})
	require.NoError(t, err)
	require.True(t, r.Repeat, "the last acknowledged entry is gone: %s", l.lastKey)
}

type answered struct {
	ID, Seq int64
	Repeat  bool
}

func (l *load) command(m *machine, kind, key string, payload map[string]any) (answered, error) {
	body, err := json.Marshal(map[string]any{"who": "Wren", "key": key, "payload": payload})
	if err != nil {
		return answered{}, err
	}
	b, code, err := m.ask(http.MethodPost, m.daemon, "/api/v1/commands/"+kind, string(body))
	if err != nil || code >= 300 {
		return answered{}, fmt.Errorf("%s: status %d, %s, %w", kind, code, b, err)
	}
	var r answered
	err = json.Unmarshal(b, &r)
	return r, err
}

// work enters notes one after the other for a while, and longer until a commit was made after the first reading that is shown.
func (l *load) work(t *testing.T, m *machine, d time.Duration) {
	t.Helper()
	first, commits := m.seen(t), m.commits(t)
	for until := time.Now().Add(d); ; {
		l.entries++
		key := fmt.Sprintf("note %d", l.entries)
		_, err := l.command(m, "note", key, map[string]any{"job": l.job, "text": key})
		require.NoError(t, err)
		l.acknowledged, l.lastKey = l.acknowledged+1, key
		// The loop reads, then commits. However slow this machine makes the board, what was read before a commit began is in it: of two
		// more commits the second began after the first reading was shown. What the cut may cost is what came since.
		if time.Now().After(until) && m.commits(t) >= commits+2 {
			l.stored = first
			return
		}
	}
}

// commits gives how many commits of readings the daemon counts.
func (m *machine) commits(t *testing.T) int64 {
	t.Helper()
	b, code, err := m.get(m.daemon, "/metrics")
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, code)
	_, rest, ok := strings.Cut(string(b), "\ntackline_storage_commits_total ")
	require.True(t, ok)
	var n float64
	_, err = fmt.Sscan(rest, &n)
	require.NoError(t, err)
	return int64(n)
}

// seen gives the time of the newest reading that the daemon shows.
func (m *machine) seen(t *testing.T) time.Time {
	t.Helper()
	b, code, err := m.get(m.daemon, "/api/v1/now")
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, code)
	var now struct {
		Probes []struct {
			Probe string
			Seen  *time.Time
		}
	}
	require.NoError(t, json.Unmarshal(b, &now))
	for _, p := range now.Probes {
		if p.Probe == "bow" && p.Seen != nil {
			return *p.Seen
		}
	}
	return time.Time{}
}

// check looks at a copy of the disk as the cut left it.
func (l *load) check(t *testing.T, disk string) {
	t.Helper()
	dir := t.TempDir()
	image := filepath.Join(dir, "copy.img")
	b, err := os.ReadFile(disk)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(image, b, 0o600))
	tool(t, "e2fsck", "-p", image) // plays the file system's own journal back; what it cannot mend is a failure
	for _, f := range []string{"jobbook.db", "jobbook.db-wal", "readings.db", "readings.db-wal"} {
		tool(t, "debugfs", "-R", fmt.Sprintf("dump /%s %s", f, filepath.Join(dir, f)), image)
	}
	ctx := t.Context()
	book, err := jobbook.Open(ctx, filepath.Join(dir, "jobbook.db"), jobbook.Options{})
	require.NoError(t, err)
	defer book.Close()
	require.NoError(t, book.Integrity(ctx))
	v, err := book.Verify(ctx)
	require.NoError(t, err)
	require.Zero(t, v.BadRow, v.Why)
	facts, err := book.State(ctx)
	require.NoError(t, err)
	notes := map[string]bool{}
	for _, n := range facts.Notes {
		notes[n.Text] = true
	}
	for i := range l.entries {
		require.True(t, notes[fmt.Sprintf("note %d", i+1)], "entry %d of %d was acknowledged and is gone", i+1, l.entries)
	}
	s, err := store.Open(ctx, filepath.Join(dir, "readings.db"), store.Options{})
	require.NoError(t, err)
	defer s.Close()
	require.Empty(t, s.SetAside())
	require.NoError(t, s.Integrity(ctx))
	n, err := s.Latest(ctx, "bow", sensors.Temperature)
	require.NoError(t, err)
	require.NotNil(t, n.Any)
	require.False(t, time.UnixMilli(n.Any.At).Before(l.stored), "more than a commit interval of readings is gone")
}

// tool runs a program of the file system's own tools, or of the device tree's; a status of 1 says that something was put right, as is usual after a cut. It gives what the program said.
func tool(t *testing.T, name string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		path = "/usr/sbin/" + name
	}
	if _, err := os.Stat(path); err != nil {
		require.Empty(t, os.Getenv("TACKLINE_REQUIRE"), "there is no %s", name)
		t.Skipf("there is no %s on this machine: it comes with e2fsprogs or device-tree-compiler", name)
	}
	out, err := exec.Command(path, args...).CombinedOutput()
	if exit, ok := err.(*exec.ExitError); ok && exit.ExitCode() == 1 && name == "e2fsck" {
		err = nil
	}
	require.NoError(t, err, "%s: %s", name, out)
	return string(out)
}
