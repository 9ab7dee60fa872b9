package advisor

import (
	"fmt"
	"math"
	"time"

	"tackline/advisor/cure"
	"tackline/advisor/sequence"
	"tackline/advisor/units"
)

const (
	// leastMinutes is the shortest stretch of working time that is any use for a coat, min. Ours.
	leastMinutes = 1.0
	// legStride is which members a later step is followed along: every so-many-th, to keep a long plan cheap.
	legStride = 6
	// mostLegs is how many timed steps are followed.
	mostLegs = 8
	// legReach is how long after its start a coat is followed, in seconds.
	legReach = 24 * 3600.0
)

// leg is a step that would have to follow within a window, if a coat went on now and each next one as soon as hours and windows let it.
type leg struct {
	name          string
	opens, closes units.Instant // likely, early; closes 0 is not within sight
	minutes       float64       // of the window in working hours
}

// follow walks the plan from a coat that is put on now: each step that its window forces to come in time, at the first working minute in it.
// Without a plan it is one next coat. It stops at a step that may wait, and where the forecast ends.
func (p *piece) follow(left []sequence.Step, f *futures) {
	steps := followers(left, p.planned)
	if !p.planned && (p.kind == Finish || p.kind == Glue) {
		steps = nil
	}
	opens, tack, recoat := p.ahead.tackOpens, reached(quantile(f.tackCloses, even(members), 0.1)), p.ahead.recoatCloses
	now, model := p.s.At, p.system
	for _, s := range steps {
		if !s.Wait.Timed() || len(p.legs) == mostLegs {
			return
		}
		l := leg{name: string(s.Work), opens: max(opens, now.Add(units.Second(60*s.WaitMin)))}
		switch s.Wait {
		case sequence.WhileWet:
			l.opens, l.closes = now, opens
		case sequence.TackWindow:
			l.closes = tack
		default:
			l.closes = recoat
		}
		if !l.opens.Known() {
			p.legsEnd = fmt.Sprintf("when %s could follow is further off than can be seen", s.Work)
			return
		}
		until := l.closes
		if !until.Known() {
			until = p.s.At + Horizon
		}
		l.minutes = p.s.workingMinutes(l.opens, until)
		p.legs = append(p.legs, l)
		if l.minutes < leastMinutes {
			return
		}
		now = p.s.firstWorking(l.opens, until)
		if s.Work.Coats() {
			if s.System != "" {
				system, ok := p.s.Systems[s.System]
				if !ok {
					p.legsEnd = fmt.Sprintf("the system %q of a later step is not known", s.System)
					return
				}
				model = &system
			}
			if opens, tack, recoat, p.legsEnd = p.marksFrom(model, Kind(s.Work), now); p.legsEnd != "" {
				return
			}
		}
	}
}

// followers gives the steps after the first coat that is still to come.
func followers(left []sequence.Step, planned bool) []sequence.Step {
	if !planned {
		return []sequence.Step{{Work: "next coat", Wait: sequence.RecoatWindow}}
	}
	for i, s := range left {
		if s.Work.Coats() {
			return left[i+1:]
		}
	}
	return nil
}

// marksFrom gives the likely opening and the early closings of a coat that goes on at a later time, along some of the members.
func (p *piece) marksFrom(system *cure.System, kind Kind, start units.Instant) (opens, tack, recoat units.Instant, why string) {
	model, err := p.drums.model(system)
	if err != nil {
		return 0, 0, 0, "a system can't be computed: " + err.Error()
	}
	from, until := float64(start), math.Min(float64(start)+legReach, p.w.at+Horizon)
	if until-from < 3600 {
		return 0, 0, 0, "the steps after that are further off than can be seen"
	}
	spread := p.drums.forNext(drumKey{system.Name, p.fact.NextDrum}, kind)
	var o, t, r []float64
	for i := 0; i < len(p.skin.ahead); i += legStride {
		member := spread.Member(p.w.draws[i].taught())
		member.FilmK = 0 // as in the coat put on now
		course, err := member.Run(model, p.skin.ahead[i].film, from, until)
		if err != nil {
			return 0, 0, 0, err.Error()
		}
		at := func(m cure.Mark) float64 {
			if x, ok := course.MarkAt(m); ok {
				return x
			}
			return never
		}
		o, t, r = append(o, at(cure.TackOpens)), append(t, at(cure.TackCloses)), append(r, at(cure.RecoatCloses))
	}
	n := even(len(o))
	return reached(quantile(o, n, 0.5)), reached(quantile(t, n, 0.1)), reached(quantile(r, n, 0.1)), ""
}

