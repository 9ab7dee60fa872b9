package drivers

import (
	"path"
	"regexp"
	"strings"

	"tackline/sensors/sysfs"
)

func checkSysfs(s *Set, spec Spec) error { return sysfs.CheckID(s.env.Sys, spec.Options["device"]) }

// clientName is the kernel's name of a chip on an I2C bus: bus number and address.
var clientName = regexp.MustCompile(`^([0-9]+)-[0-9a-f]{4}$`)

func openSysfs(s *Set, spec Spec) (Opened, error) {
	id := spec.Options["device"]
	p, err := sysfs.Open(s.env.Sys, id)
	if err != nil {
		return Opened{}, err
	}
	bus := "sysfs " + id
	_, where, _ := strings.Cut(id, "@")
	if m := clientName.FindStringSubmatch(path.Base(where)); m != nil {
		bus = "i2c-" + m[1] // a bus that hangs hangs for the kernel's drivers too
	}
	return Opened{Probe: p, Bus: bus}, nil
}

func checkW1(_ *Set, spec Spec) error { return sysfs.CheckW1ID(spec.Options["address"]) }

func openW1(s *Set, spec Spec) (Opened, error) {
	p, err := s.w1.Probe(spec.Options["address"])
	if err != nil {
		return Opened{}, err
	}
	return Opened{Probe: p, Bus: "w1"}, nil
}
