// Package batch has what a mixed batch of resin does before it is on the work: how long it can be worked, when it gels, how hot it gets, and
// how much to mix so that it is used in time.
package batch

import (
	"errors"
	"fmt"
	"math"

	"tackline/advisor/cure"
)

// Shape is the kind of vessel that a batch stands in.
type Shape string

// The shapes.
const (
	Pot  Shape = "pot"  // round; the whole surface of the resin loses heat
	Tray Shape = "tray" // shallow and wide; both faces lose heat, the rim does not count
)

// Vessel is what a batch stands in.
type Vessel struct {
	Shape      Shape
	DiameterMM float64 // of a pot, mm
	AreaCM2    float64 // of a tray's floor, cm2
}

// Batch is one mixed lot.
type Batch struct {
	MassG  float64 // mixed, g
	RoomC  float64 // air around it, C
	ResinC float64 // temperature when mixed, C; often not the room's, as drums stand cold or are warmed
	Vessel Vessel
}

// Life is what a batch does if it stays in its vessel. Minutes count from mixing; nil is not reached within 14 days.
type Life struct {
	WorkingMin *float64 // it can be worked until here
	GelMin     *float64
	PeakC      float64  // highest temperature, C. Above 150 C the number is fiction: show Runaway in its place
	PeakMin    float64  // when
	Runaway    bool     // it passes 150 C: smoke, charring, fire
	HotMin     *float64 // when it passes 150 C; nil if it does not
	DepthMM    float64  // of the resin in the vessel, mm
}

// Limits of a batch that the lumped balance is asked about.
const (
	LeastG = 1.0
	MostG  = 20000.0
)

// LumpM gives the resin's volume over the surface that loses heat, m, and its depth, m. The error names what is wrong.
func (v Vessel) LumpM(massG, densityKgM3 float64) (volumePerSurface, depth float64, err error) {
	volume := massG / 1000 / densityKgM3
	switch v.Shape {
	case Pot:
		if !(v.DiameterMM >= 10 && v.DiameterMM <= 1000) {
			return 0, 0, fmt.Errorf("batch: pot of %g mm: want a diameter of 10 to 1000 mm", v.DiameterMM)
		}
		d := v.DiameterMM / 1000
		return cure.PotVolumePerSurface(massG, densityKgM3, d), volume / (math.Pi * d * d / 4), nil
	case Tray:
		if !(v.AreaCM2 >= 10 && v.AreaCM2 <= 20000) {
			return 0, 0, fmt.Errorf("batch: tray of %g cm2: want a floor of 10 to 20000 cm2", v.AreaCM2)
		}
		depth = volume / (v.AreaCM2 / 1e4)
		return depth / 2, depth, nil
	}
	return 0, 0, fmt.Errorf("batch: vessel %q: want %q or %q", v.Shape, Pot, Tray)
}

func (b Batch) check() error {
	for _, x := range []struct {
		name      string
		v         float64
		low, high float64
		unit      string
	}{
		{"mass", b.MassG, LeastG, MostG, "g"}, {"room", b.RoomC, -20, 60, "C"}, {"resin", b.ResinC, -20, 80, "C"},
	} {
		if !(x.v >= x.low && x.v <= x.high) {
			return fmt.Errorf("batch: %s %g %s: want %g to %g %s", x.name, x.v, x.unit, x.low, x.high, x.unit)
		}
	}
	return nil
}

// mass gives the batch as a lump, and its depth in m.
func (b Batch) mass(m cure.Model) (mass cure.Mass, depth float64, err error) {
	if err := b.check(); err != nil {
		return mass, 0, err
	}
	density := m.System().DensityKgM3
	lump, depth, err := b.Vessel.LumpM(b.MassG, density)
	return cure.Mass{
		VolumePerSurfaceM: lump, RoomC: b.RoomC, StartC: b.ResinC, LossWM2K: cure.SurfaceLossWM2K, DensityKgM3: density,
	}, depth, err
}

