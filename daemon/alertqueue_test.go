package daemon

import (
	"context"
	"database/sql"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/jobbook"
)

// ear is a way that keeps what it was told.
type ear struct{ heard []alert.Message }

func (e *ear) Send(_ context.Context, m alert.Message) error {
	e.heard = append(e.heard, m)
	return nil
}

// TestAlertsGoOutThoughTheCardTakesNothing: what the loop decides rings once, is held, and stands in the book once when that takes it; what a person
// says of it meanwhile is refused.
func TestAlertsGoOutThoughTheCardTakesNothing(t *testing.T) {
	d := onDisk(t, t.TempDir(), nil)
	ctx, stamp := t.Context(), d.clock.Now()
	e := &ear{}
	var err error
	d.alerts.outbox, err = alert.NewOutbox(d.alerts.queue, []alert.Route{{Name: "phone", Way: e}}, alert.Options{})
	require.NoError(t, err)
	d.alerts.whom = []alert.Audience{{Ways: []string{"phone"}, Policy: alert.DefaultPolicy()}}
	decide := func(active bool) {
		t.Helper()
		stamp.Wall, stamp.Mono = stamp.Wall+2*minuteMs, stamp.Mono+2*minuteMs
		_, err := d.alerts.decide(ctx, []alert.Condition{{Key: "part/store", Severity: alert.Critical, Active: active, Title: "Readings are not written", Body: "x",
			Cleared: "y"}}, stamp)
		require.NoError(t, err)
		_, err = d.alerts.outbox.Deliver(ctx, time.UnixMilli(stamp.Wall))
		require.NoError(t, err)
	}
	decide(false)

	db, err := sql.Open("sqlite", "file:"+filepath.Join(d.o.Config.Shed.Data, "jobbook.db"))
	require.NoError(t, err)
	defer db.Close()
	refusing := []string{"INSERT ON alert_state", "UPDATE ON alert_state", "INSERT ON outbox", "UPDATE ON outbox", "INSERT ON journal"}
	for _, on := range refusing {
		_, err := db.Exec(`CREATE TRIGGER "no ` + on + `" BEFORE ` + on + ` BEGIN SELECT RAISE(ABORT, 'attempt to write a readonly database'); END`)
		require.NoError(t, err)
	}
	for range 3 {
		decide(true)
		require.Len(t, e.heard, 1, "it rings, and once")
	}
	require.ErrorContains(t, d.alerts.queue.unkept(), "1 messages are held in memory")
	_, err = d.Do(ctx, "", "Wren", jobbook.Acknowledge{AlertKey: "part/store"})
	require.Error(t, err)
	require.False(t, d.alerts.standing()[0].Acked, "refused, and not half done")

	for _, on := range refusing {
		_, err := db.Exec(`DROP TRIGGER "no ` + on + `"`)
		require.NoError(t, err)
	}
	decide(true)
	require.NoError(t, d.alerts.queue.unkept())
	waiting, err := d.book.WaitingOn(ctx, "phone", 10)
	require.NoError(t, err)
	require.Empty(t, waiting)
	sent, err := d.book.SentOn(ctx, "phone", 0, stamp.Wall)
	require.NoError(t, err)
	require.Equal(t, int64(1), sent)
	told, err := d.book.Told(ctx, 0, 0, stamp.Wall+1)
	require.NoError(t, err)
	require.Len(t, told, 1)
	require.Len(t, e.heard, 1)
	_, err = d.Do(ctx, "", "Wren", jobbook.Acknowledge{AlertKey: "part/store"})
	require.NoError(t, err)
}
