package poll

import (
	"errors"
	"fmt"
	"math"

	"tackline/sensors"
)

// Calibration is what is known of a probe's errors. The zero Calibration changes nothing.
//
// Temperature first: its offset is added, and the humidity beside it is carried over to the new temperature at constant vapour pressure, since
// a thermometer that reads high sits in a warm chip, and the chip's humidity is that of air as warm as the chip. Then humidity: factor and
// offset, as fitted to jars of salt with the temperature already put right.
type Calibration struct {
	TemperatureK   float64 `json:"temperature_k"`   // added
	HumidityFactor float64 `json:"humidity_factor"` // 0 is 1
	HumidityPct    float64 `json:"humidity_pct"`    // added after the factor
	PressureHPa    float64 `json:"pressure_hpa"`    // added
	MoisturePct    float64 `json:"moisture_pct"`    // added
}

// Dated is a calibration from a time on.
type Dated struct {
	From int64 `json:"from_ms"` // Unix milliseconds
	Calibration
}

// Calibrations are those of a probe, by date; each holds until the next. Before the first nothing is changed.
type Calibrations []Dated

// Check tells whether all of them can be, and stand in the order of time.
func (c Calibrations) Check() error {
	for i, d := range c {
		if err := d.Check(); err != nil {
			return err
		}
		if i > 0 && d.From <= c[i-1].From {
			return fmt.Errorf("calibration of %d ms does not come after that of %d ms", d.From, c[i-1].From)
		}
	}
	return nil
}

// At gives what is in force at a time in Unix milliseconds.
func (c Calibrations) At(ms int64) Calibration {
	for i := len(c) - 1; i >= 0; i-- {
		if c[i].From <= ms {
			return c[i].Calibration
		}
	}
	return Calibration{}
}

// Value gives the corrected value of a record. A time stamped by a clock that was not set says nothing: there the newest calibration holds.
func (c Calibrations) Value(r *Record) float64 {
	return c.Correct(r.Quantity, r.Raw, r.Beside, r.At, r.Own || r.ClockState.Trusted())
}

// Correct gives the corrected value of a raw reading of a time in Unix milliseconds; beside is the raw temperature beside a humidity, in C, nil
// where there is none; trusted says that the time can be believed.
func (c Calibrations) Correct(q sensors.Quantity, raw float64, beside *float64, at int64, trusted bool) float64 {
	if !trusted {
		at = math.MaxInt64
	}
	if beside == nil {
		return c.At(at).apply(q, raw, 0, false)
	}
	return c.At(at).apply(q, raw, *beside, true)
}

// BesideMs is how much older a temperature may be that stands beside a humidity, in ms: nodes that report each by itself.
const BesideMs = 5 * 60 * 1000

// tempAt is a raw temperature of a time.
type tempAt struct {
	at  int64 // Unix milliseconds
	raw float64
}

// remember keeps the raw temperatures of the last minutes, for a humidity that comes after.
func (e *entry) remember(temps map[int64]float64) {
	for at, raw := range temps {
		e.temps = append(e.temps, tempAt{at, raw})
	}
	const most = 64
	if len(e.temps) > most {
		e.temps = append(e.temps[:0], e.temps[len(e.temps)-most:]...)
	}
}

// beside gives the raw temperature that belongs to a humidity: read with it, else the newest that is older by no more than BesideMs.
func (e *entry) beside(at int64, temps map[int64]float64) *float64 {
	if v, ok := temps[at]; ok {
		return &v
	}
	var best *tempAt
	for i := range e.temps {
		if t := &e.temps[i]; t.at <= at && t.at >= at-BesideMs && (best == nil || t.at > best.at) {
			best = t
		}
	}
	if best == nil {
		return nil
	}
	v := best.raw
	return &v
}

// Check tells whether the numbers can be a calibration: finite, and no more than a probe worth keeping is off.
func (c Calibration) Check() error {
	var wrong []error
	within := func(name, unit string, v, limit float64) {
		if !(math.Abs(v) <= limit) {
			wrong = append(wrong, fmt.Errorf("calibration of %s by %v %s: a probe that is off by more than %v is to be replaced", name, v, unit, limit))
		}
	}
	within("temperature", "K", c.TemperatureK, 10)
	within("humidity", "%", c.HumidityPct, 30)
	within("pressure", "hPa", c.PressureHPa, 50)
	within("moisture", "%", c.MoisturePct, 10)
	if c.HumidityFactor != 0 && !(c.HumidityFactor >= 0.5 && c.HumidityFactor <= 2) {
		wrong = append(wrong, fmt.Errorf("calibration of humidity by a factor of %v: not within 0.5..2", c.HumidityFactor))
	}
	return errors.Join(wrong...)
}

// apply corrects a raw value. temp is the raw temperature read with it, where has is true.
func (c Calibration) apply(q sensors.Quantity, raw, temp float64, has bool) float64 {
	switch q {
	case sensors.Temperature:
		return raw + c.TemperatureK
	case sensors.Pressure:
		return raw + c.PressureHPa
	case sensors.Moisture:
		return math.Max(0, raw+c.MoisturePct)
	case sensors.Humidity:
		v := raw
		if has && c.TemperatureK != 0 {
			v *= saturationRatio(temp, temp+c.TemperatureK)
		}
		if c.HumidityFactor != 0 {
			v *= c.HumidityFactor
		}
		if c.TemperatureK == 0 && c.HumidityFactor == 0 && c.HumidityPct == 0 {
			return raw
		}
		return math.Min(100, math.Max(0, v+c.HumidityPct))
	}
	return raw
}

// saturationRatio gives ew(a)/ew(b) over water for temperatures in C, by the Magnus form of WMO No. 8 (CIMO Guide), annex 4.B:
// ew = 6.112 exp(17.62 t/(243.12 + t)) hPa, -45..60 C.
func saturationRatio(a, b float64) float64 {
	return math.Exp(17.62*a/(243.12+a) - 17.62*b/(243.12+b))
}
