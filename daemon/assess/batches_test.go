package assess

import (
	"context"
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/advisor/batch"
	"tackline/advisor/cure"
	"tackline/advisor/units"
	"tackline/daemon/alert"
	"tackline/daemon/jobbook"
)

// potBook has one batch, mixed at noon, poured into a tray at a quarter past.
type potBook struct {
	emptyBook
	state jobbook.State
}

func (b potBook) State(context.Context) (*jobbook.State, error) { return &b.state, nil }

func mixedAtNoon(t *testing.T) jobbook.Batch {
	t.Helper()
	raw, err := json.Marshal(cure.System{Name: "medium (invented)", Source: "invented", MixByWeight: [2]float64{100, 34}, MixByVolume: [2]float64{2.5, 1},
		DensityKgM3: 1110, LowestC: 10, HighestSurfaceRHPct: 85, Kinetics: &cure.Kinetics{K1PerS: 5e-5, K2PerS: 6e-4, M: 1, N: 2, ActivationKJMol: 55,
			GelConversion: 0.577, HeatJG: 400, CpJGK: 1.8, Tg0C: -30, TgInfC: 65, Lambda: 0.45}, Marks: &cure.Marks{By: "tg", TackOpens: 0.057,
			TackCloses: 0.40, RecoatCloses: 0.72, Firm: 0.80, Sandable: 0.86}})
	require.NoError(t, err)
	resin := 12.0
	return jobbook.Batch{Head: jobbook.Head{ID: 5}, BatchData: jobbook.BatchData{SystemName: "medium", System: raw, MassG: 300, ResinC: &resin, Vessel: jobbook.VesselPot, DiameterMM: 90},
		Mixed: jobbook.When{MS: noon}, Moves: []jobbook.Move{{When: jobbook.When{MS: noon + 15*minuteMs}, Vessel: jobbook.VesselTray}}}
}

func TestBatchesOfTheBookAreInTheSituation(t *testing.T) {
	one := mixedAtNoon(t)
	at := func(now int64) []advisor.Batch {
		a := assessor(&log{from: noon - 3_600_000, to: now})
		a.o.Facts = potBook{state: jobbook.State{Batches: []jobbook.Batch{one}}}
		s, err := a.Situation(t.Context(), now, true)
		require.NoError(t, err)
		return s.Batches
	}
	require.Empty(t, at(noon-1))
	require.Len(t, at(noon + minuteMs)[0].Stays, 1)
	require.Empty(t, at(noon + minuteMs)[0].Drum, "nobody said")
	after := at(noon + 20*minuteMs)[0]
	require.Equal(t, []advisor.BatchStay{{From: instant(noon), Vessel: batch.Vessel{Shape: batch.Pot, DiameterMM: 90}},
		{From: instant(noon + 15*minuteMs), Vessel: batch.Vessel{Shape: batch.Tray}}}, after.Stays)
	one.Ended = jobbook.When{MS: noon + 30*minuteMs}
	require.Len(t, at(noon+29*minuteMs), 1, "as it was then")
	require.Empty(t, at(noon+30*minuteMs))
}

func toldOf(a advisor.BatchAdvice, at int64) map[string]alert.Condition {
	out := map[string]alert.Condition{}
	for _, c := range Conditions(advisor.Advice{At: instant(at), Batches: []advisor.BatchAdvice{a}}, advisor.DefaultLimits(), time.UTC) {
		out[c.Key] = c
	}
	return out
}

func TestWhatAPhoneHearsOfABatch(t *testing.T) {
	minute := func(m int64) units.Instant { return instant(noon + m*minuteMs) }
	peak := 80.0
	a := advisor.BatchAdvice{Batch: 5, System: "medium", Mixed: minute(0), MassG: 300, Vessel: "pot", Working: advisor.Moment{Early: minute(15), Likely: minute(20), Late: minute(26)},
		PeakC: &peak, Phase: advisor.BatchGood, Text: "Batch 5 can be worked."}
	for _, c := range toldOf(a, noon+5*minuteMs) {
		require.False(t, c.Active, c.Key)
	}
	a.Phase = advisor.BatchEnding
	ending := toldOf(a, noon+11*minuteMs)["batch/5/ending"]
	require.True(t, ending.Active)
	require.Equal(t, alert.Warning, ending.Severity)
	require.Contains(t, ending.Body, "12:15")
	require.Contains(t, ending.Body, "12:20")
	require.Contains(t, ending.Body, "300 g of medium")
	a.Phase, a.Text = advisor.BatchHazard, "Batch 5 is past its working time and still stands."
	hot := toldOf(a, noon+21*minuteMs)
	require.True(t, hot["batch/5/past"].Active)
	require.True(t, hot["batch/5/hazard"].Active)
	require.False(t, hot["batch/5/ending"].Active)
	require.Equal(t, alert.Critical, hot["batch/5/hazard"].Severity)
	require.Equal(t, a.Text, hot["batch/5/hazard"].Body)
	require.False(t, hot["batch/5/hazard"].Event, "it is repeated until somebody sees to it")
	require.False(t, toldOf(a, noon+60*minuteMs)["batch/5/past"].Active, "too late to be worth a message")
	peak = 30
	require.Equal(t, alert.Warning, toldOf(a, noon+21*minuteMs)["batch/5/hazard"].Severity)
	a.HotAt, a.MayRunAway = minute(40), true
	require.Contains(t, toldOf(a, noon+21*minuteMs)["batch/5/hazard"].Body, "12:40")
	require.Equal(t, alert.Critical, toldOf(a, noon+21*minuteMs)["batch/5/hazard"].Severity)
	a.Phase, a.CantSay = advisor.BatchBlind, "air temperature: stale"
	blind := toldOf(a, noon+22*minuteMs)
	require.True(t, blind["batch/5/blind"].Active)
	require.True(t, blind["batch/5/hazard"].Unknown, "neither raised nor cleared")
	require.False(t, blind["batch/5/hazard"].Active)
}

func TestColdResinIsTold(t *testing.T) {
	v, limit := 9.0, 15.0
	r := advisor.Reason{Rule: "resin", Value: &v, Limit: &limit, Source: "common practice, no source", Text: "The resin stands at 9.0 C."}
	a := advisor.Advice{At: instant(noon), Pieces: []advisor.PieceAdvice{{}}, Notices: []advisor.Reason{r}, Shed: advisor.ShedAdvice{ResinC: advisor.Figure{Value: &v}},
		Batches: []advisor.BatchAdvice{{Batch: 5, Reasons: []advisor.Reason{r}}}}
	got := active(Conditions(a, advisor.DefaultLimits(), nil))
	require.Equal(t, map[string]bool{"resin/cold": true, "batch/5/cold": true}, got)
	a.Notices, v = nil, 15.2
	for _, c := range Conditions(a, advisor.DefaultLimits(), nil) {
		if c.Key == "resin/cold" {
			require.False(t, c.Active)
			require.InDelta(t, 15, c.Level.Limit, 0, "half a kelvin more clears it")
		}
	}
	a.Shed.ResinC.Value = nil
	for _, c := range Conditions(a, advisor.DefaultLimits(), nil) {
		require.False(t, c.Key == "resin/cold" && !c.Unknown)
	}
}
