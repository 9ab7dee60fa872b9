package jobbook

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor"
)

// draw makes a command that is mostly sensible: references mostly exist, revisions are mostly fresh. (rapid prints the seed of a failure.)
func draw(t *rapid.T, s *State, now int64) Payload {
	pick := func(label string, ids []int64) int64 {
		if len(ids) == 0 || rapid.IntRange(0, 19).Draw(t, label+" unknown") == 0 {
			return rapid.Int64Range(0, s.Seq+2).Draw(t, label)
		}
		return rapid.SampledFrom(ids).Draw(t, label)
	}
	rev := func(n int64) int64 { return n + rapid.SampledFrom([]int64{0, 0, 0, 0, -1, 1}).Draw(t, "seen") }
	when := rapid.SampledFrom([]int64{0, 0, now - hour, now - 3*hour, now + hour}).Draw(t, "when")
	jobs, pieces, coats := ids(s.Jobs), ids(s.Pieces), ids(s.Coats)
	data := pieceData(pick("job", jobs))
	data.AreaM2 = float64(rapid.IntRange(1, 20).Draw(t, "area"))
	switch rapid.IntRange(0, 19).Draw(t, "kind") {
	case 0:
		return AddJob{JobData: JobData{Name: rapid.StringN(1, 20, -1).Draw(t, "name")}, Begins: when}
	case 1:
		return AddPiece{data}
	case 2, 3:
		p, _ := s.Piece(pick("piece", pieces))
		return EditPiece{Piece: p.ID, Saw: rev(p.Rev), PieceData: data}
	case 4, 5:
		c := StartCoat{CoatData: coatData(pick("piece", pieces)), When: when}
		if rapid.Bool().Draw(t, "inline") {
			b := batchData()
			c.Inline = &b
		}
		return c
	case 6:
		c, _ := s.Coat(pick("coat", coats))
		return EndCoat{Coat: c.ID, Saw: rev(c.Rev), When: when}
	case 7, 8:
		state := rapid.SampledFrom([]advisor.State{advisor.StateWet, advisor.StateTacky, advisor.StateGreen, advisor.StateFirm}).Draw(t, "state")
		return Touch{Coat: pick("coat", coats), State: state, When: when, Witness: rapid.Bool().Draw(t, "witness")}
	case 9:
		b, _ := s.Batch(pick("batch", ids(s.Batches)))
		return MoveBatch{Batch: b.ID, Saw: rev(b.Rev), Vessel: VesselTray, When: when}
	case 10:
		return AddStock{StockData: StockData{What: "resin", Name: "slow", Unit: "g"}, Amount: 1000}
	case 11:
		return UseStock{Stock: pick("stock", ids(s.Stock)), Amount: float64(rapid.IntRange(1, 500).Draw(t, "amount"))}
	case 12:
		return PlaceProbe{Probe: rapid.SampledFrom([]string{"s1", "s2"}).Draw(t, "probe"), Piece: pick("piece", pieces), From: when}
	case 13:
		l, _ := s.Limit("margin_k")
		return SetLimit{Name: "margin_k", Value: float64(rapid.IntRange(1, 5).Draw(t, "limit")), Unit: "K", Source: "test", Saw: l.ID}
	case 14:
		return ClockFound{Boot: rapid.SampledFrom([]string{"b0", "b1"}).Draw(t, "boot"), OffsetMS: rapid.Int64Range(-hour, hour).Draw(t, "offset"), How: "test"}
	case 15:
		c, _ := s.Coat(pick("coat", coats))
		d := c.CoatData
		d.Batch = rapid.SampledFrom(append(ids(s.Batches), 0)).Draw(t, "other batch")
		d.Note = rapid.StringN(0, 30, -1).Draw(t, "note")
		return EditCoat{Coat: c.ID, Saw: rev(c.Rev), CoatData: d, When: when}
	case 16:
		return BindNode{Node: rapid.SampledFrom([]string{"mqtt:a", "mqtt:b"}).Draw(t, "node"), Probe: rapid.SampledFrom([]string{"s1", "s2", ""}).Draw(t, "bound")}
	default:
		return Undo{Seq: rapid.Int64Range(max(2, s.Seq-8), s.Seq).Draw(t, "undo")}
	}
}

