package daemon

import (
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/config"
	"tackline/daemon/mirror/influxtest"
	"tackline/daemon/store"
	"tackline/sensors"
)

// TestMirrorAfterAWeek follows a store, by the daemon's own mirror, into a real InfluxDB 1.8 that is down for a week of the shed, is killed while it
// writes, more than once, and comes back, while the daemon is restarted too. In the end every usable reading is there once, and nothing else.
func TestMirrorAfterAWeek(t *testing.T) {
	influxtest.Binary(t)
	dir, influx, addr := t.TempDir(), t.TempDir(), influxtest.FreeAddr(t)
	begin := func() *Daemon {
		c, err := config.Parse(fmt.Appendf(nil, "[shed]\nname = \"Osier Slip, \\\"lower\\\" = shed\\\\\"\nzone = \"UTC\"\ndata = %q\nlisten = \"127.0.0.1:0\"\n"+
			"[clock]\nspeed = \"free\"\nstart = 2026-01-14T08:00:00Z\n[[probe]]\nname = \"a\"\nkind = \"shed\"\nplace = \"air\"\n"+
			"[mirror]\nurl = \"http://%s\"\norg = \"yard\"\nbucket = \"sheds\"\n", filepath.Join(dir, "data"), addr), "week")
		require.NoError(t, err)
		d, err := New(Options{Config: c})
		require.NoError(t, err)
		return d
	}
	// follow lets the mirror run until something holds, and ends it.
	follow := func(d *Daemon, until func() bool) {
		t.Helper()
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			d.mirror.run(ctx)
		}()
		require.Eventually(t, until, 2*time.Minute, time.Millisecond)
		cancel()
		<-done
	}
	d := begin()
	start := d.clock.Now().Wall
	rows := week(t, d, start)
	whole := int64(len(rows))
	follow(d, func() bool { return d.mirror.m.Status().LastError != "" }) // nobody is there
	require.Zero(t, d.mirror.m.Status().Sent)
	kills := 0
	for sent := int64(4_000); kills < 2; kills++ {
		stop := influxtest.Start(t, influx, addr)
		influxtest.Ask(t, addr, "", "CREATE DATABASE sheds")
		follow(d, func() bool { return d.mirror.m.Status().Sent >= sent })
		go func() { // in the midst of a write, as it falls
			time.Sleep(time.Duration(rand.IntN(30)) * time.Millisecond)
			stop()
		}()
		d.mirrorAgain(t)
		follow(d, func() bool { return d.mirror.m.Status().LastError != "" || d.mirror.m.Status().Sent > whole/4 })
		require.NoError(t, d.Stop())
		d = begin()
		rows = append(rows, week(t, d, start-int64(kills+1)*7*dayMs)...) // so that there is something to be cut off again
		sent = 2_000
	}
	influxtest.Start(t, influx, addr)
	d.mirrorAgain(t)
	follow(d, func() bool {
		s := d.mirror.m.Status()
		return !s.LastSuccess.IsZero() && s.Behind == 0 && s.LastError == ""
	})
	require.NoError(t, d.Stop())

	type series struct{ probe, place, field string }
	want, sum := map[series]int64{}, map[series]float64{}
	for _, r := range rows {
		if r.Status.Usable() {
			k := series{r.Probe, r.Place, r.Quantity.String()}
			want[k]++
			sum[k] += r.Value
		}
	}
	got := 0
	for _, field := range []string{"temp_c", "rh_pct"} {
		cells := influxtest.Ask(t, addr, "", fmt.Sprintf(`SELECT count(%[1]s), sum(%[1]s) FROM reading GROUP BY place, probe, shed`, field))
		for _, c := range cells[1:] {
			n, err := strconv.ParseInt(c[len(c)-2], 10, 64)
			require.NoError(t, err)
			if n == 0 {
				continue
			}
			total, err := strconv.ParseFloat(c[len(c)-1], 64)
			require.NoError(t, err)
			found := false
			for k := range want {
				if k.field == field && n == want[k] && total > sum[k]-0.01 && total < sum[k]+0.01 {
					found = true
				}
			}
			require.True(t, found, "%v of %v", c, want)
			got++
		}
	}
	require.Len(t, want, got)
}

// mirrorAgain gives the daemon a fresh mirror, as a restart does.
func (d *Daemon) mirrorAgain(t *testing.T) {
	t.Helper()
	m, err := newMirroring(d)
	require.NoError(t, err)
	d.mirror = m
}

// week brings a week of a shed's readings into the store: probes and places with every sign that line protocol gives a meaning, some flagged.
func week(t *testing.T, d *Daemon, to int64) (rows []store.Row) {
	t.Helper()
	names := []string{`air, by = hull`, `keel "cold" \`, "stern\ttape", "Bö 20%"}
	for i, at := 0, to-7*dayMs; at < to; i, at = i+1, at+2*minuteMs {
		for n, name := range names {
			r := store.Row{Probe: name, Place: string(sensors.Places()[n]), Quantity: sensors.Quantity(1 + n%2), At: at + int64(n), Raw: float64(i%500)/4 + float64(n)/8}
			r.Value = r.Raw
			if (i+n)%97 == 0 {
				r.Status = sensors.Spike
			}
			rows = append(rows, r)
		}
	}
	_, err := d.store.Import(t.Context(), func(yield func(store.Row, error) bool) {
		for _, r := range rows {
			if !yield(r, nil) {
				return
			}
		}
	})
	require.NoError(t, err)
	return rows
}
