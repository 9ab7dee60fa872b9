package sequence

import (
	"math"

	"tackline/advisor/units"
)

// bond judges what a coat needs that is to bond by abrading: the surface hard, washed, dry again, and scuffed (open weave) or abraded. A coat
// that has just been freed of peel ply needs none of it.
func (f *Facts) bond(s Step, srf *surface) []Condition {
	switch {
	case srf.beneath == nil && f.Bare:
		return []Condition{{Need: string(BondByAbrading), Source: "the job book", Truth: Yes, Text: "Bare timber: nothing to wait for."}}
	case srf.plyOn.Known() && !srf.plyOff.Known():
		return []Condition{{Need: "peel ply off", Source: "the job book", Truth: No, Text: "Peel ply is on it: take that off first."}}
	case srf.plyOff.Known() && float64(srf.plyOff-srf.plyOn) <= plyStays:
		c := Condition{Need: "peel ply off", Source: practice}.number(math.Round(float64(f.At-srf.plyOff)/3600*10)/10, plyFresh/3600, "h")
		if srf.plied(f.At) {
			return []Condition{c.say(Yes, "The peel ply came off at %s: the surface beneath is clean and rough enough to bond to.", f.clock(srf.plyOff))}
		}
		return append([]Condition{c.say(Yes, "The peel ply came off at %s, over %.0f h ago: dust and damp have had their time; wash and scuff it.", f.clock(srf.plyOff), plyFresh/3600)},
			f.washed(srf), f.dry(s, srf), f.keyed(srf))
	case srf.plyOff.Known():
		c := Condition{Need: "inspected", Source: practice}.number(math.Round(float64(srf.plyOff-srf.plyOn)/86400), plyStays/86400, "days")
		if srf.inspected.Known() {
			c = c.say(Yes, "The peel ply stayed on for %.0f days; the surface was looked over at %s.", *c.Value, f.clock(srf.inspected))
		} else {
			c = c.say(No, "The peel ply stayed on for %.0f days: look for damp that crept under it, dirt and lifted edges, then wash and scuff.", *c.Value)
		}
		return append([]Condition{c}, f.washed(srf), f.dry(s, srf), f.keyed(srf))
	}
	return []Condition{f.washed(srf), f.dry(s, srf), f.keyed(srf)}
}

func (f *Facts) washed(srf *surface) Condition {
	c := Condition{Need: "washed", Source: practice}
	if srf.washed.Known() {
		return c.say(Yes, "Washed at %s.", f.clock(srf.washed))
	}
	return c.say(No, "Not washed since the last coat: blush is water-soluble and comes off with clean water and a pad; abrading first would rub it in.")
}

// dry judges the drying after the last washing.
func (f *Facts) dry(s Step, srf *surface) Condition {
	limit := dryMin
	if (s.Work == Abrade || s.Work == Scuff) && s.WaitMin > 0 {
		limit = s.WaitMin
	}
	c := Condition{Need: "dry", Source: practice}
	switch {
	case !srf.washed.Known():
		return c.say(No, "It has to dry again after washing: at least %.0f min at %.0f %% or less at the surface.", limit, DryRHPct)
	case srf.dryMin == nil:
		c.Limit, c.Unit = &limit, "min"
		return c.say(Unknown, "Whether it is dry again can't be told: humidity at the surface since the washing is not known. It wants %.0f min at %.0f %% or less.", limit, DryRHPct)
	}
	c = c.number(math.Round(*srf.dryMin), limit, "min")
	if *srf.dryMin < limit {
		return c.say(No, "Washed at %s: %.0f min of drying at %.0f %% or less at the surface so far, %.0f min are wanted. Bare spots of timber need longer: the meter tells.",
			f.clock(srf.washed), *srf.dryMin, DryRHPct, limit)
	}
	return c.say(Yes, "Dry again: %.0f min at %.0f %% or less at the surface since the washing.", *srf.dryMin, DryRHPct)
}

// keyed judges whether it was scuffed or abraded after the washing.
func (f *Facts) keyed(srf *surface) Condition {
	c := Condition{Need: "abraded", Source: practice}
	if srf.padOnly() || srf.plyOff.Known() {
		c.Need = "scuffed"
	}
	at := srf.keyed()
	switch {
	case at.Known() && at >= srf.washed:
		return c.say(Yes, "%s at %s.", map[bool]string{true: "Scuffed", false: "Abraded"}[srf.scuffed >= srf.abraded], f.clock(at))
	case at.Known():
		return c.say(No, "It was abraded before it was washed, at %s: go over it once more now that it is washed.", f.clock(at))
	case srf.padOnly():
		return c.say(No, "Not scuffed: a pad only, until the gloss is gone. The weave is not full, and paper would cut the threads.")
	case c.Need == "scuffed":
		return c.say(No, "Not scuffed since the peel ply came off.")
	}
	b := srf.beneath
	if b == nil || b.Standing.State == "" || order(b.Standing.State) >= 5 {
		return c.say(No, "Not abraded: 80 grit, until the gloss is gone and it sands to dust.")
	}
	c.From = b.Standing.Sandable.Likely
	return c.say(No, "Not abraded: 80 grit once it sands to dust, at this temperature about %s.", f.clock(b.Standing.Sandable.Likely))
}

func (f *Facts) full() Condition {
	return Condition{Need: "weave full", Source: practice}.say(No,
		"The weave is not full: paper would cut its threads. Scuff with a pad only, or fill on; once no texture shows in raking light, say that the weave is full.")
}

// waited judges a step's own least time. It counts from the newest coat for clamps, else from whatever was done last.
func (f *Facts) waited(s Step, srf *surface) Condition {
	c := Condition{Need: "waited", Source: "the plan's step"}
	from := srf.last
	if s.Work == ClampsOff && srf.beneath != nil {
		from = srf.beneath.Started
	}
	if !from.Known() {
		c.Limit, c.Unit = &s.WaitMin, "min"
		return c.say(Unknown, "The %.0f min of this step can't be counted: nothing is in the book before it.", s.WaitMin)
	}
	c = c.number(math.Floor(float64(f.At-from)/60), s.WaitMin, "min")
	if float64(f.At-from) < 60*s.WaitMin {
		c.From = from.Add(units.Second(60 * s.WaitMin))
		return c.say(No, "%.0f min since %s: this step waits %.0f min, until %s.", *c.Value, f.clock(from), s.WaitMin, f.clock(c.From))
	}
	return c.say(Yes, "%.0f min since %s, %.0f min were wanted.", *c.Value, f.clock(from), s.WaitMin)
}

// serviceable judges whether the glass transition of the coat beneath is above what the surface must stand in service.
func (f *Facts) serviceable(service float64, srf *surface) Condition {
	c := Condition{Need: "warm enough", Source: "Tg against the service temperature of the plan; " + practice}
	if srf.beneath == nil || srf.beneath.Standing.TgC == nil {
		c.Limit, c.Unit = &service, "C"
		return c.say(Unknown, "Tg of the coat beneath can't be told; dark paint or sun will take it to %.0f C.", service)
	}
	tg := *srf.beneath.Standing.TgC
	c = c.number(math.Round(tg*10)/10, service, "C")
	if tg < service {
		return c.say(No, "Tg of the coat beneath is %.0f C by its own course: below the %.0f C that dark paint or sun will make of it, it would soften and print through. Warm it up first, step by step.", tg, service)
	}
	return c.say(Yes, "Tg of the coat beneath is %.0f C, above the %.0f C of its service.", tg, service)
}
