package jobbook

import (
	"encoding/json"
	"strings"

	"tackline/advisor/air"
	"tackline/advisor/units"
	"tackline/sensors"
)

// MeterReading is a reading of a moisture meter on the timber of a piece.
type MeterReading struct {
	Piece       int64   `json:"piece"`
	MoisturePct float64 `json:"moisture_pct"` // of oven-dry mass, above 0 and up to 100
	DepthMM     float64 `json:"depth_mm,omitempty"`
	Instrument  string  `json:"instrument,omitempty"`
	When        int64   `json:"when_ms,omitempty"` // 0 is now
}

// Kind is "meter-reading".
func (MeterReading) Kind() string { return "meter-reading" }

func (p MeterReading) check(c *checker) {
	piece := &Piece{}
	if c.exists("piece", classPiece, p.Piece, piece) {
		c.notBeforeJob("when_ms", p.When, piece.Job)
	}
	c.positive("moisture_pct", p.MoisturePct, 100, "%")
	c.number("depth_mm", p.DepthMM, 0, 500, "mm")
	c.optionalName("instrument", p.Instrument)
	c.when("when_ms", p.When)
}

func (p MeterReading) apply(a *applier) error {
	return a.l.set(classMoisture, &Moisture{Head: a.newHead(), Piece: p.Piece, MoisturePct: p.MoisturePct, DepthMM: p.DepthMM,
		Instrument: p.Instrument, When: a.when(p.When)})
}

// HandReading is a reading of a hand-held instrument. Moisture of timber is a MeterReading. The two bulbs of a hygrometer that is whirled are a
// temp_c with its WetC: what was seen is kept, and the humidity is worked out from it.
type HandReading struct {
	Quantity    string   `json:"quantity"`               // temp_c, rh_pct, pressure_hpa
	Value       float64  `json:"value"`                  // in the unit of the quantity; the dry bulb
	WetC        *float64 `json:"wet_c,omitempty"`        // the wet bulb, where there is one, in C
	PressureHPa *float64 `json:"pressure_hpa,omitempty"` // beside the bulbs; without it 1013.25, which is good to 0.5 % RH below 500 m
	Place       string   `json:"place"`                  // air, surface, timber, resin, outdoors
	Piece       int64    `json:"piece,omitempty"`        // of a surface or timber
	Instrument  string   `json:"instrument,omitempty"`
	When        int64    `json:"when_ms,omitempty"` // 0 is now
}

// Kind is "hand-reading".
func (HandReading) Kind() string { return "hand-reading" }

func (p HandReading) check(c *checker) {
	switch p.Quantity {
	case sensors.Temperature.String():
		c.number("value", p.Value, -60, 150, "C")
	case sensors.Humidity.String():
		c.number("value", p.Value, 0, 100, "%")
	case sensors.Pressure.String():
		c.number("value", p.Value, 500, 1100, "hPa")
	default:
		c.fail("quantity", "%q is not one of %s, %s, %s", p.Quantity, sensors.Temperature, sensors.Humidity, sensors.Pressure)
	}
	places := make([]string, 0, 5)
	for _, pl := range sensors.Places() {
		places = append(places, string(pl))
	}
	c.oneOf("place", p.Place, places...)
	p.checkBulbs(c)
	if p.Place == string(sensors.Surface) || p.Place == string(sensors.Timber) {
		c.exists("piece", classPiece, p.Piece, nil)
	} else {
		c.optional("piece", classPiece, p.Piece, nil)
	}
	c.optionalName("instrument", p.Instrument)
	c.when("when_ms", p.When)
}

// checkBulbs holds a wet bulb to its dry one.
func (p HandReading) checkBulbs(c *checker) {
	if p.PressureHPa != nil {
		c.number("pressure_hpa", *p.PressureHPa, 500, 1100, "hPa")
	}
	if p.WetC == nil {
		return
	}
	if p.Quantity != sensors.Temperature.String() || p.Place == string(sensors.Surface) || p.Place == string(sensors.Timber) {
		c.fail("wet_c", "goes with the temp_c of air: the two bulbs of one hygrometer")
		return
	}
	if _, err := bulbs(p.Value, *p.WetC, p.PressureHPa); err != nil {
		c.fail("wet_c", "%s", strings.TrimPrefix(err.Error(), "air: "))
	}
}

