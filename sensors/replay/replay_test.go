package replay

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
	"tackline/sensors/sensortest"
	"tackline/sensors/tracefile"
)

const text = `time_s,air_c,rh_pct,surface_c,outdoors_c,outdoors_rh_pct,pressure_hpa
60,10,80,9,5,90,1010
120,11,,9.5,5,91,1010
180,12,78,10,5,92,1009
`

func table(t *testing.T) *tracefile.Table {
	t.Helper()
	tab, err := tracefile.Parse(strings.NewReader(text), tracefile.Options{Start: 1_000_000})
	require.NoError(t, err)
	return tab
}

func TestEachReadingAtItsTime(t *testing.T) {
	var now int64 = 1_000_000
	p, err := Open(table(t), Options{Now: func() int64 { return now }})
	require.NoError(t, err)
	read := func() []sensors.Reading {
		got, err := p.Read(t.Context())
		require.NoError(t, err)
		return got
	}
	first, last, ok := p.Span()
	require.True(t, ok)
	require.Equal(t, [2]int64{1_060_000, 1_180_000}, [2]int64{first, last})
	require.Empty(t, read(), "nothing has come yet")
	now = 1_060_000
	at := time.UnixMilli(1_060_000).UTC()
	require.Equal(t, []sensors.Reading{
		{Quantity: sensors.Temperature, Value: 10, At: at},
		{Quantity: sensors.Humidity, Value: 80, At: at},
		{Quantity: sensors.Pressure, Value: 1010, At: at},
	}, read())
	require.Empty(t, read())
	now = 1_500_000
	got := read()
	require.Len(t, got, 5, "two rows, one of them without humidity")
	require.Equal(t, time.UnixMilli(1_120_000).UTC(), got[0].At)
	require.Equal(t, time.UnixMilli(1_180_000).UTC(), got[4].At)
	_, err = p.Read(t.Context())
	require.ErrorIs(t, err, sensors.ErrDone)
	_, _, ok = p.Span()
	require.False(t, ok)
}

func TestPlacesColumnsShift(t *testing.T) {
	const day = 86_400_000
	now := func() int64 { return 2*day + 1_180_000 }
	p, err := Open(table(t), Options{Now: now, Place: sensors.Outdoors, After: 2*day + 1_060_000, Shift: 2 * day})
	require.NoError(t, err)
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.Len(t, got, 6)
	require.Equal(t, sensors.Reading{Quantity: sensors.Humidity, Value: 91, At: time.UnixMilli(2*day + 1_120_000).UTC()}, got[1])

	p, err = Open(table(t), Options{Now: now, Columns: []string{"surface_c"}})
	require.NoError(t, err)
	got, err = p.Read(t.Context())
	require.NoError(t, err)
	require.Equal(t, []float64{9, 9.5, 10}, []float64{got[0].Value, got[1].Value, got[2].Value})
}

func TestOpenRefuses(t *testing.T) {
	now := func() int64 { return 0 }
	for _, c := range []struct {
		o    Options
		want string
	}{
		{Options{}, "no clock"},
		{Options{Now: now, Place: sensors.Timber}, `no column for place "timber"`},
		{Options{Now: now, Columns: []string{"timber_c"}}, `no column "timber_c"`},
		{Options{Now: now, Columns: []string{"air_c", "surface_c"}}, "two columns of temp_c"},
	} {
		_, err := Open(table(t), c.o)
		require.ErrorContains(t, err, c.want)
	}
}

func TestConformance(t *testing.T) {
	sensortest.Run(t, sensortest.Case{
		Healthy: func(t *testing.T) sensors.Probe {
			p, err := Open(table(t), Options{Now: func() int64 { return 1_060_000 }})
			require.NoError(t, err)
			return p
		},
		OwnTime: true,
	})
	p, err := Open(table(t), Options{Now: func() int64 { return 0 }})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = p.Read(ctx)
	require.ErrorIs(t, err, context.Canceled)
}
