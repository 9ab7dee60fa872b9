package dashboard

import (
	"math"
	"strconv"
	"strings"
	"time"

	"tackline/advisor"
	"tackline/advisor/units"
)

// number writes a value with fixed digits and a true minus sign, and never a minus zero.
func number(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "\u2212", 1)
}

// fact is a number as it is shown. An unknown one has Known false and no digits.
type fact struct {
	Known bool
	Value string
	U     string // standard uncertainty, "" where unknown
	Unit  string
}

func factOf(f advisor.Figure, digits int, unit string) fact {
	if f.Value == nil {
		return fact{Unit: unit}
	}
	out := fact{Known: true, Value: number(*f.Value, digits), Unit: unit}
	if f.U != nil {
		out.U = number(*f.U, digits)
	}
	return out
}

// clock writes a time of the shed as short as it can be understood at now: 14:27 today, Thu 02:10 within the week, else 4 Feb 02:10.
func clock(at, now time.Time, zone *time.Location) string {
	if at.IsZero() {
		return ""
	}
	at, now = at.In(zone), now.In(zone)
	y, m, d := at.Date()
	y2, m2, d2 := now.Date()
	days := math.Abs(time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Sub(time.Date(y2, m2, d2, 0, 0, 0, 0, time.UTC)).Hours() / 24)
	switch {
	case days == 0:
		return at.Format("15:04")
	case days < 6.5:
		return at.Format("Mon 15:04")
	case y == y2:
		return at.Format("2 Jan 15:04")
	}
	return at.Format("2 Jan 2006 15:04")
}

// length writes a length of time: 40 s, 21 min, 2 h 05 min, 3 d 4 h. Negative lengths are written as 0.
func length(d time.Duration) string {
	s := int64(math.Max(0, math.Round(d.Seconds())))
	pad := func(n int64) string {
		if n < 10 {
			return "0" + strconv.FormatInt(n, 10)
		}
		return strconv.FormatInt(n, 10)
	}
	switch {
	case s < 90:
		return strconv.FormatInt(s, 10) + " s"
	case s < 3600:
		return strconv.FormatInt(s/60, 10) + " min"
	case s < 48*3600:
		return strconv.FormatInt(s/3600, 10) + " h " + pad(s%3600/60) + " min"
	}
	return strconv.FormatInt(s/86400, 10) + " d " + strconv.FormatInt(s%86400/3600, 10) + " h"
}

// wait writes a length of time until something: whole minutes, whole hours from ten on.
func wait(d time.Duration) string {
	if d < time.Minute {
		return ""
	}
	if d < time.Hour {
		return strconv.FormatInt(int64(d/time.Minute), 10) + " min"
	}
	if d >= 10*time.Hour && d < 48*time.Hour {
		return strconv.FormatInt(int64(d/time.Hour), 10) + " h"
	}
	return length(d)
}

// unix gives Unix seconds for the script, "" where unknown.
func unix(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return strconv.FormatInt(t.Unix(), 10)
}

// when is a time as it is shown.
type when struct {
	Known bool
	Text  string
	ISO   string
}

func whenOf(i units.Instant, now time.Time, zone *time.Location) when {
	if !i.Known() {
		return when{}
	}
	return when{Known: true, Text: clock(i.Time(), now, zone), ISO: i.Time().Format(time.RFC3339)}
}
