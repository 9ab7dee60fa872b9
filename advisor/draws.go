package advisor

import (
	"math"
	"sort"

	"tackline/advisor/learn"
)

// members is the number of ways the unknown is let go: enough for a 10 % and a 90 % bound to rest on several of them. Odd, see halves.
const members = 47

// draw is one member's share of what is not known. In standard normals: the batch's speed against its sheet, its activation energy, the error of the
// surface's temperature, and where this builder's marks lie (the two of tack, firm, sandable); where between its bounds a gap of the log lies
// (0..1); and which of the forecast's members the air follows, each once.
type draw struct {
	speed, energy, surface float64
	marks                  [4]float64
	gap                    float64
	path                   int64
}

// halves has for each unknown the value that the first 23 members after the middle one take, in steps from the middle: each size once, with
// either sign. They were searched for so that no two unknowns go together (correlation below 0.02, see the test).
var halves = [9][members / 2]int64{
	{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22, 23},
	{8, -18, -10, -14, 12, -23, -20, 22, -4, 11, 3, -1, -2, 6, 17, -5, -15, -16, 7, 13, 19, -21, 9},
	{22, -10, -13, 12, 7, -4, 21, -1, 5, 17, 9, 14, 18, -20, 3, 11, -16, -15, 6, 19, -23, 2, 8},
	{16, 3, -9, 13, -7, 22, -15, 17, -10, -5, 6, -12, -14, 8, -23, -18, -11, -20, 19, -2, 1, 4, 21},
	{-6, 4, 1, -14, 19, 17, 2, 23, -20, 12, -11, 21, 15, -16, -10, 5, 8, 3, 18, -13, 7, 9, -22},
	{-16, 3, -17, 8, -23, 15, 6, 1, 14, -13, 4, 10, 9, 11, 5, 2, -18, 12, 22, 19, 7, -21, -20},
	{-11, 6, -17, -10, -18, 5, 7, 4, -22, 23, 8, -20, -9, -12, -15, 19, -2, 21, -14, 3, 1, -16, 13},
	{4, -15, -13, -21, -14, -9, 18, -11, 19, 1, 6, 17, -3, -2, -23, 10, 12, -20, -16, 5, 22, 7, -8},
	{-18, 5, 14, 19, 9, -22, -8, -1, 20, 13, -16, -7, 10, -12, -23, 6, -21, 17, 15, -3, 4, 11, 2},
}

// draws gives the members: the middle one, in which nothing errs, then pairs of opposites, so that a median over them is the middle's own answer
// but for what bends between the two of a pair (antithetic variates: Hammersley and Morton, Proc. Camb. Phil. Soc. 52, 1956, 449). Each unknown
// by itself takes every one of its evenly spaced values once. No random number; the same always.
func draws() []draw {
	all := make([]draw, members)
	for n := range all {
		var at [len(halves)]int64 // of 0 .. members-1
		for d := range at {
			at[d] = members / 2
			switch k := (n - 1) / 2; {
			case n == 0:
			case n%2 == 1:
				at[d] += halves[d][k]
			default:
				at[d] -= halves[d][k]
			}
		}
		u := func(d int) float64 { return (float64(at[d]) + 0.5) / members }
		all[n] = draw{speed: normal(u(0)), path: at[1], surface: normal(u(2)), gap: u(3), energy: normal(u(4)),
			marks: [4]float64{normal(u(5)), normal(u(6)), normal(u(7)), normal(u(8))}}
	}
	return all
}

// taught gives the member's share in what touches teach: speed, energy, surface, and where the marks lie.
func (d *draw) taught() [learn.Draws]float64 {
	return [learn.Draws]float64{d.speed, d.energy, d.surface, d.marks[0], d.marks[1], d.marks[2], d.marks[3]}
}

// normal gives the standard normal quantile of a probability inside (0, 1).
func normal(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

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
