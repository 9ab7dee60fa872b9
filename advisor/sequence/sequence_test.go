package sequence

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/units"
)

const t0 = units.Instant(1_768_392_000) // 2026-01-14 12:00 UTC

// did makes facts of works done one minute after another, coats with their place in the list as id.
func did(works ...Work) Facts {
	f := Facts{At: t0 + units.Instant(60*len(works)), Bare: true}
	for i, w := range works {
		at := t0 + units.Instant(60*i)
		if w.Coats() {
			f.Coats = append(f.Coats, Coat{ID: int64(i + 1), Work: w, Started: at})
		} else {
			f.Deeds = append(f.Deeds, Deed{ID: int64(i + 1), Work: w, At: at})
		}
	}
	return f
}

func TestTemplatesAreSound(t *testing.T) {
	names := map[string]bool{}
	for _, p := range Templates() {
		require.Empty(t, Check(p.Steps), p.Name)
		require.Empty(t, Remarks(p.Steps), p.Name)
		require.NotEmpty(t, p.About)
		require.False(t, names[p.Name])
		names[p.Name] = true
		again, ok := TemplateOf(p.Name)
		require.True(t, ok)
		again.Steps[0].Work = Glue
		fresh, _ := TemplateOf(p.Name)
		require.Equal(t, p.Steps, fresh.Steps, "a template is new each time")
	}
	_, ok := TemplateOf("Wet-Method")
	require.True(t, ok)
	_, ok = TemplateOf("varnish")
	require.False(t, ok)
}

func TestEveryWorkIsDescribed(t *testing.T) {
	for _, w := range Works() {
		require.NotEmpty(t, w.About(), w)
		require.True(t, tradeOf(w).wait.known(), w)
		for _, a := range w.Allows() {
			require.True(t, a.known())
		}
	}
	require.Equal(t, "80 grit", Abrade.About()[:7])
}

func TestCheckNamesTheSlip(t *testing.T) {
	for _, c := range []struct {
		name string
		step Step
		says string
	}{
		{"work", Step{Work: "varnish", Wait: Nothing}, `work "varnish" is not one of seal`},
		{"a finding is no step", Step{Work: WeaveFull, Wait: Nothing}, "is not one of"},
		{"wait", Step{Work: Fill, Wait: "soon"}, `wait "soon"`},
		{"minutes", Step{Work: Fill, Wait: Firm, WaitMin: -1}, "wait_min -1 min"},
		{"not a number", Step{Work: Fill, Wait: Firm, CoverageGM2: math.NaN()}, "coverage_g_m2 NaN"},
		{"fabric in a coat", Step{Work: Fill, Wait: Firm, FabricGM2: 200}, "belongs to lay fabric"},
		{"kg for g", Step{Work: LayFabric, Wait: Firm, FabricGM2: 20000}, "fabric_g_m2 20000"},
		{"counted deed", Step{Work: Wash, Wait: Firm, Count: 2}, "puts no resin on"},
		{"service", Step{Work: WarmUp, Wait: Cured, ServiceC: 600}, "service_c 600 C"},
	} {
		t.Run(c.name, func(t *testing.T) {
			bad := Check([]Step{Usual(Seal), c.step})
			require.NotEmpty(t, bad)
			require.ErrorContains(t, bad[0], "step 2")
			require.ErrorContains(t, bad[0], c.says)
		})
	}
	require.Len(t, Check(make([]Step, 201))[:1], 1)
	require.NotEmpty(t, Remarks([]Step{Usual(Seal), Usual(WetOut), Usual(Wash), Usual(Abrade)}), "abrading open weave is remarked upon")
	require.NotEmpty(t, Remarks([]Step{Usual(Seal), Usual(ClampsOff)}))
}

func works(steps []Step) []Work {
	out := []Work{}
	for _, s := range steps {
		out = append(out, s.Work)
	}
	return out
}

func TestFollow(t *testing.T) {
	wet, _ := TemplateOf("wet method")
	dry, _ := TemplateOf("dry method")
	filled, _ := TemplateOf("filled weave")
	for _, c := range []struct {
		name string
		plan []Step
		did  []Work
		left []Work
	}{
		{"nothing yet", wet.Steps, nil, []Work{Seal, Bedding, LayFabric, WetOut, Fill, Fill, Fill}},
		{"sealed", wet.Steps, []Work{Seal}, []Work{Bedding, LayFabric, WetOut, Fill, Fill, Fill}},
		{"wetted out: the fabric lies there", wet.Steps, []Work{Seal, Bedding, WetOut}, []Work{Fill, Fill, Fill}},
		{"two of three fills", wet.Steps, []Work{Seal, Bedding, LayFabric, WetOut, Fill, Fill}, []Work{Fill}},
		{"three fills, and not said to be full", wet.Steps, []Work{Seal, Bedding, LayFabric, WetOut, Fill, Fill, Fill}, []Work{Fill}},
		{"full after four", wet.Steps, []Work{Seal, Bedding, LayFabric, WetOut, Fill, Fill, Fill, Fill, WeaveFull}, []Work{}},
		{"full after one", wet.Steps, []Work{Seal, Bedding, LayFabric, WetOut, Fill, WeaveFull}, []Work{}},
		{"washed between fills after a missed window", wet.Steps, []Work{Seal, Bedding, LayFabric, WetOut, Fill, Wash, Scuff}, []Work{Fill, Fill}},
		{"washing is not the washing before fairing", filled.Steps, []Work{Fill, Wash, Scuff}, []Work{Fill, Fill, Wash, Abrade, Fairing}},
		{"washing after the planned fills is", filled.Steps, []Work{Fill, Fill, Fill, Wash}, []Work{Abrade, Fairing}},
		{"a second bedding coat after a missed tack window", wet.Steps, []Work{Seal, Bedding, Bedding}, []Work{LayFabric, WetOut, Fill, Fill, Fill}},
		{"seal was skipped", wet.Steps, []Work{Bedding}, []Work{LayFabric, WetOut, Fill, Fill, Fill}},
		{"dry method after abrading", dry.Steps, []Work{Seal, Wash, Abrade, LayFabric}, []Work{WetOut, Fill, Fill, Fill}},
		{"not of the plan at all", wet.Steps, []Work{Glue}, []Work{Seal, Bedding, LayFabric, WetOut, Fill, Fill, Fill}},
		{"no plan", nil, []Work{Seal}, []Work{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Equal(t, c.left, works(Remaining(c.plan, did(c.did...))))
		})
	}
	skipped := Follow(wet.Steps, did(Bedding))
	require.Equal(t, Skipped, skipped.Places[0].Mark)
	require.Equal(t, Done, skipped.Places[1].Mark)
}

func TestAnEntryOfTheFutureIsNotDone(t *testing.T) {
	f := did(Seal, Bedding)
	f.At = t0 + 30
	wet, _ := TemplateOf("wet method")
	require.Equal(t, Bedding, Remaining(wet.Steps, f)[0].Work)
}

// TestFollowRefusesNothing: whatever is done in whatever order, the course stands, and what is left shrinks or stays.
func TestFollowRefusesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		plan := rapid.SampledFrom(Templates()).Draw(t, "plan").Steps
		var all []Work
		left := len(Remaining(plan, did()))
		for range rapid.IntRange(0, 15).Draw(t, "works") {
			all = append(all, rapid.SampledFrom(Works()).Draw(t, "work"))
			c := Follow(plan, did(all...))
			require.Len(t, c.placed, len(all))
			require.LessOrEqual(t, c.At, len(plan))
			now := len(Remaining(plan, did(all...)))
			require.LessOrEqual(t, now, left)
			left = now
		}
	})
}
