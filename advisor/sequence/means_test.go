package sequence

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/units"
)

// over gives a piece with a coat of a kind from t0 and a later one m minutes after it, with deeds between; now is ten hours after the later.
func over(beneath, work Work, m float64, deeds ...Deed) Facts {
	f := piece(beneath, m+600, deeds...)
	f.Coats = append(f.Coats, Coat{ID: 2, Work: work, Started: t0 + units.Instant(60*m), Standing: Standing{State: "set"}})
	return f
}

// TestWhatItMeans: each thing done in order says nothing, done out of order says what it means. Times are those of standing: tacky at 60 min,
// closed to fabric at 120, to the next coat at 240, firm at 400, sandable at 700; ten minutes early and late.
func TestWhatItMeans(t *testing.T) {
	blind := func(f Facts) Facts {
		f.Coats[0].Standing = Standing{Why: "air temperature: stale"}
		return f
	}
	old := func(f Facts) Facts {
		f.Coats[0].Standing = Standing{Old: true, Why: "long ago"}
		return f
	}
	for _, c := range []struct {
		name  string
		facts Facts
		says  []string // a part of each meaning, in order; none where it is in order
	}{
		{"fabric into tack", piece(Bedding, 300, deed(LayFabric, 80)), nil},
		{"fabric before tack", piece(Bedding, 300, deed(LayFabric, 40)), []string{"20 min before the tack window opened"}},
		{"fabric as tack closes", piece(Bedding, 300, deed(LayFabric, 115)), []string{"while the tack window was closing"}},
		{"fabric after tack", piece(Bedding, 300, deed(LayFabric, 135)), []string{"after the tack closed (likely 14:00, 15 min before)"}},
		{"fabric, and nobody knows", blind(piece(Bedding, 300, deed(LayFabric, 80))), []string{"can't be told: air temperature: stale"}},
		{"fabric, long ago", old(piece(Bedding, 300, deed(LayFabric, 135))), nil},
		{"fabric into nothing", Facts{At: t0 + 60, Bare: true, Deeds: []Deed{deed(LayFabric, 0)}}, []string{"no coat that it was laid into"}},
		{"peel ply on wet", piece(WetOut, 900, deed(PeelPlyOn, 30), deed(PeelPlyOff, 800)), nil},
		{"peel ply too late", piece(WetOut, 300, deed(PeelPlyOn, 90)), []string{"30 min after the coat beneath was wet"}},
		{"peel ply off too early", piece(WetOut, 500, deed(PeelPlyOn, 30), deed(PeelPlyOff, 350)), []string{"Peel ply off 50 min before the coat was likely firm"}},
		{"peel ply off after two months", piece(WetOut, 90100, deed(PeelPlyOn, 30), deed(PeelPlyOff, 90000)), []string{"stayed on for 62 days"}},
		{"a coat in its window", over(Fill, Fill, 100), nil},
		{"a coat on a wet one", over(Fill, Fill, 40), []string{"20 min before the coat beneath (fill) was tacky"}},
		{"wet-out soon after bedding", over(Bedding, WetOut, 50), nil},
		{"a coat as the window closes", over(Fill, Fill, 235), []string{"was closing: it likely bonds, not surely"}},
		{"a coat too late", over(Fill, Fill, 300), []string{"60 min after|was not washed, by the book, and was not abraded, by the book|Do not count on the bond"}},
		{"a coat too late on open weave", over(WetOut, Fill, 300), []string{"was not scuffed, by the book"}},
		{"a coat too late, washed and abraded", over(Fill, Fill, 900, deed(Wash, 750), deed(Abrade, 820)), nil},
		{"a coat too late, not yet dry", over(Fill, Fill, 900, deed(Wash, 870), deed(Abrade, 890)), []string{"was washed only 30 min before (60 min of drying are wanted"}},
		{"a coat too late, abraded first", over(Fill, Fill, 900, deed(Abrade, 750), deed(Wash, 800)),
			[]string{"It was not washed before", "was abraded before it was washed"}},
		{"a coat too late, on a peel ply surface", over(WetOut, Fill, 900, deed(PeelPlyOn, 20), deed(PeelPlyOff, 890)), nil},
		{"a coat over peel ply", over(WetOut, Fill, 900, deed(PeelPlyOn, 20)), []string{"still had peel ply on"}},
		{"a coat, and nobody knows", blind(over(Fill, Fill, 300)), []string{"can't be told: air temperature: stale"}},
		{"a coat, long ago", old(over(Fill, Fill, 300)), nil},
		{"a finish in the window", over(Fill, Finish, 200), nil},
		{"a finish on an unprepared coat", over(Fill, Finish, 2000), []string{"When this coat went on the surface was not washed"}},
		{"washed when firm", piece(Fill, 900, deed(Wash, 500)), nil},
		{"washed when soft", piece(Fill, 900, deed(Wash, 300)), []string{"can whiten it"}},
		{"scuffed unwashed", piece(Fill, 900, deed(Scuff, 500)), []string{"It was not washed before"}},
		{"scuffed when soft", piece(Fill, 900, deed(Wash, 410), deed(Scuff, 390)), []string{"It was not washed before", "Scuffed 10 min before the coat was likely firm"}},
		{"abraded when it sands", piece(Fill, 900, deed(Wash, 500), deed(Abrade, 720)), nil},
		{"abraded too early", piece(Fill, 900, deed(Wash, 500), deed(Abrade, 600)), []string{"dust of half-cured resin sensitises"}},
		{"abraded open weave", piece(WetOut, 900, deed(Wash, 500), deed(Abrade, 720)), []string{"threads of the fabric may be cut"}},
		{"abraded a full weave", piece(WetOut, 900, deed(WeaveFull, 450), deed(Wash, 500), deed(Abrade, 720)), nil},
		{"warmed when firm", piece(Fill, 900, deed(WarmUp, 500)), nil},
		{"warmed when soft", piece(Fill, 900, deed(WarmUp, 200)), []string{"runs thin"}},
		{"clamps off when firm", piece(Glue, 900, deed(ClampsOff, 800)), nil},
		{"clamps off too early", piece(Glue, 900, deed(ClampsOff, 300)), []string{"Put them back on and do not load the joint"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := Look(nil, c.facts).Means
			require.Len(t, got, len(c.says), "%+v", got)
			for i, want := range c.says {
				for _, part := range strings.Split(want, "|") {
					require.Contains(t, got[i].Text, part)
				}
				require.Truef(t, got[i].Coat != 0 || got[i].Deed != 0, "it says of what")
			}
		})
	}
}

