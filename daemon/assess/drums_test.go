package assess

import (
	"context"
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/daemon/jobbook"
)

const dayMs = 86_400_000

// drumBook is a book with one coat of twenty days ago that was touched and frozen, and one that runs.
type drumBook struct {
	state  jobbook.State
	frozen jobbook.Frozen
	asked  int64
}

func (b *drumBook) State(context.Context) (*jobbook.State, error) { return &b.state, nil }

func (b *drumBook) Frozen(context.Context, int64) (jobbook.Frozen, error) {
	b.asked++
	return b.frozen, nil
}

func taughtBook(t *testing.T) *drumBook {
	t.Helper()
	system := mixedAtNoon(t).System
	old, now := noon-20*dayMs, noon-10*minuteMs
	coat := func(id, started, ended int64) jobbook.Coat {
		return jobbook.Coat{Head: jobbook.Head{ID: id}, Started: jobbook.When{MS: started}, Ended: jobbook.When{MS: ended},
			CoatData: jobbook.CoatData{Piece: 1, Kind: advisor.Fill, SystemName: "medium (invented)", System: system, Note: "lot K12", AmountG: 440}}
	}
	touch := func(id, after int64, state advisor.State) jobbook.Touched {
		return jobbook.Touched{Head: jobbook.Head{ID: id}, Coat: 4, State: state, When: jobbook.When{MS: old + after*minuteMs}}
	}
	b := &drumBook{state: jobbook.State{
		Jobs:    []jobbook.Job{{Head: jobbook.Head{ID: 9}}},
		Pieces:  []jobbook.Piece{{Head: jobbook.Head{ID: 1}, PieceData: jobbook.PieceData{Job: 9, Name: "port topside", Lie: advisor.LieUpright, ThicknessMM: 9, DensityKgM3: 500, AreaM2: 2}}},
		Coats:   []jobbook.Coat{coat(4, old, old+dayMs), coat(5, now, 0)},
		Touches: []jobbook.Touched{touch(6, 40, advisor.StateWet), touch(7, 90, advisor.StateTacky), touch(8, 420, advisor.StateTacky), touch(10, 480, advisor.StateGreen)},
	}}
	minutes := jobbook.MinuteTrace{From: old, Columns: []jobbook.Column{{Name: jobbook.ColSurfaceC}, {Name: jobbook.ColSurfaceU}}}
	for i := range 1440 {
		c, u := 15+math.Sin(float64(i)/200), 1.04
		value, doubt := &c, &u
		if i > 900 && i < 960 { // an hour without readings
			value = nil
		}
		minutes.Columns[0].Values, minutes.Columns[1].Values = append(minutes.Columns[0].Values, value), append(minutes.Columns[1].Values, doubt)
	}
	raw, err := minutes.Encode()
	require.NoError(t, err)
	said, err := json.Marshal(advisor.CoatAdvice{SurfaceModelled: true})
	require.NoError(t, err)
	b.frozen = jobbook.Frozen{From: old, To: old + dayMs, MinuteTrace: raw, Advice: said}
	info := jobbook.FrozenInfo{Head: jobbook.Head{ID: 11, Entered: old + dayMs}}
	info.Coat = 4
	b.state.Frozen = []jobbook.FrozenInfo{info}
	return b
}

// TestAFrozenCoatTeachesTheNext: weeks later, with its readings gone, a coat's touches still say how the drum runs.
func TestAFrozenCoatTeachesTheNext(t *testing.T) {
	book := taughtBook(t)
	a := assessor(&log{from: noon - 3*dayMs, to: noon})
	a.o.Facts = book
	s, advice, err := a.Advise(t.Context(), noon, true)
	require.NoError(t, err)
	require.Len(t, s.Earlier, 1)
	e := s.Earlier[0]
	require.Equal(t, "K12", e.Drum)
	require.Equal(t, "K12", s.Coats[1].Drum)
	require.Equal(t, "K12", s.Pieces[0].NextDrum)
	require.True(t, e.Modelled)
	require.InDelta(t, 1.04, e.U, 1e-9)
	require.Len(t, e.Touches, 4)
	require.Len(t, e.SurfaceC.Gaps(float64(e.Started)+300, float64(e.Started)+80000), 1, "what was not measured stays a gap")
	require.InDelta(t, 220, *s.Coats[1].AmountGM2, 1e-9)
	require.Len(t, advice.Drums, 1)
	require.Equal(t, int64(4), advice.Drums[0].Touches)
	require.Contains(t, advice.Drums[0].Text, "Drum K12 of medium (invented) runs")
	require.Len(t, advice.Coats, 1)
	require.Equal(t, "K12", advice.Coats[0].Drum)

	_, again, err := a.Advise(t.Context(), noon, true)
	require.NoError(t, err)
	require.Equal(t, advice, again)
	require.Equal(t, int64(1), book.asked, "a frozen film is read once")

	book.state.Forgotten = []jobbook.Forgotten{{DrumData: jobbook.DrumData{System: "medium (invented)", Drum: "K12"}, When: jobbook.When{MS: noon - minuteMs}}}
	s, forgot, err := a.Advise(t.Context(), noon, true)
	require.NoError(t, err)
	require.Empty(t, forgot.Drums, "set aside")
	require.True(t, s.Earlier[0].Touches[0].Forgotten)
	require.NotEqual(t, advice.Coats[0].Windows, forgot.Coats[0].Windows)

	_, before, err := a.Advise(t.Context(), noon-2*minuteMs, true)
	require.NoError(t, err)
	require.Len(t, before.Drums, 1, "as it was known then")
}

func TestAPhoneHearsOfABatchFarBehind(t *testing.T) {
	a := coatAdvice(instant(noon))
	lag := func() bool { return active(Conditions(a, advisor.DefaultLimits(), time.UTC))["coat/7/lag"] }
	require.False(t, lag())
	a.Coats[0].Lag = &advisor.Lag{Times: 1.9, Others: 2}
	a.Coats[0].Reasons = []advisor.Reason{{Rule: "lag", Text: "This coat takes at least 1.9 times as long."}}
	require.True(t, lag())
}
