// Package sysfs reads the thermometers, hygrometers and barometers that the Linux kernel already drives: hwmon, iio and 1-Wire.
//
// The kernel numbers its devices in the order in which it finds them, and that order changes from boot to boot. So a probe is known by the
// name of its chip and the path of the device that it hangs on, never by its number: "lm75@1-0048", or as much more of the path as it
// takes to be the only one. Every Read looks the device up again when it has moved, and opens its files anew: a file held open stays dead for
// good once its driver has been unbound.
//
// Units are the kernel's (Documentation/hwmon/sysfs-interface, ABI/testing/sysfs-bus-iio): hwmon millidegrees and thousandths of a per cent; iio
// the same, pressure in kilopascal; either processed (_input) or raw with offset and scale.
package sysfs

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"

	"tackline/sensors"
)

// Found is one device that the kernel drives.
type Found struct {
	Chip       string // the name that the kernel's driver gives it
	Device     string // its path below /sys/devices, without the number that changes
	Kind       string // "hwmon" or "iio"
	Dir        string // the folder of its attributes at present
	Quantities []sensors.Quantity
}

// ID gives the full stable spelling: chip@path.
func (f Found) ID() string { return f.Chip + "@" + f.Device }

// channel is one attribute of a device and how it becomes a reading.
type channel struct {
	quantity sensors.Quantity
	file     string  // without _input or _raw
	scale    float64 // from the kernel's unit to ours
}

var hwmonChannels = []channel{{sensors.Temperature, "temp1", 1e-3}, {sensors.Humidity, "humidity1", 1e-3}}
var iioChannels = []channel{{sensors.Temperature, "in_temp", 1e-3}, {sensors.Humidity, "in_humidityrelative", 1e-3}, {sensors.Pressure, "in_pressure", 10}}

// List gives all devices under a root (normally /sys) that measure something of ours, sorted by ID. A folder that is not there is empty.
func List(root string) ([]Found, error) {
	var found []Found
	for _, class := range []struct{ kind, dir string }{{"hwmon", "class/hwmon"}, {"iio", "bus/iio/devices"}} {
		entries, err := os.ReadDir(filepath.Join(root, class.dir))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("sysfs: %w", err)
		}
		for _, e := range entries {
			if f, ok := look(root, class.kind, filepath.Join(root, class.dir, e.Name())); ok {
				found = append(found, f)
			}
		}
	}
	slices.SortFunc(found, func(a, b Found) int { return strings.Compare(a.ID()+a.Kind, b.ID()+b.Kind) })
	return found, nil
}

// look reads what a device is; ok is false for one that measures nothing of ours, or that went away meanwhile.
func look(root, kind, link string) (Found, bool) {
	dir, err := filepath.EvalSymlinks(link)
	if err != nil {
		return Found{}, false
	}
	name, err := readFile(filepath.Join(dir, "name"))
	if err != nil {
		return Found{}, false
	}
	f := Found{Chip: name, Kind: kind, Dir: dir, Device: stable(root, dir)}
	for _, c := range channels(kind) {
		if exists(filepath.Join(dir, c.file+"_input")) || exists(filepath.Join(dir, c.file+"_raw")) {
			f.Quantities = append(f.Quantities, c.quantity)
		}
	}
	return f, len(f.Quantities) > 0
}