func TestClampsByThePlan(t *testing.T) {
	plan, _ := TemplateOf("glue-up")
	f := piece(Glue, 800, deed(ClampsOff, 650))
	f.Coats = append(f.Coats, Coat{ID: 7, Work: Seal, Started: t0 - 600, Standing: Standing{Old: true}})
	means := Look(plan.Steps, f).Means
	require.Len(t, means, 1)
	require.Contains(t, means[0].Text, "Clamps off after 10 h 50 min; the plan wanted 12 h.")
	require.Equal(t, int64(3), means[0].Step)
	f.Deeds[0].At = t0 + 60*720
	require.Empty(t, Look(plan.Steps, f).Means)
}

func TestASkippedStepIsNamed(t *testing.T) {
	plan, _ := TemplateOf("wet method")
	means := Look(plan.Steps, did(Seal, Bedding, Fill)).Means
	require.NotEmpty(t, means)
	require.Contains(t, means[len(means)-2].Text, "Step 3, lay fabric, is not in the book")
	require.Contains(t, means[len(means)-1].Text, "Step 4, wet-out, is not in the book")
	filled, _ := TemplateOf("filled weave")
	means = Look(filled.Steps, did(Fill, Fill, Fill, Abrade)).Means
	require.Contains(t, means[len(means)-1].Text, "It was not washed before", "said with what it was for")
	for _, m := range Look(filled.Steps, did(Fill, Fill, Fill, Wash, Abrade)).Means {
		require.NotContains(t, m.Text, "not in the book")
	}
}

