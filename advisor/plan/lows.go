package plan

import (
	"math"
	"math/bits"
)

// lows finds the lowest value of a stretch of an even series, linear between its samples, in a time that does not depend on the stretch:
// lows[j][k] is the lowest of the 2^j samples from k on.
type lows [][]float64

// lay makes room for n samples; the caller fills level 0 and calls raise.
func (l *lows) lay(n int64) {
	levels := bits.Len64(uint64(n))
	for len(*l) < levels {
		*l = append(*l, nil)
	}
	*l = (*l)[:levels]
	for j := range *l {
		if int64(cap((*l)[j])) < n {
			(*l)[j] = make([]float64, n)
		}
		(*l)[j] = (*l)[j][:n]
	}
}

// raise fills the levels over level 0.
func (l lows) raise() {
	n := len(l[0])
	for j := 1; j < len(l); j++ {
		below, half := l[j-1], 1<<(j-1)
		for k := 0; k+2*half <= n; k++ {
			l[j][k] = min(below[k], below[k+half])
		}
	}
}

// at gives the value at a place in samples, held at both ends.
func (l lows) at(x float64) float64 { return at(l[0], x) }

// at gives the value of an even series at a place in samples, linear between them, held at both ends.
func at(v []float64, x float64) float64 {
	if x <= 0 {
		return v[0]
	}
	i := int64(x)
	if i >= int64(len(v))-1 {
		return v[len(v)-1]
	}
	a, b := v[i], v[i+1]
	return a + (x-float64(i))*(b-a)
}

// least gives the lowest value over [from, to], places in samples.
func (l lows) least(from, to float64) float64 {
	v := min(l.at(from), l.at(to))
	a := int64(math.Ceil(max(0, from)))
	b := int64(min(to, float64(len(l[0])-1)))
	if b < a {
		return v
	}
	j := bits.Len64(uint64(b-a+1)) - 1
	return min(v, l[j][a], l[j][b-(1<<j)+1])
}

// when gives the first place in [from, to] with the lowest value.
func (l lows) when(from, to float64) float64 {
	best, where := l.at(from), from
	for k := int64(math.Ceil(max(0, from))); float64(k) <= to && k < int64(len(l[0])); k++ {
		if l[0][k] < best {
			best, where = l[0][k], float64(k)
		}
	}
	if x := l.at(to); x < best {
		where = to
	}
	return where
}
