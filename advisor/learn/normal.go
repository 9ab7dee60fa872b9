package learn

import "math"

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

func dot(a, b []float64) float64 {
	sum := 0.0
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}

// variance gives a' cov a.
func variance(cov [][]float64, a []float64) float64 {
	sum := 0.0
	for i, x := range a {
		if x != 0 {
			sum += x * dot(cov[i], a)
		}
	}
	return sum
}

func times(m [][]float64, x []float64) []float64 {
	out := make([]float64, len(m))
	for i := range m {
		out[i] = dot(m[i], x)
	}
	return out
}

func identity(n int) [][]float64 {
	m := square(n)
	for i := range m {
		m[i][i] = 1
	}
	return m
}

func square(n int) [][]float64 {
	all := make([]float64, n*n)
	m := make([][]float64, n)
	for i := range m {
		m[i] = all[i*n : (i+1)*n]
	}
	return m
}

// factor gives the lower Cholesky factor of a symmetric matrix that is not negative; a direction without spread gets a column of zeros.
func factor(m [][]float64) [][]float64 {
	l := square(len(m))
	for i := range m {
		for j := 0; j <= i; j++ {
			x := m[i][j] - dot(l[i][:j], l[j][:j])
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

// inverse gives the inverse of a symmetric matrix that is at least the identity.
func inverse(m [][]float64) [][]float64 {
	n := len(m)
	l := factor(m)
	w := square(n) // inverse of l
	for j := range n {
		w[j][j] = 1 / l[j][j]
		for i := j + 1; i < n; i++ {
			w[i][j] = -dot(l[i][j:i], column(w, j, j, i)) / l[i][i]
		}
	}
	out := square(n)
	for i := range n {
		for j := 0; j <= i; j++ {
			sum := 0.0
			for k := i; k < n; k++ {
				sum += w[k][i] * w[k][j]
			}
			out[i][j], out[j][i] = sum, sum
		}
	}
	return out
}

func column(m [][]float64, j, from, to int) []float64 {
	out := make([]float64, 0, to-from)
	for i := from; i < to; i++ {
		out = append(out, m[i][j])
	}
	return out
}
