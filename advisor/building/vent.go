package building

import (
	"fmt"
	"math"

	"tackline/advisor/trace"
)

// Vent is how fast a shed's vapour follows the outdoors', as changes of air an hour. Timber that gives and takes water makes it differ from the
// true change of air: it is what the vapour does, which is what a forecast of vapour needs.
type Vent struct {
	PerHour, U float64 // and its standard uncertainty
	SourcePa   float64 // Pa that sources of water hold the shed above outdoors
	Hours      int64
}

// Ventilation fits dE/dt = n (E_outdoors - E) + source to vapour pressures in Pa, up to a moment, as Fit does temperatures. Vapour pressures
// stand for masses of water, which is right within the ratio of the two absolute temperatures. The error says why there is none.
func Ventilation(indoorPa, outdoorPa trace.Trace, at float64) (Vent, error) {
	rows := hours(Log{IndoorC: indoorPa, OutdoorC: outdoorPa}, at)
	if int64(len(rows)) < fewest {
		return Vent{}, fmt.Errorf("%w: %d hours with both humidities, want %d", ErrTooLittle, len(rows), fewest)
	}
	var n, sx, sy, sxx, sxy float64
	for _, h := range rows {
		x, y := h.out-h.from, h.to-h.from
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	spread := sxx - sx*sx/n
	if !(spread > 0) {
		return Vent{}, fmt.Errorf("%w: the two humidities never part", ErrTooLittle)
	}
	b := (sxy - sx*sy/n) / spread
	a := (sy - b*sx) / n
	if !(b > 1e-3 && b < 0.999) {
		return Vent{}, fmt.Errorf("building: the shed's vapour does not follow the outdoors' in this log")
	}
	square := 0.0
	for _, h := range rows {
		r := h.to - h.from - a - b*(h.out-h.from)
		square += r * r
	}
	bu := math.Sqrt(square / (n - 2) / spread)
	hours := step / 3600.0
	return Vent{PerHour: -math.Log1p(-b) / hours, U: bu / (1 - b) / hours, SourcePa: a / b, Hours: int64(n)}, nil
}