// TestNothingIsRefused: whatever she says in whatever order, by whatever plan, it is placed or stands beside it, every sentence is whole, and
// the same facts give the same bytes.
func TestNothingIsRefused(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var plan []Step
		if rapid.Bool().Draw(t, "planned") {
			plan = rapid.SampledFrom(Templates()).Draw(t, "plan").Steps
		}
		f := Facts{At: t0 + units.Instant(60*rapid.Float64Range(0, 4000).Draw(t, "now")), Bare: rapid.Bool().Draw(t, "bare")}
		for i := range rapid.IntRange(0, 12).Draw(t, "events") {
			w := rapid.SampledFrom(Works()).Draw(t, "work")
			at := t0 + units.Instant(60*rapid.Float64Range(-500, 4000).Draw(t, "at"))
			if w.Coats() {
				s := standing(float64(f.At-at) / 60)
				for _, m := range []*Moment{&s.TackOpens, &s.TackCloses, &s.RecoatCloses, &s.Firm, &s.Sandable} {
					*m = Moment{m.Early + at - t0, m.Likely + at - t0, m.Late + at - t0}
				}
				switch rapid.IntRange(0, 4).Draw(t, "known") {
				case 0:
					s = Standing{Why: "stale"}
				case 1:
					s = Standing{Old: true}
				}
				f.Coats = append(f.Coats, Coat{ID: int64(i + 1), Work: w, Started: at, Standing: s, Fabric: rapid.Bool().Draw(t, "fabric"), PeelPly: rapid.Bool().Draw(t, "ply")})
			} else {
				f.Deeds = append(f.Deeds, Deed{ID: int64(i + 1), Work: w, At: at})
			}
		}
		out := Look(plan, f)
		a, err := json.Marshal(out)
		require.NoError(t, err)
		b, err := json.Marshal(Look(plan, f))
		require.NoError(t, err)
		require.Equal(t, string(a), string(b))
		require.NotContains(t, string(a), "%!")
		require.Len(t, out.Places, len(plan))
		for _, m := range out.Means {
			require.NotEmpty(t, m.Text)
		}
		if n := out.Next; n != nil {
			require.Equal(t, n.Ready == Yes, ready(n.Conditions) == Yes)
			require.NotEmpty(t, n.Text)
			if n.Ready == Yes {
				require.Empty(t, n.First)
			}
		}
		coats := 0
		for _, l := range Layers(plan, f) {
			if l.Coat != 0 {
				coats++
			}
		}
		done := 0
		for _, c := range f.Coats {
			if c.Started <= f.At {
				done++
			}
		}
		require.Equal(t, done, coats, "every coat that is on lies in the laminate")
	})
}

func TestLayers(t *testing.T) {
	plan, _ := TemplateOf("peel ply")
	steps := plan.Fit("slow", 200, 2)
	layers := func(f Facts) string {
		var out []string
		for _, l := range Layers(steps, f) {
			name := string(l.Work)
			if name == "" {
				name = "timber"
			}
			if l.Planned {
				name = "(" + name + ")"
			}
			if l.ComesOff {
				name += "*"
			}
			out = append(out, name)
		}
		return strings.Join(out, " ")
	}
	require.Equal(t, "timber (seal) (bedding) (lay fabric) (wet-out) (peel ply on)* (fill) (fill)", layers(did()))
	require.Equal(t, "timber seal bedding lay fabric wet-out peel ply on* (fill) (fill)", layers(did(Seal, Bedding, LayFabric, WetOut, PeelPlyOn)))
	require.Equal(t, "timber seal bedding lay fabric wet-out fill (fill)", layers(did(Seal, Bedding, WetOut, PeelPlyOn, PeelPlyOff, Fill)), "fabric that was wetted out lies there")
	all := Layers(steps, did(Seal, Bedding, LayFabric))
	require.Equal(t, Layer{Work: Seal, System: "slow", Coat: 1, At: t0}, all[1])
	require.Equal(t, 200.0, all[3].FabricGM2)
	require.Equal(t, Layer{Work: WetOut, System: "slow", Planned: true}, all[4])
}
