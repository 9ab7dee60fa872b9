package shed

import (
	"math"
	"math/rand/v2"
)

const (
	hour = 3600.0 // seconds
	day  = 24 * hour
)

// slotLength is the time that holds one front on average, in seconds: lows pass a northern coast in winter about every three days.
const slotLength = 3 * day

// frontsMean is what all the fronts together take from the mean temperature, in kelvin; found by averaging over many winters.
const frontsMean = 2.6

// front is one passage: the barometer falls toward it, then the wind turns, cold dry air comes in and mellows over days.
type front struct {
	at    float64 // Unix seconds
	drop  float64 // kelvin
	width float64 // seconds that the turn takes
	relax float64 // seconds in which the cold mellows
	dip   float64 // hectopascal
}

// weather gives the outdoor conditions at any time, directly.
type weather struct {
	seed    uint64
	mean    float64   // winter mean, C
	zone    float64   // seconds east of UTC, for the sun's hour
	fronts  []front   // of the slots in memory, in order
	slot    int64     // the first of them
	cold    []Event   // cold snaps
	phases  []float64 // of the slow wandering
	periods []float64
}

// mix draws a generator for one purpose out of the seed. PCG is specified, so its numbers are the same everywhere.
func mix(seed, purpose, number uint64) *rand.Rand {
	return rand.New(rand.NewPCG(seed^(purpose*0x9e3779b97f4a7c15), number))
}

func newWeather(o Options) *weather {
	w := &weather{seed: o.Seed, mean: o.MeanOutdoors, zone: o.ZoneSeconds, slot: math.MinInt64}
	for _, e := range o.Events {
		if e.Kind == ColdSnap {
			w.cold = append(w.cold, e)
		}
	}
	r := mix(o.Seed, 1, 0)
	for _, p := range []float64{2.3 * day, 5.1 * day, 11.7 * day, 27 * day} {
		w.periods = append(w.periods, p*(0.9+0.2*r.Float64()))
		w.phases = append(w.phases, 2*math.Pi*r.Float64())
	}
	return w
}

// frontOf draws the front of a slot.
func (w *weather) frontOf(slot int64) front {
	r := mix(w.seed, 2, uint64(slot))
	return front{
		at:    (float64(slot) + 0.15 + 0.7*r.Float64()) * slotLength,
		drop:  2.5 + 6*r.Float64(),
		width: (1 + 2*r.Float64()) * hour,
		relax: (1 + 1.5*r.Float64()) * day,
		dip:   8 + 14*r.Float64(),
	}
}

// near gives the fronts that matter at a time: six slots back (older cold has gone), one ahead (the barometer falls before the front).
func (w *weather) near(t float64) []front {
	slot := int64(math.Floor(t/slotLength)) - 6
	if slot != w.slot {
		w.slot, w.fronts = slot, w.fronts[:0]
		for i := range int64(9) {
			w.fronts = append(w.fronts, w.frontOf(slot+i))
		}
	}
	return w.fronts
}

// outdoors is the weather at one time.
type outdoors struct {
	tempC, rhPct, pressureHPa, vapourPa float64
	sun                                 float64 // 0..1, of a clear noon at the height of the year
	clear                               float64 // 0..1
}

// logistic runs from 0 to 1 around 0.
func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// at gives the weather at a time in Unix seconds.
func (w *weather) at(t float64) outdoors {
	var wander [4]float64
	for i := range w.periods {
		wander[i] = math.Sin(2*math.Pi*t/w.periods[i] + w.phases[i])
	}
	// The coldest time of the year is taken as 20 January.
	year := math.Mod(t-19*day, 365.2425*day) / (365.2425 * day)
	temp := w.mean + frontsMean + 6.5*(1-math.Cos(2*math.Pi*year)) + 1.3*wander[0] + 1.1*wander[1] + 1.5*wander[2] + 1.0*wander[3]
	pressure := 1010 + 5*wander[1] + 7*wander[2] + 4*wander[3]
	clear := 0.35 + 0.2*wander[0]
	dew := 2.2 - 0.8*wander[1] // how far the dew point lies below the night's temperature
	for _, f := range w.near(t) {
		x := t - f.at
		cold := logistic(x/f.width) * math.Exp(-math.Max(x, 0)/f.relax)
		temp -= f.drop * cold
		temp += 0.35 * f.drop * math.Exp(-x*x/(2*0.49*day*day)) * logistic(-x/f.width) // the warm sector before it
		pressure -= f.dip * math.Exp(-x*x/(2*0.25*day*day))
		clear += 0.5*cold - 0.4*math.Exp(-x*x/(2*0.09*day*day))
		dew += 2.5*cold - 1.2*math.Exp(-x*x/(2*0.16*day*day))
	}
	for _, e := range w.cold {
		temp -= e.Size * logistic((t-e.From)/(2*hour)) * logistic((e.To-t)/(6*hour))
	}
	o := outdoors{pressureHPa: pressure, clear: math.Min(1, math.Max(0, clear))}
	dewPoint := temp - math.Max(0.6, dew)
	local := math.Mod(t+w.zone, day) / day
	// Warmest at 14:30 solar time, coldest before dawn.
	temp += (0.6 + 2.6*o.clear) * math.Cos(2*math.Pi*(local-14.5/24))
	o.tempC = temp
	o.vapourPa = math.Min(saturation(dewPoint), saturation(temp))
	o.rhPct = 100 * o.vapourPa / saturation(temp)
	height := math.Cos(2*math.Pi*(local-0.5)) - 0.35 + 0.45*(1-math.Cos(2*math.Pi*(year+30.0/365)))/2
	o.sun = math.Max(0, height) / 1.1
	return o
}

// saturation gives the saturation vapour pressure over water in pascal at a temperature in C, also below 0:
// ln e = -6096.9385/T + 21.2409642 - 2.711193e-2 T + 1.673952e-5 T^2 + 2.433502 ln T, T in K, valid 173..373 K
// (D. Sonntag, Zeitschrift fuer Meteorologie 40, 1990, 340-344).
func saturation(tempC float64) float64 {
	k := tempC + 273.15
	return math.Exp(-6096.9385/k + 21.2409642 - 2.711193e-2*k + 1.673952e-5*k*k + 2.433502*math.Log(k))
}

// dewPoint inverts saturation by Newton's method, in C.
func dewPoint(vapourPa float64) float64 {
	t := 5.0
	for range 50 {
		e := saturation(t)
		slope := (saturation(t+0.01) - saturation(t-0.01)) / 0.02
		step := (e - vapourPa) / slope
		// Far from the root a whole step can overshoot the range of the formula.
		step = math.Max(-20, math.Min(20, step))
		t -= step
		if math.Abs(step) < 1e-10 {
			break
		}
	}
	return t
}
