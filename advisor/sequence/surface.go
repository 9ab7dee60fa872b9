package sequence

import "tackline/advisor/units"

// Numbers of the trade. For none of them a published source was found.
const (
	practice = "common practice, no source"
	// DryRHPct is the relative humidity at the surface up to which it is counted as drying, %.
	DryRHPct = 75.0
	// plyStays is how long peel ply may stay on before its surface wants a look, washing and scuffing, in seconds.
	plyStays = 30 * 86400.0
	// plyFresh is how long the surface under peel ply stays fit to bond to once it is off, in seconds.
	plyFresh = 24 * 3600.0
)

// surface is what a next coat would meet, as the book has it.
type surface struct {
	beneath                  *Coat // newest coat; nil for none
	weave                    weave
	plyOn, plyOff            units.Instant // since the newest coat
	washed, scuffed, abraded units.Instant // the last of each since the newest coat (and since the peel ply came off), 0 for none
	inspected                units.Instant
	dryMin                   *float64 // minutes of drying since the last washing
	last                     units.Instant
}

// meets works the surface out from what was done before the n-th event; n = len(all) is now.
func meets(all []event, n int) surface {
	var s surface
	for _, e := range all[:n] {
		s.last = e.at
		switch e.work {
		case LayFabric, FurtherFabric, WetOut:
			s.weave = weaveOpen
		case WeaveFull, Fairing:
			if s.weave == weaveOpen {
				s.weave = weaveFull
			}
		case PeelPlyOn:
			s.plyOn, s.plyOff = e.at, 0
		case PeelPlyOff:
			s.plyOff = e.at
			s.washed, s.scuffed, s.abraded, s.inspected, s.dryMin = 0, 0, 0, 0, nil
		case Wash:
			s.washed, s.dryMin = e.at, e.deed.DryMin
		case Scuff:
			s.scuffed = e.at
		case Abrade:
			s.abraded = e.at
		case Inspect:
			s.inspected = e.at
		}
		if e.coat != nil {
			s.beneath = e.coat
			s.plyOn, s.plyOff, s.washed, s.scuffed, s.abraded, s.inspected, s.dryMin = 0, 0, 0, 0, 0, 0, nil
		}
	}
	return s
}

// plied tells whether the newest coat was hardened under peel ply and freed of it so that it can be bonded to as it is, at a time.
func (s *surface) plied(at units.Instant) bool {
	return s.plyOff.Known() && float64(s.plyOff-s.plyOn) <= plyStays && float64(at-s.plyOff) <= plyFresh
}

// padOnly tells whether paper must stay off it.
func (s *surface) padOnly() bool { return s.weave == weaveOpen }

// keyed gives when it was scuffed or abraded after the last washing, 0 for not.
func (s *surface) keyed() units.Instant { return max(s.scuffed, s.abraded) }
