package config

import (
	"fmt"
	"strconv"
	"strings"

	"tackline/advisor/units/quantity"
	"tackline/sensors"
	"tackline/sensors/timberpins"
)

var (
	air3 = []sensors.Quantity{sensors.Temperature, sensors.Humidity, sensors.Pressure}
	air2 = []sensors.Quantity{sensors.Temperature, sensors.Humidity}
	one  = []sensors.Quantity{sensors.Temperature}
)

// humidity is a chip for temperature and humidity whose only settings are bus and address.
func humidity(uK, uPct float64, def uint16, may ...uint16) kind {
	return kind{quantities: air2, u: map[sensors.Quantity]float64{sensors.Temperature: uK, sensors.Humidity: uPct}, keys: i2cKeys(), parse: parseI2C(def, may...)}
}

func i2cKeys(more ...string) []string { return append([]string{"bus", "address"}, more...) }

// chipKinds are the chips by I2C. The uncertainties are those of their classes as data sheets commonly state them, from memory; that of the
// infrared thermometer has the surface's own emissivity in it, that of the pins the species' curve.
var chipKinds = map[string]kind{
	"bme280": {quantities: air3, u: map[sensors.Quantity]float64{sensors.Temperature: 1, sensors.Humidity: 3, sensors.Pressure: 1},
		keys: i2cKeys(), parse: parseI2C(0x76, 0x76, 0x77)},
	"sht3x":   humidity(0.3, 2, 0x44, 0x44, 0x45),
	"sht4x":   humidity(0.2, 1.8, 0x44, 0x44, 0x45, 0x46),
	"aht20":   humidity(0.4, 2.5, 0x38, 0x38),
	"hdc302x": humidity(0.2, 1.5, 0x44, 0x44, 0x45, 0x46, 0x47),
	"mcp9808": {quantities: one, u: map[sensors.Quantity]float64{sensors.Temperature: 0.3}, keys: i2cKeys(),
		parse: parseI2C(0x18, 0x18, 0x19, 0x1a, 0x1b, 0x1c, 0x1d, 0x1e, 0x1f)},
	"ds18b20": {quantities: one, u: map[sensors.Quantity]float64{sensors.Temperature: 0.5}, keys: []string{"bus", "bridge", "address"}, parse: parseBridged},
	"mlx90614": {quantities: one, u: map[sensors.Quantity]float64{sensors.Temperature: 1}, keys: i2cKeys("emissivity"), parse: func(s *section, p *Probe) {
		parseI2C(0x5a)(s, p)
		if v := s.number("emissivity", quantity.Ratio(), 0.95, 0.3, 1); s.has("emissivity") {
			p.Options["emissivity"] = plain(v)
		}
	}},
	"timberpins": {quantities: []sensors.Quantity{sensors.Temperature, sensors.Moisture},
		u: map[sensors.Quantity]float64{sensors.Temperature: 0.5, sensors.Moisture: 2},
		keys: i2cKeys("pins", "supply", "supply_share", "series_ohm", "curve", "curve_c", "assume_c", "thermistor", "thermistor_ohm", "thermistor_b",
			"thermistor_up_ohm"), parse: parsePins},
}

func plain(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// parseBridged reads a 1-Wire thermometer behind a bridge on I2C.
func parseBridged(s *section, p *Probe) {
	parseBus(s, p)
	parseW1(s, p)
	b := s.whole("bridge", 0x18, 0x03, 0x77)
	if p.Options["bridge"] = fmt.Sprintf("0x%02x", b); b != 0x18 && b != 0x19 {
		s.fail("bridge", fmt.Sprintf("a bridge is never at 0x%02x", b), "want 0x18 or 0x19")
	}
	if strings.HasPrefix(p.Options["address"], "10-") {
		s.fail("address", "family 10 cannot be read by a bridge", "want one of family 28, 22, 3b or 42, or kind = \"w1\" where the kernel drives the wire")
	}
}

// parsePins reads a pair of pins in timber.
func parsePins(s *section, p *Probe) {
	parseI2C(0x48, 0x48, 0x49, 0x4a, 0x4b)(s, p)
	inputs := map[int64]string{}
	for _, x := range []struct {
		key string
		def int64
	}{{"pins", 0}, {"supply", 1}, {"thermistor", -1}} {
		n := s.whole(x.key, x.def, 0, 3)
		if s.has(x.key) {
			p.Options[x.key] = strconv.FormatInt(n, 10)
		}
		if other, ok := inputs[n]; ok {
			s.d.fail(s.sub(x.key), nil, fmt.Sprintf("is the input %d of %s", n, other), "want an input of the converter for each")
		}
		inputs[n] = x.key
	}
	for _, x := range []struct {
		key    string
		q      quantity.Quantity
		lo, hi float64
	}{
		{"supply_share", quantity.Ratio(), 0.05, 1}, {"series_ohm", quantity.Resistance(), 1e4, 1e11}, {"curve_c", quantity.Temperature(), -20, 50},
		{"assume_c", quantity.Temperature(), -40, 60}, {"thermistor_ohm", quantity.Resistance(), 100, 1e7}, {"thermistor_b", quantity.Ratio(), 1000, 10000},
		{"thermistor_up_ohm", quantity.Resistance(), 100, 1e7},
	} {
		if v := s.number(x.key, x.q, x.lo, x.lo, x.hi); s.has(x.key) {
			p.Options[x.key] = plain(v)
		}
	}
	if !s.has("series_ohm") {
		s.d.fail(s.sub("series_ohm"), nil, "is missing", "want the resistor from the supply to the pin, such as \"47Mohm\"")
	}
	switch {
	case !s.has("thermistor") && !s.has("assume_c"):
		s.d.fail(s.path, nil, "has no temperature of the timber: cold timber seems drier than it is",
			"want thermistor = the input of one beside the pins, or assume_c = the lowest temperature that is likely")
	case s.has("thermistor") && s.has("assume_c"):
		s.fail("assume_c", "stands beside a thermistor", "want one of the two")
	}
	p.Options["curve"] = s.curve()
}

// curve reads [[probe.curve]]: ohm and moisture_pct, from dry to damp.
func (s *section) curve() string {
	var c timberpins.Curve
	var pairs []string
	clean := true
	for _, t := range s.tables("curve") {
		for _, key := range []string{"ohm", "moisture_pct"} {
			if !t.has(key) {
				t.d.fail(t.sub(key), nil, "is missing", "want ohm and moisture_pct for each point")
				clean = false
			}
		}
		r, m := t.number("ohm", quantity.Resistance(), 1, 100, 1e13), t.number("moisture_pct", quantity.Percent(), 0, 4, 60)
		t.done()
		c = append(c, timberpins.Point{Ohm: r, Pct: m})
		pairs = append(pairs, plain(r)+"="+plain(m))
	}
	if err := c.Check(); err != nil && clean {
		s.d.fail(s.sub("curve"), nil, strings.TrimPrefix(err.Error(), "timberpins: curve: "),
			"want [[probe.curve]] with ohm and moisture_pct, two or more, from dry to damp: from the table of the species")
	}
	return strings.Join(pairs, ",")
}
