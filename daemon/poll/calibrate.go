package poll

import (
	"fmt"
	"math"
	"time"

	"tackline/sensors"
)

// Undo gives back, from a corrected value, what the correction of its own quantity started from: the raw value, and for humidity the value carried
// over to the corrected temperature. It is what a new factor and offset apply to.
func (c Calibration) Undo(q sensors.Quantity, value float64) float64 {
	switch q {
	case sensors.Temperature:
		return value - c.TemperatureK
	case sensors.Pressure:
		return value - c.PressureHPa
	case sensors.Moisture:
		return value - c.MoisturePct
	case sensors.Humidity:
		factor := c.HumidityFactor
		if factor == 0 {
			factor = 1
		}
		return (value - c.HumidityPct) / factor
	}
	return value
}

// Set gives the calibration with another gain and offset of one quantity: true = gain x shown + offset. Only humidity has a gain.
func (c Calibration) Set(q sensors.Quantity, gain, offset float64) Calibration {
	switch q {
	case sensors.Temperature:
		c.TemperatureK = offset
	case sensors.Pressure:
		c.PressureHPa = offset
	case sensors.Moisture:
		c.MoisturePct = offset
	case sensors.Humidity:
		c.HumidityFactor, c.HumidityPct = gain, offset
	}
	return c
}

// Jar is what a probe showed beside something known: shown before its own correction (see Undo), what was true, and the standard uncertainty
// of that, all in the unit of the quantity.
type Jar struct {
	Shown, True, U float64
}

// TwoPoint gives the line through two jars, true = gain x shown + offset, and its standard uncertainty at the worse of the two. Jars less than 20 apart
// cannot tell a slope, and a slope beyond 0.8 to 1.25 is of a probe to be replaced, or of a jar that had not settled.
func TwoPoint(a, b Jar) (gain, offset, u float64, err error) {
	if math.Abs(a.True-b.True) < 20 {
		return 0, 0, 0, fmt.Errorf("poll: jars of %.1f and %.1f are too close to tell a slope: take two that are 20 apart, such as MgCl2 and NaCl", a.True, b.True)
	}
	gain = (b.True - a.True) / (b.Shown - a.Shown)
	if !(gain >= 0.8 && gain <= 1.25) {
		return 0, 0, 0, fmt.Errorf("poll: the jars give a slope of %.2f: not within 0.8 to 1.25; had both settled?", gain)
	}
	return gain, a.True - gain*a.Shown, math.Max(a.U, b.U), nil
}

// Point is a value at a time, in seconds.
type Point struct {
	At, V float64
}

// Settling says how still a stretch of readings was.
type Settling struct {
	N        int64
	Mean, SD float64
	Span     time.Duration
	PerHour  float64 // slope of the straight line through them
}

// Settle looks at a stretch of readings, in the order of time.
func Settle(points []Point) Settling {
	n := float64(len(points))
	if len(points) == 0 {
		return Settling{}
	}
	var t, v float64
	for _, p := range points {
		t, v = t+p.At/n, v+p.V/n
	}
	var tt, tv, vv float64
	for _, p := range points {
		tt, tv, vv = tt+(p.At-t)*(p.At-t), tv+(p.At-t)*(p.V-v), vv+(p.V-v)*(p.V-v)
	}
	s := Settling{N: int64(len(points)), Mean: v, SD: math.Sqrt(vv / n), Span: time.Duration((points[len(points)-1].At - points[0].At) * float64(time.Second))}
	if tt > 0 {
		s.PerHour = 3600 * tv / tt
	}
	return s
}

// Still tells whether a stretch is long enough, drifts little enough, and scatters little enough to be taken for settled; where it is not, why.
func (s Settling) Still(least time.Duration, perHour, sd float64, unit string) error {
	switch {
	case s.N < 5 || s.Span < least*9/10:
		return fmt.Errorf("poll: %d readings over %v: want %v", s.N, s.Span.Round(time.Second), least)
	case math.Abs(s.PerHour) > perHour:
		return fmt.Errorf("poll: it still drifts by %.2f %s an hour: want less than %g", s.PerHour, unit, perHour)
	case s.SD > sd:
		return fmt.Errorf("poll: it scatters by %.2f %s: want less than %g", s.SD, unit, sd)
	}
	return nil
}
