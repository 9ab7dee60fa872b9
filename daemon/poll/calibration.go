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
