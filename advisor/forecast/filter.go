package forecast

import "math"

// run goes along the log and keeps the best guess of every state after each step: the filter of Kalman with a transition that only fades.
func (c *course) run() {
	n := c.n
	c.state = make([]float64, int64(len(c.v))*n)
	m, gain := make([]float64, n), make([]float64, n)
	cov := make([]float64, n*n)
	both := make([]float64, n*n)  // fade of a covariance in a step
	fresh := make([]float64, n*n) // covariance that comes in with a step
	fade := c.fade[n : 2*n]
	for i := range n {
		for j := range n {
			both[i*n+j] = fade[i] * fade[j]
			cov[i*n+j] = c.spread[i*n+j]
			fresh[i*n+j] = c.spread[i*n+j] * (1 - both[i*n+j])
		}
	}
	for k := c.first; k < int64(len(c.v)); k++ {
		if k > c.first {
			for i := range n {
				m[i] *= fade[i]
			}
			for i, f := range both {
				cov[i] = cov[i]*f + fresh[i]
			}
		}
		if c.have[k] {
			c.learn(m, gain, cov, k)
		}
		copy(c.state[k*n:(k+1)*n], m)
		if k == c.origin {
			c.cov = append([]float64(nil), cov...)
		}
	}
}

// learn takes the value of step k into the states m and their covariance.
func (c *course) learn(m, gain, cov []float64, k int64) {
	n := c.n
	w := c.weight[k*n : (k+1)*n]
	total, miss := c.noise, c.v[k]-c.mean
	for i := range w {
		row := cov[int64(i)*n : int64(i)*n+n]
		g := 0.0
		for j, r := range row {
			g += r * w[j]
		}
		gain[i] = g
		total += g * w[i]
		miss -= m[i] * w[i]
	}
	for i, g := range gain {
		share := g / total
		m[i] += share * miss
		row := cov[int64(i)*n : int64(i)*n+n]
		for j := range row {
			row[j] -= share * gain[j]
		}
	}
}

// line is what the states after step origin say of that step and those after it, as far as the horizon asks.
func (c *course) line(origin int64) []float64 {
	out := make([]float64, c.lead+1)
	m := c.state[origin*c.n : (origin+1)*c.n]
	for l := range out {
		at := origin + int64(l)
		w, f := c.weight[at*c.n:(at+1)*c.n], c.fade[int64(l)*c.n:int64(l+1)*c.n]
		v := c.mean
		for i, x := range m {
			v += x * f[i] * w[i]
		}
		out[l] = v
	}
	if c.have[origin] {
		out[0] = c.v[origin]
	}
	return out
}

// doubt is the standard deviation around the present line that the parts themselves give, before the log has had its say.
func (c *course) doubt() []float64 {
	out := make([]float64, c.lead+1)
	n := c.n
	for l := range out {
		at := c.origin + int64(l)
		w, f := c.weight[at*n:(at+1)*n], c.fade[int64(l)*n:int64(l+1)*n]
		v := 0.0
		for i := range n {
			for j := range n {
				ff := f[i] * f[j]
				v += w[i] * w[j] * (c.cov[i*n+j]*ff + c.spread[i*n+j]*(1-ff))
			}
		}
		out[l] = math.Sqrt(math.Max(v, 0))
	}
	return out
}
