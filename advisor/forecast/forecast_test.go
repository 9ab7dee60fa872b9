package forecast

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor/air"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

const twoDays = 48 * 3600.0

func ahead(t testing.TB, l Log, members int64) Ensemble {
	t.Helper()
	e, err := Ahead(l, at, Options{Horizon: twoDays, Members: members})
	require.NoError(t, err)
	return e
}

// TestUsesNothingAfterTheMoment: rows after the moment change no bit.
func TestUsesNothingAfterTheMoment(t *testing.T) {
	whole := invented(14, 600)
	short := whole
	for _, c := range []*trace.Trace{&whole.AirC, &whole.VapourPa, &whole.HPa} {
		c.At, c.V = append(append([]float64(nil), c.At...), at+60, at+7200), append(append([]float64(nil), c.V...), 99, -99)
	}
	require.Equal(t, ahead(t, short, 48), ahead(t, whole, 48))
	require.Equal(t, ahead(t, short, 48), ahead(t, short, 48), "the same log gives the same bytes")
}

// TestStartsAtThePresent: every member starts where the log ends, and the members stand in order and on both sides of the line.
func TestStartsAtThePresent(t *testing.T) {
	l := invented(14, 600)
	e := ahead(t, l, 48)
	require.Equal(t, int64(97), e.Len())
	_, now, _ := l.AirC.Last()
	below, last := 0, math.Inf(-1)
	for _, m := range e.Members {
		require.InDelta(t, now, m.AirC[0], 0.01)
		require.Len(t, m.VapourPa, 97)
		require.Len(t, m.HPa, 97)
		mean := 0.0
		for _, v := range m.AirC[:25] {
			mean += v
		}
		require.GreaterOrEqual(t, mean, last-1e-9)
		last = mean
		if m.AirC[24] < e.Likely.AirC[24] {
			below++
		}
	}
	require.InDelta(t, 24, below, 4)
}

// TestVapourNeverExceedsSaturation, and is never nothing.
func TestVapourNeverExceedsSaturation(t *testing.T) {
	l := invented(14, 600)
	l.VapourPa = l.VapourPa.Map(func(v float64) float64 { return v * 1.35 })
	for _, m := range ahead(t, l, 200).Members {
		for k, v := range m.VapourPa {
			require.Positive(t, v)
			require.LessOrEqual(t, v, float64(air.SaturationPressureWater(units.Celsius(m.AirC[k])))+1e-9)
		}
	}
}

// TestShortHistorySaysSoAndWidens: hours of log are enough for a forecast, which says what it rests on and is wider than one from two weeks.
func TestShortHistorySaysSoAndWidens(t *testing.T) {
	width := func(days float64) float64 {
		e := ahead(t, invented(days, 600), 48)
		if days < 5 {
			require.Contains(t, e.Basis, "assumed")
		} else {
			require.Contains(t, e.Basis, "this shed's own last 14 days")
		}
		return e.Members[43].AirC[24] - e.Members[4].AirC[24]
	}
	long := width(14)
	for _, days := range []float64{0, 0.1, 0.5, 1} {
		require.Greaterf(t, width(days), long, "%g days", days)
	}
}

// TestGapsAndRestarts: hours without readings on most days leave a forecast that is hardly worse; a log that ends half an hour ago gives members
// that are spread from the start; one that ended long ago gives none.
func TestGapsAndRestarts(t *testing.T) {
	l, holed := invented(14, 600), Log{}
	holed.AirC.MaxGap = 7200
	for i, a := range l.AirC.At {
		if d := math.Mod(a/86400, 1.3); d > 0.25 || a > at-7200 {
			holed.AirC.At, holed.AirC.V = append(holed.AirC.At, a), append(holed.AirC.V, l.AirC.V[i])
		}
	}
	l.VapourPa, l.HPa = trace.Trace{}, trace.Trace{}
	a, b := ahead(t, l, 48), ahead(t, holed, 48)
	for k := range a.Likely.AirC {
		require.InDelta(t, a.Likely.AirC[k], b.Likely.AirC[k], 0.7)
	}
	require.Empty(t, b.Members[0].VapourPa)

	old := l
	old.AirC = l.AirC.Slice(0, at-3000)
	c := ahead(t, old, 48)
	least, most := math.Inf(1), math.Inf(-1)
	for _, m := range c.Members {
		least, most = math.Min(least, m.AirC[0]), math.Max(most, m.AirC[0])
	}
	require.Greater(t, most-least, 0.1)
	old.AirC = l.AirC.Slice(0, at-3*3600)
	_, err := Ahead(old, at, Options{Horizon: twoDays, Members: 48})
	require.ErrorIs(t, err, ErrNoPresent)
	_, err = Ahead(Log{}, at, Options{Horizon: twoDays, Members: 48})
	require.ErrorIs(t, err, ErrNoPresent)
}

