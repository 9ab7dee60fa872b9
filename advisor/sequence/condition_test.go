package sequence

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/units"
)

func p64(v float64) *float64 { return &v }

// at gives a moment m minutes after t0 with ten minutes to either side.
func at(m float64) Moment {
	x := t0 + units.Instant(60*m)
	return Moment{Early: x - 600, Likely: x, Late: x + 600}
}

// standing gives a coat of invented times that was begun at t0: tacky at 60 min, too late for fabric at 120, for the next coat at 240, firm at
// 400, sandable at 700; cured from 2000 min on.
func standing(now float64) Standing {
	s := Standing{TackOpens: at(60), TackCloses: at(120), RecoatCloses: at(240), Firm: at(400), Sandable: at(700), TgC: p64(41)}
	s.State = "wet"
	for _, m := range []struct {
		from  float64
		state string
	}{{60, "tacky"}, {120, "green"}, {240, "set"}, {400, "firm"}, {700, "sandable"}, {2000, "cured"}} {
		if now >= m.from {
			s.State = m.state
		}
	}
	return s
}

// piece gives the facts of a piece with one coat of a kind, now minutes after it went on.
func piece(work Work, now float64, deeds ...Deed) Facts {
	return Facts{At: t0 + units.Instant(60*now), Bare: true, Coats: []Coat{{ID: 1, Work: work, Started: t0, Standing: standing(now)}}, Deeds: deeds}
}

func deed(w Work, m float64) Deed {
	return Deed{ID: int64(m) + 1000, Work: w, At: t0 + units.Instant(60*m)}
}

func washedDry(m, dry float64) Deed {
	d := deed(Wash, m)
	d.DryMin = p64(dry)
	return d
}

func need(t *testing.T, n Next, name string) Condition {
	t.Helper()
	for _, c := range n.Conditions {
		if c.Need == name {
			return c
		}
	}
	require.Failf(t, "no such condition", "%s in %+v", name, n.Conditions)
	return Condition{}
}

