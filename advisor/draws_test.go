package advisor

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// TestMembersAreEvenlySpread: each unknown has mean 0 and spread 1 over the members, and no two go together, so that none stands for another.
func TestMembersAreEvenlySpread(t *testing.T) {
	var axes [9][]float64
	paths := map[int64]bool{}
	for _, d := range draws() {
		z := d.taught()
		paths[d.path] = true
		for i, v := range []float64{z[0], z[1], z[2], z[3], z[4], z[5], z[6], normal((float64(d.path) + 0.5) / members), normal(d.gap)} {
			axes[i] = append(axes[i], v)
		}
	}
	all := draws()
	require.Equal(t, draw{gap: 0.5, path: members / 2}, all[0], "in the middle one nothing errs")
	for n := 1; n < len(all); n += 2 {
		a, b := all[n].taught(), all[n+1].taught()
		for i := range a {
			require.InDelta(t, -a[i], b[i], 1e-9)
		}
		require.EqualValues(t, members-1, all[n].path+all[n+1].path)
		require.InDelta(t, 1, all[n].gap+all[n+1].gap, 1e-12)
	}
	require.Len(t, paths, members, "each path of the air once")
	for i, a := range axes {
		mean, square := 0.0, 0.0
		for _, v := range a {
			mean += v / members
			square += v * v / members
		}
		require.InDelta(t, 0, mean, 1e-9, "axis %d", i)
		require.InDelta(t, 1, square, 0.05, "axis %d", i)
		for j := range axes[:i] {
			both := 0.0
			for n := range a {
				both += a[n] * axes[j][n] / members
			}
			require.InDelta(t, 0, both, 0.02, "axes %d and %d", i, j)
		}
	}
}

// TestPlanMembersAreEvenlySpread: the same of a plan's two hundred, whose pairs have no middle.
func TestPlanMembersAreEvenlySpread(t *testing.T) {
	all := planDraws()
	require.Len(t, all, planMembers)
	var axes [9][]float64
	paths := map[int64]bool{}
	for n, d := range all {
		z := d.taught()
		paths[d.path] = true
		for i, v := range []float64{z[0], z[1], z[2], z[3], z[4], z[5], z[6], normal((float64(d.path) + 0.5) / planMembers), normal(d.gap)} {
			axes[i] = append(axes[i], v)
			if n%2 == 1 {
				require.InDelta(t, -axes[i][n-1], v, 1e-9, "opposites")
			}
		}
	}
	require.Len(t, paths, planMembers, "each path of the air once")
	worst := 0.0
	for i, a := range axes {
		square := 0.0
		for _, v := range a {
			square += v * v / planMembers
		}
		require.InDelta(t, 1, square, 0.02, "axis %d", i)
		for j := range axes[:i] {
			both := 0.0
			for n := range a {
				both += a[n] * axes[j][n] / planMembers
			}
			worst = max(worst, both, -both)
		}
	}
	t.Logf("two unknowns go together by %.3f at most", worst)
	require.Less(t, worst, 0.02)
}