func channels(kind string) []channel {
	if kind == "iio" {
		return iioChannels
	}
	return hwmonChannels
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// stable cuts the parts of a device's path that the kernel numbers in the order of finding: "hwmon", "hwmon3", "iio:device0".
func stable(root, dir string) string {
	real, err := filepath.EvalSymlinks(root)
	if err != nil {
		real = root
	}
	rel, err := filepath.Rel(filepath.Join(real, "devices"), dir)
	if err != nil {
		rel = dir
	}
	parts := strings.Split(filepath.ToSlash(rel), "/")
	kept := slices.DeleteFunc(parts, numbered)
	return strings.Join(kept, "/")
}

// numbered tells whether a part of a path, or a probe's name in a config, is one of the kernel's running numbers.
func numbered(part string) bool {
	for _, prefix := range []string{"hwmon", "iio:device"} {
		if rest, ok := strings.CutPrefix(part, prefix); ok {
			if _, err := strconv.ParseUint("0"+rest, 10, 32); err == nil {
				return true
			}
		}
	}
	return false
}

// CheckID tells whether a spelling can be a device: chip@path, the path whole or its last parts. A kernel number is refused; where the
// device is there, the error offers its stable spelling.
func CheckID(root, id string) error {
	if numbered(filepath.Base(id)) {
		hint := "use chip@path, as the list of probes gives it"
		if found, err := List(root); err == nil {
			for _, f := range found {
				if filepath.Base(f.Dir) == filepath.Base(id) {
					hint = fmt.Sprintf("at present it is %q", f.ID())
				}
			}
		}
		return fmt.Errorf("sysfs: %q is a number that changes from boot to boot: %s", id, hint)
	}
	chip, path, ok := strings.Cut(id, "@")
	if !ok || chip == "" || path == "" {
		return fmt.Errorf("sysfs: device %q: want chip@path, such as lm75@1-0048", id)
	}
	return nil
}

// find gives the one device that an ID means.
func find(root, id string) (Found, error) {
	chip, path, _ := strings.Cut(id, "@")
	all, err := List(root)
	if err != nil {
		return Found{}, err
	}
	var hits []Found
	for _, f := range all {
		if f.Chip == chip && (f.Device == path || strings.HasSuffix(f.Device, "/"+path)) {
			hits = append(hits, f)
		}
	}
	switch len(hits) {
	case 0:
		return Found{}, fmt.Errorf("sysfs: %w: the kernel drives no %s", sensors.ErrAbsent, id)
	case 1:
		return hits[0], nil
	}
	// One chip may have both faces; the same numbers come out of either.
	if len(hits) == 2 && hits[0].Device == hits[1].Device && hits[0].Kind != hits[1].Kind {
		return hits[0], nil
	}
	var ids []string
	for _, h := range hits {
		ids = append(ids, h.ID())
	}
	return Found{}, fmt.Errorf("sysfs: %q means %d devices: %s", id, len(hits), strings.Join(ids, ", "))
}

// Probe is one such device.
type Probe struct {
	root, id string

	mu     sync.Mutex
	found  Found
	closed bool
}

var _ sensors.Probe = (*Probe)(nil)

// Open gives a probe by its stable spelling. The device need not be there yet.
func Open(root, id string) (*Probe, error) {
	if err := CheckID(root, id); err != nil {
		return nil, err
	}
	return &Probe{root: root, id: id}, nil
}

// Read reads every quantity of the device. If one of them cannot be believed none is given.
func (p *Probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("sysfs: %w", err)
	}
	if p.closed {
		return nil, fmt.Errorf("sysfs: closed: %w", sensors.ErrAbsent)
	}
	if !p.still() {
		found, err := find(p.root, p.id)
		if err != nil {
			return nil, err
		}
		p.found = found
	}
	var out []sensors.Reading
	for _, c := range channels(p.found.Kind) {
		if !slices.Contains(p.found.Quantities, c.quantity) {
			continue
		}
		r, err := p.channel(c)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// still tells whether the folder found last is still that of the same chip on the same device.
func (p *Probe) still() bool {
	if p.found.Dir == "" {
		return false
	}
	name, err := readFile(filepath.Join(p.found.Dir, "name"))
	return err == nil && name == p.found.Chip
}

// ranges are what these quantities can be in any shed; the chip's own range is not known here.
var ranges = map[sensors.Quantity][2]float64{sensors.Temperature: {-60, 150}, sensors.Humidity: {0, 100}, sensors.Pressure: {300, 1200}}

// channel reads one attribute.
func (p *Probe) channel(c channel) (sensors.Reading, error) {
	dir := p.found.Dir
	if text, err := readFile(filepath.Join(dir, c.file+"_fault")); err == nil && text == "1" {
		return sensors.Reading{}, p.bad(sensors.OutOfRange, fmt.Errorf("%s_fault is set: the chip finds its sensor open or shorted", c.file))
	}
	v, err := number(filepath.Join(dir, c.file+"_input"))
	if errors.Is(err, fs.ErrNotExist) {
		v, err = scaled(dir, c.file)
	}
	if err != nil {
		return sensors.Reading{}, p.failed(err)
	}
	v *= c.scale
	if r := ranges[c.quantity]; v < r[0] || v > r[1] {
		return sensors.Reading{}, p.bad(sensors.OutOfRange, fmt.Errorf("%s is %v", c.quantity, v))
	}
	r := sensors.Reading{Quantity: c.quantity, Value: v}
	if text, err := readFile(filepath.Join(dir, "heater_enable")); err == nil && text == "1" {
		r.Status = sensors.HeaterOn
	}
	return r, nil
}

// scaled gives (raw + offset) * scale, the way of iio for a driver that leaves the sum to us.
func scaled(dir, file string) (float64, error) {
	raw, err := number(filepath.Join(dir, file+"_raw"))
	if err != nil {
		return 0, err
	}
	scale, err := number(filepath.Join(dir, file+"_scale"))
	if err != nil {
		return 0, err
	}
	offset, err := number(filepath.Join(dir, file+"_offset"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return 0, err
	}
	return (raw + offset) * scale, nil
}

func (p *Probe) bad(s sensors.Status, err error) error {
	return &sensors.BadSample{Status: s, Err: fmt.Errorf("sysfs: %s: %w", p.id, err)}
}

// failed gives the error of a read that failed: absent where the chip does not answer or its driver has gone.
func (p *Probe) failed(err error) error {
	p.found = Found{}
	for _, gone := range []error{fs.ErrNotExist, syscall.ENODEV, syscall.ENXIO, syscall.EIO, syscall.EREMOTEIO, syscall.ETIMEDOUT} {
		if errors.Is(err, gone) {
			return fmt.Errorf("sysfs: %w: %s: %w", sensors.ErrAbsent, p.id, err)
		}
	}
	return fmt.Errorf("sysfs: %s: %w", p.id, err)
}

// Close ends the probe.
func (p *Probe) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed = true
	return nil
}

// number reads a file that holds one number.
func number(path string) (float64, error) {
	text, err := readFile(path)
	if err != nil {
		return 0, err
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return 0, fmt.Errorf("%s: %q is not a number", filepath.Base(path), text)
	}
	return v, nil
}

// readFile reads a small file, once more where the bus failed: humidity sensors on one wire miss one measurement in a few, and that is no error.
func readFile(path string) (string, error) {
	return twice(func() (string, error) { return readPlain(path) })
}

func twice(read func() (string, error)) (string, error) {
	text, err := read()
	if errors.Is(err, syscall.EIO) || errors.Is(err, syscall.ETIMEDOUT) {
		return read()
	}
	return text, err
}

// readPlain reads a small file by one plain read. os.ReadFile would hand the file to the poller, and a driver that answers EAGAIN would
// then block for ever.
func readPlain(path string) (string, error) {
	fd, err := syscall.Open(path, syscall.O_RDONLY|syscall.O_CLOEXEC, 0)
	if err != nil {
		return "", &fs.PathError{Op: "open", Path: path, Err: err}
	}
	defer syscall.Close(fd)
	buf := make([]byte, 1024)
	n, err := syscall.Read(fd, buf)
	if err != nil {
		return "", &fs.PathError{Op: "read", Path: path, Err: err}
	}
	return strings.TrimSpace(string(buf[:n])), nil
}
