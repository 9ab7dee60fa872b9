package learn

import (
	"math"

	"tackline/advisor/internal/symmetric"
)

// far is how many standard deviations a statement may lie off before it is taken to lie there: the tails below are still numbers.
const far = 30.0

// ratios gives (phi(b) - phi(a))/Z and (b phi(b) - a phi(a))/Z with Z the chance that a standard normal lies in [a, b].
func ratios(a, b float64) (first, second float64) {
	if a > 0 { // the upper tail by the lower one, where nothing cancels
		first, second = ratios(-b, -a)
		return -first, second
	}
	if b < -far {
		a, b = a-(b+far), -far
	}
	za, zb := math.Exp(-a*a/2)/math.Sqrt(2*math.Pi), math.Exp(-b*b/2)/math.Sqrt(2*math.Pi)
	z := 0.5 * (math.Erfc(-b/math.Sqrt2) - math.Erfc(-a/math.Sqrt2))
	first = (zb - za) / z
	if !math.IsInf(a, 0) {
		second -= a * za
	}
	if !math.IsInf(b, 0) {
		second += b * zb
	}
	return first, second / z
}

// curvature gives the statement's worth at the present point by the slope and the curvature of its log likelihood.
func (s *site) curvature() (tau, nu float64) {
	first, second := ratios((s.lo-s.g)/s.sigma, (s.hi-s.g)/s.sigma)
	slope := -first / s.sigma
	tau = (first*first + second) / (s.sigma * s.sigma)
	return tau, tau*s.g + slope
}

// moments gives the statement's worth by the mean and the variance that it gives to a normal of everything else.
func (s *site) moments(v float64) (tau, nu float64) {
	// Everything else: the present normal of ln time less what this statement is worth in it.
	rest := 1/v - s.tau
	if !(rest > 1e-9) {
		return s.tau, s.nu
	}
	mean, v0 := (s.g/v-s.nu)/rest, 1/rest
	sd := math.Hypot(s.sigma, math.Sqrt(v0))
	first, second := ratios((s.lo-mean)/sd, (s.hi-mean)/sd)
	m1 := mean - v0/sd*first
	v1 := v0 - v0*v0/(sd*sd)*(first*first+second)
	if !(v1 > 0) {
		return s.tau, s.nu
	}
	tau = math.Max(0, 1/v1-1/v0)
	return tau, m1/v1 - mean/v0
}

func root(x ...float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum)
}

// variance gives a' cov a.
func variance(cov [][]float64, a []float64) float64 {
	sum := 0.0
	for i, x := range a {
		if x != 0 {
			sum += x * symmetric.Dot(cov[i], a)
		}
	}
	return sum
}
