package advisor

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/cure"
	"tackline/advisor/sequence"
	"tackline/advisor/units"
)

// planned is the invented shed with a plan on its second piece and a coat that went on so many seconds ago. Steps name the system "medium".
func planned(mean float64, template string, kind Kind, ago units.Instant) Situation {
	s := situation(6, mean, 1, 50)
	t, _ := sequence.TemplateOf(template)
	s.Pieces[1].Steps = t.Fit("medium", 200, 0)
	s.Systems = map[string]cure.System{"medium": medium()}
	if kind != "" {
		s.Coats = []Coat{{ID: 7, Piece: 2, Kind: kind, System: medium(), Started: s.At - ago}}
	}
	return s
}

// TestTheNextStepIsJudgedByTheCoatBeneath: a bedding coat of the invented system at 16 C is tacky after some forty minutes. Before, in and
// after its tack window the next step, fabric, waits, is ready, and has missed it.
func TestTheNextStepIsJudgedByTheCoatBeneath(t *testing.T) {
	marks := Advise(planned(16, "wet method", Bedding, 600)).Coats[0].Marks
	started := afternoonUnix() - 600
	after := func(i int) units.Instant { return marks[i].When.Likely - started }
	for _, c := range []struct {
		ago     units.Instant
		truth   sequence.Truth
		verdict Verdict
		says    string
	}{
		{after(0) - 300, sequence.No, Wait, "is wet; it is tacky about"},
		{after(0) + 300, sequence.Yes, Clear, "what is laid on it sinks in until"},
		{after(1) + 300, sequence.No, Wait, "fabric no longer sinks in"},
		{after(2) + 900, sequence.No, Wait, "it no longer bonds by itself"},
	} {
		p := Advise(planned(16, "wet method", Bedding, c.ago)).Pieces[1]
		require.NotNil(t, p.Next)
		require.Equal(t, sequence.LayFabric, p.Next.Work)
		require.Equal(t, c.truth, p.Next.Ready, p.Next.Text)
		require.Len(t, p.Steps, 5)
		require.Equal(t, sequence.Skipped, p.Steps[0].Mark, "no seal coat is in the book")
		r := reasonOf(p, "window")
		require.Equal(t, c.verdict, r.Verdict, r.Text)
		require.Contains(t, r.Text, "Next by the plan: lay fabric.")
		require.Contains(t, r.Text, c.says)
		require.NotNil(t, r.Value)
		require.Equal(t, "min", r.Unit)
		require.NotEmpty(t, r.Source)
	}
}

func afternoonUnix() units.Instant { return units.InstantOf(afternoon) }

// TestAMissedWindowAsksWhatTheCoatNeeds: open weave is scuffed, never sanded; a full one is abraded.
func TestAMissedWindowAsksWhatTheCoatNeeds(t *testing.T) {
	s := planned(16, "wet method", WetOut, 9*3600)
	r := reasonOf(Advise(s).Pieces[1], "window")
	require.Equal(t, Wait, r.Verdict)
	require.Contains(t, r.Text, "scuff with a pad, not paper: the weave is not full")
	require.Contains(t, r.Text, "maker's sheet")
	require.NotContains(t, r.Text, "80 grit")

	s.Coats[0].Started = s.At - 24*3600
	wash, scuff := Deed{ID: 20, Work: sequence.Wash, At: s.At - 2*3600}, Deed{ID: 21, Work: sequence.Scuff, At: s.At - 600}
	s.Pieces[1].Deeds = []Deed{wash, scuff}
	p := Advise(s).Pieces[1]
	require.Equal(t, sequence.Yes, p.Next.Ready, p.Next.Text)
	require.Equal(t, Clear, reasonOf(p, "window").Verdict)

	s.Climate.RHPct.Problem = "stale"
	s.Climate.RHPct.Trace.At, s.Climate.RHPct.Trace.V = nil, nil
	p = Advise(s).Pieces[1]
	require.Equal(t, CantSay, reasonOf(p, "window").Verdict, "whether it is dry again is not known")

	s = planned(16, "filled weave", Fill, 24*3600)
	s.Pieces[1].Steps = s.Pieces[1].Steps[:1]
	s.Pieces[1].Deeds = []Deed{{ID: 19, Work: sequence.LayFabric, At: s.At - 40*3600}, {ID: 20, Work: sequence.WeaveFull, At: s.At - 20*3600}}
	require.Nil(t, Advise(s).Pieces[1].Next, "she says that it is full: the plan is through")
	r = reasonOf(Advise(s).Pieces[1], "window")
	require.Equal(t, Clear, r.Verdict)
	require.Contains(t, r.Text, "plan of this piece is through")
}

func TestDryMinutes(t *testing.T) {
	for _, c := range []struct {
		rh   float64
		want float64
	}{{50, 120}, {90, 0}} {
		s := situation(4, 16, 0, c.rh)
		w := read(&s)
		k := surfaceOf(&w, &s.Pieces[1])
		got := dryMinutes(&w, &k, w.at-7200)
		require.NotNil(t, got)
		require.InDelta(t, c.want, *got, 1e-6)
		s.Climate.RHPct.Problem = "never seen"
		s.Climate.RHPct.Trace.At, s.Climate.RHPct.Trace.V = nil, nil
		w = read(&s)
		require.Nil(t, dryMinutes(&w, &k, w.at-7200))
	}
}

