package push

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"tackline/sensors"
)

// batch is the body of a POST: a list, or one reading by itself.
type batch struct {
	Node     string            `json:"node"`
	Readings []json.RawMessage `json:"readings"`
}

// item is one reading.
type item struct {
	Node     string   `json:"node"`
	At       *string  `json:"at"`
	AgeS     *float64 `json:"age_s"`
	TempC    *float64 `json:"temp_c"`
	RHPct    *float64 `json:"rh_pct"`
	Pressure *float64 `json:"pressure_hpa"`
	Moisture *float64 `json:"moisture_pct"`
}

// errBody is wrapped by the errors of a body that cannot be understood at all.
var errBody = errors.New("push: body not understood")

// items takes a body apart. An item that is not one comes as its error.
func items(body []byte) ([]item, []error, error) {
	var keys map[string]json.RawMessage
	if err := json.Unmarshal(body, &keys); err != nil {
		return nil, nil, fmt.Errorf("%w: %v: want a JSON object", errBody, err)
	}
	if _, list := keys["readings"]; !list {
		it, err := decode(body)
		return []item{it}, []error{err}, nil
	}
	var b batch
	if err := strict(body, &b); err != nil {
		return nil, nil, fmt.Errorf("%w: %v", errBody, err)
	}
	if len(b.Readings) == 0 || len(b.Readings) > MaxBatch {
		return nil, nil, fmt.Errorf("%w: %d readings: want 1 to %d", errBody, len(b.Readings), MaxBatch)
	}
	all, errs := make([]item, len(b.Readings)), make([]error, len(b.Readings))
	for i, raw := range b.Readings {
		if all[i], errs[i] = decode(raw); all[i].Node == "" {
			all[i].Node = b.Node
		}
	}
	return all, errs, nil
}

func decode(raw []byte) (item, error) {
	var it item
	err := strict(raw, &it)
	return it, err
}

// strict decodes JSON and refuses fields that nobody knows: a mistyped quantity must not vanish.
func strict(raw []byte, into any) error {
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.DisallowUnknownFields()
	if err := dec.Decode(into); err != nil {
		return err
	}
	if _, err := dec.Token(); err != io.EOF {
		return errors.New("more after the JSON object")
	}
	return nil
}

// earliest is before any node's clock was right.
var earliest = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// readings gives what an item says; the error names the field.
func (it item) readings() ([]sensors.Reading, error) {
	var when time.Time
	var age time.Duration
	switch {
	case it.At != nil && it.AgeS != nil:
		return nil, errors.New("at and age_s: want one of them")
	case it.At != nil:
		var err error
		if when, err = time.Parse(time.RFC3339, *it.At); err != nil {
			return nil, fmt.Errorf("at: %.40q is no time: want RFC 3339 with its offset, such as 2026-01-14T06:30:00Z", *it.At)
		}
		if when.Before(earliest) || when.Year() >= 2100 {
			return nil, fmt.Errorf("at: %.40q is not between 2000 and 2100: is the node's clock set? Without at a reading is of now", *it.At)
		}
		when = when.UTC()
	case it.AgeS != nil:
		if !(*it.AgeS >= 0 && *it.AgeS <= 400*86400) {
			return nil, fmt.Errorf("age_s: %g: want 0 to 34560000 s", *it.AgeS)
		}
		age = time.Duration(*it.AgeS * float64(time.Second))
	}
	var out []sensors.Reading
	for _, f := range []struct {
		v *float64
		q sensors.Quantity
	}{{it.TempC, sensors.Temperature}, {it.RHPct, sensors.Humidity}, {it.Pressure, sensors.Pressure}, {it.Moisture, sensors.Moisture}} {
		if f.v == nil {
			continue
		}
		if math.Abs(*f.v) > 1e6 {
			return nil, fmt.Errorf("%s: %g cannot be", f.q, *f.v)
		}
		out = append(out, sensors.Reading{Quantity: f.q, Value: *f.v, At: when, Age: age})
	}
	if len(out) == 0 {
		return nil, errors.New("no quantity: want temp_c, rh_pct, pressure_hpa or moisture_pct")
	}
	return out, nil
}
