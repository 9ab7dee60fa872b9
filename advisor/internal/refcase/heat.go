package refcase

import "math"

// PlaneWall gives theta = (T - Tair)/(T0 - Tair) in a slab of half-thickness L with the same heat transfer at both faces, from the series
// sum Cn exp(-zn^2 Fo) cos(zn x), zn tan zn = Bi, Cn = 4 sin zn/(2 zn + sin 2zn). x is 0 in the middle and 1 at the face; Bi = h L/k;
// Fo = alpha t/L^2. Source: Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed., 3.11.
func PlaneWall(bi, fo, x float64) float64 {
	var sum float64
	for n := range 200 {
		z := PlaneWallRoot(bi, int64(n))
		term := 4 * math.Sin(z) / (2*z + math.Sin(2*z)) * math.Exp(-z*z*fo)
		sum += term * math.Cos(z*x)
		if math.Abs(term) < 1e-16 {
			break
		}
	}
	return sum
}

// PlaneWallRoot gives the n-th root (from 0) of z tan z = Bi.
func PlaneWallRoot(bi float64, n int64) float64 {
	lo := float64(n) * math.Pi
	hi := lo + math.Pi/2
	for range 200 {
		z := lo + (hi-lo)/2
		if z*math.Sin(z) > bi*math.Cos(z) == (n%2 == 0) {
			hi = z
		} else {
			lo = z
		}
	}
	return lo + (hi-lo)/2
}

// SemiInfinite gives (T - T0)/(Tair - T0) at a depth x (m) and time t (s) in a deep body whose face meets air with coefficient h (W/m2K):
// erfc(a) - exp(hx/k + b^2) erfc(a + b), a = x/2 sqrt(alpha t), b = h sqrt(alpha t)/k. Source: Carslaw and Jaeger, 2nd ed., 2.7.
func SemiInfinite(h, k, alpha, x, t float64) float64 {
	a := x / (2 * math.Sqrt(alpha*t))
	b := h * math.Sqrt(alpha*t) / k
	return math.Erfc(a) - math.Exp(h*x/k+b*b)*math.Erfc(a+b)
}

// SheetMean gives the mean of theta = (c - cface)/(c0 - cface) in a sheet one face of which is held and the other is closed, a thickness L
// apart: 8/pi^2 sum exp(-(2n+1)^2 pi^2 Fo/4)/(2n+1)^2, Fo = D t/L^2. Source: Crank, The Mathematics of Diffusion, 2nd ed., eq. 4.18.
func SheetMean(fo float64) float64 {
	var sum float64
	for n := range 400 {
		m := float64(2*n + 1)
		term := math.Exp(-m*m*math.Pi*math.Pi*fo/4) / (m * m)
		sum += term
		if term < 1e-17 {
			break
		}
	}
	return 8 / (math.Pi * math.Pi) * sum
}

// LagOfRamp gives the answer of a first-order lag of time constant tau (s) to an input that has stood at 0 and rises by one a second from
// time 0: t - tau + tau exp(-t/tau).
func LagOfRamp(tau, t float64) float64 { return t - tau + tau*math.Exp(-t/tau) }
