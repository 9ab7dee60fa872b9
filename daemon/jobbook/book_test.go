package jobbook

import (
	"context"
	"database/sql"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
)

func TestOpenAgain(t *testing.T) {
	d := newDesk(t)
	d.coat(d.piece(d.job()))
	seq, sum, err := d.b.Head(context.Background())
	require.NoError(t, err)
	require.NoError(t, d.b.Close())
	require.NoError(t, d.b.Close(), "twice")
	d.b = openAt(t, d.path)
	again, sum2, err := d.b.Head(context.Background())
	require.NoError(t, err)
	require.Equal(t, seq, again)
	require.Equal(t, sum, sum2)
	require.Len(t, d.state().Running(), 1)
	d.checkWhole()
	id, err := d.b.ID(context.Background())
	require.NoError(t, err)
	require.Equal(t, "book of the test", id)
	info, err := os.Stat(d.path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
}

func TestPragmas(t *testing.T) {
	d := newDesk(t)
	for _, db := range []*sql.DB{d.b.write, d.b.read} {
		var mode string
		var sync int64
		require.NoError(t, db.QueryRow("PRAGMA journal_mode").Scan(&mode))
		require.NoError(t, db.QueryRow("PRAGMA synchronous").Scan(&sync))
		require.Equal(t, "wal", mode)
		require.Equal(t, int64(2), sync, "FULL")
	}
}

func TestWhatIsNoBookIsLeftAlone(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	foreign := filepath.Join(dir, "other.db")
	db, err := sql.Open("sqlite", foreign)
	require.NoError(t, err)
	_, err = db.Exec("CREATE TABLE songs (name TEXT)")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	garbage := filepath.Join(dir, "garbage.db")
	require.NoError(t, os.WriteFile(garbage, []byte(strings.Repeat("no database at all ", 500)), 0o600))
	for path, says := range map[string]string{
		foreign:                           "something else",
		garbage:                           "cannot be read as a job book",
		filepath.Join(dir, "no", "where"): "no such file",
	} {
		before, _ := os.ReadFile(path)
		_, err := Open(ctx, path, Options{})
		require.ErrorContains(t, err, says)
		after, _ := os.ReadFile(path)
		require.Equal(t, before, after, "left as it was")
	}
}

func TestNewerSchemaIsRefused(t *testing.T) {
	d := newDesk(t)
	d.job()
	require.NoError(t, d.b.Close())
	db, err := sql.Open("sqlite", d.path)
	require.NoError(t, err)
	_, err = db.Exec("PRAGMA user_version = 7")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	_, err = Open(context.Background(), d.path, Options{})
	require.ErrorContains(t, err, "has schema 7, written by a newer tackline; this one knows schemas up to")
	require.ErrorContains(t, err, "install the newer version")
}

func TestMigrationBacksUpFirst(t *testing.T) {
	d := newDesk(t)
	d.coat(d.piece(d.job()))
	_, sum, err := d.b.Head(context.Background())
	require.NoError(t, err)
	require.NoError(t, d.b.Close())
	first, err := migrationFiles.ReadFile("migrations/0001_book.sql")
	require.NoError(t, err)
	ctx := context.Background()

	broken := fstest.MapFS{"0001_book.sql": {Data: first}, "0002_more.sql": {Data: []byte("CREATE TABLE more (a TEXT); SELECT nonsense")}}
	_, err = open(ctx, d.path, Options{}, broken)
	require.ErrorContains(t, err, "0002_more.sql")
	aside := d.path + ".before-schema-2"
	old := openAt(t, aside)
	_, copied, err := old.Head(ctx)
	require.NoError(t, err)
	require.Equal(t, sum, copied)
	require.NoError(t, old.Close())

	good := fstest.MapFS{"0001_book.sql": {Data: first}, "0002_more.sql": {Data: []byte("CREATE TABLE more (a TEXT) STRICT")}}
	b, err := open(ctx, d.path, Options{}, good)
	require.NoError(t, err, "the step that failed was undone as a whole")
	_, now, err := b.Head(ctx)
	require.NoError(t, err)
	require.Equal(t, sum, now)
	require.NoError(t, b.Close())
	_, err = Open(ctx, d.path, Options{})
	require.ErrorContains(t, err, "newer tackline")
	_, err = loadMigrations(fstest.MapFS{"0002_x.sql": {}})
	require.ErrorContains(t, err, "want number 0001")
}

// A book whose entities are of an older version, or end before the journal, is worked out afresh at Open.
func TestOpenCatchesUp(t *testing.T) {
	d := newDesk(t)
	d.coat(d.piece(d.job()))
	for _, s := range []string{"UPDATE projection SET version = 0", "UPDATE projection SET seq = 2; DELETE FROM entity WHERE class = 'coat'", "DELETE FROM projection; DELETE FROM effect"} {
		_, err := d.b.write.Exec(s)
		require.NoError(t, err)
		require.NoError(t, d.b.Close())
		d.b = openAt(t, d.path)
		d.checkWhole()
		require.Len(t, d.state().Coats, 1)
	}
}

func TestBackupUnderLoad(t *testing.T) {
	d := newDesk(t)
	coat := d.coat(d.piece(d.job()))
	ctx := context.Background()
	var wg sync.WaitGroup
	stop := make(chan struct{})
	errs := make(chan error, 1)
	wg.Go(func() {
		for i := int64(0); ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			at := Stamp{Wall: morning + hour, Boot: "b", Clock: ClockSynced}
			if _, err := d.b.Do(ctx, Command{Who: "Bo", At: at, Payload: Touch{Coat: coat, State: advisor.StateWet}}); err != nil {
				errs <- err
				return
			}
		}
	})
	for i := range 5 {
		before, _, err := d.b.Head(ctx)
		require.NoError(t, err)
		to := filepath.Join(t.TempDir(), "copy.db")
		require.NoError(t, d.b.Backup(ctx, to))
		require.ErrorContains(t, d.b.Backup(ctx, to), "exists already")
		require.NoFileExists(t, to+".part")
		c := openAt(t, to)
		has, _, err := c.Head(ctx)
		require.NoError(t, err)
		require.GreaterOrEqual(t, has, before, "copy %d has all that was acknowledged before it", i)
		require.NoError(t, c.CheckState(ctx))
	}
	close(stop)
	wg.Wait()
	select {
	case err := <-errs:
		require.NoError(t, err)
	default:
	}
	ended, cancel := context.WithCancel(ctx)
	cancel()
	to := filepath.Join(t.TempDir(), "never.db")
	require.Error(t, d.b.Backup(ended, to))
	require.NoFileExists(t, to, "an interrupted backup leaves no file of its name")
}

