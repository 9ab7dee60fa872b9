package forecast_test

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor/forecast"
	"tackline/advisor/trace"
	"tackline/sensors/shed"
)

// heated is the air of a simulated shed, C, a reading every ten minutes over days from a Monday on. Every number is invented.
func heated(t testing.TB, seed uint64, days float64, set func(*shed.Options)) (trace.Trace, *shed.Shed, time.Time) {
	t.Helper()
	begin := time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)
	o := shed.Defaults(seed, begin.UnixMilli())
	set(&o)
	s, err := shed.New(o)
	require.NoError(t, err)
	tr := trace.Trace{MaxGap: 3600}
	for at := 0.0; at <= days*86400; at += 600 {
		tr.At = append(tr.At, float64(begin.Unix())+at)
		tr.V = append(tr.V, s.Truth(begin.UnixMilli()+int64(at*1000)).AirC)
	}
	return tr, s, begin
}

// TestHeaterCycles: a heater that goes by the clock on working days is found in two weeks of log: the forecast is much better than what is now and than
// the day before, on all days of the week; it knows on Friday that Saturday is cold, and on Sunday that Monday is warm. One that is on
// every day, one that holds a steady temperature and none at all are not taken for that.
func TestHeaterCycles(t *testing.T) {
	for name, c := range map[string]struct {
		set  func(*shed.Options)
		most [4]float64 // of the better of the two, at each lead
	}{
		"working days": {func(*shed.Options) {}, [4]float64{0.6, 0.6, 0.7, 0.75}},
		"every day":    {func(o *shed.Options) { o.Heater.EveryDay = true }, [4]float64{1.1, 1.1, 1.25, 1.1}}, // the day before is nearly the truth here
		"none":         {func(o *shed.Options) { o.Heater.Watts = 0 }, [4]float64{0.9, 0.9, 0.9, 1}},
		"thermostat":   {func(o *shed.Options) { o.Heater.FrostC, o.Heater.SetC = 12, 12 }, [4]float64{1.1, 1.1, 1.1, 1.1}}, // nothing is left but its own noise
	} {
		var err [3][4]float64
		tr, _, begin := heated(t, 2, 40, c.set)
		from := float64(begin.Unix())
		for o := from + 15*86400; o < from+37*86400; o += 11 * 3600 {
			e, er := forecast.Ahead(forecast.Log{AirC: tr}, o, forecast.Options{Horizon: 48 * 3600, Members: 8})
			require.NoError(t, er)
			now, _ := tr.Value(o)
			for i, h := range leads {
				truth, _ := tr.Value(o + h*3600)
				before, _ := tr.Value(o + h*3600 - 86400)
				for k, v := range []float64{e.Likely.AirC[int64(2*h)], now, before} {
					err[k][i] += math.Abs(truth - v)
				}
			}
		}
		for i, h := range leads {
			best := math.Min(err[1][i], err[2][i])
			t.Logf("%-12s %2.0f h: ours is %.2f of the best of what is now and the day before", name, h, err[0][i]/best)
			require.Less(t, err[0][i], c.most[i]*best, "%s, %g h", name, h)
		}
		if name != "working days" {
			continue
		}
		for _, day := range []struct {
			at, lead float64
			warm     bool
		}{{18*86400 + 18*3600, 18, false}, {20*86400 + 14*3600, 22, true}} { // Friday at six, Sunday at two; to noon
			e, er := forecast.Ahead(forecast.Log{AirC: tr}, from+day.at, forecast.Options{Horizon: 48 * 3600, Members: 8})
			require.NoError(t, er)
			require.Equal(t, day.warm, e.Likely.AirC[int64(2*day.lead)] > 12, "%.1f C", e.Likely.AirC[int64(2*day.lead)])
		}
	}
}

// TestATraceFromNought: seconds that begin at 0 look back before 1970 and are forecast like any other.
func TestATraceFromNought(t *testing.T) {
	tr := trace.Trace{MaxGap: 3600}
	for at := 0.0; at <= 5*86400; at += 600 {
		tr.At, tr.V = append(tr.At, at), append(tr.V, 10+3*math.Sin(2*math.Pi*at/86400))
	}
	e, err := forecast.Ahead(forecast.Log{AirC: tr}, 5*86400, forecast.Options{Horizon: 86400, Members: 8})
	require.NoError(t, err)
	require.InDelta(t, 13, e.Likely.AirC[12], 1)
}
