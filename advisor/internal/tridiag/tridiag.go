// Package tridiag solves the tridiagonal systems of one-dimensional conduction and diffusion.
package tridiag

import "fmt"

// Factored is a tridiagonal matrix after elimination (Thomas's algorithm, without pivoting: the matrices of implicit conduction are
// diagonally dominant, for which that is stable). It can be solved for many right-hand sides.
type Factored struct {
	lower []float64 // sub-diagonal as given
	upper []float64 // super-diagonal, eliminated
	inv   []float64 // reciprocals of the pivots
}

// Factor eliminates the matrix with the given sub-diagonal (lower[0] is not used), diagonal and super-diagonal (the last is not used), all
// of the same length. A zero pivot or a length that differs is an error.
func Factor(lower, diag, upper []float64) (*Factored, error) {
	f := &Factored{}
	if err := f.Refactor(lower, diag, upper); err != nil {
		return nil, err
	}
	return f, nil
}

// Refactor is Factor into the memory of an earlier matrix; the zero Factored will do. After an error the Factored must not be used.
func (f *Factored) Refactor(lower, diag, upper []float64) error {
	n := len(diag)
	if n == 0 || len(lower) != n || len(upper) != n {
		return fmt.Errorf("tridiag: %d, %d and %d elements: want three of the same length", len(lower), n, len(upper))
	}
	if cap(f.inv) < n {
		f.lower, f.upper, f.inv = make([]float64, n), make([]float64, n), make([]float64, n)
	}
	f.lower, f.upper, f.inv = f.lower[:n], f.upper[:n], f.inv[:n]
	copy(f.lower, lower)
	for i := range diag {
		pivot := diag[i]
		if i > 0 {
			pivot -= lower[i] * f.upper[i-1]
		}
		if pivot == 0 {
			return fmt.Errorf("tridiag: row %d has a zero pivot", i)
		}
		f.inv[i] = 1 / pivot
		f.upper[i] = upper[i] * f.inv[i]
	}
	return nil
}

// Solve overwrites the right-hand side b, which has the matrix's length, with the solution.
func (f *Factored) Solve(b []float64) {
	lower, upper, inv := f.lower[:len(b)], f.upper[:len(b)], f.inv[:len(b)]
	prev := b[0] * inv[0]
	b[0] = prev
	for i := 1; i < len(b); i++ {
		prev = (b[i] - lower[i]*prev) * inv[i]
		b[i] = prev
	}
	for i := len(b) - 2; i >= 0; i-- {
		prev = b[i] - upper[i]*prev
		b[i] = prev
	}
}
