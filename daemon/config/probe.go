package config

import (
	"fmt"
	"path"
	"regexp"
	"slices"
	"sort"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"tackline/daemon/config/quantity"
	"tackline/sensors"
	"tackline/sensors/tracefile"
)

// Probe is one sensor. The fields below Calibrations belong to single kinds; they are empty for the others.
type Probe struct {
	Name         string
	Kind         string
	Place        sensors.Place
	Piece        string                       // name of the piece that it sits on or in; "" where that changes and is kept in the job book
	Interval     time.Duration                // between readings
	StaleAfter   time.Duration                // after this long without a reading the present is unknown
	U            map[sensors.Quantity]float64 // standard uncertainty of a calibrated reading, in the unit of the quantity; a difference for temperature
	Calibrations []Calibration                // in the order of their dates

	Bus     string            // bme280: number or name of the I2C bus; "" is the first
	Address uint16            // bme280: I2C address
	Root    string            // hwmon, iio, w1: root of the kernel's tree, normally /sys
	ID      string            // hwmon, iio: chip@path, such as sht4x@1-0044; w1: family and number, such as 28-0316a2795bff
	File    string            // replay: path of the CSV trace
	Columns map[string]string // replay: our column name to the file's heading; "" leaves a column out
	Zone    *time.Location    // replay: of times without one; the shed's unless given
	Node    string            // replay: the node to take where several share the file
	Seed    int64             // shed: of the weather; the same for all probes of one simulated shed
}

// Calibration is a correction that holds from its date until the next one.
type Calibration struct {
	From   time.Time                    // start of the day in the shed's zone
	Offset map[sensors.Quantity]float64 // is added to the raw reading; kelvin for temperature
	By     string                       // who found it, and how
}

// kind says what a kind of probe has and what it must be told.
type kind struct {
	quantities []sensors.Quantity
	simulated  bool
	u          map[sensors.Quantity]float64
	keys       []string
	parse      func(*section, *Probe)
}

// Uncertainties are those of the class of sensor as data sheets commonly state them, from memory: 0.3 K and 2 % for a small humidity chip,
// 1 K, 3 % and 1 hPa for a combined one that warms itself, 0.5 K for a 1-Wire thermometer. A calibration or a better sheet overrides them.
var kinds = map[string]kind{
	"bme280": {quantities: []sensors.Quantity{sensors.Temperature, sensors.Humidity, sensors.Pressure},
		u:    map[sensors.Quantity]float64{sensors.Temperature: 1, sensors.Humidity: 3, sensors.Pressure: 1},
		keys: []string{"bus", "address"}, parse: parseI2C(0x76, 0x76, 0x77)},
	"hwmon": {quantities: []sensors.Quantity{sensors.Temperature, sensors.Humidity},
		u:    map[sensors.Quantity]float64{sensors.Temperature: 0.3, sensors.Humidity: 2},
		keys: []string{"id", "root"}, parse: parseKernel},
	"iio": {quantities: []sensors.Quantity{sensors.Temperature, sensors.Humidity, sensors.Pressure},
		u:    map[sensors.Quantity]float64{sensors.Temperature: 0.5, sensors.Humidity: 3, sensors.Pressure: 1},
		keys: []string{"id", "root"}, parse: parseKernel},
	"w1": {quantities: []sensors.Quantity{sensors.Temperature},
		u:    map[sensors.Quantity]float64{sensors.Temperature: 0.5},
		keys: []string{"id", "root"}, parse: parseW1},
	"replay": {quantities: sensors.Quantities(), simulated: true,
		u:    map[sensors.Quantity]float64{sensors.Temperature: 0.3, sensors.Humidity: 2, sensors.Pressure: 1, sensors.Moisture: 1.5},
		keys: []string{"file", "columns", "zone", "node"}, parse: parseReplay},
	"shed": {quantities: sensors.Quantities(), simulated: true,
		u:    map[sensors.Quantity]float64{sensors.Temperature: 0.3, sensors.Humidity: 2, sensors.Pressure: 1, sensors.Moisture: 1.5},
		keys: []string{"seed"}, parse: func(s *section, p *Probe) { p.Seed = s.whole("seed", 1, 0, 1<<53) }},
}

