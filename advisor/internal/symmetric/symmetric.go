// Package symmetric factors and inverts the small symmetric matrices of least squares and of normal spreads, by Cholesky's method. The dense
// matrices of gonum do as much, and link two megabytes of linear algebra into the program; here they are what the tests compare with.
package symmetric

import "math"

// rounding is the share of a row's own weight that a pivot must keep, for the row not to be taken as a combination of the others.
const rounding = 1e-14

// Zero makes a square matrix of n rows.
func Zero(n int) [][]float64 {
	all := make([]float64, n*n)
	m := make([][]float64, n)
	for i := range m {
		m[i] = all[i*n : (i+1)*n]
	}
	return m
}

// Dot gives the sum of the products of two vectors of one length.
func Dot(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}

// Times gives the product of a matrix and a vector.
func Times(m [][]float64, x []float64) []float64 {
	out := make([]float64, len(m))
	for i := range m {
		out[i] = Dot(m[i], x)
	}
	return out
}

// Factor gives the lower Cholesky factor of a symmetric matrix that is not negative; a direction without spread gets a column of zeros.
func Factor(m [][]float64) [][]float64 {
	l := Zero(len(m))
	for i := range m {
		for j := 0; j <= i; j++ {
			x := m[i][j] - Dot(l[i][:j], l[j][:j])
			switch {
			case i == j:
				l[i][i] = math.Sqrt(math.Max(x, 0))
			case l[j][j] > 1e-12:
				l[i][j] = x / l[j][j]
			}
		}
	}
	return l
}

// Inverse gives the inverse of a positive symmetric matrix; ok is false where a row is a combination of others within rounding, and the inverse
// then means little or nothing.
func Inverse(m [][]float64) (out [][]float64, ok bool) {
	n := len(m)
	l := Factor(m)
	ok = true
	for i := range l {
		ok = ok && l[i][i]*l[i][i] > rounding*m[i][i]
	}
	w := Zero(n) // inverse of l
	for j := range n {
		w[j][j] = 1 / l[j][j]
		for i := j + 1; i < n; i++ {
			w[i][j] = -Dot(l[i][j:i], column(w, j, j, i)) / l[i][i]
		}
	}
	out = Zero(n)
	for i := range n {
		for j := 0; j <= i; j++ {
			sum := 0.0
			for k := i; k < n; k++ {
				sum += w[k][i] * w[k][j]
			}
			out[i][j], out[j][i] = sum, sum
		}
	}
	return out, ok
}

func column(m [][]float64, j, from, to int) []float64 {
	out := make([]float64, 0, to-from)
	for i := from; i < to; i++ {
		out = append(out, m[i][j])
	}
	return out
}
