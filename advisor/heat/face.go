// Package heat gives the temperature of a panel where no probe is taped to it: one-dimensional conduction through its layers, with convection
// and radiation at both faces, driven by the measured or forecast temperature of the air and by the heat of a coat that is curing on it.
//
// A panel is taken as wide: edges, battens and frames are left out, and so are sun and evaporation. The answer is a model's, not a
// probe's: a caller should give it an uncertainty of 1 K at least.
package heat

import (
	"fmt"

	"tackline/advisor/units"
)

// Facing says which way a face looks.
type Facing string

// The facings.
const (
	Up       Facing = "up"       // the top of a deck that lies flat
	Sideways Facing = "sideways" // a topside
	Down     Facing = "down"     // overhead work: the underside
)

// Opposite gives the facing of the panel's other face.
func (f Facing) Opposite() Facing {
	switch f {
	case Up:
		return Down
	case Down:
		return Up
	}
	return f
}

// Face is how one face of a panel meets the shed, in W/(m2 K). Convection depends on whether warm air can rise away from the face, so that
// there are two totals. Both are 0 for a face through which no heat passes.
type Face struct {
	Warm    float64 // total where the face is warmer than its surroundings
	Cool    float64 // total where it is cooler
	Radiant float64 // the part of either that is radiation; not above either
}

// Surface resistances inside a building in m2K/W, by the direction in which the heat flows. Source: ISO 6946:2017, internal surfaces.
const (
	resistanceUp         = 0.10
	resistanceHorizontal = 0.13
	resistanceDown       = 0.17
)

// StefanBoltzmann is in W/(m2 K4). Source: CODATA 2018, exact, to the digits shown.
const StefanBoltzmann = 5.670374419e-8

// Emissivity is that of timber, paint and resin alike, as ISO 6946 takes for building surfaces.
const Emissivity = 0.9

// radiantAt20 is the radiative coefficient at 20 C, on which the rounded resistances of ISO 6946 stand.
const radiantAt20 = Emissivity * 4 * StefanBoltzmann * 293.15 * 293.15 * 293.15

// RadiativeCoefficient gives 4 sigma T^3 in W/(m2 K) of a black body among surfaces of a mean temperature of -60..100 C; outside is an
// error. Source: ISO 6946:2017, annex on surface resistances.
func RadiativeCoefficient(mean units.Celsius) (float64, error) {
	if !(mean >= -60 && mean <= 100) {
		return 0, fmt.Errorf("heat: mean temperature %g C: want -60..100 C", float64(mean))
	}
	k := float64(mean.Kelvin())
	return 4 * StefanBoltzmann * k * k * k, nil
}

// FaceTowards gives the face of a panel inside a shed: from a face that looks up, heat flows up where the face is the warmer (0.10 m2K/W)
// and down where it is the cooler (0.17); for one that looks down it is the other way round; sideways it is 0.13 both ways. Radiation has
// 5.1 W/(m2 K) of it, its value at 20 C and emissivity 0.9. An unknown facing counts as sideways. Source: ISO 6946:2017.
func FaceTowards(f Facing) Face {
	switch f {
	case Up:
		return Face{Warm: 1 / resistanceUp, Cool: 1 / resistanceDown, Radiant: radiantAt20}
	case Down:
		return Face{Warm: 1 / resistanceDown, Cool: 1 / resistanceUp, Radiant: radiantAt20}
	}
	return Face{Warm: 1 / resistanceHorizontal, Cool: 1 / resistanceHorizontal, Radiant: radiantAt20}
}

func (f Face) check(which string) error {
	for _, v := range []float64{f.Warm, f.Cool, f.Radiant} {
		if !(v >= 0 && v <= 1000) {
			return fmt.Errorf("heat: %s face: coefficient %g W/(m2 K): want 0..1000", which, v)
		}
	}
	if f.Radiant > f.Warm || f.Radiant > f.Cool {
		return fmt.Errorf("heat: %s face: radiation %g W/(m2 K) is more than the total", which, f.Radiant)
	}
	return nil
}

// total gives the coefficient that holds for a face of one temperature among surroundings of another.
func (f Face) total(face, around float64) float64 {
	if face > around {
		return f.Warm
	}
	return f.Cool
}

// around gives the one temperature of the surroundings that exchanges as much as air and radiating surfaces together do.
func (f Face) around(total, air, radiant float64) float64 {
	if total == 0 {
		return air
	}
	return air + f.Radiant/total*(radiant-air)
}
