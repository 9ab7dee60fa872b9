package forecast

import (
	"math"
	"time"
)

// A heater that goes by the clock shows in a shed's log as rises that come at the same time of day, steeper than any morning, on some days of the
// week and not on others. Where the log has such rises the day gets waves of its own that are there on the heater's days only, and that are
// short enough for a rise within the hour; they are kept if past errors say that they help. What a thermostat does within its hours has
// nothing to be foretold: it is a few tenths of a kelvin about the temperature that it holds, and counts as noise, as much as the log shows.

const (
	// steep is from how many kelvins an hour, on the mean of the days at one time of day, a rise is taken for a heater's. An unheated shed
	// rises by up to one or so on a fine morning. Ours.
	steep = 2.0
	// heaterGain is how much smaller the past errors with a heater's day have to be, as a ratio of mean squares.
	heaterGain = 0.9
	// weekGain is how much smaller the scatter about the mean day has to be for some days of the week to be a heater's and others not.
	weekGain = 0.8
	// slots is how many steps a day has.
	slots = int64(dayLength / Step)
)

// everyDay marks all days of the week.
func everyDay() [7]bool { return [7]bool{true, true, true, true, true, true, true} }

// weeks are the days on which a heater may be on, time.Sunday first: all, Monday to Friday, Monday to Saturday.
func weeks() [3][7]bool {
	return [...][7]bool{everyDay(), {false, true, true, true, true, true, false}, {false, true, true, true, true, true, true}}
}

// heatedKind is the air of a shed with a heater that goes by the clock: the weather's slow parts, the longest waves of every day, and the heater's.
func heatedKind() kind {
	k := airKind()
	parts := k.parts[:0]
	for _, p := range k.parts {
		if p.waves <= 2 {
			parts = append(parts, p)
		}
	}
	k.parts = append(parts, part{memory: 90 * dayLength, sd: 4, heater: true})
	for w := int64(1); w <= 10; w++ {
		k.parts = append(k.parts, part{waves: w, memory: 90 * dayLength, sd: 4 / float64(w), heater: true})
	}
	return k
}

// heated gives the course with a heater's day in it, where the log shows one. Last is the time of the newest value. The heater goes by the clock,
// also over a change that is still ahead; where a change within the log did not move it, by the sun.
func (c *course) heated(last float64, zone *time.Location) *course {
	if !c.steep() {
		return c
	}
	best, least := c, heaterGain*c.miss()
	zones := []*time.Location{zone}
	if shifts(zone, last-History, last) {
		zones = append(zones, nil)
	}
	for _, z := range zones {
		h := *c
		h.states, h.state = nil, nil
		k := heatedKind()
		k.noise = math.Sqrt(c.noise)
		h.zone, h.days7, h.warmed = z, c.heaterDays(last, z), true
		h.lay(k, last, z, h.days7)
		h.run()
		if m := h.miss(); m < least {
			best, least = &h, m
		}
	}
	return best
}

// cycling gives the course with as much noise of a sample as a thermostat's cycles make, where the log shows those: they are quicker than the
// steps, so that one step up is followed by one down. For noise on a slow course the covariance of neighbouring differences is minus its variance.
func (c *course) cycling(of func() kind, last float64) *course {
	sum, n := 0.0, 0.0
	for k := c.first; k+2 < int64(len(c.v)); k++ {
		if c.have[k] && c.have[k+1] && c.have[k+2] {
			sum += (c.v[k+1] - c.v[k]) * (c.v[k+2] - c.v[k+1])
			n++
		}
	}
	k := of()
	if n < float64(slots) || -sum/n <= k.noise*k.noise {
		return c
	}
	k.noise = math.Sqrt(-sum / n)
	h := *c
	h.states, h.state = nil, nil
	h.lay(k, last, nil, everyDay())
	h.run()
	if h.miss() < c.miss() {
		return &h
	}
	return c
}

// steep tells whether the air rises steeply at one time of day, on the mean over the days.
func (c *course) steep() bool {
	const hour = int64(3600 / Step)
	sum, n := make([]float64, slots), make([]float64, slots)
	for k := c.first; k+hour < int64(len(c.v)); k++ {
		if c.have[k] && c.have[k+hour] {
			sum[k%slots] += c.v[k+hour] - c.v[k]
			n[k%slots]++
		}
	}
	for s := range sum {
		if n[s] >= 2 && sum[s]/n[s] > steep {
			return true
		}
	}
	return false
}

// heaterDays gives the days of the week on which the heater is on: those by which the log scatters least about a mean day of its own for them
// and one for the others. All days, unless others are clearly better and both kinds have been seen.
func (c *course) heaterDays(last float64, zone *time.Location) [7]bool {
	best, least := everyDay(), math.Inf(1)
	for i, days := range weeks() {
		sum, square, n := make([]float64, 2*slots), make([]float64, 2*slots), make([]float64, 2*slots)
		for k := c.first; k < int64(len(c.v)); k++ {
			if !c.have[k] {
				continue
			}
			day := clockDay(last+float64(k-int64(len(c.v))+1)*Step, zone)
			s := int64((day - math.Floor(day)) * float64(slots))
			if !days[weekday(day)] {
				s += slots
			}
			sum[s], square[s], n[s] = sum[s]+c.v[k], square[s]+c.v[k]*c.v[k], n[s]+1
		}
		scatter, rows, other := 0.0, 0.0, 0.0
		for s := range sum {
			if n[s] > 0 {
				scatter, rows = scatter+square[s]-sum[s]*sum[s]/n[s], rows+n[s]-1
			}
			if int64(s) >= slots && n[s] > 0 {
				other++
			}
		}
		if rows <= 0 || i > 0 && other < float64(slots)/2 {
			continue
		}
		if scatter /= rows; i == 0 {
			least = weekGain * scatter
		} else if scatter < least {
			best, least = days, scatter
		}
	}
	return best
}

// clockDay is a time in days of the zone's clock since 1970; UTC without a zone.
func clockDay(at float64, zone *time.Location) float64 { return (at + offset(zone, at)) / dayLength }

// weekday is the day of the week of a day since 1970, time.Sunday 0. The 1st of January 1970 was a Thursday.
func weekday(day float64) int64 {
	d := int64(math.Floor(day)) + 4
	return (d%7 + 7) % 7 // a trace in seconds may begin before 1970
}
