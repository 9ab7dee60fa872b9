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
			require.InDelta(t, 0, both, 0.06, "axes %d and %d", i, j)
		}
	}
}