func ids[T any, P interface {
	*T
	entity
}](list []T) []int64 {
	out := make([]int64, len(list))
	for i := range list {
		out[i] = P(&list[i]).head().ID
	}
	return out
}

// Whatever is said in whatever order: the tables are, byte by byte, what the journal makes, the chain is whole, nothing dangles, and a
// refused command leaves no trace.
func TestRebuildIsEqual(t *testing.T) {
	dir := t.TempDir()
	n, stored, refused := 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		n++
		ctx := context.Background()
		b, err := Open(ctx, filepath.Join(dir, time.Duration(n).String()+".db"), Options{BookID: "random", Clock: ClockSynced})
		require.NoError(t, err)
		defer b.Close()
		now := morning
		d := &desk{b: b, now: morning - 30*minute}
		for _, p := range []Payload{AddJob{JobData: JobData{Name: "Tern"}}, AddPiece{pieceData(2)}, AddPiece{pieceData(2)}, StartCoat{CoatData: coatData(3)},
			StartBatch{BatchData: batchData()}, AddStock{StockData: StockData{What: "resin", Name: "slow", Unit: "g"}, Amount: 1000}} {
			_, err := d.try("Ann", p)
			require.NoError(t, err)
		}
		for range rapid.IntRange(5, 40).Draw(t, "commands") {
			now += rapid.Int64Range(0, 20*minute).Draw(t, "later")
			s, err := b.State(ctx)
			require.NoError(t, err)
			at := Stamp{Wall: now, Mono: now - morning, Boot: rapid.SampledFrom([]string{"b0", "b1"}).Draw(t, "boot"), Clock: ClockSynced}
			if rapid.IntRange(0, 3).Draw(t, "clock") == 0 {
				at.Clock = ClockUnsynced
			}
			res, err := b.Do(ctx, Command{Who: "Ann", At: at, Payload: draw(t, s, now)})
			after, stateErr := b.State(ctx)
			require.NoError(t, stateErr)
			if err != nil {
				refused++
				require.Equal(t, s.Seq, after.Seq)
				_, invalid := err.(*Invalid)
				_, conflict := err.(*Conflict)
				require.True(t, invalid || conflict, "%v", err)
				continue
			}
			stored++
			require.Equal(t, s.Seq+1, res.Seq)
			require.Equal(t, after.Seq, res.Seq)
		}
		require.NoError(t, b.CheckState(ctx))
		before, err := b.State(ctx) // grown command by command
		require.NoError(t, err)
		nothingDangles(t, before)
		require.NoError(t, b.Rebuild(ctx))
		after, err := b.State(ctx)
		require.NoError(t, err)
		require.NotSame(t, before, after)
		require.Equal(t, before, after)
		v, err := b.Verify(ctx)
		require.NoError(t, err)
		require.Zero(t, v.BadRow, v.Why)
	})
	t.Logf("%d books, %d commands stored, %d refused", n, stored, refused)
}

func nothingDangles(t *rapid.T, s *State) {
	for _, p := range s.Pieces {
		_, ok := s.Job(p.Job)
		require.True(t, ok, "piece %d without its job", p.ID)
	}
	for _, c := range s.Coats {
		_, ok := s.Piece(c.Piece)
		require.True(t, ok, "coat %d without its piece", c.ID)
		if c.Batch != 0 {
			_, ok = s.Batch(c.Batch)
			require.True(t, ok, "coat %d without its batch", c.ID)
		}
	}
	for _, touch := range s.Touches {
		_, ok := s.Coat(touch.Coat)
		require.True(t, ok, "touch %d without its coat", touch.ID)
	}
}
