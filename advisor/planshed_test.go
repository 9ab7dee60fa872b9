package advisor

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// coupled is an invented shed that follows an invented outdoors with 6 h, for two weeks, and a forecast of outdoors that turns much colder.
func coupled() (Situation, trace.Trace) {
	s := situation(18, 16, 2, 55)
	out := func(t float64) float64 {
		return 9 + 4*math.Sin(t/61000) + 3*math.Sin(t/23000+1) + 3*math.Sin(2*math.Pi*t/86400)
	}
	at := float64(s.At)
	in, outdoors := trace.Trace{MaxGap: 1800}, trace.Trace{MaxGap: 1800}
	temp := 16.0
	for t := at - 18*86400; t <= at; t += 300 {
		in.At, in.V = append(in.At, t), append(in.V, temp)
		outdoors.At, outdoors.V = append(outdoors.At, t), append(outdoors.V, out(t))
		temp += 300 / (6 * 3600.0) * (out(t) + 6 - temp)
	}
	s.Climate.AirC.Trace = in
	s.Climate.OutdoorC = Channel{Probe: "north", Trace: outdoors, U: 0.3, LastSeen: units.Instant(at)}
	var f trace.Trace
	for t := at - 7200; t <= at+60*3600; t += 3600 {
		f.At, f.V = append(f.At, t), append(f.V, out(t)-12*math.Max(0, math.Min(1, (t-at)/14400)))
	}
	return s, f
}

// TestPlanTakesTheOutdoorForecastInHand: a cold spell foretold outdoors makes the plan's air colder; where it can't be used the plan says why; advice
// does not know of it.
func TestPlanTakesTheOutdoorForecastInHand(t *testing.T) {
	s, f := coupled()
	mean := func(req PlanRequest) (float64, Plan) {
		d, err := draft(s, req, "")
		require.NoError(t, err)
		sum := 0.0
		for _, m := range d.input.Members {
			sum += m.AirC[80] / float64(len(d.input.Members)) // 20 h ahead
		}
		return sum, d.out
	}
	without, p := mean(PlanRequest{Piece: 2})
	require.NotContains(t, p.Basis, "outdoor")
	with, p := mean(PlanRequest{Piece: 2, OutdoorC: f})
	require.Contains(t, p.Basis, "outdoor forecast")
	require.Less(t, with, without-3)
	require.Contains(t, func() string {
		d, err := draft(s, PlanRequest{Piece: 2}, "")
		require.NoError(t, err)
		return d.input.Shed.Basis
	}(), "fitted to its own log")

	s.Climate.OutdoorC = Channel{Problem: "no probe is configured"}
	again, p := mean(PlanRequest{Piece: 2, OutdoorC: f})
	require.InDelta(t, without, again, 1e-9)
	require.Contains(t, strings.Join(p.Cautions, " "), "The outdoor forecast is not used: no probe is outdoors")
}
