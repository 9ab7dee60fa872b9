package advisor

import (
	"time"

	"tackline/advisor/units"
)

// workingMinutes gives how many minutes of [from, to) lie in the builder's hours. Days are walked by local midnight, so that the 23- and
// 25-hour days of a change of clocks come out right.
func (s *Situation) workingMinutes(from, to units.Instant) float64 {
	zone := s.Zone
	if zone == nil {
		zone = time.UTC
	}
	start, end := from.Time().In(zone), to.Time().In(zone)
	sum := 0.0
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
		if b.After(a) {
			sum += b.Sub(a).Minutes()
		}
	}
	return sum
}