// TestEachConditionBothWays: every precondition, met, not met, and where it can be, not known. Times are invented.
func TestEachConditionBothWays(t *testing.T) {
	blind := func(f Facts) Facts {
		f.Coats[0].Standing = Standing{Why: "air temperature: stale"}
		return f
	}
	touched := func(f Facts) Facts { f.Coats[0].Standing.ByTouch = true; return f }
	stalled := func(f Facts) Facts { f.Coats[0].Standing.Stalled = true; return f }
	onWeave := func(f Facts) Facts { f.Coats[0].Work = WetOut; return f }
	for _, c := range []struct {
		name         string
		step         Step
		facts        Facts
		need         string
		want         Truth
		value, limit *float64
		unit         string
	}{
		{"wet: it is", Usual(PeelPlyOn), piece(WetOut, 20), "wet", Yes, p64(30), p64(0), "min"},
		{"wet: nearly tacky", Usual(PeelPlyOn), piece(WetOut, 55), "wet", Unknown, p64(-5), p64(0), "min"},
		{"wet: tacky", Usual(PeelPlyOn), piece(WetOut, 70), "wet", No, p64(-10), p64(0), "min"},
		{"wet: not known", Usual(PeelPlyOn), blind(piece(WetOut, 20)), "wet", Unknown, nil, nil, ""},
		{"wet: no coat", Usual(Glue), Facts{At: t0, Bare: true}, "wet", No, nil, nil, ""},
		{"tack: wet", Usual(LayFabric), piece(Bedding, 20), "tack window", No, p64(40), p64(0), "min"},
		{"tack: open", Usual(LayFabric), piece(Bedding, 70), "tack window", Yes, p64(40), p64(0), "min"},
		{"tack: closing", Usual(LayFabric), piece(Bedding, 115), "tack window", Unknown, p64(-5), p64(0), "min"},
		{"tack: green", Usual(LayFabric), piece(Bedding, 125), "tack window", No, p64(-5), p64(0), "min"},
		{"tack: not known", Usual(LayFabric), blind(piece(Bedding, 70)), "tack window", Unknown, nil, nil, ""},
		{"tack: no coat", Usual(LayFabric), Facts{At: t0, Bare: true}, "tack window", No, nil, nil, ""},
		{"recoat: bare", Usual(Fill), Facts{At: t0, Bare: true}, "recoat window", Yes, nil, nil, ""},
		{"recoat: wet", Usual(Fill), piece(Fill, 59), "recoat window", No, p64(1), p64(0), "min"},
		{"recoat: tacky", Usual(Fill), piece(Fill, 60), "recoat window", Yes, p64(170), p64(0), "min"},
		{"recoat: green", Usual(Fill), piece(Fill, 200), "recoat window", Yes, p64(30), p64(0), "min"},
		{"recoat: closing", Usual(Fill), piece(Fill, 235), "recoat window", Unknown, p64(-5), p64(0), "min"},
		{"recoat: set", Usual(Fill), piece(Fill, 240), "recoat window", No, p64(0), p64(0), "min"},
		{"recoat: not known", Usual(Fill), blind(piece(Fill, 100)), "recoat window", Unknown, nil, nil, ""},
		{"firm: set", Usual(Wash), piece(Fill, 300), "firm", No, p64(110), p64(0), "min"},
		{"firm: likely", Usual(Wash), piece(Fill, 405), "firm", Unknown, p64(5), p64(0), "min"},
		{"firm: likely, and a finger says so", Usual(Wash), touched(piece(Fill, 405)), "firm", Yes, p64(5), p64(0), "min"},
		{"firm: late time past", Usual(Wash), piece(Fill, 410), "firm", Yes, p64(0), p64(0), "min"},
		{"firm: not known", Usual(Wash), blind(piece(Fill, 410)), "firm", Unknown, nil, nil, ""},
		{"sandable: firm", Usual(Abrade), piece(Fill, 500), "sandable", No, p64(210), p64(0), "min"},
		{"sandable: likely", Usual(Abrade), piece(Fill, 705), "sandable", Unknown, p64(5), p64(0), "min"},
		{"sandable", Usual(Abrade), piece(Fill, 800), "sandable", Yes, p64(-90), p64(0), "min"},
		{"sandable: hard by the cold", Usual(Abrade), stalled(piece(Fill, 800)), "sandable", No, p64(-90), p64(0), "min"},
		{"sandable: not known", Usual(Abrade), blind(piece(Fill, 800)), "sandable", Unknown, nil, nil, ""},
		{"cured: sandable", Usual(WarmUp), piece(Fill, 800), "cured", No, nil, nil, ""},
		{"cured", Usual(WarmUp), piece(Fill, 2100), "cured", Yes, nil, nil, ""},
		{"cured: stalled", Usual(WarmUp), stalled(piece(Fill, 2100)), "cured", No, nil, nil, ""},
		{"washed: not", Usual(Abrade), piece(Fill, 800), "washed", No, nil, nil, ""},
		{"washed", Usual(Abrade), piece(Fill, 800, washedDry(720, 80)), "washed", Yes, nil, nil, ""},
		{"washed before the coat", Usual(Abrade), piece(Fill, 800, washedDry(-20, 80)), "washed", No, nil, nil, ""},
		{"dry: not washed", Usual(Abrade), piece(Fill, 800), "dry", No, nil, nil, ""},
		{"dry: 59 min", Usual(Abrade), piece(Fill, 800, washedDry(720, 59)), "dry", No, p64(59), p64(60), "min"},
		{"dry: 60 min", Usual(Abrade), piece(Fill, 800, washedDry(720, 60)), "dry", Yes, p64(60), p64(60), "min"},
		{"dry: humidity not known", Usual(Abrade), piece(Fill, 800, deed(Wash, 720)), "dry", Unknown, nil, p64(60), "min"},
		{"dry: her own 90 min", Step{Work: Abrade, Wait: Sandable, WaitMin: 90}, piece(Fill, 800, washedDry(720, 60)), "dry", No, p64(60), p64(90), "min"},
		{"weave: open", Usual(Abrade), onWeave(piece(Fill, 800)), "weave full", No, nil, nil, ""},
		{"abraded: not", Usual(Finish), piece(Fill, 900, washedDry(720, 80)), "abraded", No, nil, nil, ""},
		{"abraded", Usual(Finish), piece(Fill, 900, washedDry(720, 80), deed(Abrade, 850)), "abraded", Yes, nil, nil, ""},
		{"abraded before it was washed", Usual(Finish), piece(Fill, 900, deed(Abrade, 710), washedDry(720, 80)), "abraded", No, nil, nil, ""},
		{"scuffed: not", Usual(Finish), onWeave(piece(Fill, 900, washedDry(720, 80))), "scuffed", No, nil, nil, ""},
		{"scuffed", Usual(Finish), onWeave(piece(Fill, 900, washedDry(720, 80), deed(Scuff, 850))), "scuffed", Yes, nil, nil, ""},
		{"bond: green, and it bonds by itself", Step{Work: Fill, Wait: BondByAbrading}, piece(Fill, 200), "recoat window", Yes, p64(30), p64(0), "min"},
		{"bond: green, under a finish", Usual(Finish), piece(Fill, 200), "washed", No, nil, nil, ""},
		{"peel ply: on", Usual(Finish), piece(WetOut, 900, deed(PeelPlyOn, 20)), "peel ply off", No, nil, nil, ""},
		{"peel ply: just off", Usual(Finish), piece(WetOut, 900, deed(PeelPlyOn, 20), deed(PeelPlyOff, 870)), "peel ply off", Yes, p64(0.5), p64(24), "h"},
		{"peel ply: stayed for months, not looked at", Usual(Finish), piece(WetOut, 90000, deed(PeelPlyOn, 20), deed(PeelPlyOff, 89990)), "inspected", No, p64(62), p64(30), "days"},
		{"peel ply: stayed for months, looked at", Usual(Finish), piece(WetOut, 90000, deed(PeelPlyOn, 20), deed(PeelPlyOff, 89980), deed(Inspect, 89990)), "inspected", Yes, p64(62), p64(30), "days"},
		{"peel ply to take off: none in the book", Usual(PeelPlyOff), piece(WetOut, 900), "peel ply on", Unknown, nil, nil, ""},
		{"clamps: 11 h", Step{Work: ClampsOff, Wait: Firm, WaitMin: 720}, piece(Glue, 660), "waited", No, p64(660), p64(720), "min"},
		{"clamps: 12 h", Step{Work: ClampsOff, Wait: Firm, WaitMin: 720}, piece(Glue, 720), "waited", Yes, p64(720), p64(720), "min"},
		{"waits, and nothing is in the book", Step{Work: Seal, Wait: Nothing, WaitMin: 10}, Facts{At: t0, Bare: true}, "waited", Unknown, nil, p64(10), "min"},
	} {
		t.Run(c.name, func(t *testing.T) {
			n := c.facts.Ask(c.step)
			got := need(t, n, c.need)
			require.Equal(t, c.want, got.Truth, got.Text)
			require.Equal(t, c.value, got.Value)
			require.Equal(t, c.limit, got.Limit)
			require.Equal(t, c.unit, got.Unit)
			require.NotEmpty(t, got.Text)
			require.NotEmpty(t, got.Source)
			if c.want != Yes && c.need != "recoat window" {
				require.NotEqual(t, Yes, n.Ready)
			}
		})
	}
}

