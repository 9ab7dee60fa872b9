package sequence

import (
	"sort"
	"time"

	"tackline/advisor/units"
)

// Facts is what is known of a piece at a moment. Lists may be in any order.
type Facts struct {
	At    units.Instant  // now
	Zone  *time.Location // for times of day in the texts; nil is UTC
	Unset bool           // the clock is not set: texts tell times from now
	Bare  bool           // it was bare timber before the first coat here
	Coats []Coat
	Deeds []Deed
}

// Coat is a coat that she said went on.
type Coat struct {
	ID       int64
	Work     Work // Seal to Finish
	System   string
	Started  units.Instant
	Fabric   bool     // fabric was laid into it, by its own entry
	PeelPly  bool     // peel ply was laid into it, by its own entry
	Standing Standing // as far as it is known now
}

// Deed is anything else that she said she did or found.
type Deed struct {
	ID   int64
	Work Work
	At   units.Instant
	// DryMin is, of a wash, for how many minutes since then the surface was dry enough to dry on; nil where the log can't tell.
	DryMin *float64
}

// Moment is a time known as an interval: early, likely and late; 0 is not reached as far as can be seen.
type Moment struct{ Early, Likely, Late units.Instant }

// Standing is where a coat stands now, and when it passes its marks.
type Standing struct {
	State   string // wet, tacky, green, set, firm, sandable, cured; "" where it can't be told
	Why     string // it can't be told
	ByTouch bool   // a finger found the state, or one past it
	Stalled bool   // hard by cold, not cured
	Old     bool   // it went on so long ago that its marks are not worked out any more: its windows are over

	TackOpens, TackCloses, RecoatCloses, Firm, Sandable Moment

	TgC, SurfaceC *float64 // C
}

// order gives the place of a state in the course of a coat, -1 where it is not known.
func order(state string) int64 {
	for i, s := range [...]string{"wet", "tacky", "green", "set", "firm", "sandable", "cured"} {
		if s == state {
			return int64(i)
		}
	}
	return -1
}

// event is a coat or a deed in the order of time.
type event struct {
	at      units.Instant
	work    Work
	coat    *Coat
	deed    *Deed
	implied bool // said with a coat, so that its own time is not known
}

// events lists what happened until now, by time; a coat stands before a deed of the same moment.
func (f *Facts) events() []event {
	var all []event
	for i := range f.Coats {
		c := &f.Coats[i]
		if c.Started > f.At {
			continue
		}
		all = append(all, event{at: c.Started, work: c.Work, coat: c})
		if c.Fabric && c.Work != WetOut {
			all = append(all, event{at: c.Started, work: LayFabric, implied: true})
		}
		if c.PeelPly {
			all = append(all, event{at: c.Started, work: PeelPlyOn, implied: true})
		}
	}
	for i := range f.Deeds {
		if d := &f.Deeds[i]; d.At <= f.At {
			all = append(all, event{at: d.At, work: d.Work, deed: d})
		}
	}
	sort.SliceStable(all, func(i, j int) bool { return all[i].at < all[j].at })
	return all
}

func (f *Facts) clock(at units.Instant) string {
	zone := f.Zone
	if zone == nil {
		zone = time.UTC
	}
	t, now := at.Time().In(zone), f.At.Time().In(zone)
	switch {
	case !at.Known():
		return "later than two days from now"
	case f.Unset && at < f.At:
		return minutes(f.At-at) + " ago"
	case f.Unset:
		return minutes(at-f.At) + " from now"
	case t.YearDay() == now.YearDay() && t.Year() == now.Year():
		return t.Format("15:04")
	case f.At-at > 6*86400 || at-f.At > 6*86400:
		return t.Format("2 Jan 15:04")
	}
	return t.Format("Mon 15:04")
}
