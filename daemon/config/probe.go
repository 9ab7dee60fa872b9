package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"tackline/advisor/units/quantity"
	"tackline/sensors"
)

// Probe is one sensor. What belongs to single kinds is in Options.
type Probe struct {
	Name         string
	Kind         string
	Place        sensors.Place
	Piece        string                       // name of the piece that it sits on or in; "" where that changes and is kept in the job book
	Interval     time.Duration                // between readings
	StaleAfter   time.Duration                // after this long without a reading the present is unknown
	U            map[sensors.Quantity]float64 // standard uncertainty of a calibrated reading, in the unit of the quantity; a difference for temperature
	Calibrations []Calibration                // in the order of their dates

	Options map[string]string // settings of the kind, by the names and in the spelling of the table of drivers
}

// Calibration is a correction that holds from its date until the next one.
type Calibration struct {
	From   time.Time                    // start of the day in the shed's zone
	Offset map[sensors.Quantity]float64 // is added to the raw reading; kelvin for temperature
	By     string                       // who found it, and how
}

func parseProbes(top *section, c Config) []Probe {
	var probes []Probe
	names, sources := map[string]place{}, map[string]string{}
	for _, s := range top.tables("probe") {
		p := parseProbe(s, c)
		s.once(names, p.Name, "probe")
		if src := p.source(); src != "" {
			if other, ok := sources[src]; ok {
				s.d.fail(s.path, nil, fmt.Sprintf("is the same sensor as probe %q", other), "want each sensor once")
			}
			sources[src] = p.Name
		}
		probes = append(probes, p)
	}
	return probes
}

// once refuses a name that stands there already, without regard to case.
func (s *section) once(names map[string]place, name, what string) {
	if name == "" {
		return
	}
	key := strings.ToLower(name)
	if at, ok := names[key]; ok {
		s.fail("name", fmt.Sprintf("the name %q is that of another %s already, in line %d", name, what, at.line), "want a name of its own for each "+what)
		return
	}
	names[key] = s.d.where(s.sub("name"))
}

// source tells two probes that would read the same sensor; "" where sharing is right.
func (p Probe) source() string {
	switch p.Kind {
	case "sysfs":
		return p.Options["device"]
	case "w1", "ds18b20":
		return p.Options["address"]
	case "timberpins":
		return fmt.Sprintf("i2c %s %s %s", p.Options["bus"], p.Options["address"], p.Options["pins"])
	case "mqtt", "push":
		if n := p.Options["node"]; n != "" {
			return p.Kind + " " + n
		}
	}
	if p.Options["bus"] != "" {
		return fmt.Sprintf("i2c %s %s", p.Options["bus"], p.Options["address"])
	}
	return ""
}

func parseProbe(s *section, c Config) Probe {
	p := Probe{Options: map[string]string{}}
	p.Name = s.need("name", "a name of its own, such as \"bow air\"")
	if len([]rune(p.Name)) > 64 {
		s.fail("name", "is longer than 64 letters", "want a short one")
	}
	if s.has("kind") {
		p.Kind = s.choice("kind", "", Kinds())
	} else {
		s.need("kind", "one of "+strings.Join(Kinds(), ", "))
	}
	var places []string
	for _, pl := range sensors.Places() {
		places = append(places, string(pl))
	}
	if s.has("place") {
		p.Place = sensors.Place(s.choice("place", "", places))
	} else {
		s.need("place", "one of "+strings.Join(places, ", "))
	}
	p.Piece = s.text("piece", "", "the name of a piece, such as \"port topside\"")
	if p.Piece != "" && p.Place != sensors.Surface && p.Place != sensors.Timber && p.Place != "" {
		s.fail("piece", fmt.Sprintf("a probe with place %q sits on no piece", p.Place), `want place = "surface" or "timber", or no piece`)
	}
	k, known := kinds[p.Kind]
	every := 10 * time.Second
	if k.wireless {
		every = 5 * time.Minute // between two reports of a node that lives on a battery
	}
	p.Interval = s.length("interval", every, time.Second, 6*time.Hour)
	p.StaleAfter = s.length("stale_after", staleDefault(p, c.Shed.StaleAfter), 10*time.Second, 24*time.Hour)
	if s.has("stale_after") && p.StaleAfter < p.Interval {
		s.fail("stale_after", "is shorter than the interval: every reading would be stale", "want three times the interval or more")
	}
	p.U = s.uncertainty(k, known)
	p.Calibrations = s.calibrations(k, known, c.Shed.Zone)
	s.belongsElsewhere(p.Kind)
	if known {
		k.parse(s, &p)
		s.done()
	}
	return p
}

