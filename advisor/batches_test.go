package advisor

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/batch"
	"tackline/advisor/cure"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// mixed is 112 g of the example system in its sheet's pot of 80 mm, so many minutes ago, with the resin as warm as the room.
func mixed(s *Situation, minutes float64) Batch {
	c := 22.0
	at := s.At - units.Instant(60*minutes)
	return Batch{ID: 9, System: medium(), Mixed: at, MassG: 112, ResinC: &c, Stays: []BatchStay{{From: at, Vessel: batch.Vessel{Shape: batch.Pot, DiameterMM: 80}}}}
}

func adviceOn(s Situation, b Batch) BatchAdvice {
	s.Batches = []Batch{b}
	return Advise(s).Batches[0]
}

// The clocks in an advice are those of batch.LifeOf, as long as the room stays as it is.
func TestBatchClocksAreThoseOfItsLife(t *testing.T) {
	s := situation(2, 22, 0, 50)
	life, err := batch.LifeOf(mustModel(t, medium()), batch.Batch{MassG: 112, RoomC: 22, ResinC: 22, Vessel: batch.Vessel{Shape: batch.Pot, DiameterMM: 80}})
	require.NoError(t, err)
	for _, minutes := range []float64{0, 4, 12.5} {
		b := mixed(&s, minutes)
		a := adviceOn(s, b)
		require.Empty(t, a.CantSay)
		require.InDelta(t, float64(b.Mixed)+60**life.WorkingMin, float64(a.Working.Likely), 2)
		require.InDelta(t, float64(b.Mixed)+60**life.GelMin, float64(a.Gel.Likely), 2)
		require.Less(t, a.Working.Early, a.Working.Likely)
		require.Less(t, a.Working.Likely, a.Working.Late)
		require.Equal(t, life.Runaway, a.Runaway)
	}
}

func TestBatchPhases(t *testing.T) {
	s := situation(2, 22, 0, 50)
	at := func(minutes float64, to func(*Batch)) BatchAdvice {
		b := mixed(&s, minutes)
		if to != nil {
			to(&b)
		}
		return adviceOn(s, b)
	}
	works := float64(at(0, nil).Working.Likely-s.At) / 60
	early := float64(at(0, nil).Working.Early-s.At) / 60
	require.Equal(t, BatchGood, at(1, nil).Phase)
	require.Equal(t, BatchGood, at(early*0.7, nil).Phase)
	require.Equal(t, BatchEnding, at(early-0.5, nil).Phase)
	require.Equal(t, BatchEnding, at(works-0.2, nil).Phase)
	past := at(works+0.5, nil)
	require.Equal(t, BatchHazard, past.Phase, "a pot past its time stands and heats itself")
	require.Contains(t, past.Text, "outdoors")
	require.Contains(t, past.Text, "safety sheet")
	gone := at(20*60, nil)
	require.Equal(t, BatchPast, gone.Phase, "set and cold again")
	require.Less(t, *gone.TempC, 30.0)
	require.Equal(t, BatchPast, at(25*60, nil).Phase)
	require.Contains(t, at(25*60, nil).Text, "over a day ago")
}

// Pouring it into a tray is what the alert asks for: the clock runs slower from there on, by what the pot left of it.
func TestBatchMovedToATray(t *testing.T) {
	s := situation(2, 22, 0, 50)
	pot := adviceOn(s, mixed(&s, 10))
	b := mixed(&s, 10)
	b.Stays = append(b.Stays, BatchStay{From: b.Mixed + 300, Vessel: batch.Vessel{Shape: batch.Tray, AreaCM2: 900}})
	tray := adviceOn(s, b)
	require.Equal(t, "tray", tray.Vessel)
	require.Greater(t, tray.Working.Likely, pot.Working.Likely)
	require.Less(t, *tray.Conversion, *pot.Conversion)
	require.False(t, tray.Runaway)
	fresh := mixed(&s, 10)
	fresh.Stays[0].Vessel = batch.Vessel{Shape: batch.Tray, AreaCM2: 900}
	require.Less(t, tray.Working.Likely, adviceOn(s, fresh).Working.Likely, "the pot's conversion is carried")
	late := mixed(&s, 200)
	late.Stays[0].Vessel = batch.Vessel{Shape: batch.Tray, AreaCM2: 900}
	require.Equal(t, BatchPast, adviceOn(s, late).Phase, "a shallow tray is no hazard")
}

func TestBatchWithoutAResinTemperatureIsWider(t *testing.T) {
	s := situation(2, 22, 0, 50)
	width := func(a BatchAdvice) float64 { return float64(a.Working.Late - a.Working.Early) }
	known := adviceOn(s, mixed(&s, 1))
	b := mixed(&s, 1)
	b.ResinC = nil
	room := adviceOn(s, b)
	require.Contains(t, room.ResinFrom, "room")
	require.Greater(t, width(room), 1.1*width(known))
	at := float64(s.At)
	s.Climate.ResinC = Channel{Probe: "store", U: 0.5, Trace: trace.Trace{At: []float64{at - 600, at}, V: []float64{17, 17}, MaxGap: 1800}, LastSeen: s.At}
	store := adviceOn(s, b)
	require.Equal(t, "the probe where the drums stand", store.ResinFrom)
	require.InDelta(t, 17, *store.ResinC.Value, 1e-9)
	require.Greater(t, store.Working.Likely, room.Working.Likely, "colder resin lasts longer")
	b.MassG, b.Strokes = 0, 4
	require.InDelta(t, 4*25.2*1.11, adviceOn(s, b).MassG, 1e-9)
}

