package tridiag

import (
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// Against gonum's dense LU on random diagonally dominant matrices.
func TestSolveAgainstDenseLU(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "n")
		num := rapid.Float64Range(-1, 1)
		lower, diag, upper, b := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
		dense := mat.NewDense(n, n, nil)
		for i := range n {
			lower[i], upper[i], b[i] = num.Draw(t, "l"), num.Draw(t, "u"), num.Draw(t, "b")
			diag[i] = 2.1 + num.Draw(t, "d")*0.05
			dense.Set(i, i, diag[i])
			if i > 0 {
				dense.Set(i, i-1, lower[i])
			}
			if i < n-1 {
				dense.Set(i, i+1, upper[i])
			}
		}
		var want mat.VecDense
		require.NoError(t, want.SolveVec(dense, mat.NewVecDense(n, append([]float64(nil), b...))))
		f, err := Factor(lower, diag, upper)
		require.NoError(t, err)
		f.Solve(b)
		for i := range n {
			require.InDelta(t, want.AtVec(i), b[i], 1e-12)
		}
	})
}

func TestFactorRefuses(t *testing.T) {
	_, err := Factor([]float64{0}, []float64{0}, []float64{0})
	require.ErrorContains(t, err, "zero pivot")
	_, err = Factor(nil, nil, nil)
	require.ErrorContains(t, err, "same length")
	_, err = Factor([]float64{0}, []float64{1, 2}, []float64{0, 0})
	require.ErrorContains(t, err, "same length")
}