// Wireless tells whether the probe's readings come by wireless nodes.
func (p Probe) Wireless() bool { return kinds[p.Kind].wireless }

// staleDefault is the shed's setting, else two hours for a trace (its rows come as they come) and three intervals, at least two minutes,
// for a sensor that is asked.
func staleDefault(p Probe, shed time.Duration) time.Duration {
	switch {
	case shed > 0:
		return max(shed, p.Interval)
	case p.Kind == "replay":
		return 2 * time.Hour
	}
	return max(3*p.Interval, 2*time.Minute)
}

// belongsElsewhere prepares the message for a key that another kind has.
func (s *section) belongsElsewhere(kindName string) {
	s.taken = map[string]string{}
	for _, name := range Kinds() {
		for _, key := range kinds[name].keys {
			if kindName != "" && !slices.Contains(kinds[kindName].keys, key) {
				if old, ok := s.taken[key]; ok {
					s.taken[key] = old + ", " + name
				} else {
					s.taken[key] = fmt.Sprintf("a probe of kind %s has no %s; it is for %s", kindName, key, name)
				}
			}
		}
	}
}

// uncertainty reads [probe.u]. Temperature is a difference: 0.5F is 0.28 K.
func (s *section) uncertainty(k kind, known bool) map[sensors.Quantity]float64 {
	u := map[sensors.Quantity]float64{}
	for q, v := range k.u {
		u[q] = v
	}
	t, ok := s.table("u")
	if !ok {
		return u
	}
	for q, r := range perQuantity {
		if known && !contains(k.quantities, q) {
			continue
		}
		if v := t.number(q.String(), r.q, -1, 0.001, r.largest); v >= 0 {
			u[q] = v
		}
	}
	t.done()
	return u
}

var perQuantity = map[sensors.Quantity]struct {
	q       quantity.Quantity
	largest float64
}{
	sensors.Temperature: {quantity.Difference(), 10},
	sensors.Humidity:    {quantity.Percent(), 20},
	sensors.Pressure:    {quantity.Pressure(), 50},
	sensors.Moisture:    {quantity.Percent(), 10},
}

// calibrations reads [[probe.calibration]]: a date and what to add from then on.
func (s *section) calibrations(k kind, known bool, zone *time.Location) []Calibration {
	var all []Calibration
	for _, t := range s.tables("calibration") {
		c := Calibration{Offset: map[sensors.Quantity]float64{}}
		v, ok := t.get("date")
		date, isDate := v.(toml.LocalDate)
		switch {
		case !ok:
			t.d.fail(t.sub("date"), nil, "is missing", "want the day from which it holds, without quotes, such as date = 2026-11-01")
		case !isDate:
			t.fail("date", fmt.Sprintf("%s is no date", written(v)), "want a day without quotes, such as date = 2026-11-01")
		case date.Year < 2000 || date.Year > 2200:
			t.fail("date", fmt.Sprintf("%s is out of range", date), "want a year from 2000 to 2200")
		default:
			c.From = time.Date(date.Year, time.Month(date.Month), date.Day, 0, 0, 0, 0, zone)
		}
		for _, q := range sensors.Quantities() {
			r := perQuantity[q]
			if t.has(q.String()) && known && contains(k.quantities, q) {
				c.Offset[q] = t.number(q.String(), r.q, 0, -r.largest, r.largest)
			} else if !known {
				t.get(q.String())
			}
		}
		c.By = t.text("by", "", "who found it, and how")
		t.known = append(t.known, offsetNames(k)...)
		if len(c.Offset) == 0 && known {
			t.d.fail(t.path, nil, "has no offset", "want one of "+strings.Join(offsetNames(k), ", "))
		}
		if n := len(all); n > 0 && isDate && !c.From.After(all[n-1].From) {
			t.fail("date", "is not after that of the calibration before it", "want them in the order of their dates")
		}
		t.done()
		all = append(all, c)
	}
	return all
}

func offsetNames(k kind) []string {
	var names []string
	for _, q := range k.quantities {
		names = append(names, q.String())
	}
	return names
}
