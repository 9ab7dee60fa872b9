package daemon

import (
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/daemon/alert"
	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/daemon/store"
	"tackline/dashboard"
	"tackline/sensors"
)

// past brings readings of a probe every ten minutes over some days before a time into the store.
func past(t *testing.T, d *Daemon, to, days int64) {
	t.Helper()
	_, err := d.store.Import(t.Context(), func(yield func(store.Row, error) bool) {
		for at := to - days*dayMs; at < to; at += 10 * minuteMs {
			v := 5 + float64(at/minuteMs%70)/10
			if !yield(store.Row{Probe: "a", Place: "air", Quantity: sensors.Temperature, At: at, Raw: v, Value: v}, nil) {
				return
			}
		}
	})
	require.NoError(t, err)
}

// rawCount counts raw readings, and the readings in the roll-ups, over some days.
func rawCount(t *testing.T, d *Daemon, from, to int64) (raw, rolled int64) {
	t.Helper()
	require.NoError(t, d.store.Raw(t.Context(), "a", sensors.Temperature, from, to, func(store.Row) error {
		raw++
		return nil
	}))
	buckets, err := d.store.Range(t.Context(), "a", sensors.Temperature, from, to, (to-from)/(15*minuteMs))
	require.NoError(t, err)
	for _, b := range buckets {
		rolled += b.Count
	}
	return raw, rolled
}

// A coat that runs on a job that was begun long ago, a mirror that lags, and a clock that is not set.
func TestRetention(t *testing.T) {
	d := still(t, "[keep]\nraw = \"30d\"\n[mirror]\nurl = \"http://127.0.0.1:9\"\nbucket = \"sheds\"\n")
	ctx, stamp := t.Context(), d.clock.Now()
	now := stamp.Wall / dayMs * dayMs
	stamp.Wall = now
	past(t, d, now, 60)
	piece := oldPiece(t, d, now-50*dayMs)

	// the mirror has had nothing yet: nothing goes
	_, err := d.store.Follow(ctx, "mirror", store.Cursor{}, 1)
	require.NoError(t, err)
	d.keepRoom(ctx, stamp)
	raw, _ := rawCount(t, d, now-60*dayMs, now)
	require.Equal(t, int64(60*144), raw)
	require.Equal(t, now/dayMs, d.loop.room.day) // and it is not tried again before tomorrow

	// it has had everything, but the clock is not set: nobody knows what is old
	for cur := (store.Cursor{}); ; {
		p, err := d.store.Follow(ctx, "mirror", cur, 1e6)
		require.NoError(t, err)
		if len(p.Rows) == 0 {
			break
		}
		cur = p.Next
	}
	unset := stamp
	unset.State, unset.Wall = clock.Unsynced, now+50*dayMs
	d.keepRoom(ctx, unset)
	raw, _ = rawCount(t, d, now-60*dayMs, now)
	require.Equal(t, int64(60*144), raw)

	// a job whose coat runs since 40 days keeps all its time, and a day before
	coat := startAt(t, d, piece, now-40*dayMs)
	steps := 0
	for stamp.Wall += dayMs; d.loop.room.day != stamp.Wall/dayMs; steps++ { // a few small transactions at each commit
		d.keepRoom(ctx, stamp)
		require.Less(t, steps, 10)
	}
	raw, rolled := rawCount(t, d, now-60*dayMs, now-41*dayMs)
	require.Zero(t, raw)
	require.Equal(t, int64(19*144), rolled) // every reading is in the roll-ups
	raw, _ = rawCount(t, d, now-41*dayMs, now)
	require.Equal(t, int64(41*144), raw)
	require.Equal(t, int64(19*24), d.store.Health().Pruned)

	// the coat is ended and frozen: its time is as any other
	_, err = d.Do(ctx, "", "Wren", jobbook.EndCoat{Coat: coat, Saw: 1, When: now - 39*dayMs})
	require.NoError(t, err)
	require.NoError(t, d.evaluate(ctx, stamp))
	for stamp.Wall += dayMs; d.loop.room.day != stamp.Wall/dayMs; {
		d.keepRoom(ctx, stamp)
	}
	raw, rolled = rawCount(t, d, now-60*dayMs, now-28*dayMs)
	require.Zero(t, raw)
	require.Equal(t, int64(32*144), rolled)
	_, err = d.book.Frozen(ctx, coat)
	require.NoError(t, err)
	require.NoError(t, d.store.Integrity(ctx))
}

