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
	CheckPa    float64 // root mean square error of a free run over 24 h on days that were kept out of a first fit, outdoors known
	Yesterday  float64 // the same of taking the day before, Pa
	Why        string  // "" or why nothing should be built on it
}

// Good tells whether the fit says more of the shed's vapour than its yesterday does.
func (v *Vent) Good() bool { return v.Why == "" }

// model gives the fit as that of a store which follows outdoors, with Pa for C.
func (v *Vent) model() Model {
	m := Model{Tau: 3600 / v.PerHour, CheckK: v.CheckPa}
	for k := range m.Lift {
		m.Lift[k] = v.SourcePa
	}
	return m
}

// Ventilation fits dE/dt = n (E_outdoors - E) + source to vapour pressures in Pa, up to a moment, as Fit does temperatures. Vapour pressures
// stand for masses of water, which is right within the ratio of the two absolute temperatures. The error says why there is none; a fit that is
// there and poor says Why.
func Ventilation(indoorPa, outdoorPa trace.Trace, at float64) (Vent, error) {
	rows := hours(Log{IndoorC: indoorPa, OutdoorC: outdoorPa}, at)
	if int64(len(rows)) < fewest {
		return Vent{}, fmt.Errorf("%w: %d hours with both humidities, want %d", ErrTooLittle, len(rows), fewest)
	}
	v, err := exchange(rows)
	if err != nil {
		return Vent{}, err
	}
	early := len(rows) * 2 / 3
	if first, err := exchange(rows[:early]); err == nil {
		v.CheckPa, v.Yesterday = check(first.model(), rows[early:])
	}
	switch {
	case v.U > 0.4*v.PerHour:
		v.Why = fmt.Sprintf("the shed's vapour follows the outdoors' by %.2f changes an hour give or take %.2f: too unsure", v.PerHour, v.U)
	case v.CheckPa == 0:
		v.Why = "too few whole days to check how vapour follows"
	case v.CheckPa > 0.8*v.Yesterday:
		v.Why = fmt.Sprintf("over the days it was checked on its vapour was missed by %.0f Pa, and by the day before by %.0f Pa", v.CheckPa, v.Yesterday)
	}
	return v, nil
}

// exchange fits the rows by least squares.
func exchange(rows []hour) (Vent, error) {
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