// TestAnOldCoatIsNotTakenForAFreshOne: ten days on, no window of it is open; what a finger found hard stays hard.
func TestAnOldCoatIsNotTakenForAFreshOne(t *testing.T) {
	s := planned(16, "wet method", Fill, 12*86400)
	s.Coats[0].Ended = s.At - 11*86400
	p := Advise(s).Pieces[1]
	require.Equal(t, sequence.No, p.Next.Ready, p.Next.Text)
	require.NotEqual(t, Clear, reasonOf(p, "window").Verdict)
	std := standingOf(&s.Coats[0], nil)
	require.Empty(t, std.State)
	s.Coats[0].Touches = []Touch{{At: s.At - 86400, State: StateSandable}, {At: s.At - 80000, State: StateWet, Witness: true}}
	std = standingOf(&s.Coats[0], nil)
	require.Equal(t, "sandable", std.State)
	require.True(t, std.ByTouch)
}

// TestHoursOfTheWholeSequence: a sequence that fits into the day is clear; one of which a later step would fall into the night waits, and
// names that step, its window and the hours that it has there.
func TestHoursOfTheWholeSequence(t *testing.T) {
	s := planned(20, "wet method", "", 0)
	s.At -= 5 * 3600 // nine in the morning
	p := Advise(s).Pieces[1]
	r := reasonOf(p, "hours")
	require.Equal(t, Clear, r.Verdict, r.Text)
	require.Contains(t, r.Text, "all 6 steps that must follow in time")
	require.GreaterOrEqual(t, *r.Value, *r.Limit)
	require.Equal(t, "working hours", r.Source)

	s.Hours.EndMin = 10*60 + 20
	r = reasonOf(Advise(s).Pieces[1], "hours")
	require.Equal(t, Wait, r.Verdict, r.Text)
	require.Contains(t, r.Text, "would fall from")
	require.Less(t, *r.Value, *r.Limit)

	s.Hours.EndMin = 9*60 + 10
	r = reasonOf(Advise(s).Pieces[1], "hours")
	require.Equal(t, Wait, r.Verdict)
	require.Contains(t, r.Text, "A coat put on now takes the bedding from")

	s.Pieces[1].Steps = s.Pieces[1].Steps[4:]
	s.Pieces[1].Steps[0].Count = 1
	r = reasonOf(Advise(s).Pieces[1], "hours")
	require.Equal(t, Clear, r.Verdict)
	require.Contains(t, r.Text, "Nothing has to follow")
}

// TestASystemThatIsNotKnown: a step that names one makes its rules say so, and never falls back to another.
func TestASystemThatIsNotKnown(t *testing.T) {
	s := planned(16, "wet method", "", 0)
	s.Systems = nil
	p := Advise(s).Pieces[1]
	require.Equal(t, CantSay, p.Verdict)
	require.Contains(t, reasonOf(p, "lowest").Text, `The system "medium" of the next step is not known`)
}

func TestWhatItMeansStaysWithTheCoat(t *testing.T) {
	s := planned(16, "wet method", Fill, 24*3600)
	s.Coats = append(s.Coats, Coat{ID: 8, Piece: 2, Kind: Fill, System: medium(), Started: s.At - 3600})
	a := Advise(s)
	require.Empty(t, a.Coats[0].Means)
	require.Len(t, a.Coats[1].Means, 1)
	require.Contains(t, a.Coats[1].Means[0].Text, "Do not count on the bond")
	b, err := json.Marshal(a)
	require.NoError(t, err)
	var back Advice
	require.NoError(t, json.Unmarshal(b, &back))
	again, err := json.Marshal(back)
	require.NoError(t, err)
	require.JSONEq(t, string(b), string(again))
}

// TestMissingInputIsNeverClearWithAPlan: as without one, whatever has been done.
func TestMissingInputIsNeverClearWithAPlan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		template := rapid.SampledFrom(sequence.Templates()).Draw(t, "plan").Name
		s := planned(rapid.Float64Range(8, 25).Draw(t, "mean"), template, rapid.SampledFrom(append(Kinds(), "")).Draw(t, "kind"),
			units.Instant(rapid.Float64Range(0, 40*3600).Draw(t, "ago")))
		if rapid.Bool().Draw(t, "prepared") {
			s.Pieces[1].Deeds = []Deed{{ID: 1, Work: sequence.Wash, At: s.At - 7200}, {ID: 2, Work: sequence.Scuff, At: s.At - 60}}
		}
		problem := rapid.SampledFrom([]string{"stale", "never seen"}).Draw(t, "problem")
		if rapid.Bool().Draw(t, "air") {
			s.Climate.AirC.Problem = problem
		} else {
			s.Climate.RHPct.Problem = problem
		}
		for _, p := range Advise(s).Pieces {
			require.NotEqual(t, Clear, p.Verdict, p.Name)
		}
	})
}

func BenchmarkAdviseWithPlan(b *testing.B) {
	s := planned(16, "wet method", Bedding, 3600)
	b.ReportAllocs()
	for b.Loop() {
		Advise(s)
	}
}