func (p HandReading) apply(a *applier) error {
	return a.l.set(classHand, &HandValue{Head: a.newHead(), Quantity: p.Quantity, Value: p.Value, WetC: p.WetC, PressureHPa: p.PressureHPa, Place: p.Place,
		Piece: p.Piece, Instrument: p.Instrument, When: a.when(p.When)})
}

// bulbs gives the humidity in % of a ventilated hygrometer's two bulbs.
func bulbs(dryC, wetC float64, pressureHPa *float64) (float64, error) {
	p := air.StandardAtmosphere
	if pressureHPa != nil {
		p = units.Pascal(*pressureHPa * 100)
	}
	rh, err := air.HumidityFromWetBulb(units.Celsius(dryC), units.Celsius(wetC), p)
	return float64(rh), err
}

// Of gives what a hand reading says of a quantity, in its unit; false where it says nothing. A temperature with a wet bulb says a humidity too.
func (h *HandValue) Of(q sensors.Quantity) (float64, bool) {
	if h.Quantity == q.String() {
		return h.Value, true
	}
	if q == sensors.Humidity && h.WetC != nil {
		if rh, err := bulbs(h.Value, *h.WetC, h.PressureHPa); err == nil {
			return rh, true
		}
	}
	return 0, false
}

// PlaceProbe says that a probe was taped to a piece (or put into its timber), or with Piece 0 taken off. A later placement of the same probe
// ends the one before: "moved to".
type PlaceProbe struct {
	Probe string `json:"probe"`
	Piece int64  `json:"piece"`             // 0: taken off
	Place string `json:"place,omitempty"`   // surface ("" too) or timber
	From  int64  `json:"from_ms,omitempty"` // 0 is now
	To    int64  `json:"to_ms,omitempty"`   // 0: until it is moved
}

// Kind is "place-probe".
func (PlaceProbe) Kind() string { return "place-probe" }

func (p PlaceProbe) check(c *checker) {
	c.name("probe", p.Probe)
	c.optional("piece", classPiece, p.Piece, nil)
	c.oneOf("place", p.Place, "", string(sensors.Surface), string(sensors.Timber))
	c.when("from_ms", p.From)
	c.when("to_ms", p.To)
	c.span("to_ms", p.From, p.To)
}

func (p PlaceProbe) apply(a *applier) error {
	place := p.Place
	if place == "" {
		place = string(sensors.Surface)
	}
	return a.l.set(classPlacement, &Placement{Head: a.newHead(), Probe: p.Probe, Piece: p.Piece, Place: place, From: a.when(p.From), To: a.fixed(p.To)})
}

// CalibrationData is the comparison of a probe with something known, and what is done about it: true = gain x shown + offset.
type CalibrationData struct {
	Probe    string   `json:"probe"`
	Quantity string   `json:"quantity"`   // temp_c, rh_pct, pressure_hpa, moisture_pct
	Method   string   `json:"method"`     // "ice water", "saturated salt", "beside a reference" ...
	True     float64  `json:"true_value"` // what it should have shown
	Before   float64  `json:"before"`     // what it showed, with the correction that was in force
	After    float64  `json:"after"`      // what it shows with the new one
	Offset   float64  `json:"offset"`     // in the unit of the quantity
	Gain     *float64 `json:"gain"`       // null is 1
	U        float64  `json:"u"`          // standard uncertainty after it, in the unit of the quantity
	Due      int64    `json:"due_ms"`     // when it should be done again; 0 not set
	Note     string   `json:"note,omitempty"`
}

// Calibrate records a calibration.
type Calibrate struct {
	CalibrationData
	When int64 `json:"when_ms,omitempty"` // 0 is now
}

// Kind is "calibrate".
func (Calibrate) Kind() string { return "calibrate" }

func (p Calibrate) check(c *checker) {
	c.name("probe", p.Probe)
	c.name("method", p.Method)
	if _, err := sensors.ParseQuantity(p.Quantity); err != nil {
		c.fail("quantity", "%q is not one of temp_c, rh_pct, pressure_hpa, moisture_pct", p.Quantity)
	}
	for _, f := range []struct {
		name  string
		value float64
	}{{"true_value", p.True}, {"before", p.Before}, {"after", p.After}, {"offset", p.Offset}} {
		c.number(f.name, f.value, -1200, 1200, p.Quantity)
	}
	c.number("u", p.U, 0, 100, p.Quantity)
	if p.Gain != nil {
		c.number("gain", *p.Gain, 0.1, 10, "")
	}
	c.date("due_ms", p.Due)
	c.text("note", p.Note)
	c.when("when_ms", p.When)
}

