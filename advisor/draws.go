package advisor

import (
	"math"
	"sort"

	"tackline/advisor/learn"
)

// members is the number of ways the unknown is let go: enough for a 10 % and a 90 % bound to rest on several of them. A prime, see strides.
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

// strides are those by which each unknown steps through its evenly spaced values, and where it begins: member n has value (stride n + begin)
// mod members. They were searched for so that no two unknowns go together (correlation below 0.06, see the test).
var strides = [9][2]int64{{11, 43}, {13, 24}, {16, 1}, {4, 2}, {5, 42}, {12, 45}, {23, 39}, {18, 43}, {9, 26}}

// draws gives the members: a shifted rank-1 lattice (Sloan and Joe, Lattice Methods for Multiple Integration, 1994, ch. 4; from memory), in which each
// unknown by itself takes every one of its evenly spaced values once. No random number; the same always.
func draws() []draw {
	all := make([]draw, members)
	for n := range all {
		var u [len(strides)]float64
		for d, s := range strides {
			u[d] = (float64((int64(n)*s[0]+s[1])%members) + 0.5) / members
		}
		all[n] = draw{speed: normal(u[0]), path: int64(u[1] * members), surface: normal(u[2]), gap: u[3], energy: normal(u[4]),
			marks: [4]float64{normal(u[5]), normal(u[6]), normal(u[7]), normal(u[8])}}
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
