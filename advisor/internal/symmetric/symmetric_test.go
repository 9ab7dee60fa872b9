package symmetric

import (
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// Against gonum's Cholesky on random positive matrices: the products of a random one with itself, and the identity.
func TestAgainstGonum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 26).Draw(t, "n")
		rows := rapid.SliceOfN(rapid.Float64Range(-3, 3), n*n, n*n).Draw(t, "rows")
		a := mat.NewDense(n, n, rows)
		var square mat.Dense
		square.Mul(a, a.T())
		m, dense := Zero(n), mat.NewSymDense(n, nil)
		for i := range n {
			for j := range n {
				m[i][j] = square.At(i, j)
				if i == j {
					m[i][j]++
				}
				dense.SetSym(i, j, m[i][j])
			}
		}
		var chol mat.Cholesky
		require.True(t, chol.Factorize(dense))
		var lower mat.TriDense
		chol.LTo(&lower)
		var want mat.SymDense
		require.NoError(t, chol.InverseTo(&want))
		l := Factor(m)
		got, ok := Inverse(m)
		require.True(t, ok)
		for i := range n {
			for j := range n {
				require.InDelta(t, lower.At(i, j), l[i][j], 1e-10)
				require.InDelta(t, want.At(i, j), got[i][j], 1e-10)
			}
		}
	})
}

func TestWhatHasNoInverse(t *testing.T) {
	for _, m := range [][][]float64{
		{{0}},
		{{1, 1}, {1, 1}},
		{{4, 2, 6}, {2, 5, 7}, {6, 7, 13}}, // the third row is the sum of the others
		{{1, 2}, {2, 1}},                   // not positive
	} {
		_, ok := Inverse(m)
		require.False(t, ok, "%v", m)
	}
}

// A direction without spread is drawn from as nothing.
func TestFactorWithoutSpread(t *testing.T) {
	require.Equal(t, [][]float64{{2, 0, 0}, {0, 0, 0}, {1, 0, 3}}, Factor([][]float64{{4, 0, 2}, {0, 0, 0}, {2, 0, 10}}))
}
