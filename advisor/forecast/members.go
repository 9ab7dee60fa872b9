package forecast

import (
	"fmt"
	"math"
	"sort"
)

const (
	// apart is how many steps lie between the past moments whose errors are looked at.
	apart = 2
	// settle is how many steps of log a past moment needs before it, for its error to be taken as that of a settled rule.
	settle = 96
	// fewest is how many past moments make an ensemble of their errors. With fewer the spread is assumed and corrected by what there is.
	fewest = 72
	// sortBy is how many steps ahead the members are put in order by: half a day.
	sortBy = 24
	// alike is the correlation that is assumed between the errors of air and vapour where the log is too short to show it.
	alike = 0.5
	// priorWeight is how many independent errors the assumed spread counts for against those that a short log shows.
	priorWeight = 4
)

// members gives n paths, the past moment of each (none where the spread is assumed), and what they rest on. A quantity that is missing is nil.
func members(courses []*course, n int64) ([]Member, []pick, string) {
	all := pastErrors(courses)
	if len(all) < 2*fewest {
		out, basis := assumed(courses, n)
		return out, nil, basis
	}
	out, picks := make([]Member, n), make([]pick, n)
	for i := range out {
		e := all[(2*int64(i)+1)*int64(len(all))/(2*n)]
		picks[i] = pick{courses[0].origin - e.origin, e.sign}
		for q, c := range courses {
			if c == nil {
				continue
			}
			line := c.present(c.line(c.origin))
			for k := range line {
				line[k] += e.sign * e.path[q][k]
			}
			*out[i].series(q) = line
		}
	}
	return out, picks, fmt.Sprintf("errors of the same forecast at %d moments of this shed's own last %.0f days", len(all)/2, courses[0].days())
}

// mistake is how wrong the rule was from one past moment on, in every quantity; sign mirrors it.
type mistake struct {
	origin int64
	path   [3][]float64
	sign   float64
	mean   float64 // of the air's, signed, over the steps that members are sorted by
}

// pastErrors gives the mistakes from every past moment whose whole horizon has been seen, each once as it was and once mirrored (so that
// the line stays in the middle), sorted by the air's mean.
func pastErrors(courses []*course) []mistake {
	first, last := int64(0), int64(math.MaxInt64)
	for _, c := range courses {
		if c != nil {
			first = max(first, c.first+settle)
			last = min(last, int64(len(c.v))-1-c.lead)
		}
	}
	var all []mistake
	for o := last; o >= first; o -= apart {
		m := mistake{origin: o}
		whole := true
		for q, c := range courses {
			if c != nil && whole {
				m.path[q], whole = c.mistakes(o)
			}
		}
		if !whole {
			continue
		}
		air := m.path[0]
		for _, e := range air[:min(sortBy+1, len(air))] {
			m.mean += e
		}
		m.sign = 1
		all = append(all, m)
		m.sign, m.mean = -1, -m.mean
		all = append(all, m)
	}
	sort.SliceStable(all, func(a, b int) bool { return all[a].mean < all[b].mean })
	return all
}

// mistakes gives truth minus line over the horizon, as if the present stood as long after a past origin as it does after the newest value.
// Short gaps of the truth are bridged; ok is false where the origin or more than a fifth of the truth is missing.
func (c *course) mistakes(origin int64) (path []float64, ok bool) {
	if !c.have[origin] {
		return nil, false
	}
	line := c.line(origin)
	seen := -1
	missing := 0
	for l := range line {
		k := origin + int64(l)
		if !c.have[k] {
			missing++
			continue
		}
		line[l] = c.v[k] - line[l]
		for b := seen + 1; b < l; b++ { // straight across what is missing
			line[b] = line[seen] + (line[l]-line[seen])*float64(b-seen)/float64(l-seen)
		}
		seen = l
	}
	for b := seen + 1; b < len(line); b++ {
		line[b] = line[seen]
	}
	return c.present(line), 5*missing <= len(line)
}

// assumed gives members from the parts' own spread, corrected by the errors that a short log shows: each goes off the line by the same number
// of standard deviations at every lead.
func assumed(courses []*course, n int64) ([]Member, string) {
	out := make([]Member, n)
	for q, c := range courses {
		if c == nil {
			continue
		}
		line, sd := c.present(c.line(c.origin)), c.present(c.corrected())
		for i := range out {
			z := off(q, int64(i), n)
			v := make([]float64, len(line))
			for k := range v {
				v[k] = line[k] + z*sd[k]
			}
			*out[i].series(q) = v
		}
	}
	return out, fmt.Sprintf("assumed spread: only %.1f days of log", courses[0].days())
}

// off is how many standard deviations member i of n lies off the line in quantity q: rising for the air, half with it for the vapour and of its
// own for the rest, where the additive recurrence with the plastic number (M. Roberts, 2018; from memory) spreads the members evenly.
func off(q int, i, n int64) float64 {
	z := math.Sqrt2 * math.Erfinv(2*(float64(i)+0.5)/float64(n)-1)
	if q == 0 {
		return z
	}
	_, u := math.Modf(0.5 + float64(i+1)*[...]float64{0, 0.7548776662466927, 0.5698402909980532}[q])
	own := math.Sqrt2 * math.Erfinv(2*u-1)
	if q == 1 {
		return alike*z + math.Sqrt(1-alike*alike)*own
	}
	return own
}

// corrected is the doubt at each lead with the errors of a short log weighed in: as many as fit into it side by side count as independent.
func (c *course) corrected() []float64 {
	sd := c.doubt()
	sd[0] = 0 // the line starts at the value itself
	sum, count := make([]float64, len(sd)), make([]float64, len(sd))
	for o := c.first + settle/4; o < c.origin; o += apart {
		if !c.have[o] {
			continue
		}
		line := c.line(o)
		for l := int64(1); l < int64(len(line)) && o+l <= c.origin; l++ {
			if c.have[o+l] {
				e := c.v[o+l] - line[l]
				sum[l] += e * e
				count[l]++
			}
		}
	}
	for l := 1; l < len(sd); l++ {
		if count[l] == 0 || sd[l] == 0 {
			continue
		}
		side := count[l] * apart / float64(l+6)
		ratio := sum[l] / count[l] / (sd[l] * sd[l])
		sd[l] *= math.Sqrt((priorWeight + side*ratio) / (priorWeight + side))
		sd[l] = math.Max(sd[l], sd[l-1])
	}
	return sd
}
