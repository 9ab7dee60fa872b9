// Package sensors has the words that every probe speaks: a Reading, its Quantity and its Status, and the two-method Probe that a driver
// implements. It imports nothing but the standard library, so that anyone may name a Reading without pulling in a bus.
//
// Drivers stand in folders of their own below this one. A driver tells only what the chip said: it does not smooth, fill, clamp or derive.
package sensors

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// Quantity is a measured quantity. Its name carries the unit in which every Reading of it is given.
type Quantity uint8

// The quantities. The numbers are stored in readings.db: never renumber, only append.
const (
	Temperature Quantity = 1 // degrees Celsius
	Humidity    Quantity = 2 // per cent relative humidity over water (WMO No. 8), also below 0 C
	Pressure    Quantity = 3 // hectopascal, at the height of the shed (not reduced to sea level)
	Moisture    Quantity = 4 // per cent of oven-dry mass, moisture content of timber
)

// Quantities lists all of them in the order of their numbers.
func Quantities() []Quantity { return []Quantity{Temperature, Humidity, Pressure, Moisture} }

var quantityNames = [...]string{Temperature: "temp_c", Humidity: "rh_pct", Pressure: "pressure_hpa", Moisture: "moisture_pct"}

// String gives the name with its unit, as it stands in files, metrics and the API: temp_c, rh_pct, pressure_hpa, moisture_pct.
func (q Quantity) String() string {
	if int(q) < len(quantityNames) && quantityNames[q] != "" {
		return quantityNames[q]
	}
	return fmt.Sprintf("quantity_%d", uint8(q))
}

// ParseQuantity is the inverse of String. The error names what would be right.
func ParseQuantity(s string) (Quantity, error) {
	for _, q := range Quantities() {
		if q.String() == s {
			return q, nil
		}
	}
	return 0, fmt.Errorf("sensors: unknown quantity %q: want temp_c, rh_pct, pressure_hpa or moisture_pct", s)
}

// Status says whether a reading may be used, and if not, why. Only readings whose Usable is true ever reach advice, minima or maxima;
// the others are kept and shown with their reason.
type Status uint8

// The statuses. The numbers are stored in readings.db: never renumber, only append.
const (
	OK           Status = 0  // nothing is known against it
	PowerOnValue Status = 1  // the chip's value at power-up: no conversion took place (85.000 C of a 1-Wire thermometer)
	BadCRC       Status = 2  // the checksum of the frame does not fit
	AllZero      Status = 3  // the frame is all zeros, whose checksum fits by accident
	OutOfRange   Status = 4  // beyond what the chip can measure or the quantity can be
	TooFast      Status = 5  // changed faster than the place allows, not confirmed by the readings after it
	Spike        Status = 6  // out and back again within a few readings
	Flat         Status = 7  // bit-identical for hours: a notice; the reading is used
	Saturated    Status = 8  // humidity at a rail (99.9 % and above, 0.1 % and below): the sensor may be wet
	WarmUp       Status = 9  // first conversion after a reset, or too soon after one
	HeaterOn     Status = 10 // the chip's own heater is on or has not cooled
	Future       Status = 11 // stamped more than five minutes ahead of a clock that is set
	Late         Status = 12 // arrived after newer ones: stored at its own time, used for history, never the newest
	UnknownAge   Status = 13 // a retained message without a time of its own: last known, age unknown
	ByHand       Status = 14 // entered by a person: used while it is fresh
	Rejected     Status = 15 // set aside by a person
)

var statusNames = [...]string{"ok", "power_on_value", "bad_crc", "all_zero", "out_of_range", "too_fast", "spike", "flat", "saturated",
	"warm_up", "heater_on", "future", "late", "unknown_age", "by_hand", "rejected"}

// Statuses lists all of them in the order of their numbers.
func Statuses() []Status {
	all := make([]Status, len(statusNames))
	for i := range all {
		all[i] = Status(i)
	}
	return all
}

// String gives the name as it stands in files, pages and the API.
func (s Status) String() string {
	if int(s) < len(statusNames) {
		return statusNames[s]
	}
	return fmt.Sprintf("status_%d", uint8(s))
}

// Usable tells whether a reading of this status may be used as if it were good.
func (s Status) Usable() bool { return s == OK || s == Flat || s == Late || s == ByHand }

// Reading is one value of one quantity, as the chip gave it.
type Reading struct {
	Quantity Quantity
	Value    float64   // in the unit of the quantity; finite
	At       time.Time // zero, except where the source has a time of its own (replay, wireless nodes, hand)
	// Age is how long before this Read it was taken, for a source that keeps readings and has no clock; 0 is now. Not used where At is set.
	Age    time.Duration
	Status Status // what the driver itself knows against it; the poller may add its own
}

// Probe is one sensor, of one or more quantities.
//
// Read makes one measurement and returns all its readings, or an error and no readings. It should return when ctx ends; a caller must not
// rely on it (a bus may hang in the kernel). Errors wrap ErrAbsent where nothing answers, and are a *BadSample where something answered
// and cannot be believed. Read is never called twice at the same time.
//
// Close releases the bus or file. A second Close returns nil.
type Probe interface {
	Read(ctx context.Context) ([]Reading, error)
	Close() error
}

// ErrAbsent is wrapped by the errors of a probe that does not answer: unplugged, not yet there, or never there. Absent is not broken:
// the poller goes on asking, at growing intervals.
var ErrAbsent = errors.New("probe absent")

// ErrDone is wrapped by the errors of a probe that will never have another reading, such as a trace at its end.
var ErrDone = errors.New("no more readings")

// BadSample is the error of a probe that answered with something that cannot be believed and has no value worth keeping.
type BadSample struct {
	Status Status // why: BadCRC, AllZero, OutOfRange, WarmUp ...
	Err    error  // the detail, with the bytes where there are any
}

// Error gives the status and the detail.
func (e *BadSample) Error() string { return fmt.Sprintf("bad sample (%s): %v", e.Status, e.Err) }

// Unwrap gives the detail.
func (e *BadSample) Unwrap() error { return e.Err }

// Place is where a probe sits.
type Place string

// The places.
const (
	Air      Place = "air"      // the air of the shed, where the work is
	Surface  Place = "surface"  // taped to a piece, for a time
	Timber   Place = "timber"   // inside the timber of a piece
	Resin    Place = "resin"    // where the drums stand
	Outdoors Place = "outdoors" // outside the shed
)

// Places lists all of them.
func Places() []Place { return []Place{Air, Surface, Timber, Resin, Outdoors} }