func TestColdResinAndBlindBatches(t *testing.T) {
	s := situation(2, 22, 0, 50)
	b := mixed(&s, 2)
	cold := 12.0
	b.ResinC = &cold
	a := adviceOn(s, b)
	require.Len(t, a.Reasons, 1)
	require.Equal(t, "resin", a.Reasons[0].Rule)
	require.Contains(t, a.Reasons[0].Source, "common practice, no source")
	s.Limits.ResinLowestC, s.Limits.ResinSource = 10, "the drum"
	require.Empty(t, adviceOn(s, b).Reasons)
	at := float64(s.At)
	s.Climate.ResinC = Channel{Probe: "store", U: 0.5, Trace: trace.Trace{At: []float64{at - 600, at}, V: []float64{8, 8}, MaxGap: 1800}, LastSeen: s.At}
	notices := Advise(s).Notices
	require.Equal(t, "resin", notices[len(notices)-1].Rule)
	require.Contains(t, notices[len(notices)-1].Text, "warm it before mixing")
	s.Climate.AirC.Problem = "stale, last seen 3 h ago"
	blind := adviceOn(s, b)
	require.Equal(t, BatchBlind, blind.Phase)
	require.False(t, blind.Working.Likely.Known(), "never an old number")
	require.Contains(t, blind.Text, "never leave it standing")
}

// A room that warms after mixing shortens what is left.
func TestBatchFollowsTheRoom(t *testing.T) {
	s := situation(2, 15, 0, 50)
	b := mixed(&s, 40)
	c := 15.0
	b.ResinC = &c
	b.Stays[0].Vessel = batch.Vessel{Shape: batch.Tray, AreaCM2: 900}
	cool := adviceOn(s, b)
	for i, at := range s.Climate.AirC.Trace.At {
		if at > float64(s.At)-1800 {
			s.Climate.AirC.Trace.V[i] = 28
		}
	}
	require.Less(t, adviceOn(s, b).Working.Likely, cool.Working.Likely)
}

func mustModel(t *testing.T, s cure.System) cure.Model {
	t.Helper()
	m, err := cure.New(s)
	require.NoError(t, err)
	return m
}

// A drum that touches have found fast leaves less time in the pot; one that they have found slow gives none, and both say so.
func TestAFastDrumShortensItsPot(t *testing.T) {
	s := situation(10, 22, 0, 50)
	b := mixed(&s, 2)
	b.Drum = "R7"
	sheet := adviceOn(s, b)
	require.Empty(t, sheet.Reasons)
	with := func(drum string, times float64) BatchAdvice {
		s.Earlier = earlier(&s, 3, touchesOf(t, times, cure.TackOpens, cure.TackCloses)...)
		for i := range s.Earlier {
			s.Earlier[i].Drum = drum
		}
		defer func() { s.Earlier = nil }()
		return adviceOn(s, b)
	}
	minutes := func(a BatchAdvice, at units.Instant) float64 { return float64(at-a.Mixed) / 60 }
	fast := with("R7", 0.75)
	ratio := minutes(fast, fast.Working.Likely) / minutes(sheet, sheet.Working.Likely)
	require.InDelta(t, 0.8, ratio, 0.1, "coats in 0.75 of the time of their sheet, and a prior that pulls a little")
	require.Less(t, fast.Working.Early, fast.Working.Likely)
	require.Greater(t, fast.Working.Late, fast.Working.Likely)
	require.Less(t, fast.Gel.Likely, sheet.Gel.Likely)
	width := func(a BatchAdvice) float64 {
		return math.Log(minutes(a, a.Working.Late) / minutes(a, a.Working.Early))
	}
	require.Less(t, width(fast), width(sheet), "touches narrow it")
	require.Len(t, fast.Reasons, 1)
	require.Equal(t, "drum", fast.Reasons[0].Rule)
	require.Regexp(t, `^Drum R7 of medium \(invented\) runs \d+ % faster .* By that this batch can be worked for \d+ min from mixing, not the \d+ min of its sheet\.$`, fast.Reasons[0].Text)
	slow := with("R7", 1.3)
	require.Equal(t, sheet.Working, slow.Working, "no time is given away")
	require.Equal(t, sheet.MayRunAway, slow.MayRunAway)
	require.Contains(t, slow.Reasons[0].Text, "keeps the clock of its sheet")
	other := with("R8", 0.75)
	require.Equal(t, sheet, other, "another drum says nothing of it")
}
