// Package units has typed numbers for the quantities of the advisor, and their conversions, and nothing else. All are SI or the unit in
// the type's comment; a temperature and a difference of temperatures are different types, so that a margin of 3 K is never shown as 37.4 F.
package units

import (
	"fmt"
	"math"
	"strconv"
	"time"
)

// Celsius is a temperature in degrees Celsius. Absolute zero is -273.15.
type Celsius float64

// Kelvin is a thermodynamic temperature in kelvin, 0 and up.
type Kelvin float64

// Diff is a difference of temperatures in kelvin: a margin, an uncertainty, a rise.
type Diff float64

// Pascal is a pressure in pascal.
type Pascal float64

// Percent is a share in per cent: relative humidity over water, or moisture content of timber in per cent of oven-dry mass.
type Percent float64

// Metre is a length in metres.
type Metre float64

// Gram is a mass in grams.
type Gram float64

// Second is a length of time in seconds.
type Second float64

// ZeroCelsius is 0 C in kelvin. Source: the definition of the Celsius temperature, BIPM SI Brochure, 9th ed. (2019), 2.3.1.
const ZeroCelsius = 273.15

// GasConstant is the molar gas constant in J/(mol K). Source: CODATA 2018, exact, to the digits shown.
const GasConstant = 8.314462618

// Kelvin gives the same temperature on the thermodynamic scale.
func (c Celsius) Kelvin() Kelvin { return Kelvin(float64(c) + ZeroCelsius) }

// Celsius gives the same temperature in degrees Celsius.
func (k Kelvin) Celsius() Celsius { return Celsius(float64(k) - ZeroCelsius) }

// Sub gives the difference c - d.
func (c Celsius) Sub(d Celsius) Diff { return Diff(c - d) }

// Add gives the temperature d above c.
func (c Celsius) Add(d Diff) Celsius { return c + Celsius(d) }

// Fahrenheit gives the temperature in degrees Fahrenheit, F = 1.8 C + 32.
func (c Celsius) Fahrenheit() float64 { return float64(c)*1.8 + 32 }

// CelsiusFromFahrenheit is the inverse of Celsius.Fahrenheit.
func CelsiusFromFahrenheit(f float64) Celsius { return Celsius((f - 32) / 1.8) }

// Fahrenheit gives the difference in Fahrenheit degrees, 1.8 to the kelvin, without the 32 of the scale.
func (d Diff) Fahrenheit() float64 { return float64(d) * 1.8 }

// Hectopascal gives the pressure in hPa.
func (p Pascal) Hectopascal() float64 { return float64(p) / 100 }

// FromHectopascal gives the pressure in Pa.
func FromHectopascal(h float64) Pascal { return Pascal(h * 100) }

// Instant is a moment in Unix seconds, UTC. The zero value means unknown or not reached and is null in JSON: nothing here happens in 1970.
type Instant float64

// InstantOf gives the instant of t, to the microsecond.
func InstantOf(t time.Time) Instant {
	if t.IsZero() {
		return 0
	}
	return Instant(float64(t.UnixMicro()) / 1e6)
}

// Known tells whether the instant is one.
func (i Instant) Known() bool { return i != 0 }

// Time gives the instant as a UTC time, rounded to the millisecond; the zero Instant gives the zero time.
func (i Instant) Time() time.Time {
	if i == 0 {
		return time.Time{}
	}
	return time.UnixMilli(int64(math.Round(float64(i) * 1000))).UTC()
}

// Add gives the instant s later.
func (i Instant) Add(s Second) Instant { return i + Instant(s) }

// Sub gives the seconds from j to i.
func (i Instant) Sub(j Instant) Second { return Second(i - j) }

// MarshalJSON writes RFC 3339 in UTC with milliseconds, or null where unknown.
func (i Instant) MarshalJSON() ([]byte, error) {
	if i == 0 {
		return []byte("null"), nil
	}
	return []byte(strconv.Quote(i.Time().Format("2006-01-02T15:04:05.000Z"))), nil
}

// UnmarshalJSON reads what MarshalJSON writes, and any RFC 3339 time.
func (i *Instant) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*i = 0
		return nil
	}
	s, err := strconv.Unquote(string(b))
	if err != nil {
		return fmt.Errorf("units: instant %s: want an RFC 3339 time in quotes, or null", b)
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		return fmt.Errorf("units: instant %q: want an RFC 3339 time such as 2026-01-14T14:06:00Z", s)
	}
	*i = InstantOf(t)
	return nil
}