// TestLearnsADay: from a day that always has the same shape the next one is foretold, and a departure from it fades.
func TestLearnsADay(t *testing.T) {
	shape := func(s float64) float64 { return 10 + 4*math.Sin(2*math.Pi*s/86400) + math.Sin(4*math.Pi*s/86400+1) }
	var l Log
	for s := at - 14*86400; s <= at; s += 600 {
		l.AirC.At, l.AirC.V = append(l.AirC.At, s), append(l.AirC.V, shape(s))
	}
	e := ahead(t, l, 48)
	for k, v := range e.Likely.AirC {
		require.InDelta(t, shape(at+float64(k)*Step), v, 0.5) // a twentieth of the swing
	}
	n := len(l.AirC.V)
	for i := n - 6; i < n; i++ {
		l.AirC.V[i] += 3
	}
	e = ahead(t, l, 48)
	off := func(k int64) float64 { return e.Likely.AirC[k] - shape(at+float64(k)*Step) }
	require.InDelta(t, 3, off(0), 0.1)
	require.Less(t, off(48), off(6))
	require.Positive(t, off(6))
}

func TestRefusesWhatIsNoQuestion(t *testing.T) {
	l := invented(2, 600)
	for name, o := range map[string]Options{"horizon": {Horizon: 60, Members: 48}, "too long": {Horizon: Longest + 1, Members: 48},
		"NaN": {Horizon: math.NaN(), Members: 48}, "members": {Horizon: twoDays, Members: 1}, "parts": {Horizon: twoDays, Members: 2, Parts: 61}} {
		_, err := Ahead(l, at, o)
		require.ErrorContains(t, err, "want", name+": says what it wants")
	}
	_, err := Ahead(l, math.NaN(), Options{Horizon: twoDays, Members: 48})
	require.Error(t, err)
}

// TestFinerLiesOnTheLine: quarter hours lie between the half hours.
func TestFinerLiesOnTheLine(t *testing.T) {
	l := invented(14, 600)
	half := ahead(t, l, 8)
	quarter, err := Ahead(l, at, Options{Horizon: twoDays, Members: 8, Parts: 2})
	require.NoError(t, err)
	require.Equal(t, 900.0, quarter.Step)
	require.Equal(t, int64(193), quarter.Len())
	for i, m := range half.Members {
		require.Equal(t, m.AirC[10], quarter.Members[i].AirC[20])
		require.InDelta(t, (m.AirC[10]+m.AirC[11])/2, quarter.Members[i].AirC[21], 1e-12)
	}
}

// TestHeatersKeepTheClock: over the change to summer time a heater's day moves with the clock and the weather's does not. Lisbon goes from UTC to
// an hour ahead at 01:00 UTC on 29 March 2026 (EU directive 2000/84/EC: the last Sunday of March).
func TestHeatersKeepTheClock(t *testing.T) {
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	end := float64(time.Date(2026, 4, 3, 4, 0, 0, 0, time.UTC).Unix())
	for _, c := range []struct {
		name string
		zone *time.Location
	}{{"sun", time.UTC}, {"clock", lisbon}} {
		heated := func(s float64) float64 {
			h := time.Unix(int64(s), 0).In(c.zone).Hour()
			if h >= 7 && h < 18 {
				return 18
			}
			return 8
		}
		var l Log
		for s := end - 14*86400; s <= end; s += 600 {
			l.AirC.At, l.AirC.V = append(l.AirC.At, s), append(l.AirC.V, heated(s)+0.5*math.Sin(s/17000))
		}
		e, err := Ahead(l, end, Options{Horizon: 86400, Members: 8, Zone: lisbon})
		require.NoError(t, err)
		sum := 0.0
		for k, v := range e.Likely.AirC {
			sum += math.Abs(v - heated(end+float64(k)*Step))
		}
		require.Less(t, sum/float64(len(e.Likely.AirC)), 1.0, c.name) // an hour's error would be two hours of 10 K in a day: 0.8 K more
	}
}
