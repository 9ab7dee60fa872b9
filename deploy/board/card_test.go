package board

import (
	"encoding/json"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/jobbook"
	"tackline/daemon/store"
	"tackline/sensors"
)

// aLampOnAPin: the way gpio switches a lamp of the board by the kernel's own driver. The lamp is read past the guest, at the register behind it.
func (m *machine) aLampOnAPin(t *testing.T) {
	m.t = t
	const lamp = 1 << 2 // LED3
	require.Zero(t, m.lamps()&lamp)
	b, code, err := m.ask(http.MethodPost, m.daemon, "/api/v1/alerts/try", `{"ways":["lamp"]}`)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, code)
	require.Contains(t, string(b), "pin LED3 has taken it")
	require.True(t, m.flashes(lamp), "a trial flashes")
	m.until(t, "the lamp is dark again", func() bool { return !m.flashes(lamp) })
	require.Zero(t, m.lamps()&^lamp&^(1<<7), "no other lamp was touched")
}

// flashes looks for twelve seconds, in which the slowest pattern has a flash, whether a lamp is lit and dark by turns.
func (m *machine) flashes(lamp int64) bool {
	lit, dark := false, false
	for until := time.Now().Add(12 * time.Second); time.Now().Before(until) && !(lit && dark); time.Sleep(20 * time.Millisecond) {
		on := m.lamps()&lamp != 0
		lit, dark = lit || on, dark || !on
	}
	return lit && dark
}

func (m *machine) until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for until := time.Now().Add(4 * time.Minute); time.Now().Before(until) && m.running(); time.Sleep(200 * time.Millisecond) {
		if ok() {
			return
		}
	}
	t.Fatalf("never: %s", what)
}

// readOnlyCard: the kernel turns the disk read-only under the running daemon, once as an emergency that passes, once for good, by a fault in the file
// system. Readings wait in memory; page and API go on and say so; a lamp flashes as for what is critical; entries are refused, and not half kept;
// every reading that was shown and every entry that was confirmed is on the disk afterwards.
func (m *machine) readOnlyCard(t *testing.T, disk string) {
	m.t = t
	m.shows("bow", 19)
	l := &load{}
	l.resume(t, m)
	note := func(key string) (int, string) {
		t.Helper()
		body, err := json.Marshal(map[string]any{"who": "Wren", "key": key, "payload": map[string]any{"job": l.job, "text": key}})
		require.NoError(t, err)
		b, code, err := m.ask(http.MethodPost, m.daemon, "/api/v1/commands/note", string(body))
		require.NoError(t, err)
		return code, string(b)
	}
	code, said := note("before")
	require.Equal(t, http.StatusCreated, code, said)

	var shown []time.Time
	look := func() {
		if at := m.seen(t); len(shown) == 0 || at.After(shown[len(shown)-1]) {
			shown = append(shown, at)
		}
	}
	readOnly := func() bool {
		b, _, err := m.get(m.files, "/proc/mounts")
		require.NoError(t, err)
		_, line, ok := strings.Cut(string(b), " / ext4 ")
		require.True(t, ok, "%s", b)
		return strings.HasPrefix(line, "ro")
	}
	status := func(path string) (int, string) {
		b, code, err := m.get(m.daemon, path)
		require.NoError(t, err)
		return code, string(b)
	}
	suffers := func(key, said string) {
		t.Helper()
		m.until(t, "it is told that readings are not written", func() bool {
			look()
			_, holds := status("/api/v1/alerts")
			return strings.Contains(holds, "Readings are not written")
		})
		m.until(t, "the health fails", func() bool { code, _ := status("/healthz"); look(); return code == http.StatusServiceUnavailable })
		require.True(t, m.flashes(1<<2), "the lamp flashes")
		code, page := status("/")
		require.Equal(t, http.StatusOK, code)
		require.Contains(t, page, "Readings are not written")
		code, answer := note(key)
		require.GreaterOrEqual(t, code, http.StatusInternalServerError, answer)
		require.Contains(t, answer, said)
		for n := len(shown); len(shown) < n+10; time.Sleep(100 * time.Millisecond) {
			look()
		}
	}

	m.write("/proc/sysrq-trigger", "u")
	m.until(t, "the disk is read-only", readOnly)
	suffers("meanwhile", "it was not kept")
	m.write("/", "")
	require.False(t, readOnly())
	m.until(t, "readings are written again", func() bool { code, _ := status("/healthz"); look(); return code == http.StatusOK })
	code, said = note("meanwhile")
	require.Equal(t, http.StatusCreated, code, said)
	require.NotContains(t, said, `"repeat":true`, "what was refused was not half kept")
	before, commits := len(shown), m.commits(t)
	m.until(t, "two more commits", func() bool { return m.commits(t) >= commits+2 })

	_, code, err := m.get(m.files, "/worn")
	require.NoError(t, err)
	require.NotEqual(t, http.StatusOK, code)
	suffers("for good", "it is not known whether it was kept")
	m.cut()

	dir := t.TempDir()
	tool(t, "e2fsck", "-y", "-f", disk)
	for _, f := range []string{"jobbook.db", "jobbook.db-wal", "readings.db", "readings.db-wal"} {
		tool(t, "debugfs", "-R", "dump /var/lib/tackline/"+f+" "+filepath.Join(dir, f), disk)
	}
	ctx := t.Context()
	s, err := store.Open(ctx, filepath.Join(dir, "readings.db"), store.Options{})
	require.NoError(t, err)
	defer s.Close()
	require.NoError(t, s.Integrity(ctx))
	kept := map[int64]bool{} // by the second, as the page tells when a probe was seen
	from := shown[0].UnixMilli()
	require.NoError(t, s.Raw(ctx, "bow", sensors.Temperature, from, from+86_400_000, func(r store.Row) error {
		kept[r.At/1000] = true
		return nil
	}))
	for _, at := range shown[:before] {
		require.True(t, kept[at.Unix()], "the reading of %v was shown and is gone", at)
	}
	t.Logf("%d readings were shown before the fault that stays, %d of bow are kept", before, len(kept))
	book, err := jobbook.Open(ctx, filepath.Join(dir, "jobbook.db"), jobbook.Options{})
	require.NoError(t, err)
	defer book.Close()
	facts, err := book.State(ctx)
	require.NoError(t, err)
	notes := []string{}
	for _, n := range facts.Notes {
		notes = append(notes, n.Text)
	}
	require.GreaterOrEqual(t, len(notes), 2)
	require.Equal(t, []string{"before", "meanwhile"}, notes[:2])
}
