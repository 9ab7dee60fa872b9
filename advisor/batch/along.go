package batch

import (
	"errors"
	"fmt"
	"math"

	"tackline/advisor/cure"
)

// Stay is a stretch of a batch's life in one vessel and one room.
type Stay struct {
	FromMin float64 // minutes after mixing at which it begins
	Vessel  Vessel
	RoomC   float64 // air around it, C
}

// Reached is where a batch stands at a moment.
type Reached struct {
	Conversion float64
	TempC      float64
}

// LifeAlong gives the life of a batch that is moved from vessel to vessel, or whose room changes: what it has converted in one stay, and the
// heat that it has then, it carries into the next. Its vessel and room are those of the stays, the first of which begins at 0; the last has no
// end. It gives too where the batch stood at the beginning of each stay. DepthMM is that of the last stay. All the batch is in every vessel:
// what was spread meanwhile is not known, and less would stay cooler. By the balance of LifeOf.
func LifeAlong(m cure.Model, b Batch, stays []Stay) (Life, []Reached, error) {
	if len(stays) == 0 || stays[0].FromMin != 0 {
		return Life{}, nil, errors.New("batch: a life begins with a stay from minute 0")
	}
	out := Life{PeakC: b.ResinC}
	at := Reached{TempC: b.ResinC}
	begun := make([]Reached, 0, len(stays))
	for i, s := range stays {
		b.Vessel, b.RoomC = s.Vessel, s.RoomC
		b.ResinC = math.Min(math.Max(at.TempC, -20), 80)
		mass, depth, err := b.mass(m)
		if err != nil {
			return Life{}, nil, err
		}
		mass.StartC, mass.Converted = math.Min(at.TempC, cure.RateEndsC), at.Conversion
		if i+1 < len(stays) {
			if mass.ForMin = stays[i+1].FromMin - s.FromMin; !(mass.ForMin > 0) {
				return Life{}, nil, fmt.Errorf("batch: stay %d begins at minute %g: want each after the one before", i+2, stays[i+1].FromMin)
			}
		}
		e, err := m.Exotherm(mass)
		if err != nil {
			return Life{}, nil, fmt.Errorf("batch: %w", err)
		}
		begun = append(begun, at)
		out.add(e, s.FromMin)
		out.DepthMM = depth * 1000
		at = Reached{Conversion: e.EndA, TempC: e.EndC}
	}
	return out, begun, nil
}

// add joins what happens in a stay that begins so many minutes after mixing.
func (l *Life) add(e cure.Exotherm, from float64) {
	first := func(to **float64, v *float64) {
		if *to == nil && v != nil {
			x := from + *v
			*to = &x
		}
	}
	first(&l.WorkingMin, e.WorkingMin)
	first(&l.GelMin, e.GelMin)
	first(&l.HotMin, e.HotMin)
	l.Runaway = l.HotMin != nil
	if e.PeakC > l.PeakC {
		l.PeakC, l.PeakMin = e.PeakC, from+e.PeakMin
	}
}
