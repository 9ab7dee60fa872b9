package config

import (
	"fmt"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // boards come without a zone database

	"tackline/advisor/units"
)

var dayNames = [7]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

func (s *section) days(key string) (days [7]bool) {
	list := s.words(key, nil, "days such as \"mon\"")
	if list != nil && len(list) == 0 {
		s.fail(key, "has no day", `want at least one of "mon", "tue", "wed", "thu", "fri", "sat", "sun"`)
	}
next:
	for _, w := range list {
		for i, n := range dayNames {
			if w == n {
				days[i] = true
				continue next
			}
		}
		s.fail(key, fmt.Sprintf("%q is no day", w), `want "mon", "tue", "wed", "thu", "fri", "sat", "sun"`)
	}
	return days
}

const zoneWant = `want a zone such as zone = "Europe/Lisbon", or a fixed offset such as "+01:00"`

// zone gives a time zone: a name of the IANA database, UTC, or a fixed offset.
func (s *section) zone(key string, def *time.Location, defName string) (*time.Location, string) {
	t := s.text(key, "", strings.TrimPrefix(zoneWant, "want "))
	if t == "" {
		return def, defName
	}
	loc, err := ParseZone(t)
	if err != nil {
		s.fail(key, fmt.Sprintf("%q is no time zone", t), zoneWant)
		return def, defName
	}
	return loc, t
}

// ParseZone reads a time zone: a name of the IANA database such as Europe/Lisbon, UTC, or a fixed offset such as +01:00 of at most 14 hours.
func ParseZone(t string) (*time.Location, error) {
	if len(t) == len("+01:00") && (t[0] == '+' || t[0] == '-') && t[3] == ':' {
		h, err1 := strconv.ParseUint(t[1:3], 10, 8)
		m, err2 := strconv.ParseUint(t[4:], 10, 8)
		if err1 == nil && err2 == nil && m < 60 && h*60+m <= 14*60 {
			secs := int(h*3600 + m*60)
			if t[0] == '-' {
				secs = -secs
			}
			return time.FixedZone(t, secs), nil
		}
	}
	if t == "" || strings.EqualFold(t, "local") || strings.ContainsAny(t, "+-") && !strings.Contains(t, "/") {
		return nil, fmt.Errorf("config: %q is no time zone; %s", t, zoneWant)
	}
	loc, err := time.LoadLocation(t)
	if err != nil {
		return nil, fmt.Errorf("config: %q is no time zone; %s", t, zoneWant)
	}
	return loc, nil
}

// instant gives a moment that is written with its offset; none where the key is missing.
func (s *section) instant(key string) units.Instant {
	v, ok := s.get(key)
	if !ok {
		return 0
	}
	at, ok := v.(time.Time)
	if !ok || at.Year() < 1990 || at.Year() > 2200 {
		s.fail(key, fmt.Sprintf("%s is no time with its offset", written(v)), "want a time without quotes such as 2026-01-14T06:00:00Z")
		return 0
	}
	return units.InstantOf(at)
}
