package jobbook

import (
	"context"
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/sequence"
)

func TestStepsOfAPiece(t *testing.T) {
	d := newDesk(t)
	piece := d.piece(d.job())
	plan, _ := sequence.TemplateOf("wet method")
	plan.Steps[2].FabricGM2 = 200
	res := d.do(SetSteps{Piece: piece, Saw: 1, Steps: Planned(plan.Steps)})
	p, _ := d.state().Piece(piece)
	require.Equal(t, plan.Steps, p.Plan())
	_, err := d.try("Ben", SetSteps{Piece: piece, Saw: 1, Steps: Planned(plan.Steps[:1])})
	require.ErrorAs(t, err, new(*Conflict), "the second phone is told")
	d.do(Undo{Seq: res.Seq})
	p, _ = d.state().Piece(piece)
	require.Empty(t, p.Plan())
	d.checkWhole()
}

// TestThePlanOfATime: advice that is made again later rests on the plan of its own time.
func TestThePlanOfATime(t *testing.T) {
	d := newDesk(t)
	piece := d.piece(d.job())
	wet, _ := sequence.TemplateOf("wet method")
	dry, _ := sequence.TemplateOf("dry method")
	d.do(SetSteps{Piece: piece, Saw: 1, Steps: Planned(wet.Steps)})
	first := d.now
	d.do(SetSteps{Piece: piece, Saw: 2, Steps: Planned(dry.Steps)})
	second := d.now
	res := d.do(SetSteps{Piece: piece, Saw: 3, Steps: Planned(nil)})
	p, _ := d.state().Piece(piece)
	require.Empty(t, p.PlanAt(first-1))
	require.Equal(t, wet.Steps, p.PlanAt(first))
	require.Equal(t, wet.Steps, p.PlanAt(second-1))
	require.Equal(t, dry.Steps, p.PlanAt(second))
	require.Empty(t, p.PlanAt(d.now))
	d.do(Undo{Seq: res.Seq})
	p, _ = d.state().Piece(piece)
	require.Equal(t, dry.Steps, p.PlanAt(d.now))
	d.checkWhole()
}

func TestAStepFromAClientIsReadStrictly(t *testing.T) {
	d := newDesk(t)
	piece := d.piece(d.job())
	for _, c := range []struct{ steps, says string }{
		{`{}`, "payload"},
		{`null`, "JSON list"},
		{`["seal"]`, "step 1 is no step"},
		{`[{"work":"seal","wait":"nothing"},{"work":"fill","wait":"recoat window","coats":3}]`, `step 2 is no step: json: unknown field "coats"`},
		{`[{"wait":"nothing"}]`, "work is missing"},
		{`[{"work":"seal","wait":"later"}]`, `wait "later"`},
	} {
		p, err := Decode("set-steps", []byte(`{"piece":3,"saw_rev":1,"steps":`+c.steps+`}`))
		if err == nil {
			require.Equal(t, int64(3), piece)
			_, err = d.try("Ann", p)
		}
		require.ErrorContains(t, err, c.says)
	}
	require.Empty(t, d.state().Pieces[0].Steps)
}

// olderSteps is a SetSteps as books of an earlier time have it: any JSON list.
type olderSteps struct {
	Piece int64           `json:"piece"`
	Saw   int64           `json:"saw_rev"`
	Steps json.RawMessage `json:"steps"`
}

func (olderSteps) Kind() string   { return "set-steps" }
func (olderSteps) check(*checker) {}
func (p olderSteps) apply(a *applier) error {
	return change(a, classPiece, p.Piece, &Piece{}, func(e *Piece) {
		e.Steps = nil
		for range 4 {
			e.Steps = append(e.Steps, PlannedStep{})
		}
		_ = json.Unmarshal(p.Steps, &e.Steps)
	})
}

func TestAnOlderShapeOfStepsStaysReadable(t *testing.T) {
	d := newDesk(t)
	piece := d.piece(d.job())
	d.do(olderSteps{Piece: piece, Saw: 1, Steps: json.RawMessage(`["seal",{"kind":"bedding","days":1.50},null,{"wait":"firm","work":"wash"}]`)})
	require.NoError(t, d.b.Rebuild(context.Background()))
	p, _ := d.state().Piece(piece)
	require.Len(t, p.Steps, 4)
	require.Equal(t, []sequence.Step{{Work: sequence.Wash, Wait: sequence.Firm}}, p.Plan(), "what is a step counts")
	b, err := json.Marshal(p.Steps)
	require.NoError(t, err)
	require.JSONEq(t, `["seal",{"kind":"bedding","days":1.50},null,{"work":"wash","wait":"firm"}]`, string(b), "what is none stays as it was")
	d.checkWhole()
	edit := pieceData(p.Job)
	edit.Name = "port topside, forward"
	d.do(EditPiece{Piece: piece, Saw: p.Rev, PieceData: edit})
	p, _ = d.state().Piece(piece)
	require.Len(t, p.Steps, 4)
	_, err = d.try("Ann", SetSteps{Piece: piece, Saw: p.Rev, Steps: p.Steps})
	require.Contains(t, problem(t, err, "steps"), "step 1 is no step")
}

func TestDid(t *testing.T) {
	d := newDesk(t)
	job := d.job()
	piece := d.piece(job)
	coat := d.coat(piece)
	res := d.do(Did{Piece: piece, What: "washed", Note: "two buckets"})
	d.do(Did{Piece: piece, What: "peel-ply off", When: d.now - 10*minute})
	d.do(Did{Piece: piece, What: "abrade"})
	s := d.state()
	var works []sequence.Work
	for _, x := range s.DeedsOn(piece) {
		works = append(works, x.Work)
	}
	require.Equal(t, []sequence.Work{sequence.PeelPlyOff, sequence.Wash, sequence.Abrade}, works, "by time")
	require.Equal(t, coat, s.Coats[0].ID)
	undo := d.do(Undo{Seq: res.Seq})
	require.Len(t, d.state().DeedsOn(piece), 2)
	d.do(Undo{Seq: undo.Seq})
	require.Len(t, d.state().DeedsOn(piece), 3, "the undo undone")
	_, err := d.try("Ann", Did{Piece: piece, What: "washed", When: d.now + hour})
	require.Contains(t, problem(t, err, "when_ms"), "future")
	_, err = d.try("Ann", Did{Piece: piece, What: "seal"})
	require.Contains(t, problem(t, err, "what"), "start-coat")
	d.checkWhole()
}

// TestDidMovesWithTheClock: a deed that was said while the clock was unset moves with it.
func TestDidMovesWithTheClock(t *testing.T) {
	d := newDesk(t)
	piece := d.piece(d.job())
	d.now += minute
	at := d.stamp()
	at.Clock = ClockUnsynced
	_, err := d.b.Do(context.Background(), Command{Who: "Ann", At: at, Payload: Did{Piece: piece, What: "washed"}})
	require.NoError(t, err)
	require.False(t, d.state().Deeds[0].When.Sure())
	d.do(ClockFound{Boot: at.Boot, OffsetMS: hour, How: "test"})
	got := d.state().Deeds[0].When
	require.True(t, got.Sure())
	require.Equal(t, at.Wall+hour, got.MS)
}