// oldPiece enters a job that was begun at a time, with one piece.
func oldPiece(t testing.TB, d *Daemon, at int64) int64 {
	t.Helper()
	job, err := d.Do(t.Context(), "", "Wren", jobbook.AddJob{JobData: jobbook.JobData{Name: "Sandpiper (invented)"}, Begins: at})
	require.NoError(t, err)
	piece, err := d.Do(t.Context(), "", "Wren", jobbook.AddPiece{PieceData: jobbook.PieceData{Job: job.ID, Name: "rudder", ThicknessMM: 9, DensityKgM3: 500, Lie: advisor.LieFlat}})
	require.NoError(t, err)
	return piece.ID
}

// startAt begins a coat at a time.
func startAt(t testing.TB, d *Daemon, piece, at int64) int64 {
	t.Helper()
	r, err := (commands{d}).StartCoat(t.Context(), dashboard.StartCoat{Piece: piece, Kind: advisor.Seal, System: d.systems.Names()[0], At: time.UnixMilli(at).UTC()})
	require.NoError(t, err)
	return r.ID
}

// fillable makes a daemon on a disk of 64 MB that a test can fill: a file system in memory where this machine lets us mount one, and always one
// whose free space is what the test says, so that the file's own bound is what it meets.
func fillable(t *testing.T, run func(t *testing.T, d *Daemon, fill func(free int64))) {
	const size = 64 << 20
	t.Run("bound", func(t *testing.T) {
		free := int64(size)
		run(t, onDisk(t, t.TempDir(), func(string) (int64, int64, error) { return free, size, nil }), func(n int64) { free = n })
	})
	t.Run("file system", func(t *testing.T) {
		dir := t.TempDir()
		if err := syscall.Mount("tackline", dir, "tmpfs", 0, fmt.Sprintf("size=%d", size)); err != nil {
			t.Logf("this machine lets us mount nothing (%v): the bound alone was tried", err)
			return
		}
		t.Cleanup(func() { require.NoError(t, syscall.Unmount(dir, 0)) })
		ballast := filepath.Join(dir, "ballast")
		run(t, onDisk(t, dir, nil), func(n int64) {
			require.NoError(t, os.RemoveAll(ballast))
			free, _, err := store.Disk(dir)
			require.NoError(t, err)
			if free > n {
				require.NoError(t, os.WriteFile(ballast, make([]byte, free-n), 0o600))
			}
		})
	})
}

func onDisk(t *testing.T, dir string, disk func(string) (int64, int64, error)) *Daemon {
	t.Helper()
	c, err := config.Parse(fmt.Appendf(nil, "[shed]\nname = \"Osier Slip (invented)\"\nzone = \"UTC\"\ndata = %q\nlisten = \"127.0.0.1:0\"\n"+
		"[clock]\nspeed = \"free\"\nstart = 2026-01-14T08:00:00Z\n[[probe]]\nname = \"a\"\nkind = \"shed\"\nplace = \"air\"\n", filepath.Join(dir, "data")), "disk")
	require.NoError(t, err)
	d, err := New(Options{Config: c, Disk: disk})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, d.Stop()) })
	return d
}

