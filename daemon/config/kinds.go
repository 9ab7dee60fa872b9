package config

import (
	"fmt"
	"maps"
	"path"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"time"

	"tackline/advisor/units/quantity"
	"tackline/sensors"
	"tackline/sensors/tracefile"
)

// kind says what a kind of probe measures and which settings it takes.
type kind struct {
	quantities []sensors.Quantity
	simulated  bool
	wireless   bool
	u          map[sensors.Quantity]float64
	keys       []string
	parse      func(*section, *Probe)
}

var simulatedU = map[sensors.Quantity]float64{sensors.Temperature: 0.3, sensors.Humidity: 2, sensors.Pressure: 1, sensors.Moisture: 1.5}

// wirelessU is that of the small chips that most nodes carry.
var wirelessU = map[sensors.Quantity]float64{sensors.Temperature: 0.5, sensors.Humidity: 3, sensors.Pressure: 1, sensors.Moisture: 1.5}

// Uncertainties are those of the class of sensor as data sheets commonly state them, from memory: 0.3 K and 2 % for a small humidity chip,
// 1 K, 3 % and 1 hPa for a combined one that warms itself, 0.5 K for a 1-Wire thermometer. A calibration or a better sheet overrides them.
// The names of kinds and settings are those of the table of drivers; a test holds the two together.
var kinds = merged(chipKinds, map[string]kind{
	"sysfs": {quantities: []sensors.Quantity{sensors.Temperature, sensors.Humidity, sensors.Pressure},
		u:    map[sensors.Quantity]float64{sensors.Temperature: 0.3, sensors.Humidity: 2, sensors.Pressure: 1},
		keys: []string{"device"}, parse: parseSysfs},
	"w1": {quantities: []sensors.Quantity{sensors.Temperature},
		u:    map[sensors.Quantity]float64{sensors.Temperature: 0.5},
		keys: []string{"address"}, parse: parseW1},
	"mqtt": {quantities: sensors.Quantities(), wireless: true, u: wirelessU, keys: []string{"node"}, parse: parseNode},
	"push": {quantities: sensors.Quantities(), wireless: true, u: wirelessU, keys: []string{"token_file", "node"}, parse: parsePush},
	"replay": {quantities: sensors.Quantities(), simulated: true, u: simulatedU,
		keys: []string{"file", "columns", "zone", "node"}, parse: parseReplay},
	"shed": {quantities: sensors.Quantities(), simulated: true, u: simulatedU,
		keys: []string{"seed", "start", "mean_outdoors_c", "heater_w", "set_c", "frost_c", "leak_ach", "panel_mm", "bias_c", "bias_rh_pct"}, parse: parseSimulated},
})

