package forecast

import (
	"time"

	"tackline/advisor/trace"
)

// Beside is the future of a quantity that is measured beside the air of a shed, on the grid of an Ensemble: its line, and its course in each
// of the members. Member i is wrong by what the rule was wrong by at the same past moment as member i of the ensemble, so that what goes with
// the air's error goes with it here.
type Beside struct {
	Likely  []float64
	Members [][]float64
}

// moments is what of an ensemble those that stand beside it need.
type moments struct {
	picks  []pick // of each member; none where the spread is assumed
	parts  int64
	ahead  int64
	zone   *time.Location
	days   [7]bool
	heated bool
}

// pick is a past moment, in steps back from the newest value, whose error is a member's.
type pick struct {
	back int64
	sign float64
}

// Departure says how a quantity departs from what is otherwise known of it: its standard deviation, in its own unit.
type Departure struct{ SD float64 }

// kind is that of a departure: half of it stays for days, the rest is a day's shape and what comes and goes in hours.
func (d Departure) kind(heated bool) kind {
	parts := []part{{memory: 1e4 * dayLength, sd: 0.7}, {memory: 2 * dayLength, sd: 0.5, smooth: 3600}, {memory: dayLength / 4, sd: 0.4}, {memory: 3600, sd: 0.3}}
	for w, sd := range []float64{0.6, 0.3, 0.2, 0.1} {
		parts = append(parts, part{waves: int64(w + 1), memory: 90 * dayLength, sd: sd})
	}
	if heated {
		parts = append(parts, part{memory: 90 * dayLength, sd: 0.5, heater: true})
		for w := int64(1); w <= 8; w++ {
			parts = append(parts, part{waves: w, memory: 90 * dayLength, sd: 0.5 / float64(w), heater: true})
		}
	}
	for i := range parts {
		parts[i].sd *= d.SD
	}
	return kind{parts: parts, noise: 0.1 * d.SD}
}

// Beside forecasts a log beside the ensemble: of what kind it is says d. Only samples at or before the ensemble's moment are used. ok is false
// where the log has no present.
func (e *Ensemble) Beside(log trace.Trace, d Departure) (b Beside, ok bool) {
	m := &e.moments
	c, err := newCourse(log, e.At, m.ahead, func() kind { return d.kind(false) }, m.zone)
	if err != nil {
		return Beside{}, false
	}
	if m.heated {
		last, _, _ := log.Slice(0, e.At).Last()
		h := *c
		h.states, h.state = nil, nil
		h.lay(d.kind(true), last, m.zone, m.days)
		h.run()
		if h.miss() < heaterGain*c.miss() {
			c = &h
		}
	}
	line := c.present(c.line(c.origin))
	b.Likely = finer(line, m.parts)
	b.Members = make([][]float64, len(e.Members))
	if !c.ownErrors(line, m, &b) {
		sd := c.present(c.corrected())
		for i := range b.Members {
			z := off(2, int64(i), int64(len(b.Members)))
			v := make([]float64, len(line))
			for k := range v {
				v[k] = line[k] + z*sd[k]
			}
			b.Members[i] = finer(v, m.parts)
		}
	}
	return b, true
}

// ownErrors lays the errors of the ensemble's own past moments along the line. It is false where the log has too few of them.
func (c *course) ownErrors(line []float64, m *moments, b *Beside) bool {
	missing := 0
	for i := range b.Members {
		if int64(len(m.picks)) <= int64(i) {
			return false
		}
		e, ok := c.nearest(c.origin - m.picks[i].back)
		if !ok {
			missing++
			e = make([]float64, len(line))
		}
		v := make([]float64, len(line))
		for k := range v {
			v[k] = line[k] + m.picks[i].sign*e[k]
		}
		b.Members[i] = finer(v, m.parts)
	}
	return 10*missing <= len(b.Members)
}

// nearest gives the mistakes from a past moment, or from the nearest within two hours of it that has any.
func (c *course) nearest(origin int64) ([]float64, bool) {
	for near := range int64(2*3600/Step) + 1 {
		for _, o := range [2]int64{origin - near, origin + near} {
			if o >= c.first+settle && o+c.lead < int64(len(c.v)) {
				if e, ok := c.mistakes(o); ok {
					return e, true
				}
			}
		}
	}
	return nil, false
}

// momentsOf keeps of an ensemble's air what others need beside it.
func momentsOf(c *course, picks []pick, parts int64) moments {
	return moments{picks: picks, parts: parts, ahead: c.ahead, zone: c.zone, days: c.days7, heated: c.warmed}
}