// LifeOf gives the life of a batch by the lumped heat balance of cure.Model.Exotherm, losing 8 W/(m2 K): one temperature throughout, a room
// that does not warm, a vessel without heat of its own. A deep pot is warmer in its middle than this says, so that it goes off earlier.
func LifeOf(m cure.Model, b Batch) (Life, error) {
	mass, depth, err := b.mass(m)
	if err != nil {
		return Life{}, err
	}
	e, err := m.Exotherm(mass)
	if err != nil {
		return Life{}, fmt.Errorf("batch: %w", err)
	}
	return Life{
		WorkingMin: e.WorkingMin, GelMin: e.GelMin, PeakC: e.PeakC, PeakMin: e.PeakMin,
		Runaway: e.HotMin != nil, HotMin: e.HotMin, DepthMM: depth * 1000,
	}, nil
}

// MixingMin is how long a batch is stirred before it is used, min. Common practice, no source.
const MixingMin = 2.0

// SpareShare is the part of a batch's working time that HowMuch leaves in hand. Ours.
const SpareShare = 0.10

// ErrTooSlow says that at this pace no batch, however small, is used in time.
var ErrTooSlow = errors.New("batch: at this pace even the smallest batch goes off before it is used: cool the resin, use a tray or a slower hardener")

// Pace is how fast the builder uses resin.
type Pace struct {
	M2PerHour float64 // area that she covers in an hour, m2/h
	GM2       float64 // mixed resin that it takes, waste included, g/m2
}

// Portion is how to divide what a coat needs.
type Portion struct {
	Batches    int64
	BatchG     float64 // mixed, of each, g
	UseMin     float64 // mixing and spreading one of them takes, min
	WorkingMin float64 // one of them lasts, min
	LargestG   float64 // that would still be used in time, g
	Left       Life    // of one that is left standing: never leave it in the pot
}

// HowMuch gives the fewest equal batches that make up totalG, each mixed and spread at the pace before nine tenths of its working time are
// over. at gives room, resin and vessel; its mass is not used. ErrTooSlow where no batch is used in time.
func HowMuch(m cure.Model, totalG float64, at Batch, p Pace) (Portion, error) {
	if !(totalG >= LeastG && totalG <= 1e6) {
		return Portion{}, fmt.Errorf("batch: %g g in all: want %g to 1000000 g", totalG, LeastG)
	}
	if !(p.M2PerHour >= 0.01 && p.M2PerHour <= 1000) || !(p.GM2 >= 10 && p.GM2 <= 20000) {
		return Portion{}, fmt.Errorf("batch: pace of %g m2/h at %g g/m2: want 0.01 to 1000 m2/h and 10 to 20000 g/m2", p.M2PerHour, p.GM2)
	}
	rate := p.M2PerHour * p.GM2 / 60 // g/min
	largest, err := largestInTime(m, at, math.Min(totalG, MostG), rate)
	if err != nil {
		return Portion{}, err
	}
	out := Portion{Batches: int64(math.Ceil(totalG/largest - 1e-9)), LargestG: largest}
	out.BatchG = totalG / float64(out.Batches)
	at.MassG = math.Max(out.BatchG, LeastG)
	if out.Left, err = LifeOf(m, at); err != nil {
		return Portion{}, err
	}
	out.UseMin = MixingMin + out.BatchG/rate
	if out.Left.WorkingMin != nil {
		out.WorkingMin = *out.Left.WorkingMin
	}
	return out, nil
}

// largestInTime gives the largest mass up to most that is mixed and used at rate g/min with SpareShare of its working time in hand.
func largestInTime(m cure.Model, at Batch, most, rate float64) (float64, error) {
	inTime := func(massG float64) (bool, error) {
		at.MassG = massG
		mass, _, err := at.mass(m)
		if err != nil {
			return false, err
		}
		lasts, ok, err := m.WorkingMinutes(mass)
		if err != nil {
			return false, fmt.Errorf("batch: %w", err)
		}
		return !ok || MixingMin+massG/rate <= lasts*(1-SpareShare), nil
	}
	ok, err := inTime(most)
	if ok || err != nil {
		return most, err
	}
	low, high := LeastG, most
	if ok, err = inTime(low); err != nil {
		return 0, err
	} else if !ok {
		return 0, ErrTooSlow
	}
	for high-low > 0.01 && high-low > 1e-4*high { // every gram more goes off sooner and takes longer to use: halve
		mid := (low + high) / 2
		if ok, err = inTime(mid); err != nil {
			return 0, err
		}
		if ok {
			low = mid
		} else {
			high = mid
		}
	}
	return low, nil
}
