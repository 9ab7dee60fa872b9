package chart

import (
	"math"
	"strconv"
	"time"
)

// Tick is a mark on an axis with its label.
type Tick struct {
	At    float64
	Label string
	Major bool // a day begins here
}

// ladder has the steps of an axis within a decade.
var ladder = [...]float64{1, 2, 2.5, 5}

// Ticks gives the marks of a value axis over [lo, hi], at least four of them: the coarsest step of 1, 2, 2.5 or 5 times a power of ten that
// has four multiples in the range. hi has to be above lo.
func Ticks(lo, hi float64) []Tick {
	if !(hi > lo) {
		return nil
	}
	decade := math.Pow(10, math.Ceil(math.Log10(hi-lo)))
	for {
		for i := len(ladder) - 1; i >= 0; i-- {
			step := ladder[i] * decade
			from, to := math.Ceil(lo/step-1e-9), math.Floor(hi/step+1e-9)
			if to-from >= 3 {
				return valueTicks(from, to, step)
			}
		}
		decade /= 10
	}
}

func valueTicks(from, to, step float64) []Tick {
	digits := 0
	for s := step; digits < 6 && math.Abs(s-math.Round(s)) > 1e-6; digits++ {
		s *= 10
	}
	var out []Tick
	for k := from; k <= to; k++ {
		v := k * step
		if v == 0 {
			v = 0
		}
		out = append(out, Tick{At: v, Label: strconv.FormatFloat(v, 'f', digits, 64)})
	}
	return out
}

// timeSteps are the steps of a time axis in seconds.
var timeSteps = [...]int64{300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 2 * 86400, 7 * 86400, 14 * 86400, 28 * 86400}

// TimeTicks gives the marks of a time axis over [from, to] in Unix seconds, at most the given number, at round times of the zone's own
// clock: 06:00 stays 06:00 when the clock changes. Where a day begins the label is its name.
func TimeTicks(from, to float64, zone *time.Location, most int64) []Tick {
	if !(to > from) || most < 1 {
		return nil
	}
	if zone == nil {
		zone = time.UTC
	}
	for _, step := range timeSteps {
		if (to-from)/float64(step) <= float64(most) || step == timeSteps[len(timeSteps)-1] {
			if ticks := wallTicks(from, to, zone, step); int64(len(ticks)) <= most || step == timeSteps[len(timeSteps)-1] {
				return ticks
			}
		}
	}
	return nil
}

// wallTicks walks the zone's wall clock. Offsets of zones are multiples of a quarter of an hour, so in steps of that no round time is missed.
func wallTicks(from, to float64, zone *time.Location, step int64) []Tick {
	stride := min(step, int64(900))
	u := int64(math.Ceil(from/float64(stride))) * stride
	var out []Tick
	for ; float64(u) <= to; u += stride {
		t := time.Unix(u, 0).In(zone)
		_, off := t.Zone()
		wall := u + int64(off)
		if wall%step != 0 {
			continue
		}
		day := wall%86400 == 0
		label := t.Format("15:04")
		if day {
			label = t.Format("Mon 2")
		}
		out = append(out, Tick{At: float64(u), Label: label, Major: day})
		if skip := step - 3*3600; skip > stride { // no clock changes by more
			u += skip - skip%stride
		}
	}
	return out
}