func TestManyAtOnce(t *testing.T) {
	d := newDesk(t)
	coat := d.coat(d.piece(d.job()))
	second := openAt(t, d.path) // another process would look like this
	ctx := context.Background()
	const writers, each = 16, 8
	var wg sync.WaitGroup
	errs := make(chan error, 2*writers*each)
	for w := range writers {
		wg.Go(func() {
			b := d.b
			if w%2 == 1 {
				b = second
			}
			for range each {
				at := Stamp{Wall: morning + hour, Boot: "b", Clock: ClockSynced}
				_, err := b.Do(ctx, Command{Who: "Bo", At: at, Payload: Touch{Coat: coat, State: advisor.StateWet}})
				errs <- err
				_, err = b.State(ctx)
				errs <- err
			}
		})
	}
	wg.Wait()
	close(errs)
	for err := range errs {
		require.NoError(t, err)
	}
	require.Len(t, d.state().Touches, writers*each)
	d.checkWhole()
}

func TestOutbox(t *testing.T) {
	d := newDesk(t)
	ctx := t.Context()
	state, err := d.b.AlertState(ctx)
	require.NoError(t, err)
	require.Nil(t, state)
	rows := []QueueRow{
		{Way: "log", ID: "a", AlertKey: "tack/4", Body: []byte("one"), MadeMS: 100, DueMS: 100},
		{Way: "hook", ID: "a", AlertKey: "tack/4", Body: []byte("one"), MadeMS: 100, DueMS: 100},
		{Way: "hook", ID: "b", AlertKey: "margin", MadeMS: 200, DueMS: 900},
	}
	told := []Told{{AtMS: 100, AlertKey: "tack/4", Coat: 4, Event: "raise", Severity: "warning", Title: "tack window open"}, {AtMS: 200, AlertKey: "margin"}}
	require.NoError(t, d.b.KeepAlerts(ctx, []byte("s1"), rows, told))
	require.NoError(t, d.b.KeepAlerts(ctx, nil, rows[:2], nil), "again, after a crash")
	state, err = d.b.AlertState(ctx)
	require.NoError(t, err)
	require.Equal(t, "s1", string(state))
	require.Error(t, d.b.KeepAlerts(ctx, []byte("s2"), []QueueRow{{ID: "c"}}, nil), "no way out")
	state, err = d.b.AlertState(ctx)
	require.NoError(t, err)
	require.Equal(t, "s1", string(state), "both or neither")

	got, err := d.b.Told(ctx, 4, 0, 200)
	require.NoError(t, err)
	require.Equal(t, told[:1], got)
	got, err = d.b.Told(ctx, 0, 0, 201)
	require.NoError(t, err)
	require.Len(t, got, 2)

	waiting, err := d.b.WaitingOn(ctx, "hook", 10)
	require.NoError(t, err)
	require.Len(t, waiting, 2)
	require.Equal(t, []string{"a", "b"}, []string{waiting[0].ID, waiting[1].ID})
	one, err := d.b.WaitingOn(ctx, "hook", 1)
	require.NoError(t, err)
	require.Len(t, one, 1)
	sent := waiting[0]
	sent.State, sent.DoneMS, sent.Tries = "sent", 150, 1
	failed := waiting[1]
	failed.Tries, failed.DueMS, failed.Error, failed.Body = 1, 400, "503 Service Unavailable", nil
	require.NoError(t, d.b.ReplaceQueued(ctx, []QueueRow{sent, failed}))
	waiting, err = d.b.WaitingOn(ctx, "hook", 10)
	require.NoError(t, err)
	require.Len(t, waiting, 1)
	require.Equal(t, int64(400), waiting[0].DueMS)
	require.Equal(t, "503 Service Unavailable", waiting[0].Error)
	for _, c := range []struct{ from, to, want int64 }{{0, 149, 0}, {150, 150, 1}, {151, 999, 0}} {
		n, err := d.b.SentOn(ctx, "hook", c.from, c.to)
		require.NoError(t, err)
		require.Equal(t, c.want, n)
	}
	require.NoError(t, d.b.PruneOutbox(ctx, 1000))
	n, err := d.b.SentOn(ctx, "hook", 0, 1000)
	require.NoError(t, err)
	require.Zero(t, n)
	waiting, err = d.b.WaitingOn(ctx, "hook", 10)
	require.NoError(t, err)
	require.Len(t, waiting, 1, "what waits is never pruned")
	d.checkWhole()
}

