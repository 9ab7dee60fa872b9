package assess

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/advisor/trace"
	"tackline/advisor/units"
	"tackline/daemon/alert"
	"tackline/daemon/jobbook"
	"tackline/sensors"
)

// steady gives n values.
func steady(n int, v float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = v
	}
	return out
}

func TestContradict(t *testing.T) {
	d, yes := contradict(steady(120, 14), steady(120, 10), 0.4, 1.5)
	require.True(t, yes)
	require.InDelta(t, 4, d, 1e-9)
	_, yes = contradict(steady(120, 12.6), steady(120, 10), 0.4, 1.5)
	require.False(t, yes, "2.6 K is within three times 0.4 and 1.5")
	_, yes = contradict(steady(30, 20), steady(30, 10), 0.4, 1.5)
	require.False(t, yes, "half an hour says nothing")
	x := steady(120, 14)
	for i := range 12 {
		x[i*10] = 10
	}
	_, yes = contradict(x, steady(120, 10), 0.4, 1.5)
	require.False(t, yes, "not throughout")
	d, yes = contradict(steady(120, 5), steady(120, 10), 0.4, 1.5)
	require.True(t, yes)
	require.Negative(t, d)
}

// Air of 12 C and 80 % (dew point 8.7 C by the tables): a probe that its board warms to 15 C reads 65.8 %, the same dew point. One that reads 15 C and 80 % is
// not warmed but wrong.
func TestHeated(t *testing.T) {
	require.True(t, heated(steady(90, 15), steady(90, 65.8), steady(90, 12), steady(90, 80), 0.4))
	require.False(t, heated(steady(90, 12), steady(90, 80), steady(90, 15), steady(90, 65.8), 0.4), "the cooler one is not the warmed one")
	require.False(t, heated(steady(90, 15), steady(90, 80), steady(90, 12), steady(90, 80), 0.4))
	require.False(t, heated(steady(90, 12.5), steady(90, 77.4), steady(90, 12), steady(90, 80), 0.4), "half a kelvin is no matter")
	require.False(t, heated(steady(20, 15), steady(20, 65.8), steady(20, 12), steady(20, 80), 0.4))
}

func lined(n int, v float64) trace.Trace {
	out := trace.Trace{V: steady(n, v), MaxGap: 180}
	for i := range n {
		out.At = append(out.At, float64(noon/1000-int64(n-i)*60+30))
	}
	return out
}

// At 12 C and 80 % the dew point is 8.7 C.
func TestDripping(t *testing.T) {
	require.Equal(t, int64(200), dripping(lined(200, 7), lined(200, 12), lined(200, 80), 0.5))
	require.Zero(t, dripping(lined(200, 8.4), lined(200, 12), lined(200, 80), 0.5), "within its doubt")
	s := lined(200, 7)
	s.V[150] = 11
	require.Equal(t, int64(49), dripping(s, lined(200, 12), lined(200, 80), 0.5), "since the newest minute that was dry")
	require.Zero(t, dripping(trace.Trace{}, lined(200, 12), lined(200, 80), 0.5))
}

func TestBelowTheDewPointWhileTheMeterSaysDry(t *testing.T) {
	s := &advisor.Situation{Climate: advisor.Climate{AirC: advisor.Channel{Trace: lined(200, 12)}, RHPct: advisor.Channel{Trace: lined(200, 80)}}}
	p := &advisor.Piece{ID: 3, Name: "keel", SurfaceC: advisor.Channel{Probe: "tape", Trace: lined(200, 7)}}
	c := wet(p, s, noon)
	require.True(t, c.Active)
	require.Contains(t, c.Body, "for 3.3 h")
	require.Contains(t, c.Body, "Feel it")
	p.Meter = []advisor.MeterReading{{At: units.Instant(noon/1000 - 3600), Pct: 11}}
	require.Contains(t, wet(p, s, noon).Body, "Yet the meter said 11 %")
	p.SurfaceC.Trace = lined(200, 11)
	require.False(t, wet(p, s, noon).Active)
	p.SurfaceC.Problem = "stale"
	require.True(t, wet(p, s, noon).Unknown)
}