// TestTgAgainstService: the finish of a plan with a warm-up waits for Tg above the service temperature.
func TestTgAgainstService(t *testing.T) {
	plan, _ := TemplateOf("finish")
	for _, c := range []struct {
		tg   *float64
		want Truth
	}{{p64(59.9), No}, {p64(60), Yes}, {nil, Unknown}} {
		f := piece(Fill, 2100, deed(WarmUp, 1500), washedDry(2010, 70), deed(Abrade, 2090))
		f.Coats[0].Standing.TgC = c.tg
		n := Look(plan.Steps, f).Next
		require.Equal(t, Finish, n.Work)
		got := need(t, *n, "warm enough")
		require.Equal(t, c.want, got.Truth, got.Text)
		require.Equal(t, p64(60), got.Limit)
		require.Equal(t, c.want, n.Ready)
		require.Equal(t, c.want == No, len(n.First) > 0 && n.First[0].Work == WarmUp)
	}
	f := piece(Fill, 2100)
	n := Look(plan.Steps, f).Next
	require.Equal(t, WarmUp, n.Work)
	require.Contains(t, need(t, *n, "warm enough").Text, "Warm it up first")
	require.Equal(t, Yes, n.Ready, "low Tg is what the warm-up is for")
}

func firsts(n Next) []Work {
	var out []Work
	for _, d := range n.First {
		out = append(out, d.Work)
	}
	return out
}