// The readings are no part of it: whatever lies beside the book, it opens and has every record.
func TestReadingsAreNotInvolved(t *testing.T) {
	d := filled(t)
	require.NoError(t, d.b.Close())
	require.NoError(t, os.WriteFile(filepath.Join(filepath.Dir(d.path), "readings.db"), []byte("rubbish"), 0o600))
	d.b = openAt(t, d.path)
	coat := d.state().Coats[0].ID
	f, err := d.b.Frozen(context.Background(), coat)
	require.NoError(t, err)
	_, err = DecodeMinutes(f.MinuteTrace)
	require.NoError(t, err)
	d.checkWhole()
}

// A disk that is full: the command is refused, what was there stays, and it goes on when there is room again.
func TestFullDisk(t *testing.T) {
	d := newDesk(t)
	coat := d.coat(d.piece(d.job()))
	var pages int64
	require.NoError(t, d.b.write.QueryRow("PRAGMA page_count").Scan(&pages))
	_, err := d.b.write.Exec("PRAGMA max_page_count = 1")
	require.NoError(t, err)
	before := d.state().Seq
	for range 200 {
		if _, err = d.try("Ann", Note{About: About{Coat: coat}, Text: strings.Repeat("a long note ", 500)}); err != nil {
			break
		}
		before++
	}
	require.ErrorContains(t, err, "full")
	require.Equal(t, before, d.state().Seq)
	_, err = d.b.write.Exec("PRAGMA max_page_count = 1000000")
	require.NoError(t, err)
	d.do(Touch{Coat: coat, State: advisor.StateWet})
	d.checkWhole()
}
