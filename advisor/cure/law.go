package cure

import (
	"fmt"
	"math"

	"tackline/advisor/units"
)

// ReferenceC is the temperature at which Kinetics states its rates, C.
const ReferenceC = 25.0

// RateEndsC is the temperature above which the rate law is no longer to be believed, C: decomposition and smoke begin, and no rate law of
// a room-temperature system was ever fitted there. Ours, after the common advice to stop at 150 C; a mass that gets there is a runaway.
const RateEndsC = 150.0

// law is Kinetics made ready for the inner loop: exponents sorted into the usual whole ones, activation energy as a temperature.
//
//	da/dt = s A(T) (k1 + k2 a^m) (1 - a)^(n-1) (r - a) / (1 + exp(C (a - ac(T))))
//	A(T)  = exp(-(E/R)(1/T - 1/298.15 K))
//
// Source: Kamal and Sourour, Polym. Eng. Sci. 13 (1973) 59, for the first part with r = 1; the diffusion factor is that of Chern and
// Poehlein, Polym. Eng. Sci. 27 (1987) 788, with ac where Tg(ac) is vitrify_offset_k above the film. r below 1 is a mix that lacks one part
// (see WithRatio); s is the speed of this drum against the sheet.
type law struct {
	k1, k2    float64
	m, n      float64
	whole     int8    // which exponents need no power: 1 is m = 1, n = 2; 2 is m = 0, n = 1; 0 is any other
	eOverR    float64 // K
	speed     float64
	limit     float64 // r, 0..1
	diffusion bool
	steep     float64
	offset    float64
	tg0, span float64
	lambda    float64
}

func newLaw(k Kinetics) law {
	l := law{
		k1: k.K1PerS, k2: k.K2PerS, m: k.M, n: k.N,
		eOverR: k.ActivationKJMol * 1000 / units.GasConstant,
		speed:  1, limit: 1,
		diffusion: k.Diffusion, steep: k.VitrifyC, offset: k.VitrifyOffsetK,
		tg0: k.Tg0C, span: k.TgInfC - k.Tg0C, lambda: k.Lambda,
	}
	switch {
	case k.M == 1 && k.N == 2:
		l.whole = 1
	case k.M == 0 && k.N == 1:
		l.whole = 2
	}
	return l
}

// arrhenius gives A(T): how much faster the reaction runs at a temperature in C than at ReferenceC.
func (l *law) arrhenius(tempC float64) float64 {
	return math.Exp(l.eOverR * (1/(ReferenceC+units.ZeroCelsius) - 1/(tempC+units.ZeroCelsius)))
}

// chem gives (k1 + k2 a^m)(1 - a)^(n-1) (r - a) in 1/s at ReferenceC, for any a: trial steps of the solver may leave 0..r by a little.
func (l *law) chem(a float64) float64 {
	if a < 0 {
		a = 0
	}
	left := l.limit - a
	if left <= 0 {
		return 0
	}
	switch l.whole {
	case 1:
		return (l.k1 + l.k2*a) * (1 - a) * left
	case 2:
		return (l.k1 + l.k2) * left
	}
	return (l.k1 + l.k2*math.Pow(a, l.m)) * math.Pow(1-a, l.n-1) * left
}

// vitrified gives the diffusion factor, 0..1. Not for a law without diffusion.
func (l *law) vitrified(a, tempC float64) float64 {
	return 1 / (1 + math.Exp(l.steep*(a-l.conversionOfTg(tempC+l.offset))))
}

// eval gives the rate in 1/s and the Arrhenius factor.
func (l *law) eval(a, tempC float64) (rate, arr float64) {
	arr = l.arrhenius(tempC)
	rate = l.speed * arr * l.chem(a)
	if l.diffusion {
		rate *= l.vitrified(a, tempC)
	}
	return rate, arr
}

// tg gives the glass transition temperature in C at conversion a: Tg = Tg0 + (Tginf - Tg0) lambda a / (1 - (1 - lambda) a).
// Source: DiBenedetto's equation in the form of Pascault and Williams, J. Polym. Sci. B 28 (1990) 85.
func (l *law) tg(a float64) float64 {
	return l.tg0 + l.span*l.lambda*a/(1-(1-l.lambda)*a)
}

// conversionOfTg is the inverse of tg. Below Tg0 it goes on along the tangent, so that it is smooth and finite for any film.
func (l *law) conversionOfTg(tgC float64) float64 {
	x := (tgC - l.tg0) / l.span
	if x < 0 {
		return x / l.lambda
	}
	return x / (l.lambda + (1-l.lambda)*x)
}

// FloryStockmayer gives the conversion of the limiting group at the gel point of a mix of monomers with f and g reactive groups,
// a = 1/sqrt(r (f-1)(g-1)), where r = limiting over excess groups, 0..1. It is an error where no gel forms (a above 1) or an argument makes
// no sense. Source: Flory, Principles of Polymer Chemistry (1953), ch. 9; Stockmayer, J. Polym. Sci. 9 (1952) 69.
func FloryStockmayer(r, f, g float64) (float64, error) {
	if !(r > 0 && r <= 1) || !(f >= 2 && f < 100) || !(g >= 2 && g < 100) {
		return 0, fmt.Errorf("cure: gel point of r %g, f %g, g %g: want r over 0 and up to 1, f and g from 2 to 100", r, f, g)
	}
	a := 1 / math.Sqrt(r*(f-1)*(g-1))
	if a > 1 {
		return 0, fmt.Errorf("cure: r %g, f %g, g %g: no network forms at any conversion", r, f, g)
	}
	return a, nil
}
