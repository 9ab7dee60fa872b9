package drivers

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"tackline/sensors"
	"tackline/sensors/sysfs"
)

// Found is a sensor that is there, whether or not a config names it.
type Found struct {
	Kind       string            // of the table
	Options    map[string]string // that name it
	ID         string            // chip@path, 1-Wire address, or bus and address
	Text       string            // what is known of it
	Quantities []sensors.Quantity
}

// Same tells whether a probe of a config is this sensor.
func (f Found) Same(kind string, options map[string]string) bool {
	switch f.Kind {
	case "sysfs":
		chip, path, _ := strings.Cut(f.ID, "@")
		c, p, ok := strings.Cut(options["device"], "@")
		return kind == "sysfs" && ok && c == chip && (p == path || strings.HasSuffix(path, "/"+p))
	case "w1":
		return (kind == "w1" || kind == "ds18b20") && options["address"] == f.ID
	}
	bus, addr, err := busAndAddress(Spec{Options: f.Options}, 0)
	if err != nil || kind == "ds18b20" {
		return false
	}
	for _, l := range chips() {
		if l.Name != kind {
			continue
		}
		b, a, err := busAndAddress(Spec{Options: options}, places()[kind][0])
		return err == nil && a == addr && b == bus
	}
	return false
}

// Kernel lists the sensors that the kernel drives.
func (s *Set) Kernel() ([]Found, error) {
	var out []Found
	devices, err := sysfs.List(s.env.Sys)
	if err != nil {
		return nil, err
	}
	for _, d := range devices {
		out = append(out, Found{"sysfs", map[string]string{"device": d.ID()}, d.ID(), d.Kind, d.Quantities})
	}
	ids, err := s.w1.List()
	if err != nil {
		return nil, err
	}
	for _, id := range ids {
		out = append(out, Found{"w1", map[string]string{"address": id}, id, "1-Wire", []sensors.Quantity{sensors.Temperature}})
	}
	return out, nil
}

// Owned is an address that a driver of the kernel has taken.
type Owned struct {
	Bus     int
	Address uint16
	Driver  string
}

// Buses lists the numbers of the I2C buses that the kernel knows, and the addresses on them that its drivers have taken.
func (s *Set) Buses() (buses []int, owned []Owned, err error) {
	dir := filepath.Join(s.env.Sys, "bus/i2c/devices")
	entries, err := os.ReadDir(dir)
	if os.IsNotExist(err) {
		return nil, nil, nil
	}
	if err != nil {
		return nil, nil, fmt.Errorf("drivers: %w", err)
	}
	for _, e := range entries {
		if n, err := strconv.Atoi(strings.TrimPrefix(e.Name(), "i2c-")); err == nil && strings.HasPrefix(e.Name(), "i2c-") {
			buses = append(buses, n)
			continue
		}
		m := clientName.FindStringSubmatch(e.Name())
		if m == nil {
			continue
		}
		link, err := os.Readlink(filepath.Join(dir, e.Name(), "driver"))
		if err != nil {
			continue
		}
		bus, _ := strconv.Atoi(m[1]) // the pattern has seen to it
		addr, _ := strconv.ParseUint(e.Name()[len(m[1])+1:], 16, 16)
		owned = append(owned, Owned{bus, uint16(addr), filepath.Base(link)})
	}
	slices.Sort(buses)
	return buses, owned, nil
}

// places lists the addresses that each kind of chip can have, the default first. The bridge and the pins are left out: the one is no sensor,
// and the other says nothing by which it could be told.
func places() map[string][]uint16 {
	return map[string][]uint16{
		"bme280": {0x76, 0x77}, "sht3x": {0x44, 0x45}, "sht4x": {0x44, 0x45, 0x46}, "aht20": {0x38}, "hdc302x": {0x44, 0x45, 0x46, 0x47},
		"mcp9808": {0x18, 0x19, 0x1a, 0x1b, 0x1c, 0x1d, 0x1e, 0x1f}, "mlx90614": {0x5a}, "timberpins": {0x48, 0x49, 0x4a, 0x4b},
	}
}

// Scan asks the chips of one I2C bus who they are: each kind, at each address that it can have and that no driver of the kernel has taken, is asked for
// one measurement, and those are listed whose answer can be believed. Chips that speak alike are listed as each of their kinds. It must
// not run beside a daemon that reads the same bus.
func (s *Set) Scan(ctx context.Context, bus int) ([]Found, error) {
	_, owned, err := s.Buses()
	if err != nil {
		return nil, err
	}
	var out []Found
	for _, l := range chips() {
		if l.Name == "timberpins" {
			continue
		}
		for _, addr := range places()[l.Name] {
			if slices.ContainsFunc(owned, func(o Owned) bool { return o.Bus == bus && o.Address == addr }) {
				continue
			}
			if err := ctx.Err(); err != nil {
				return out, fmt.Errorf("drivers: scan: %w", err)
			}
			options := map[string]string{"bus": strconv.Itoa(bus), "address": fmt.Sprintf("0x%02x", addr)}
			o, err := l.open(s, Spec{Kind: l.Name, Name: "scan", Place: sensors.Air, Options: options})
			if err != nil {
				return out, err
			}
			readings, err := o.Probe.Read(ctx)
			_ = o.Probe.Close() // the bus stays open
			if err != nil || len(readings) == 0 {
				continue
			}
			f := Found{Kind: l.Name, Options: options, ID: fmt.Sprintf("%s 0x%02x", busName(bus), addr), Text: l.Text}
			for _, r := range readings {
				f.Quantities = append(f.Quantities, r.Quantity)
			}
			out = append(out, f)
		}
	}
	return out, nil
}
