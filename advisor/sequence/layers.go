package sequence

import (
	"slices"

	"tackline/advisor/units"
)

// Layer is one layer of the laminate, for a drawing.
type Layer struct {
	Work        Work          `json:"work"` // "" is the timber itself
	System      string        `json:"system"`
	FabricGM2   float64       `json:"fabric_g_m2"`   // of fabric; 0 not known
	CoverageGM2 float64       `json:"coverage_g_m2"` // of a coat; 0 not known
	Coat        int64         `json:"coat"`          // id of a coat that is on; 0 otherwise
	At          units.Instant `json:"at"`            // when it went on; null for the timber and for what is planned
	Planned     bool          `json:"planned"`       // not on yet
	ComesOff    bool          `json:"comes_off"`     // peel ply: on now, or planned, and not to stay
}

// Layers lists what lies on the timber from the timber outward: what is on, then what is planned. Peel ply that came off is left out. Only
// layers count: washing and abrading are none.
func Layers(steps []Step, f Facts) []Layer {
	c := Follow(steps, f)
	out := []Layer{{}}
	for i, e := range c.events {
		l := Layer{Work: e.work, At: e.at}
		if j := c.placed[i]; j >= 0 {
			l.FabricGM2, l.CoverageGM2, l.System = steps[j].FabricGM2, steps[j].CoverageGM2, steps[j].System
		}
		switch {
		case e.coat != nil:
			l.Coat, l.System = e.coat.ID, orElse(e.coat.System, l.System)
			if e.work == WetOut {
				out = lastFabric(steps, &c, out, e)
			}
			out = append(out, l)
		case e.work == LayFabric || e.work == FurtherFabric:
			out = append(out, l)
		case e.work == PeelPlyOn:
			l.ComesOff = true
			out = append(out, l)
		case e.work == PeelPlyOff:
			out = slices.DeleteFunc(out, func(l Layer) bool { return l.ComesOff })
		}
	}
	for _, s := range Remaining(steps, f) {
		if s.Work.Coats() || s.Work == LayFabric || s.Work == FurtherFabric || s.Work == PeelPlyOn {
			out = append(out, Layer{Work: s.Work, System: s.System, FabricGM2: s.FabricGM2, CoverageGM2: s.CoverageGM2, Planned: true, ComesOff: s.Work == PeelPlyOn})
		}
	}
	return out
}

// lastFabric puts in the fabric that a wet-out went through where it has no entry of its own.
func lastFabric(steps []Step, c *Course, out []Layer, e event) []Layer {
	if last := out[len(out)-1].Work; last == LayFabric || last == FurtherFabric {
		return out
	}
	for i := range c.Places {
		p := &c.Places[i]
		if fits(steps[i], LayFabric) && p.Mark == Done && p.At == e.at {
			return append(out, Layer{Work: steps[i].Work, FabricGM2: steps[i].FabricGM2, At: e.at})
		}
	}
	return append(out, Layer{Work: LayFabric, At: e.at})
}
