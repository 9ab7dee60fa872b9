package advisor

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/cure"
	"tackline/advisor/plan"
	"tackline/advisor/sequence"
)

// hull is the rest of the wet method on an invented hull.
func hull() []sequence.Step {
	t, ok := sequence.TemplateOf("wet method")
	if !ok {
		panic("no such template")
	}
	steps := t.Steps
	for i := range steps {
		if steps[i].Work == sequence.LayFabric {
			steps[i].FabricGM2 = 200
		}
	}
	return sequence.Remaining(steps, sequence.Facts{Bare: true})
}

func TestPlanFor(t *testing.T) {
	s := situation(14, 17, 2, 55)
	s.Pieces[1].AreaM2 = 4.4
	p, err := PlanFor(s, PlanRequest{Piece: 2, Steps: hull()[1:]})
	require.NoError(t, err)
	require.Len(t, p.Starts, int(PlanStarts))
	require.Equal(t, []string{"bedding", "lay fabric", "wet-out", "fill", "fill", "fill"}, p.Steps)
	require.NotEmpty(t, p.Best)
	require.Greater(t, p.Best[0].Chance, 0.5)

	require.EqualValues(t, 200, p.Members)
	b, err := json.MarshalIndent(p.Starts[:2], "", " ")
	require.NoError(t, err)
	t.Logf("%s\n%s\n%s", b, strings.Join(p.Cautions, "\n"), p.Basis)
	for _, o := range p.Others {
		t.Logf("%s to %s %.2f %s: %s", o.From.Time().Format("Mon 15:04"), o.To.Time().Format("Mon 15:04"), o.Chance, o.Weakest, o.Why)
	}
}

func TestPlanIsAFunction(t *testing.T) {
	s := situation(5, 15, 3, 60)
	a, err := PlanFor(s, PlanRequest{Piece: 1, Steps: hull(), Every: 4})
	require.NoError(t, err)
	b, err := PlanFor(s, PlanRequest{Piece: 1, Steps: hull(), Every: 4})
	require.NoError(t, err)
	x, err := json.Marshal(a)
	require.NoError(t, err)
	y, err := json.Marshal(b)
	require.NoError(t, err)
	require.Equal(t, string(x), string(y))
	require.Len(t, a.Starts, 48)
}

// TestPlanOnARunningCoat: the plan of what follows a coat that is on waits for its window, and knows when it has gone.
func TestPlanOnARunningCoat(t *testing.T) {
	s := situation(14, 17, 2, 55)
	s.Hours = Hours{}
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 600}}
	tack := Advise(s).Coats[0].Windows[0]
	p, err := PlanFor(s, PlanRequest{Piece: 2, Steps: hull()[2:3]})
	require.NoError(t, err)
	require.NotEmpty(t, p.Best)
	require.InDelta(t, float64(tack.Opens.Likely), float64(p.Best[0].At), 3600)
	for _, x := range p.Starts {
		if x.At < tack.Opens.Early-900 || x.At > tack.Closes.Late+900 {
			require.Less(t, x.Chance, 0.1)
			require.Equal(t, plan.Window, x.Weakest)
		}
	}
	s.Coats[0].Started = s.At - 30*3600
	p, err = PlanFor(s, PlanRequest{Piece: 2, Steps: []sequence.Step{sequence.Usual(sequence.Fill)}})
	require.NoError(t, err)
	require.Contains(t, strings.Join(p.Cautions, " "), "has closed")
	require.NotEmpty(t, p.Best)
}

// TestPlanFollowsThePieceOwnSteps: without steps in the request it is what is left of the piece's own plan, as far as one step must follow another
// in time; what is through is said to be.
func TestPlanFollowsThePieceOwnSteps(t *testing.T) {
	s := situation(14, 17, 2, 55)
	dry, ok := sequence.TemplateOf("dry method")
	require.True(t, ok)
	s.Pieces[0].Steps = dry.Steps
	p, err := PlanFor(s, PlanRequest{Piece: 1, Every: 8})
	require.NoError(t, err)
	require.Equal(t, []string{"seal"}, p.Steps)
	require.Contains(t, strings.Join(p.Cautions, " "), "the next step, wash, waits until the coat is hard")
	s.Pieces[0].Steps = []sequence.Step{sequence.Usual(sequence.Seal)}
	s.Coats = []Coat{{ID: 1, Piece: 1, Kind: Seal, System: medium(), Started: s.At - 3600, OnTimber: true}}
	p, err = PlanFor(s, PlanRequest{Piece: 1})
	require.ErrorIs(t, err, plan.ErrNotEnough)
	require.Contains(t, p.CantSay, "is through")
	require.NotNil(t, p.Starts)
	s.Pieces[0].Steps = []sequence.Step{{Work: sequence.Fill, Wait: sequence.RecoatWindow, System: "treacle"}}
	_, err = PlanFor(s, PlanRequest{Piece: 1})
	require.ErrorContains(t, err, `the system "treacle" of the fill is not known`)
}

