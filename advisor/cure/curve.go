package cure

import (
	"math"
	"sort"
)

// curve is the isothermal course at ReferenceC of a law without diffusion, against reduced time. With one activation energy conversion
// depends on reduced time alone, so that this one curve serves every temperature history exactly.
type curve struct {
	at  []float64 // start of each step, s at ReferenceC
	a   []poly
	h   []float64
	end float64 // conversion held after the last step
}

// Tolerances of the curve: it is made once, so it may cost.
const (
	curveTol  = 1e-11
	curveLast = 3e9 // s; a century
)

// newCurve solves the law at ReferenceC and speed 1 until nothing is left to react.
func newCurve(l law) *curve {
	c := &curve{}
	t, a, h := 0.0, 0.0, 1.0
	k := l.chem(0)
	for t < curveLast && l.limit-a > 1e-10 {
		var s stages
		s.k1 = k
		k2 := l.chem(a + h*a21*s.k1)
		s.k3 = l.chem(a + h*(a31*s.k1+a32*k2))
		s.k4 = l.chem(a + h*(a41*s.k1+a42*k2+a43*s.k3))
		s.k5 = l.chem(a + h*(a51*s.k1+a52*k2+a53*s.k3+a54*s.k4))
		s.k6 = l.chem(a + h*(a61*s.k1+a62*k2+a63*s.k3+a64*s.k4+a65*s.k5))
		da := h * s.increment()
		s.k7 = l.chem(a + da)
		err := math.Abs(h*s.mismatch()) / (1e-13 + curveTol*math.Abs(a))
		if err > 1 && h > 1e-6 {
			h *= math.Min(0.9, grow(err))
			continue
		}
		c.at, c.a, c.h = append(c.at, t), append(c.a, s.dense(a, da, h)), append(c.h, h)
		t, a, k = t+h, a+da, s.k7
		h *= grow(err)
	}
	c.end = math.Min(a, l.limit)
	return c
}

// conversion gives a at a reduced time. hint is the step found last; the next one is mostly the same or soon after.
func (c *curve) conversion(reduced float64, hint *int) float64 {
	i := *hint
	if i >= len(c.at) || c.at[i] > reduced || reduced > c.at[i]+4*c.h[i] {
		i = sort.SearchFloat64s(c.at, reduced)
		if i > 0 {
			i--
		}
	}
	for i+1 < len(c.at) && c.at[i+1] <= reduced {
		i++
	}
	*hint = i
	x := (reduced - c.at[i]) / c.h[i]
	if x > 1 {
		return c.end
	}
	return c.a[i].at(x)
}

// reduced gives the reduced time at which conversion a is reached, a below the end of the curve.
func (c *curve) reduced(a float64) float64 {
	if a <= 0 {
		return 0
	}
	i := sort.Search(len(c.a), func(k int) bool { return c.a[k].end() >= a })
	if i == len(c.a) {
		i--
	}
	p := &c.a[i]
	if p.end() <= a {
		return c.at[i] + c.h[i]
	}
	x := root(func(x float64) float64 { return p.at(x) - a }, 0, 1, p.r1-a-1e-300, p.end()-a, 1e-12)
	return c.at[i] + x*c.h[i]
}