// TestMissedWindows: what is to be done depends on the coat, step by step until the next coat may go on.
func TestMissedWindows(t *testing.T) {
	fill := Step{Work: Fill, Wait: RecoatWindow}
	weaveOn := func(now float64, deeds ...Deed) Facts { return piece(WetOut, now, deeds...) }
	full := func(now float64, deeds ...Deed) Facts {
		return piece(Fill, now, append(deeds, deed(LayFabric, -10), deed(WeaveFull, -5))...)
	}

	n := weavePtr(weaveOn(500), fill)
	require.Equal(t, []Work{Wash, Scuff}, firsts(n))
	require.Equal(t, No, n.Ready)
	require.Equal(t, Yes, n.First[0].Ready, "firm: it can be washed")
	require.Equal(t, No, n.First[1].Ready, "washing and drying come first")
	require.Contains(t, n.First[1].Text, "paper would cut the threads")
	for _, d := range n.First {
		require.Contains(t, d.Text, "maker's sheet")
		require.NotContains(t, d.Text, "80 grit")
	}
	n = weavePtr(weaveOn(300), fill)
	require.Equal(t, No, n.First[0].Ready, "set: not even to be washed")
	n = weavePtr(weaveOn(600, washedDry(500, 80), deed(Scuff, 590)), fill)
	require.Equal(t, Yes, n.Ready, "washed, dry and scuffed it bonds")
	require.Empty(t, n.First)

	n = weavePtr(full(500), fill)
	require.Equal(t, []Work{Wash, Abrade}, firsts(n))
	require.Contains(t, n.First[1].Text, "80 grit")
	require.Contains(t, n.First[1].Text, "at this temperature")
	n = weavePtr(full(800, washedDry(730, 60)), fill)
	require.Equal(t, []Work{Abrade}, firsts(n))
	require.Equal(t, Yes, n.First[0].Ready)
	require.Equal(t, Yes, weavePtr(full(800, washedDry(730, 60), deed(Abrade, 795)), fill).Ready)

	n = weavePtr(piece(Seal, 800), fill)
	require.Equal(t, []Work{Wash, Abrade}, firsts(n), "a plain film has no weave to cut")

	lay := Usual(LayFabric)
	n = weavePtr(piece(Bedding, 150), lay)
	require.Equal(t, []Work{Bedding}, firsts(n), "green: another coat bonds by itself")
	require.Equal(t, Yes, n.First[0].Ready)
	require.Contains(t, n.First[0].Text, "until 15:50")
	require.Equal(t, []Work{Wash, Abrade, Bedding}, firsts(weavePtr(piece(Bedding, 500), lay)))
	n = weavePtr(piece(WetOut, 90), Usual(PeelPlyOn))
	require.Contains(t, n.First[0].Text, "onto wet resin only")
	require.Equal(t, Seal, weavePtr(piece(Seal, 90), Usual(Glue)).First[0].Work)
}

func weavePtr(f Facts, s Step) Next { return f.Ask(s) }

// TestWaitingNeverHelpsAMissedWindow: as time goes on, without a deed, a recoat window that was open does not open again.
func TestWaitingNeverHelpsAMissedWindow(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Float64Range(60, 5000).Draw(t, "earlier")
		b := rapid.Float64Range(a, 5000).Draw(t, "later")
		rank := map[Truth]int{Yes: 0, Unknown: 1, No: 2}
		f, g := piece(Fill, a), piece(Fill, b)
		require.GreaterOrEqual(t, rank[g.Ask(Usual(Fill)).Ready], rank[f.Ask(Usual(Fill)).Ready])
	})
}

// TestUnknownIsNeverReady: a coat that can't be told never lets a step that waits for it be ready.
func TestUnknownIsNeverReady(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := piece(rapid.SampledFrom([]Work{Seal, Bedding, WetOut, Fill}).Draw(t, "beneath"), rapid.Float64Range(0, 3000).Draw(t, "now"))
		f.Coats[0].Standing = Standing{Why: "stale"}
		s := Step{Work: rapid.SampledFrom(Works()[:16]).Draw(t, "work"), Wait: rapid.SampledFrom([]Wait{WhileWet, TackWindow, RecoatWindow, Firm, Sandable, Cured}).Draw(t, "wait")}
		require.NotEqual(t, Yes, f.Ask(s).Ready)
	})
}