// hoursRule: the windows of the whole sequence against the builder's hours.
func hoursRule(p *piece) Reason {
	h := p.s.Hours
	r := Reason{Rule: "hours", Unit: "", Source: "working hours"}
	if h.EndMin <= h.StartMin {
		return r.say(Clear, "No working hours are set.")
	}
	if !p.s.ClockSet {
		return r.cantSay("The clock is not set: what falls into working hours can't be told.")
	}
	switch {
	case p.noAhead != "":
		return r.cantSay("When the next coat would have to follow can't be told: %s.", p.noAhead)
	case len(p.legs) == 0 && p.legsEnd != "":
		return r.cantSay("When the next coat would have to follow can't be told: %s.", p.legsEnd)
	case len(p.legs) == 0:
		return r.say(Clear, "Nothing has to follow this coat in time.")
	}
	tight := 0
	for i, l := range p.legs {
		if l.minutes < p.legs[tight].minutes {
			tight = i
		}
	}
	minutes, least := p.legs[tight].minutes, leastMinutes
	r.Value, r.Limit, r.Unit = &minutes, &least, "min"
	first, last := p.legs[0], p.legs[len(p.legs)-1]
	switch {
	case minutes < leastMinutes && tight == 0:
		return r.say(Wait, "A coat put on now takes the %s from %s to %s, outside your hours: %s", first.name, p.time(first.opens), p.time(first.closes), p.elseText())
	case minutes < leastMinutes:
		return r.say(Wait, "A coat put on now takes the %s from %s on, but step by step the %s %s would fall from %s to %s, outside your hours: %s", first.name, p.time(first.opens),
			ordinal(tight+1), last.name, p.time(last.opens), p.time(last.closes), p.elseText())
	case len(p.legs) == 1:
		return r.say(Clear, "A coat put on now takes the %s from %s to %s, in your hours for %.0f min.", first.name, p.time(first.opens), p.time(first.closes), minutes)
	}
	return r.say(Clear, "A coat put on now takes the %s from %s to %s, and all %d steps that must follow in time fall into your hours; the tightest, %s from %s to %s, for %.0f min.",
		first.name, p.time(first.opens), p.time(first.closes), len(p.legs), p.legs[tight].name, p.time(p.legs[tight].opens), p.time(p.legs[tight].closes), minutes)
}

// elseText says what missing a window would cost.
func (p *piece) elseText() string {
	return "it would have to be washed and abraded first, or unfilled weave scuffed. Begin at another time, or leave off at a step that may wait."
}

func (p *piece) time(at units.Instant) string { return orUnknown(p.s, at) }

func ordinal(n int) string {
	if n == 2 {
		return "2nd"
	}
	if n == 3 {
		return "3rd"
	}
	return fmt.Sprintf("%dth", n)
}

// workingMinutes gives how many minutes of [from, to) lie in the builder's hours.
func (s *Situation) workingMinutes(from, to units.Instant) float64 {
	sum := 0.0
	s.eachWorking(from, to, func(a, b time.Time) bool { sum += b.Sub(a).Minutes(); return true })
	return sum
}

// firstWorking gives the first moment of [from, to) in the builder's hours; from itself where there is none, or no hours are set.
func (s *Situation) firstWorking(from, to units.Instant) units.Instant {
	first := from
	s.eachWorking(from, to, func(a, _ time.Time) bool { first = units.InstantOf(a); return false })
	return first
}

// eachWorking calls f with each stretch of [from, to) in the builder's hours until it says no. Days are walked by local midnight, so that the
// 23- and 25-hour days of a change of clocks come out right.
func (s *Situation) eachWorking(from, to units.Instant, f func(a, b time.Time) bool) {
	zone := s.Zone
	if zone == nil {
		zone = time.UTC
	}
	start, end := from.Time().In(zone), to.Time().In(zone)
	for day := time.Date(start.Year(), start.Month(), start.Day(), 0, 0, 0, 0, zone); day.Before(end); day = time.Date(day.Year(), day.Month(), day.Day()+1, 0, 0, 0, 0, zone) {
		if !s.Hours.Days[day.Weekday()] {
			continue
		}
		a := time.Date(day.Year(), day.Month(), day.Day(), 0, int(s.Hours.StartMin), 0, 0, zone)
		b := time.Date(day.Year(), day.Month(), day.Day(), 0, int(s.Hours.EndMin), 0, 0, zone)
		if a.Before(start) {
			a = start
		}
		if b.After(end) {
			b = end
		}
		if b.After(a) && !f(a, b) {
			return
		}
	}
}
