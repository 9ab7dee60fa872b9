package drivers

import (
	"fmt"
	"strconv"
	"time"

	"periph.io/x/conn/v3/i2c"

	"tackline/sensors"
	"tackline/sensors/aht20"
	"tackline/sensors/bme280"
	"tackline/sensors/ds18b20"
	"tackline/sensors/hdc302x"
	"tackline/sensors/mcp9808"
	"tackline/sensors/mlx90614"
	"tackline/sensors/sht3x"
	"tackline/sensors/sht4x"
	"tackline/sensors/timberpins"
)

// chipLine is the line of a chip that has no settings but its bus and address.
func chipLine[P sensors.Probe](name, text string, address uint16, make func(i2c.Bus, uint16) (P, error)) line {
	check := func(_ *Set, spec Spec) error {
		_, addr, err := busAndAddress(spec, address)
		if err != nil {
			return err
		}
		_, err = make(nowhere{}, addr)
		return err
	}
	open := func(s *Set, spec Spec) (Opened, error) {
		bus, addr, err := busAndAddress(spec, address)
		if err != nil {
			return Opened{}, err
		}
		p, err := make(s.i2c(bus), addr)
		if err != nil {
			return Opened{}, err
		}
		return Opened{Probe: p, Bus: busName(bus)}, nil
	}
	return line{Kind{name, text, i2cOptions(fmt.Sprintf("0x%02x", address))}, check, open}
}

func busName(bus int) string { return fmt.Sprintf("i2c-%d", bus) }

// nowhere is a bus for those who only want their settings checked.
type nowhere struct{ i2c.Bus }

// chips lists the chips by I2C.
func chips() []line {
	return []line{
		chipLine("bme280", "temperature, humidity and pressure by I2C", bme280.DefaultAddress, bme280.New),
		chipLine("sht3x", "temperature and humidity by I2C", sht3x.DefaultAddress, sht3x.New),
		chipLine("sht4x", "temperature and humidity by I2C", sht4x.DefaultAddress, sht4x.New),
		chipLine("aht20", "temperature and humidity by I2C", aht20.DefaultAddress, aht20.New),
		chipLine("hdc302x", "temperature and humidity by I2C", hdc302x.DefaultAddress, hdc302x.New),
		chipLine("mcp9808", "temperature by I2C", mcp9808.DefaultAddress, mcp9808.New),
		{Kind{"ds18b20", "a 1-Wire thermometer by a bridge on I2C, where the kernel drives no 1-Wire", []Option{
			{"bus", "number of the I2C bus, as in /dev/i2c-1; default 1", false},
			{"bridge", "the bridge's address on it; default 0x18", false},
			{"address", "family and number, such as 28-0316a2791234", true}}}, checkBridged, openBridged},
		{Kind{"mlx90614", "temperature of a surface by infrared, by I2C", append(i2cOptions("0x5a"),
			Option{"emissivity", "of the surface, 0.3 to 1; default 0.95: timber, paint, resin", false})}, checkInfrared, openInfrared},
		{Kind{"timberpins", "moisture of timber between two pins, by a converter on I2C", append(i2cOptions("0x48"),
			Option{"pins", "input of the buffered pin pair, 0 to 3; default 0", false},
			Option{"supply", "input of what feeds it; default 1", false},
			Option{"supply_share", "share of the supply that reaches its input; default 1", false},
			Option{"series_ohm", "resistor from the supply to the pin, ohms", true},
			Option{"curve", "the species' curve, ohms=per cent from dry to damp, such as 120e6=12,2.1e6=20", true},
			Option{"curve_c", "temperature that the curve holds at, C; default 27", false},
			Option{"assume_c", "temperature of the timber where there is no thermistor, C: the lowest that is likely", false},
			Option{"thermistor", "input of a thermistor beside the pins", false},
			Option{"thermistor_ohm", "its resistance at 25 C; default 10000", false},
			Option{"thermistor_b", "its B value, kelvin; default 3950", false},
			Option{"thermistor_up_ohm", "resistor from the supply to it; default 10000", false})}, checkPins, openPins},
	}
}

func bridgeOf(spec Spec) (bus int, addr uint16, err error) {
	return busAndAddress(Spec{Options: map[string]string{"bus": spec.Options["bus"], "address": spec.Options["bridge"]}}, ds18b20.DefaultBridge)
}

func checkBridged(_ *Set, spec Spec) error {
	_, addr, err := bridgeOf(spec)
	if err != nil {
		return fmt.Errorf("bridge: %w", err)
	}
	b, err := ds18b20.NewBridge(nowhere{}, addr)
	if err != nil {
		return fmt.Errorf("bridge: %w", err)
	}
	_, err = b.Probe(spec.Options["address"])
	return err
}