// The disk fills: it rings before, the oldest raw readings make room and their roll-ups stay, the job book goes on, health fails where readings
// cannot be written after all, and everything goes on by itself when there is room.
func TestDiskFills(t *testing.T) {
	fillable(t, func(t *testing.T, d *Daemon, fill func(int64)) {
		ctx, stamp := t.Context(), d.clock.Now()
		past(t, d, stamp.Wall, 200)
		rings := func() []alert.Message {
			t.Helper()
			stamp.Mono += 2 * minuteMs
			var c []alert.Condition
			for _, x := range d.conditions(stamp) {
				if x.Key == "disk" || x.Key == "part/store" { // no probe is read here
					c = append(c, x)
				}
			}
			m, err := d.alerts.decide(ctx, c, stamp)
			require.NoError(t, err)
			return m
		}
		seed := uint64(time.Now().UnixNano())
		t.Logf("seed %d", seed)
		random := rand.New(rand.NewPCG(seed, 1))
		minuteOf := func(readings int64) {
			t.Helper()
			stamp.Wall, stamp.Mono = stamp.Wall+minuteMs, stamp.Mono+minuteMs
			var rows []store.Row
			for i := range readings {
				v := 40 * random.Float64()
				rows = append(rows, store.Row{Probe: "a", Place: "air", Quantity: sensors.Temperature, At: stamp.Wall + i, Raw: v, Value: v})
			}
			require.NoError(t, d.store.Append(ctx, rows))
			d.commitNow(ctx)
			d.keepRoom(ctx, stamp)
		}
		minute := func() { minuteOf(1) }
		note := func() error {
			jobs, err := d.book.State(ctx)
			require.NoError(t, err)
			_, err = d.Do(ctx, "", "Wren", jobbook.Note{About: jobbook.About{Job: jobs.Jobs[0].ID}, Text: strings.Repeat("x", 2000)})
			return err
		}
		piece := oldPiece(t, d, stamp.Wall-200*dayMs)
		minute()
		require.NoError(t, d.evaluate(ctx, stamp))
		require.Empty(t, rings())
		whole := stamp.Wall / (60 * minuteMs) * (60 * minuteMs)
		before, _ := rawCount(t, d, 0, whole)

		fill(6 << 20) // a tenth of 64 MB is the least
		minute()
		told := rings()
		require.Len(t, told, 1)
		require.Equal(t, "Disk low", told[0].Title)
		raw, _ := rawCount(t, d, 0, whole)
		require.Equal(t, before, raw) // said before anything goes
		require.Equal(t, http.StatusOK, press(d, http.MethodGet, "/healthz", nil).Code)

		fill(3 << 20)
		for range 8 {
			minute()
		}
		raw, rolled := rawCount(t, d, 0, whole)
		require.Less(t, raw, before-100)
		require.Equal(t, before, rolled)
		room, err := d.store.Room(ctx)
		require.NoError(t, err)
		require.Greater(t, room, int64(64<<10))
		require.NoError(t, note())
		require.NoError(t, d.errs.get("store"))

		// below the reserve the file does not grow, and finds its room within
		fill(1 << 20)
		size := filePages(t, d)
		for range 200 {
			minute()
		}
		require.NoError(t, d.errs.get("store"))
		require.LessOrEqual(t, filePages(t, d), size)
		require.NoError(t, note(), "what is left of the disk is the job book's")

		// everything is of a job that runs, and the file has no room left: that is said, and nothing is lost
		startAt(t, d, piece, stamp.Wall-199*dayMs)
		fill(200_000)
		lastGood := stamp.Wall
		for i := 0; d.errs.get("store") == nil; i++ {
			lastGood = stamp.Wall
			minuteOf(5000)
			require.Less(t, i, 100)
		}
		minute()
		require.True(t, store.IsFull(d.errs.get("store")), "%v", d.errs.get("store"))
		require.Equal(t, http.StatusServiceUnavailable, press(d, http.MethodGet, "/healthz", nil).Code)
		require.Equal(t, http.StatusServiceUnavailable, press(d, http.MethodGet, "/readyz", nil).Code)
		titles := ""
		for _, m := range rings() {
			titles += m.Title
		}
		require.Contains(t, titles, "Readings are not written")
		fill(40 << 20)
		minute()
		require.Equal(t, http.StatusOK, press(d, http.MethodGet, "/healthz", nil).Code)
		raw, _ = rawCount(t, d, lastGood+minuteMs, stamp.Wall+minuteMs)
		require.Equal(t, int64(5002), raw)
		for range 3 {
			rings()
		}
		require.Empty(t, d.alerts.standing())
		require.NoError(t, d.store.Integrity(ctx))
		require.NoError(t, d.book.Integrity(ctx))
	})
}

// filePages counts the pages of the file of readings, those in its WAL included.
func filePages(t *testing.T, d *Daemon) (n int64) {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+d.store.Path())
	require.NoError(t, err)
	require.NoError(t, db.QueryRow(`PRAGMA page_count`).Scan(&n))
	require.NoError(t, db.Close())
	return n
}

var errNoDisk = errors.New("no disk")

// Where the disk cannot be asked, nothing is held back and nothing rings.
func TestUnknownDisk(t *testing.T) {
	d := onDisk(t, t.TempDir(), func(string) (int64, int64, error) { return 0, 0, errNoDisk })
	stamp := d.clock.Now()
	past(t, d, stamp.Wall, 5)
	d.keepRoom(t.Context(), stamp)
	require.ErrorIs(t, d.errs.get("disk"), errNoDisk)
	raw, _ := rawCount(t, d, 0, stamp.Wall)
	require.Equal(t, int64(5*144), raw)
	require.False(t, d.loop.room.condition(stamp).Active)
}
