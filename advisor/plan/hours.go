package plan

import (
	"math"
	"time"

	"tackline/advisor/units"
)

// shift is a stretch of working hours, in samples from the origin.
type shift struct{ from, to float64 }

// shifts are the working hours along the grid, and for each sample the first that is not over there.
type shifts struct {
	all   []shift
	first []int64
}

// shiftsOf lays the hours along n samples. Days are walked by local midnight, so that the 23- and 25-hour days of a change of clocks come out
// right. Without hours it is one shift without end.
func (in *Input) shiftsOf(n int64) shifts {
	var s shifts
	h := in.Hours
	if h.EndMin <= h.StartMin {
		s.all = []shift{{math.Inf(-1), math.Inf(1)}}
	} else {
		zone := in.zone()
		day := in.Origin.Time().In(zone)
		end := units.Instant(float64(in.Origin) + float64(n)*Step).Time()
		for d := time.Date(day.Year(), day.Month(), day.Day(), 0, 0, 0, 0, zone); d.Before(end); d = time.Date(d.Year(), d.Month(), d.Day()+1, 0, 0, 0, 0, zone) {
			if !h.Days[d.Weekday()] {
				continue
			}
			at := func(min int64) float64 {
				t := time.Date(d.Year(), d.Month(), d.Day(), 0, int(min), 0, 0, zone)
				return (float64(units.InstantOf(t)) - float64(in.Origin)) / Step
			}
			if x := (shift{at(h.StartMin), at(h.EndMin)}); x.to > x.from && x.to > 0 {
				s.all = append(s.all, x)
			}
		}
	}
	s.first = make([]int64, n+1)
	i := int64(0)
	for k := range s.first {
		for i < int64(len(s.all)) && s.all[i].to <= float64(k) {
			i++
		}
		s.first[k] = i
	}
	return s
}

// next gives the first moment from at on at which work of a length can begin and be done within one shift (within a whole one where it is
// longer than that), and how much of the shift would be left after it. ok is false where there is none along the grid.
func (s *shifts) next(at, work float64) (begin, left float64, ok bool) {
	k := int64(max(0, at))
	if k >= int64(len(s.first)) {
		return 0, 0, false
	}
	for i := s.first[k]; i < int64(len(s.all)); i++ {
		x := &s.all[i]
		begin = max(at, x.from)
		left = x.to - begin - min(work, x.to-x.from)
		if left >= 0 {
			return begin, left, true
		}
	}
	return 0, 0, false
}

// nightFrom and nightTo bound the night, hours after local midnight. Ours.
const nightFrom, nightTo = 22, 6

// nights counts the nights that a stretch of time touches.
func nights(from, to time.Time, zone *time.Location, seen map[int64]bool) {
	from, to = from.In(zone), to.In(zone)
	for d := time.Date(from.Year(), from.Month(), from.Day()-1, 0, 0, 0, 0, zone); d.Before(to); d = time.Date(d.Year(), d.Month(), d.Day()+1, 0, 0, 0, 0, zone) {
		a := time.Date(d.Year(), d.Month(), d.Day(), nightFrom, 0, 0, 0, zone)
		b := time.Date(d.Year(), d.Month(), d.Day()+1, nightTo, 0, 0, 0, zone)
		if from.Before(b) && a.Before(to) {
			seen[a.Unix()] = true
		}
	}
}