func openBridged(s *Set, spec Spec) (Opened, error) {
	bus, addr, err := bridgeOf(spec)
	if err != nil {
		return Opened{}, err
	}
	b, err := s.bridge(bus, addr)
	if err != nil {
		return Opened{}, err
	}
	p, err := b.Probe(spec.Options["address"])
	if err != nil {
		return Opened{}, err
	}
	return Opened{Probe: p, Bus: busName(bus)}, nil
}

// bridge gives the bridge of an address, the same to all.
func (s *Set) bridge(bus int, addr uint16) (*ds18b20.Bridge, error) {
	wire := s.i2c(bus)
	s.mu.Lock()
	defer s.mu.Unlock()
	key := fmt.Sprintf("%d 0x%02x", bus, addr)
	if b := s.bridges[key]; b != nil {
		return b, nil
	}
	b, err := ds18b20.NewBridge(wire, addr)
	if err == nil {
		s.bridges[key] = b
	}
	return b, err
}

func infrared(spec Spec) (bus int, make func(i2c.Bus) (*mlx90614.Probe, error), err error) {
	bus, addr, err := busAndAddress(spec, mlx90614.DefaultAddress)
	if err != nil {
		return 0, nil, err
	}
	e, err := numberOr(spec, "emissivity", mlx90614.DefaultEmissivity)
	return bus, func(b i2c.Bus) (*mlx90614.Probe, error) { return mlx90614.New(b, addr, e) }, err
}

func checkInfrared(_ *Set, spec Spec) error {
	_, make, err := infrared(spec)
	if err != nil {
		return err
	}
	_, err = make(nowhere{})
	return err
}

func openInfrared(s *Set, spec Spec) (Opened, error) {
	bus, make, err := infrared(spec)
	if err != nil {
		return Opened{}, err
	}
	p, err := make(s.i2c(bus))
	if err != nil {
		return Opened{}, err
	}
	return Opened{Probe: p, Bus: busName(bus), WarmUp: mlx90614.WarmUp}, nil
}

func numberOr(spec Spec, name string, def float64) (float64, error) {
	text := spec.Options[name]
	if text == "" {
		return def, nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return 0, fmt.Errorf("%s %q: want a number", name, text)
	}
	return v, nil
}

// pins reads the settings of a pair of pins.
func pins(spec Spec) (bus int, addr uint16, o timberpins.Options, err error) {
	if bus, addr, err = busAndAddress(spec, timberpins.DefaultAddress); err != nil {
		return 0, 0, o, err
	}
	whole := map[string]float64{}
	for name, def := range map[string]float64{"pins": 0, "supply": 1, "thermistor": timberpins.None, "supply_share": 1, "series_ohm": 0, "curve_c": 27,
		"assume_c": -300, "thermistor_ohm": 10e3, "thermistor_b": 3950, "thermistor_up_ohm": 10e3} {
		if whole[name], err = numberOr(spec, name, def); err != nil {
			return 0, 0, o, err
		}
	}
	hasThermistor, hasAssumed := spec.Options["thermistor"] != "", spec.Options["assume_c"] != ""
	if hasThermistor == hasAssumed {
		return 0, 0, o, fmt.Errorf("want the temperature of the timber, from one of thermistor and assume_c: cold timber seems drier than it is")
	}
	o = timberpins.Options{Pins: int64(whole["pins"]), Supply: int64(whole["supply"]), SupplyShare: whole["supply_share"], SeriesOhm: whole["series_ohm"],
		CurveC: whole["curve_c"], AssumeC: whole["assume_c"], Thermistor: int64(whole["thermistor"]), ThermistorOhm: whole["thermistor_ohm"],
		ThermistorB: whole["thermistor_b"], ThermistorUp: whole["thermistor_up_ohm"]}
	o.Curve, err = timberpins.ParseCurve(spec.Options["curve"])
	return bus, addr, o, err
}

func checkPins(_ *Set, spec Spec) error {
	_, addr, o, err := pins(spec)
	if err != nil {
		return err
	}
	_, err = timberpins.New(nowhere{}, addr, o)
	return err
}

func openPins(s *Set, spec Spec) (Opened, error) {
	bus, addr, o, err := pins(spec)
	if err != nil {
		return Opened{}, err
	}
	p, err := timberpins.New(s.i2c(bus), addr, o)
	if err != nil {
		return Opened{}, err
	}
	return Opened{Probe: p, Bus: busName(bus), WarmUp: time.Second}, nil
}
