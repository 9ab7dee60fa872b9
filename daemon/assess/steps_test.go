package assess

import (
	"context"
	"encoding/json"
	"errors"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/advisor/cure"
	"tackline/advisor/sequence"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
)

// TestTheBookSetsTheSteps goes from what people say to the next step: a plan, a coat, a deed, its undo, and the advice of an earlier moment
// made again after the plan was changed. Boat and times are invented.
func TestTheBookSetsTheSteps(t *testing.T) {
	ctx := context.Background()
	book, err := jobbook.Open(ctx, filepath.Join(t.TempDir(), "jobbook.db"), jobbook.Options{BookID: "test", Clock: jobbook.ClockSynced})
	require.NoError(t, err)
	defer func() { require.NoError(t, book.Close()) }()
	system, err := config.LoadSystem("medium")
	require.NoError(t, err)
	raw, err := json.Marshal(system)
	require.NoError(t, err)
	say := func(at int64, p jobbook.Payload) jobbook.Result {
		t.Helper()
		r, err := book.Do(ctx, jobbook.Command{Who: "Wren", At: jobbook.Stamp{Wall: at, Mono: at - noon + 1e9, Boot: "b", Clock: jobbook.ClockSynced}, Payload: p})
		require.NoError(t, err)
		return r
	}
	hour := int64(3_600_000)
	job := say(noon-30*hour, jobbook.AddJob{JobData: jobbook.JobData{Name: "Sandpiper"}}).ID
	piece := say(noon-30*hour, jobbook.AddPiece{PieceData: jobbook.PieceData{Job: job, Name: "foredeck", ThicknessMM: 9, DensityKgM3: 500, Lie: advisor.LieFlat, Bare: true}}).ID
	plan, _ := sequence.TemplateOf("wet method")
	say(noon-30*hour, jobbook.SetSteps{Piece: piece, Saw: 1, Steps: jobbook.Planned(plan.Fit("medium", 200, 0))})
	for i, kind := range []advisor.Kind{advisor.Seal, advisor.Bedding, advisor.WetOut} {
		say(noon-(26-int64(i))*hour, jobbook.StartCoat{CoatData: jobbook.CoatData{Piece: piece, Kind: kind, SystemName: system.Name, System: raw}})
	}
	l := &log{from: noon - 40*hour, to: noon + hour}
	a := assessor(l)
	a.o.Facts = book
	a.o.System = func(name string) (cure.System, error) {
		if name != "medium" {
			return cure.System{}, errors.New("no such system")
		}
		return system, nil
	}
	next := func(at int64) *sequence.Next {
		t.Helper()
		_, advice, err := a.Advise(ctx, at, true)
		require.NoError(t, err)
		require.Len(t, advice.Pieces, 1)
		return advice.Pieces[0].Next
	}
	require.Equal(t, sequence.Seal, next(noon-28*hour).Work, "before the first coat")
	n := next(noon)
	require.Equal(t, sequence.Fill, n.Work, n.Text)
	require.Equal(t, "medium", n.System)
	require.Equal(t, sequence.No, n.Ready, "the window has closed a day ago")
	require.Equal(t, []sequence.Work{sequence.Wash, sequence.Scuff}, []sequence.Work{n.First[0].Work, n.First[1].Work})

	washed := say(noon, jobbook.Did{Piece: piece, What: "washed", When: noon - 3*hour})
	say(noon, jobbook.Did{Piece: piece, What: "scuffed", When: noon - hour})
	require.Equal(t, sequence.Yes, next(noon+60_000).Ready)
	say(noon+60_000, jobbook.Undo{Seq: washed.Seq})
	n = next(noon + 120_000)
	require.Equal(t, sequence.No, n.Ready, "the washing was taken back")
	require.Equal(t, sequence.Wash, n.First[0].Work)

	before, err := json.Marshal(next(noon - hour))
	require.NoError(t, err)
	facts, err := book.State(ctx)
	require.NoError(t, err)
	p, _ := facts.Piece(piece)
	say(noon+120_000, jobbook.SetSteps{Piece: piece, Saw: p.Rev, Steps: jobbook.Planned([]sequence.Step{{Work: sequence.Fill, Wait: sequence.RecoatWindow, System: "treacle"}})})
	after, err := json.Marshal(next(noon - hour))
	require.NoError(t, err)
	require.JSONEq(t, string(before), string(after), "advice of an earlier time rests on the plan of that time")
	s, advice, err := a.Advise(ctx, noon+180_000, true)
	require.NoError(t, err)
	require.Empty(t, s.Systems)
	require.Equal(t, advisor.CantSay, advice.Pieces[0].Verdict, "a system that nobody knows")
}
