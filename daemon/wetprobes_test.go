package daemon

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/store"
	"tackline/sensors"
)

// A humidity that stands at a rail is never used, and after six hours somebody is asked to look; a probe that is silent meanwhile tells neither.
func TestHumidityAtARailForHours(t *testing.T) {
	s, err := store.Open(t.Context(), t.TempDir()+"/readings.db", store.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	d := &Daemon{store: s, o: Options{Config: config.Config{Probes: []config.Probe{{Name: "bow", StaleAfter: 3 * minuteMs * 1e6}}}}}
	t0 := yardAt.UnixMilli()
	say := func(minute int64, v float64, st sensors.Status) {
		require.NoError(t, s.Append(t.Context(), []store.Row{{Probe: "bow", Quantity: sensors.Humidity, At: t0 + minute*minuteMs, Raw: v, Value: v, Status: st}}))
	}
	look := func(minute int64) (active, unknown bool) {
		c := d.wetConditions(t.Context(), clock.Stamp{Wall: t0 + minute*minuteMs, State: clock.Synced})
		require.Len(t, c, 1)
		require.Contains(t, c[0].Body, "100.0 %")
		return c[0].Active, c[0].Unknown
	}
	require.Empty(t, d.wetConditions(t.Context(), clock.Stamp{Wall: t0, State: clock.Synced}), "nothing was ever heard")
	say(0, 97, sensors.OK)
	for m := int64(1); m <= 361; m++ {
		say(m, 100, sensors.Saturated)
	}
	active, unknown := look(359)
	require.False(t, active)
	require.False(t, unknown)
	active, _ = look(361)
	require.True(t, active)
	_, unknown = look(370)
	require.True(t, unknown, "silent for minutes")
	say(371, 96, sensors.OK)
	say(372, 100, sensors.Saturated)
	active, _ = look(372)
	require.False(t, active)
}