func (p Calibrate) apply(a *applier) error {
	return a.l.set(classCalibration, &Calibration{Head: a.newHead(), CalibrationData: p.CalibrationData, When: a.when(p.When)})
}

// SetLimit changes a limit of the shed. Saw is the id of the Limit that its maker looked at, 0 where none was set before.
type SetLimit struct {
	Name   string  `json:"name"` // as in the config: margin_k ...
	Value  float64 `json:"value"`
	Unit   string  `json:"unit"`
	Source string  `json:"source"` // who or what says so
	Saw    int64   `json:"saw_id"`
}

// Kind is "set-limit".
func (SetLimit) Kind() string { return "set-limit" }

func (p SetLimit) check(c *checker) {
	c.name("name", p.Name)
	c.number("value", p.Value, -1e6, 1e6, p.Unit)
	c.optionalName("unit", p.Unit)
	c.name("source", p.Source)
	if c.l == nil {
		return
	}
	latest, err := latestLimit(c.l, p.Name)
	if err != nil {
		c.err = err
		return
	}
	if latest.ID != p.Saw {
		conflict := &Conflict{Class: classLimit, ID: latest.ID, Saw: p.Saw, Now: latest.ID}
		if latest.ID != 0 {
			value, err := json.Marshal(latest.Value)
			if err != nil {
				c.err = err
				return
			}
			conflict.Changes = []Change{{Seq: latest.ID, Rev: latest.Rev, Who: latest.Who, At: Stamp{Wall: latest.Entered}, Kind: p.Kind(), Made: true,
				Fields: []FieldChange{{Field: p.Name, Before: json.RawMessage("null"), After: value}}}}
		}
		c.err = conflict
	}
}

// latestLimit gives the limit of a name that is in force; ID 0 where there is none.
func latestLimit(l *ledger, name string) (Limit, error) {
	all, err := l.all()
	if err != nil {
		return Limit{}, err
	}
	var best Limit
	for r := range all {
		if r.class != classLimit || r.id < best.ID {
			continue
		}
		var one Limit
		if _, err := l.get(r, &one); err != nil {
			return Limit{}, err
		}
		if one.Name == name && one.Withdrawn == 0 {
			best = one
		}
	}
	return best, nil
}

func (p SetLimit) apply(a *applier) error {
	return a.l.set(classLimit, &Limit{Head: a.newHead(), Name: p.Name, Value: p.Value, Unit: p.Unit, Source: p.Source, When: a.when(0)})
}

// Acknowledge says that an alert was seen: it is not repeated until it clears, or until a time.
type Acknowledge struct {
	AlertKey string `json:"alert_key"`
	Until    int64  `json:"until_ms,omitempty"` // 0: until it clears
}

// Kind is "acknowledge".
func (Acknowledge) Kind() string { return "acknowledge" }

func (p Acknowledge) check(c *checker) {
	c.name("alert_key", p.AlertKey)
	c.date("until_ms", p.Until)
}

func (p Acknowledge) apply(a *applier) error {
	return a.l.set(classAck, &Ack{Head: a.newHead(), AlertKey: p.AlertKey, Until: p.Until, When: a.when(0)})
}

// Snooze says that an alert should be silent until a time, whatever it does meanwhile.
type Snooze struct {
	AlertKey string `json:"alert_key"`
	Until    int64  `json:"until_ms"`
}

// Kind is "snooze".
func (Snooze) Kind() string { return "snooze" }

func (p Snooze) check(c *checker) {
	c.name("alert_key", p.AlertKey)
	c.date("until_ms", p.Until)
	if p.Until == 0 {
		c.fail("until_ms", "is missing: say until when")
	} else {
		c.span("until_ms", 0, p.Until)
	}
}

func (p Snooze) apply(a *applier) error {
	return a.l.set(classAck, &Ack{Head: a.newHead(), AlertKey: p.AlertKey, Until: p.Until, Snooze: true, When: a.when(0)})
}