// Kinds lists the kinds of probe in alphabetical order.
func Kinds() []string {
	var all []string
	for k := range kinds {
		all = append(all, k)
	}
	sort.Strings(all)
	return all
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
	case "bme280":
		return fmt.Sprintf("%s %s %d", p.Kind, p.Bus, p.Address)
	case "hwmon", "iio", "w1": // one device may show as hwmon and as iio
		if p.ID != "" {
			return p.Root + " " + p.ID
		}
	}
	return ""
}

func parseProbe(s *section, c Config) Probe {
	p := Probe{Zone: c.Shed.Zone}
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
	p.Interval = s.length("interval", 10*time.Second, time.Second, 6*time.Hour)
	k, known := kinds[p.Kind]
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
					s.taken[key] = old + " and " + name
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

var busName = regexp.MustCompile(`^(/dev/i2c-)?[0-9]{1,3}$`)

// parseI2C reads bus and address of a chip that can sit at a few addresses only.
func parseI2C(def uint16, may ...uint16) func(*section, *Probe) {
	return func(s *section, p *Probe) {
		want := "want the number of the I2C bus, such as bus = 1 for /dev/i2c-1"
		if v, ok := s.get("bus"); ok {
			switch v := v.(type) {
			case int64:
				p.Bus = fmt.Sprint(s.whole("bus", 0, 0, 255))
			case string:
				if p.Bus = strings.TrimPrefix(v, "/dev/i2c-"); !busName.MatchString(v) {
					s.fail("bus", fmt.Sprintf("%q is no I2C bus", v), want)
				}
			default:
				s.fail("bus", fmt.Sprintf("%s is %s", written(v), kindOf(v)), want)
			}
		}
		p.Address = uint16(s.whole("address", int64(def), 0x03, 0x77))
		if !contains(may, p.Address) {
			var list []string
			for _, a := range may {
				list = append(list, fmt.Sprintf("0x%02x", a))
			}
			s.fail("address", fmt.Sprintf("a %s is never at 0x%02x", p.Kind, p.Address), "want "+strings.Join(list, " or "))
		}
	}
}

var (
	numbered = regexp.MustCompile(`^(hwmon|iio:device)[0-9]*$`)
	kernelID = regexp.MustCompile(`^[^@/\s]+@[^@\s]+$`)
)

func parseKernel(s *section, p *Probe) {
	want := `the chip's own name and its place, such as id = "sht4x@1-0044": see tackline probe list`
	p.ID = s.need("id", want)
	switch {
	case p.ID == "":
	case numbered.MatchString(path.Base(p.ID)):
		s.fail("id", fmt.Sprintf("%q is a number that the kernel deals out anew at each start", p.ID), "want "+want)
	case !kernelID.MatchString(p.ID):
		s.fail("id", fmt.Sprintf("%q is no chip@path", p.ID), "want "+want)
	}
	p.Root = s.text("root", "/sys", "the root of the kernel's tree, /sys")
}

var w1ID = regexp.MustCompile(`^[0-9a-f]{2}-[0-9a-f]{12}$`)

func parseW1(s *section, p *Probe) {
	want := "the sensor's family and number, such as \"28-0316a2795bff\": see /sys/bus/w1/devices"
	p.ID = s.need("id", want)
	if p.ID != "" && !w1ID.MatchString(p.ID) {
		s.fail("id", fmt.Sprintf("%q is no 1-Wire number", p.ID), "want "+want)
	}
	p.Root = s.text("root", "/sys", "the root of the kernel's tree, /sys")
}

func parseReplay(s *section, p *Probe) {
	p.File = s.need("file", "the path of a CSV trace")
	if p.File != "" && path.Clean(p.File) == "." {
		s.fail("file", fmt.Sprintf("%q is no file", p.File), "want the path of a CSV trace")
	}
	if t, ok := s.table("columns"); ok {
		p.Columns = map[string]string{}
		for _, name := range append([]string{"time", "time_s", "unix_s", "unix_ms", "node"}, tracefile.Names()...) {
			if v, ok := t.get(name); ok && v == "" {
				p.Columns[name] = ""
			} else if col := t.text(name, "", "the heading in the file"); col != "" {
				p.Columns[name] = col
			}
		}
		t.done()
	}
	if s.has("zone") {
		p.Zone, _ = s.zone("zone", p.Zone, "")
	}
	if v, ok := s.get("node"); ok {
		if n, ok := v.(int64); ok {
			p.Node = fmt.Sprint(n)
		} else {
			p.Node = s.text("node", "", "the node to take, as it stands in its column")
		}
	}
}