func merged(a, b map[string]kind) map[string]kind {
	out := maps.Clone(a)
	maps.Copy(out, b)
	return out
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

var busName = regexp.MustCompile(`^(/dev/i2c-)?[0-9]{1,3}$`)

// parseBus reads the number of an I2C bus.
func parseBus(s *section, p *Probe) {
	want := "want the number of the I2C bus, such as bus = 1 for /dev/i2c-1"
	p.Options["bus"] = "1"
	if v, ok := s.get("bus"); ok {
		switch v := v.(type) {
		case int64:
			p.Options["bus"] = strconv.FormatInt(s.whole("bus", 1, 0, 255), 10)
		case string:
			if p.Options["bus"] = strings.TrimPrefix(v, "/dev/i2c-"); !busName.MatchString(v) {
				s.fail("bus", fmt.Sprintf("%q is no I2C bus", v), want)
			}
		default:
			s.fail("bus", fmt.Sprintf("%s is %s", written(v), kindOf(v)), want)
		}
	}
}

// parseI2C reads bus and address of a chip. may lists the addresses that it can have; none is any.
func parseI2C(def uint16, may ...uint16) func(*section, *Probe) {
	return func(s *section, p *Probe) {
		parseBus(s, p)
		address := uint16(s.whole("address", int64(def), 0x03, 0x77))
		if p.Options["address"] = fmt.Sprintf("0x%02x", address); len(may) > 0 && !contains(may, address) {
			var list []string
			for _, a := range may {
				list = append(list, fmt.Sprintf("0x%02x", a))
			}
			s.fail("address", fmt.Sprintf("a %s is never at 0x%02x", p.Kind, address), "want "+strings.Join(list, " or "))
		}
	}
}

var (
	numbered = regexp.MustCompile(`^(hwmon|iio:device)[0-9]*$`)
	deviceID = regexp.MustCompile(`^[^@/\s]+@[^@\s]+$`)
	w1ID     = regexp.MustCompile(`^[0-9a-f]{2}-[0-9a-f]{12}$`)
)

func parseSysfs(s *section, p *Probe) {
	want := `the chip's own name and its place, such as device = "sht4x@1-0044": see tackline probe list`
	id := s.need("device", want)
	switch {
	case id == "":
	case numbered.MatchString(path.Base(id)):
		s.fail("device", fmt.Sprintf("%q is a number that the kernel deals out anew at each start", id), "want "+want)
	case !deviceID.MatchString(id):
		s.fail("device", fmt.Sprintf("%q is no chip@path", id), "want "+want)
	}
	p.Options["device"] = id
}

func parseW1(s *section, p *Probe) {
	want := "the sensor's family and number, such as \"28-0316a2795bff\": see /sys/bus/w1/devices"
	id := s.need("address", want)
	if id != "" && !w1ID.MatchString(id) {
		s.fail("address", fmt.Sprintf("%q is no 1-Wire number", id), "want "+want)
	}
	p.Options["address"] = id
}

func parseReplay(s *section, p *Probe) {
	file := s.need("file", "the path of a CSV trace")
	if file != "" && path.Clean(file) == "." {
		s.fail("file", fmt.Sprintf("%q is no file", file), "want the path of a CSV trace")
	}
	p.Options["file"] = file
	if t, ok := s.table("columns"); ok {
		var pairs []string
		for _, name := range append([]string{"time", "time_s", "unix_s", "unix_ms", "node"}, tracefile.Names()...) {
			if v, ok := t.get(name); !ok {
				continue
			} else if v == "" { // leaves the column out
				pairs = append(pairs, name+"=")
			} else if heading := t.text(name, "", "the heading in the file"); strings.Contains(heading, ",") {
				t.fail(name, fmt.Sprintf("%q has a comma", heading), "want a heading without one: rename it in the file")
			} else {
				pairs = append(pairs, name+"="+heading)
			}
		}
		t.done()
		p.Options["columns"] = strings.Join(pairs, ",")
	}
	if s.has("zone") {
		_, p.Options["zone"] = s.zone("zone", time.UTC, "UTC")
	}
	if v, ok := s.get("node"); ok {
		if n, ok := v.(int64); ok {
			p.Options["node"] = strconv.FormatInt(n, 10)
		} else {
			p.Options["node"] = s.text("node", "", "the node to take, as it stands in its column")
		}
	}
}

// parseSimulated reads the settings of an invented shed. Probes with the same settings, bias aside, share one shed.
func parseSimulated(s *section, p *Probe) {
	if s.has("seed") {
		p.Options["seed"] = strconv.FormatInt(s.whole("seed", 1, 0, 1<<53), 10)
	}
	if s.has("start") {
		if at := s.instant("start"); at.Known() {
			p.Options["start"] = at.Time().Format(time.RFC3339)
		}
	}
	for _, x := range []struct {
		key    string
		q      quantity.Quantity
		lo, hi float64
	}{
		{"mean_outdoors_c", quantity.Temperature(), -30, 25}, {"heater_w", quantity.Ratio(), 0, 100000}, {"set_c", quantity.Temperature(), -10, 35},
		{"frost_c", quantity.Temperature(), -10, 35}, {"leak_ach", quantity.Ratio(), 0.01, 20}, {"panel_mm", quantity.Length(), 1, 100},
		{"bias_c", quantity.Difference(), -10, 10}, {"bias_rh_pct", quantity.Percent(), -20, 20},
	} {
		if v := s.number(x.key, x.q, 0, x.lo, x.hi); s.has(x.key) {
			p.Options[x.key] = strconv.FormatFloat(v, 'g', -1, 64)
		}
	}
}
