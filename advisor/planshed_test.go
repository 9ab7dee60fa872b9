package advisor

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/building"
	"tackline/advisor/plan"
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

// TestHeatFromTheShedsSizes: with sizes the heat that holds the shed warm is the shed's own, by hand: (2 W/(m2 K) 150 m2 + 0.335 Wh/(m3 K) 0.5/h 120 m3) for
// 10 K over a steady 8 C and ten hours a day, and what the warm shed then gives back; it says what it rests on, with its uncertainty.
func TestHeatFromTheShedsSizes(t *testing.T) {
	s := situation(14, 8, 0, 60)
	list, err := plan.ParseWhatIf("hold=18C 00:00-24:00")
	require.NoError(t, err)
	p, err := PlanFor(s, PlanRequest{Piece: 2, Every: 16, WhatIf: [][]plan.WhatIf{list}, Sizes: &building.Sizes{VolumeM3: 120, EnvelopeM2: 150, UValue: 2, AirChanges: 0.5}})
	require.NoError(t, err)
	h := p.WhatIf[0].HeatKWhDay
	require.NotNil(t, h)
	loss := 2*150 + 1.2*1006/3600*0.5*120
	require.InEpsilon(t, loss*10*24/1000, h.Likely, 0.05)
	require.InEpsilon(t, loss*10*24/1000*(1-1.645*0.4), h.Low, 0.05)
	require.InEpsilon(t, loss*10*24/1000*(1+1.645*0.4), h.High, 0.05)
	require.Contains(t, p.WhatIf[0].HeatBasis, "from the shed's sizes: it loses 320 W/K")
	_, err = PlanFor(s, PlanRequest{Piece: 2, Sizes: &building.Sizes{VolumeM3: 120, EnvelopeM2: 150, UValue: 99, AirChanges: 0.5}})
	require.ErrorContains(t, err, "U value 99 is outside")
}
