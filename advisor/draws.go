package advisor

import (
	"math"
	"sort"
)

// members is the number of ways the unknown is let go: enough for a 10 % and a 90 % bound to rest on several of them.
const members = 48

// draw is one member's share of what is not known, in standard normals: the resin's speed against its sheet, the path of the air and of its
// vapour around their forecast, the error of the surface's temperature, and where between its bounds a gap of the log lies (0..1).
type draw struct {
	speed, air, vapour, surface, gap float64
}

// draws gives the members: points of the additive recurrence with the generalised golden ratio of dimension 5 (M. Roberts, 2018, "The
// unreasonable effectiveness of quasirandom sequences"; from memory), which fill the cube evenly without a random number. The same always.
func draws() []draw {
	const dims = 5
	phi := 2.0
	for range 40 {
		phi = math.Pow(1+phi, 1.0/(dims+1)) // root of x^(d+1) = x + 1
	}
	all := make([]draw, members)
	for n := range all {
		var u [dims]float64
		for d := range u {
			_, u[d] = math.Modf(0.5 + float64(n+1)*math.Pow(phi, -float64(d+1)))
		}
		all[n] = draw{speed: normal(u[0]), air: normal(u[1]), vapour: normal(u[2]), surface: normal(u[3]), gap: u[4]}
	}
	return all
}

// normal gives the standard normal quantile of a probability inside (0, 1).
func normal(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

// phi is the standard normal distribution function.
func phi(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// never is the time of what does not come within the horizon: later than everything.
const never = math.MaxFloat64

// quantile gives the value below which the share p of the weights lies, linear between the middles of neighbouring weights. An answer that
// leans on a value of never is never. Values and weights are in the same order, any; weights are not negative and not all zero.
func quantile(values, weights []float64, p float64) float64 {
	idx := make([]int, len(values))
	total := 0.0
	for i := range idx {
		idx[i] = i
		total += weights[i]
	}
	sort.Slice(idx, func(a, b int) bool {
		if values[idx[a]] != values[idx[b]] {
			return values[idx[a]] < values[idx[b]]
		}
		return idx[a] < idx[b]
	})
	prevV, prevP, sum := values[idx[0]], 0.0, 0.0
	for k, i := range idx {
		mid := (sum + weights[i]/2) / total
		sum += weights[i]
		if mid >= p {
			if k == 0 || values[i] == never || mid == prevP {
				return values[i]
			}
			return prevV + (values[i]-prevV)*(p-prevP)/(mid-prevP)
		}
		prevV, prevP = values[i], mid
	}
	return prevV
}

// share gives the share of the weights for which ok is true.
func share(ok []bool, weights []float64) float64 {
	var yes, total float64
	for i := range ok {
		total += weights[i]
		if ok[i] {
			yes += weights[i]
		}
	}
	return yes / total
}

// even gives n equal weights.
func even(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = 1
	}
	return w
}
