package advisor

import (
	"math"

	"tackline/advisor/air"
	"tackline/advisor/cure"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// Sample is the conditions of a coat in one minute: nil is unknown, never 0. Temperatures in C, humidities in %, margins in K, pressure in hPa.
type Sample struct {
	At                                 units.Instant
	AirC, RHPct, PressureHPa           *float64
	SurfaceC, SurfaceU                 *float64
	DewPointC, MarginK, MarginU        *float64
	SurfaceRHPct, OutdoorC, Conversion *float64
}

// Conditions gives the conditions of a coat minute by minute over [from, to), from the same readings, surface and laws that its advice rests
// on: this is what is frozen into the job book when a coat ends. A coat that the situation does not hold gives nil. Modelled tells that no
// probe was on the piece at any time.
func Conditions(s Situation, coat int64, from, to units.Instant) (samples []Sample, modelled bool) {
	c, p := s.coatOf(coat)
	if c == nil {
		return nil, false
	}
	s.Coats = []Coat{*c} // the surface is wanted from this coat's start on
	w := read(&s)
	k := surfaceOf(&w, p)
	course, known := likelyCourse(&w, &k, c)
	rh := s.Climate.RHPct.Trace
	for at := math.Ceil(float64(from)/60) * 60; at < float64(to); at += 60 {
		x := Sample{At: units.Instant(at)}
		mid := at + 30 // minutes of the log stand at their middle
		x.AirC, x.RHPct, x.PressureHPa = value(w.airC, mid), value(rh, mid), value(w.hpa, mid)
		x.SurfaceC, x.OutdoorC = value(k.past, mid), value(s.Climate.OutdoorC.Trace, mid)
		if x.SurfaceC != nil {
			u := k.doubt(mid)
			x.SurfaceU = &u
		}
		x.damp(&w, &k)
		if a, ok := course.ConversionAt(mid); known && ok {
			x.Conversion = &a
		}
		samples = append(samples, x)
	}
	return samples, p.SurfaceC.Trace.Len() == 0
}

// damp fills in what follows from air, humidity and surface.
func (x *Sample) damp(w *weather, k *skin) {
	if x.AirC == nil || x.RHPct == nil {
		return
	}
	t, rh := units.Celsius(*x.AirC), units.Percent(*x.RHPct)
	dew, err := air.DewPoint(t, rh)
	if err != nil {
		return
	}
	d := float64(dew)
	x.DewPointC = &d
	if x.SurfaceC == nil {
		return
	}
	m := *x.SurfaceC - d
	x.MarginK = &m
	if u, err := air.MarginU(t, rh, w.airU, units.Percent(w.rhU), units.Diff(*x.SurfaceU)); err == nil {
		v := float64(u)
		x.MarginU = &v
	}
	if wet, err := air.SurfaceRH(t, rh, units.Celsius(*x.SurfaceC)); err == nil {
		v := float64(wet)
		x.SurfaceRHPct = &v
	}
}

func value(t trace.Trace, at float64) *float64 {
	if v, ok := t.Value(at); ok {
		return &v
	}
	return nil
}

// likelyCourse is the coat's course by its sheet along the likely surface.
func likelyCourse(w *weather, k *skin, c *Coat) (cure.Course, bool) {
	model, err := cure.New(c.System)
	if err != nil {
		return cure.Course{}, false
	}
	film := bridge(k.past.Slice(float64(c.Started)-knotSeconds, w.at).Knots(knotSeconds, knotWithin), float64(c.Started), w.at, 0.5)
	course, err := model.Course(film, float64(c.Started), w.at)
	return course, err == nil
}

func (s *Situation) coatOf(id int64) (*Coat, *Piece) {
	for i := range s.Coats {
		if s.Coats[i].ID == id {
			return &s.Coats[i], s.pieceOf(s.Coats[i].Piece)
		}
	}
	return nil, nil
}