// two is an invented store of two probes in one air.
type two map[string]map[sensors.Quantity]float64

func (w two) Minutes(_ context.Context, probe string, q sensors.Quantity, from, to int64) ([]Minute, error) {
	var out []Minute
	if v, ok := w[probe][q]; ok {
		for at := max(from, noon-4*3_600_000); at < min(to, noon); at += minuteMs {
			out = append(out, Minute{Start: at, Mean: v})
		}
	}
	return out, nil
}

func (w two) Newest(context.Context, string, sensors.Quantity) (Newest, error) {
	return Newest{At: noon}, nil
}

func TestCrossChecks(t *testing.T) {
	active := func(w two) []string {
		var probes []Probe
		for _, n := range []string{"bow", "stern"} {
			probes = append(probes, Probe{Name: n, Place: sensors.Air, Quantities: []sensors.Quantity{sensors.Temperature, sensors.Humidity}, Calibrated: true,
				U: map[sensors.Quantity]float64{sensors.Temperature: 0.3, sensors.Humidity: 2}, StaleAfter: 3 * time.Minute})
		}
		a := New(Options{Readings: w, Facts: emptyBook{}, Zone: time.UTC, Limits: advisor.DefaultLimits(), Probes: probes})
		s, err := a.Situation(t.Context(), noon, true)
		require.NoError(t, err)
		conditions, err := a.CrossChecks(t.Context(), &s, noon)
		require.NoError(t, err)
		var keys []string
		for _, c := range conditions {
			require.Equal(t, alert.Notice, c.Severity)
			if c.Active {
				keys = append(keys, c.Key)
			}
		}
		return keys
	}
	at := func(c, rh float64) map[sensors.Quantity]float64 {
		return map[sensors.Quantity]float64{sensors.Temperature: c, sensors.Humidity: rh}
	}
	require.Empty(t, active(two{"bow": at(12, 80), "stern": at(12.8, 76)}))
	require.Equal(t, []string{"agree/bow/stern/heated"}, active(two{"bow": at(12, 80), "stern": at(15, 65.8)}), "said once, as what it is")
	require.Equal(t, []string{"agree/bow/stern/rh_pct"}, active(two{"bow": at(12, 80), "stern": at(12, 60)}))
	require.Equal(t, []string{"agree/bow/stern/temp_c"}, active(two{"bow": at(12, 80), "stern": at(17, 80)}))
	require.Empty(t, active(two{"bow": at(12, 80)}), "a probe that is away contradicts nobody")
}

// Pins in a piece's timber tell its moisture as a meter does, while they are fresh, and only of the piece that they sit in.
func TestPinsTellMoisture(t *testing.T) {
	pins := Probe{Name: "pins", Place: sensors.Timber, Quantities: []sensors.Quantity{sensors.Moisture}, Calibrated: true,
		U: map[sensors.Quantity]float64{sensors.Moisture: 2}, StaleAfter: time.Hour}
	facts := &jobbook.State{Placements: []jobbook.Placement{{Probe: "pins", Piece: 4, Place: "timber", From: jobbook.When{MS: noon - 1000}}}}
	a := New(Options{Readings: two{"pins": {sensors.Moisture: 13.5}}, Facts: emptyBook{}, Zone: time.UTC, Probes: []Probe{pins}})
	meter := []advisor.MeterReading{{At: units.Instant(noon/1000 - 86400), Pct: 15}}
	got, err := a.pins(t.Context(), facts, &jobbook.Piece{Head: jobbook.Head{ID: 4}}, meter, noon)
	require.NoError(t, err)
	require.Equal(t, []advisor.MeterReading{meter[0], {At: units.Instant(noon/1000 - 30), Pct: 13.5}}, got)
	got, err = a.pins(t.Context(), facts, &jobbook.Piece{Head: jobbook.Head{ID: 5}}, nil, noon)
	require.NoError(t, err)
	require.Empty(t, got)
	got, err = a.pins(t.Context(), facts, &jobbook.Piece{Head: jobbook.Head{ID: 4}}, nil, noon+2*3_600_000)
	require.NoError(t, err)
	require.Empty(t, got, "stale")
}
