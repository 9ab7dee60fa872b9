package plan

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/cure"
	"tackline/advisor/learn"
	"tackline/advisor/trace"
)

// TestDrumsAsLearnt: a drum whose speed, energy and marks touches have moved has the same marks in a plan as in the advice on a coat of it: tack
// marks within a minute, the later ones within 5 % of the time since the start.
func TestDrumsAsLearnt(t *testing.T) {
	m := model(t)
	prior := learn.DefaultPrior()
	fit := learn.New(prior, []learn.Coat{{Kind: "fill", Modelled: true}})
	spread := fit.Spread(0)
	w := fair()
	w.mean, w.swing, w.members = 12, 4, 3
	in := w.input(t)
	var run cure.SweepRun
	pairs, worst, later := 0, 0.0, 0.0
	for i, z := range [][learn.Draws]float64{{}, {1, 1, 0, 1, 1, 1, 1}, {-1, -1, 0, -1, 1, -1, 0}, {1.5, -1.5, 0, -2, -2, 1, 0}, {0, 2, 0, 2, -1, -2, 0}} {
		member := spread.Member(z)
		member.FilmK = 0
		film := in.Members[i%3].SurfaceC
		at := make([]float64, len(film))
		for k := range at {
			at[k] = float64(k) * Step
		}
		out := make([]cure.SweepMarks, len(film))
		require.NoError(t, sweep().Run(&run, film, Step, cure.SweepDrum{Speed: math.Exp(member.LnSpeed), EnergyKJ: member.Energy, Later: [4]float64(member.Shift[:4])}, true, out))
		for k := 0; k < 192; k += 13 {
			want, err := member.Run(m, trace.Trace{At: at, V: film}, at[k], at[len(at)-1])
			require.NoError(t, err)
			pairs++
			for mark, got := range map[cure.Mark]float64{cure.TackOpens: out[k].TackOpens, cure.TackCloses: out[k].TackCloses} {
				x, ok := want.MarkAt(mark)
				require.True(t, ok)
				require.InDelta(t, x, got, 60, "%s of member %d, start %d", mark, i, k)
				worst = max(worst, math.Abs(x-got))
			}
			for mark, got := range map[cure.Mark]float64{cure.RecoatCloses: out[k].RecoatCloses, cure.Firm: out[k].Firm} {
				x, ok := want.MarkAt(mark)
				require.True(t, ok)
				require.InDelta(t, x, got, 0.05*(x-at[k]), "%s of member %d, start %d", mark, i, k)
				later = max(later, math.Abs(x-got)/(x-at[k]))
			}
		}
	}
	t.Logf("%d starts: tack marks within %.1f s, later ones within %.2f %%", pairs, worst, 100*later)
}
