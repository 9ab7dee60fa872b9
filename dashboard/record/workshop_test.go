package record

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// hourly gives a channel with a value an hour.
func hourly(q string, from time.Time, v ...float64) Channel {
	c := Channel{Quantity: q, HoldS: 3600}
	for i, x := range v {
		c.At, c.V = append(c.At, from.Unix()+int64(i)*3600), append(c.V, x)
	}
	return c
}

// TestWorkshopAtItsLimits: just within and just outside each limit, from the day before where a limit speaks of it, and unknown, never within, where
// nothing was measured. Numbers: 18 C and 80 % of ICS Rules, FRP Ships, Moulding, section 1; 3 K of IMO MSC.215(82), table 1.
func TestWorkshopAtItsLimits(t *testing.T) {
	start := time.Date(2026, 1, 14, 8, 0, 0, 0, time.UTC)
	w := &Workshop{Limits: []WorkshopLimit{
		{Limit{Quantity: AirC, Above: true, Value: 18}, 2}, {Limit{Quantity: RHPct, Value: 80}, 0}, {Limit{Quantity: MarginK, Above: true, Value: 3}, 0}, {Limit{Quantity: SurfaceC, Above: true, Value: 10}, 0}}}
	c := Coat{Started: start, Ended: start.Add(2 * time.Hour),
		Before:   []Channel{hourly(AirC, start.Add(-2*time.Hour), 17.9, 18)},
		Channels: []Channel{hourly(AirC, start, 18, 17.9), hourly(RHPct, start, 80, 80.1), hourly(MarginK, start, 3, 2.99)}}
	kept := c.workshop(w, start)
	require.Equal(t, [3]float64{120, 120, 0}, [3]float64{kept[0].Within, kept[0].Outside, kept[0].Unknown})
	require.Equal(t, [3]float64{60, 60, 0}, [3]float64{kept[1].Within, kept[1].Outside, kept[1].Unknown})
	require.Equal(t, [3]float64{60, 60, 0}, [3]float64{kept[2].Within, kept[2].Outside, kept[2].Unknown})
	require.Equal(t, [3]float64{0, 0, 120}, [3]float64{kept[3].Within, kept[3].Outside, kept[3].Unknown})
	c.Before = nil
	require.InDelta(t, 120, c.workshop(w, start)[0].Unknown, 1e-9, "the day before was not kept")
	require.Empty(t, c.workshop(nil, start))
}

// TestRangeOfADay by hand: known once a day has been measured, outside as soon as it is wide enough, and not known across a hole.
func TestRangeOfADay(t *testing.T) {
	start := time.Unix(0, 0)
	v := make([]float64, 40)
	for i := range v {
		v[i] = 10
	}
	v[30] = 17
	c := hourly(AirC, start, v...)
	got := rangeOver(c, 24*3600, 6)
	require.EqualValues(t, 22*3600, got.At[0], "a day less the hole that is let pass")
	require.Len(t, got.At, 18)
	for i, at := range got.At {
		want := 0.0
		if at >= 30*3600 {
			want = 7
		}
		require.InDelta(t, want, got.V[i], 1e-12, "hour %d", at/3600)
	}
	v[3] = 3 // seven below: outside at once, before a day is over
	got = rangeOver(hourly(AirC, start, v...), 24*3600, 6)
	require.EqualValues(t, 3*3600, got.At[0])
	require.InDelta(t, 7, got.V[0], 1e-12)

	holed := hourly(AirC, start, make([]float64, 60)...)
	holed.At, holed.V = append(holed.At[:30:30], holed.At[35:]...), append(holed.V[:30:30], holed.V[35:]...)
	for _, at := range rangeOver(holed, 24*3600, 6).At {
		require.False(t, at > 30*3600 && at < (35+24)*3600, "hour %d lies within a day of the hole", at/3600)
	}
}
