package timber

import (
	"fmt"
	"math"
	"slices"

	"tackline/advisor/air"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// Breath is what the gas in a piece's pores goes through: all of it known or forecast, with standard uncertainties.
type Breath struct {
	Timber      trace.Trace // C, of the timber itself: not of the air, which it lags behind; the coat's own heat included
	PressureHPa trace.Trace // hPa at the shed; empty where there is no barometer
	AW          float64     // water activity of the timber, 0..1; the timber holds it as it warms and cools

	TimberU   units.Diff   // of the change of the timber's temperature, K
	PressureU units.Pascal // of the change of the barometer where it is read or forecast, Pa
	AWU       float64      // of AW
}

// Growth is how the gas in the pores changes over a stretch of time. The volumes are ratios; times are Unix seconds.
type Growth struct {
	Ratio         float64   // at the end over at the beginning
	Direction     Direction // of Ratio
	Peak          float64   // largest over at the beginning; 1 at least
	PeakAt        float64   // when
	Rise          float64   // largest over any earlier one: what is pushed out again after resin has been drawn in; 1 at least
	RiseFrom      float64   // from when
	RiseTo        float64   // to when
	U             float64   // standard uncertainty of Ratio
	PressureKnown bool      // the barometer's trace covers the whole stretch
}

// Grows tells whether more than limit (a ratio above 1, such as 0.0005) comes out at some time of the stretch, though it may have gone
// back by the end.
func (g Growth) Grows(limit float64) bool { return g.Rise > 1+limit }

// Over gives the growth from one moment to another, such as from now until the coat has gelled.
//
// Temperature, pressure and vapour pressure are taken together by the law of GasRatio, at every sample of the traces: so falling air
// over timber that is still warming grows, and so does steady timber under a falling barometer. Where the barometer has no value, its
// nearest is held (101325 Pa where there is none) and UnknownPressureU of that time is added to U. Timber without a temperature anywhere
// in the stretch is an error, for then nothing can be said; so are values outside the ranges of GasRatio.
func (b Breath) Over(from, to float64) (Growth, error) {
	if err := b.check(from, to); err != nil {
		return Growth{}, err
	}
	times := b.knots(from, to)
	v0, err := b.volume(from)
	if err != nil {
		return Growth{}, err
	}
	g := Growth{Peak: 1, PeakAt: from, Rise: 1, RiseFrom: from, RiseTo: from, PressureKnown: b.Known(from, to)}
	low, lowAt := 1.0, from
	for _, at := range times {
		v, err := b.volume(at)
		if err != nil {
			return Growth{}, err
		}
		g.Ratio = v / v0
		if g.Ratio > g.Peak {
			g.Peak, g.PeakAt = g.Ratio, at
		}
		if g.Ratio/low > g.Rise {
			g.Rise, g.RiseFrom, g.RiseTo = g.Ratio/low, lowAt, at
		}
		if g.Ratio < low {
			low, lowAt = g.Ratio, at
		}
	}
	g.Direction = DirectionOf(g.Ratio)
	g.U = g.Ratio * b.relativeU(from, to)
	return g, nil
}

// Known tells whether the barometer has a value throughout.
func (b Breath) Known(from, to float64) bool { return b.unknown(from, to) == 0 }

func (b Breath) unknown(from, to float64) units.Second {
	var sum float64
	for _, s := range b.PressureHPa.Gaps(from, to) {
		sum += s.Len()
	}
	return units.Second(sum)
}

func (b Breath) check(from, to float64) error {
	if !(to > from) || math.IsInf(to-from, 0) {
		return fmt.Errorf("timber: span from %g to %g s: want an end after the beginning", from, to)
	}
	if err := b.Timber.Check(); err != nil {
		return fmt.Errorf("timber: temperature: %w", err)
	}
	if err := b.PressureHPa.Check(); err != nil {
		return fmt.Errorf("timber: pressure: %w", err)
	}
	if err := checkActivity(b.AW); err != nil {
		return err
	}
	for _, u := range []float64{float64(b.TimberU), float64(b.PressureU), b.AWU} {
		if !(u >= 0 && u <= 1e6) {
			return fmt.Errorf("timber: standard uncertainty %g: want 0 or more", u)
		}
	}
	if gaps := b.Timber.Gaps(from, to); len(gaps) > 0 {
		return fmt.Errorf("timber: no timber temperature from %s to %s", clock(gaps[0].From), clock(gaps[0].To))
	}
	return nil
}

// clock shows a time in an error.
func clock(at float64) string { return units.Instant(at).Time().Format("2006-01-02 15:04 UTC") }

// knots are the times of both traces within the stretch, and its end.
func (b Breath) knots(from, to float64) []float64 {
	times := append([]float64{to}, b.Timber.Slice(from, to).At...)
	times = append(times, b.PressureHPa.Slice(from, to).At...)
	slices.Sort(times)
	return slices.Compact(times)
}

func (b Breath) volume(at float64) (float64, error) {
	c, ok := b.Timber.Value(at)
	if !ok {
		return 0, fmt.Errorf("timber: no timber temperature at %s", clock(at))
	}
	t, p := units.Celsius(c), b.pressure(at)
	if err := checkTemperature(t); err != nil {
		return 0, fmt.Errorf("%w, at %s", err, clock(at))
	}
	if err := checkPressure(p); err != nil {
		return 0, fmt.Errorf("%w, at %s", err, clock(at))
	}
	return gasVolume(t, p, b.AW), nil
}

// pressure gives the barometer at a time, the nearest value where it has none, and the standard atmosphere where there is no barometer.
func (b Breath) pressure(at float64) units.Pascal {
	p := b.PressureHPa
	if v, ok := p.Value(at); ok {
		return units.FromHectopascal(v)
	}
	best, dist := float64(air.StandardAtmosphere)/100, math.Inf(1)
	i, _ := slices.BinarySearch(p.At, at)
	for _, k := range []int{i - 1, i} {
		if k >= 0 && k < len(p.At) && math.Abs(p.At[k]-at) < dist {
			best, dist = p.V[k], math.Abs(p.At[k]-at)
		}
	}
	return units.FromHectopascal(best)
}

// relativeU is the standard uncertainty of the logarithm of the ratio, from those of temperature, pressure and water activity, taken as
// independent. Source: JCGM 100:2008 (GUM), 5.1.2, with the derivatives of the law of GasRatio.
func (b Breath) relativeU(from, to float64) float64 {
	c1, _ := b.Timber.Value(from)
	c2, _ := b.Timber.Value(to)
	t1, t2 := units.Celsius(c1), units.Celsius(c2)
	e1, e2 := float64(air.SaturationPressureWater(t1)), float64(air.SaturationPressureWater(t2))
	dry1, dry2 := dryPressure(t1, b.pressure(from), b.AW), dryPressure(t2, b.pressure(to), b.AW)
	const h = 0.01 // K, for the slope of the saturation pressure
	slope := float64(air.SaturationPressureWater(t2+h)-air.SaturationPressureWater(t2-h)) / (2 * h)
	byT := (1/float64(t2.Kelvin()) + b.AW*slope/dry2) * float64(b.TimberU)
	byP := math.Hypot(float64(b.PressureU), float64(UnknownPressureU(b.unknown(from, to)))) / dry2
	byAW := (e2/dry2 - e1/dry1) * b.AWU
	return math.Sqrt(byT*byT + byP*byP + byAW*byAW)
}
