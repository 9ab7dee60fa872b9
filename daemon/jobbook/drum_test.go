package jobbook

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
)

func TestADrumIsNamedByItsLots(t *testing.T) {
	d := newDesk(t)
	piece := d.piece(d.job())
	add := func(what, name, lot string) int64 {
		return d.do(AddStock{StockData: StockData{What: what, Name: name, Lot: lot, Unit: "g"}, Amount: 5000}).ID
	}
	resin, hardener, filler := add("resin", "slow resin", "R7"), add("hardener", "slow hardener", ""), add("filler", "beads", "B1")
	batch := batchData()
	batch.Lots = []int64{resin, filler, hardener, resin}
	said := coatData(piece)
	said.Note = "lot K12"
	plain := coatData(piece)
	plain.Note = "no lot said"
	from, told, nothing := d.do(StartCoat{CoatData: coatData(piece), Inline: &batch}), d.do(StartCoat{CoatData: said}), d.do(StartCoat{CoatData: plain})
	s := d.state()
	name := func(id int64) string {
		c, ok := s.Coat(id)
		require.True(t, ok)
		return s.DrumOf(&c)
	}
	require.Equal(t, "R7 + slow hardener", name(from.ID))
	require.Equal(t, "K12", name(told.ID))
	require.Equal(t, "", name(nothing.ID))
	require.Len(t, s.Batches, 1)
	require.Equal(t, "R7 + slow hardener", s.DrumOfBatch(&s.Batches[0]))
}

func TestForgetADrumAndBringItBack(t *testing.T) {
	d := newDesk(t)
	piece := d.piece(d.job())
	coat := coatData(piece)
	coat.Note = "lot K12"
	of, other := d.do(StartCoat{CoatData: coat}), d.do(StartCoat{CoatData: coatData(piece)})
	early, elsewhere := d.do(Touch{Coat: of.ID, State: advisor.StateWet}), d.do(Touch{Coat: other.ID, State: advisor.StateWet})
	forget := d.do(ForgetDrum{DrumData: DrumData{System: coat.SystemName, Drum: "K12"}, Note: "new drum under the old name"})
	at := d.now
	late := d.do(Touch{Coat: of.ID, State: advisor.StateTacky})
	forgets := func(touch int64, at int64) bool {
		s := d.state()
		for i := range s.Touches {
			if x := &s.Touches[i]; x.ID == touch {
				c, ok := s.Coat(x.Coat)
				require.True(t, ok)
				return s.Forgets(&c, x, at)
			}
		}
		require.Fail(t, "no such touch")
		return false
	}
	require.True(t, forgets(early.ID, d.now))
	require.False(t, forgets(early.ID, at-1), "not before she said so")
	require.False(t, forgets(late.ID, d.now), "touches after it teach again")
	require.False(t, forgets(elsewhere.ID, d.now), "coats of another drum keep theirs")
	require.Len(t, d.state().Touches, 3, "nothing is lost")
	undone := d.do(Undo{Seq: forget.Seq})
	require.False(t, forgets(early.ID, d.now))
	d.do(Undo{Seq: undone.Seq})
	require.True(t, forgets(early.ID, d.now))

	require.Empty(t, forget.Notes)
	typo := d.do(ForgetDrum{DrumData: DrumData{System: coat.SystemName, Drum: "K13"}})
	require.Len(t, typo.Notes, 1)
	require.Contains(t, typo.Notes[0], `no coat of drum "K13"`)
	_, err := d.try("Ann", ForgetDrum{})
	problem(t, err, "system")
	p, err := Decode("forget-drum", []byte(`{"system":"medium","drum":"K12","when_ms":5}`))
	require.NoError(t, err)
	require.Equal(t, ForgetDrum{DrumData: DrumData{System: "medium", Drum: "K12"}, When: 5}, p)
	d.checkWhole()
}