// TestWhatIfOnASituation: another system is another draft, and what is asked for is answered in order.
func TestWhatIfOnASituation(t *testing.T) {
	s := situation(14, 9, 2, 70)
	cold := medium()
	cold.Name, cold.LowestC, cold.HighestSurfaceRHPct = "cold (invented)", 2, 99
	ask := func(text string) []plan.WhatIf {
		list, err := plan.ParseWhatIf(text)
		require.NoError(t, err)
		return list
	}
	p, err := PlanFor(s, PlanRequest{Piece: 2, Every: 4, Systems: map[string]cure.System{"cold": cold},
		WhatIf: [][]plan.WhatIf{ask("system=cold"), ask("tent=8K"), ask("hold=18C 08:00-18:00")}})
	require.NoError(t, err)
	require.Len(t, p.WhatIf, 3)
	for _, g := range p.WhatIf {
		require.GreaterOrEqual(t, g.ChanceAfter, g.ChanceBefore, g.Text)
	}
	require.Greater(t, p.WhatIf[0].ChanceAfter, p.WhatIf[0].ChanceBefore)
	require.Contains(t, strings.Join(p.WhatIf[0].Cautions, " "), "Not every system may go over another")
	require.NotNil(t, p.WhatIf[2].HeatKWhDay)
	_, err = PlanFor(s, PlanRequest{Piece: 2, WhatIf: [][]plan.WhatIf{ask("system=treacle")}})
	require.ErrorContains(t, err, `no resin system is called "treacle"`)
}

// TestPlanAndVerdictAgree: what the verdict says by forecast of a coat that is put on now, in nine of ten members, the plan's first start says too.
func TestPlanAndVerdictAgree(t *testing.T) {
	kept := func(p *plan.Start, rule plan.Rule) float64 {
		for _, r := range p.Rules {
			if r.Rule == rule {
				return r.Kept
			}
		}
		return 1
	}
	said := 0
	for _, mean := range []float64{5, 8, 11, 13, 16, 20} {
		for _, rh := range []float64{45, 65, 75, 85, 95} {
			s := situation(14, mean, 2, rh)
			s.Hours = Hours{}
			p, err := PlanFor(s, PlanRequest{Piece: 1, Every: 48})
			require.NoError(t, err)
			var first *plan.Start
			for i := range p.Starts {
				if first == nil || p.Starts[i].At < first.At {
					first = &p.Starts[i]
				}
			}
			require.Equal(t, s.At, first.At)
			for _, r := range Advise(s).Pieces[0].Reasons {
				rule := plan.Rule(r.Rule)
				if rule != plan.Margin && rule != plan.SurfaceRH && rule != plan.Lowest {
					continue
				}
				said++
				k := kept(first, rule)
				if r.Verdict == Clear {
					require.GreaterOrEqual(t, k, 0.85, "mean %g, %g %%: %s", mean, rh, r.Text)
				} else {
					require.LessOrEqual(t, k, 0.95, "mean %g, %g %%: %s", mean, rh, r.Text)
				}
			}
		}
	}
	require.Equal(t, 90, said)
}

func TestPlanCantSay(t *testing.T) {
	s := situation(14, 17, 2, 55)
	for want, set := range map[string]func(*Situation, *PlanRequest){
		"no piece 9": func(_ *Situation, r *PlanRequest) { r.Piece = 9 },
		"clock":      func(s *Situation, _ *PlanRequest) { s.ClockSet = false },
		"probe":      func(s *Situation, _ *PlanRequest) { s.Climate.RHPct.Problem = "stale" },
		"no resin":   func(s *Situation, _ *PlanRequest) { s.Pieces = []Piece{{ID: 2, Name: "port topside"}} },
		"log is":     func(s *Situation, _ *PlanRequest) { *s = situation(0.1, 17, 2, 55) },
	} {
		x, r := s, PlanRequest{Piece: 2}
		x.Pieces = append([]Piece(nil), s.Pieces...)
		set(&x, &r)
		_, err := PlanFor(x, r)
		require.ErrorIs(t, err, plan.ErrNotEnough, want)
		require.ErrorContains(t, err, want)
	}
}

func BenchmarkPlanFor(b *testing.B) {
	s := situation(14, 15, 2, 60)
	b.ReportAllocs()
	for b.Loop() {
		_, err := PlanFor(s, PlanRequest{Piece: 1, Steps: hull()})
		require.NoError(b, err)
	}
}
