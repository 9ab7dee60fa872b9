package cure

import "math"

// The pair of Dormand and Prince, J. Comp. Appl. Math. 6 (1980) 19, with the fourth-order dense output of Shampine as printed in Hairer,
// Norsett and Wanner, Solving Ordinary Differential Equations I, 2nd ed. (1993), II.5 table 5.2 and II.6.
const (
	c2, c3, c4, c5     = 1.0 / 5, 3.0 / 10, 4.0 / 5, 8.0 / 9
	a21                = 1.0 / 5
	a31, a32           = 3.0 / 40, 9.0 / 40
	a41, a42, a43      = 44.0 / 45, -56.0 / 15, 32.0 / 9
	a51, a52, a53, a54 = 19372.0 / 6561, -25360.0 / 2187, 64448.0 / 6561, -212.0 / 729
	a61, a62, a63      = 9017.0 / 3168, -355.0 / 33, 46732.0 / 5247
	a64, a65           = 49.0 / 176, -5103.0 / 18656
	b1, b3, b4, b5, b6 = 35.0 / 384, 500.0 / 1113, 125.0 / 192, -2187.0 / 6784, 11.0 / 84
	e1, e3, e4         = 71.0 / 57600, -71.0 / 16695, 71.0 / 1920
	e5, e6, e7         = -17253.0 / 339200, 22.0 / 525, -1.0 / 40
	d1, d3, d4         = -12715105075.0 / 11282082432, 87487479700.0 / 32700410799, -10690763975.0 / 1880347072
	d5, d6, d7         = 701980252875.0 / 199316789632, -1453857185.0 / 822651844, 69997945.0 / 29380423
)

// poly is the dense output of one quantity over one step, for x in 0..1 of the step.
type poly struct{ r1, r2, r3, r4, r5 float64 }

func (p *poly) at(x float64) float64 {
	y := 1 - x
	return p.r1 + x*(p.r2+y*(p.r3+x*(p.r4+y*p.r5)))
}

// end gives the value at x = 1.
func (p *poly) end() float64 { return p.r1 + p.r2 }

// stages are the slopes of one quantity at the seven points of the pair; the second is not needed once the others are known.
type stages struct{ k1, k3, k4, k5, k6, k7 float64 }

// increment gives the fifth-order step, in units of h.
func (k *stages) increment() float64 { return b1*k.k1 + b3*k.k3 + b4*k.k4 + b5*k.k5 + b6*k.k6 }

// mismatch gives the difference between the fifth and the fourth order, in units of h.
func (k *stages) mismatch() float64 {
	return e1*k.k1 + e3*k.k3 + e4*k.k4 + e5*k.k5 + e6*k.k6 + e7*k.k7
}

// dense gives the polynomial of a step from y over h that gained dy.
func (k *stages) dense(y, dy, h float64) poly {
	b := h*k.k1 - dy
	return poly{y, dy, b, dy - h*k.k7 - b, h * (d1*k.k1 + d3*k.k3 + d4*k.k4 + d5*k.k5 + d6*k.k6 + d7*k.k7)}
}

// grow gives the factor for the next step from the error of this one over its tolerance.
func grow(err float64) float64 {
	if err < 3e-4 { // 0.9 err^-0.2 is over 4.5 here: save the power
		return 4.5
	}
	return math.Max(0.2, math.Min(4.5, 0.9*math.Pow(err, -0.2)))
}

// root gives the place in [lo, hi] where f goes from below 0 to 0 or above, to within tol, by false position that falls back on halving
// (the Illinois rule, Dowell and Jarratt, BIT 11 (1971) 168). It wants f(lo) < 0 <= f(hi) and gives a place where f is 0 or above.
func root(f func(x float64) float64, lo, hi, flo, fhi, tol float64) float64 {
	side := 0
	for i := 0; i < 100 && hi-lo > tol && fhi > 0; i++ {
		x := hi - fhi*(hi-lo)/(fhi-flo)
		if i > 20 || !(x > lo && x < hi) {
			x = lo + (hi-lo)/2
		}
		if d := tol / 4; hi-x < d { // bring the other end close too
			x = hi - d
		} else if x-lo < d {
			x = lo + d
		}
		y := f(x)
		if y >= 0 {
			hi, fhi = x, y
			if side == 1 {
				flo /= 2
			}
			side = 1
			continue
		}
		lo, flo = x, y
		if side == -1 {
			fhi /= 2
		}
		side = -1
	}
	return hi
}
