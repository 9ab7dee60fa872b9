package dashboard

import (
	"net/http"
	"slices"
	"time"

	"tackline/advisor/air"
	"tackline/advisor/units/quantity"
	"tackline/sensors"
)

// Calibration says beside what a probe hangs: one of Ice, Salt and Reference. Whoever takes it judges by the log whether it has settled.
type Calibration struct {
	Key, Who, Probe string
	Ice             bool
	Salt            string
	Reference       *float64  // in the unit of Quantity
	Quantity        string    // of the reference: temp_c, rh_pct, pressure_hpa, moisture_pct
	U               float64   // standard uncertainty of the reference, in its unit; 0 is what is usual
	Since           time.Time // from when on the correction holds; zero is now
}

type calibrationBody struct {
	Key       string   `json:"key,omitempty"`
	Who       string   `json:"who,omitempty"`
	Probe     string   `json:"probe"`
	Method    string   `json:"method"` // ice, salt or reference
	Salt      string   `json:"salt,omitempty"`
	Quantity  string   `json:"quantity,omitempty"` // of the reference: temp_c, rh_pct, pressure_hpa, moisture_pct
	Reference *float64 `json:"reference"`          // what it shows, in the unit of the quantity
	U         *float64 `json:"u"`                  // its standard uncertainty, in the unit of the quantity; null is what is usual
	At        *string  `json:"at,omitempty"`       // a past time from which on the correction holds; none is now
}

// calibratePage is where a comparison of one probe is entered.
type calibratePage struct {
	base
	Probe  string
	Values []probeValue
	Ways   []choice
	Way    string
	Hot    bool // it measures temperature
	Damp   bool // it measures humidity
	Kinds  []calibrateKind
	Salts  []string
	Key    string
}

type calibrateKind struct{ Quantity, Label, Unit, Spread string }

func (h *Handler) getCalibrate(w http.ResponseWriter, r *http.Request) {
	v, stale, b, ok := h.bench(w, r)
	if !ok {
		return
	}
	name := r.URL.Query().Get("probe")
	i := slices.IndexFunc(b.Probes, func(p BenchProbe) bool { return p.Name == name })
	if i < 0 {
		h.fail(w, r, http.StatusNotFound, "/probes", h.tx.get("calibrate_unknown"), h.tx.get("calibrate_unknown_why"), "/probes", false)
		return
	}
	p := calibratePage{base: h.base(v, stale, h.tx.get("title_calibrate"), "/probes"), Probe: name, Way: r.URL.Query().Get("way"), Key: h.o.Key()}
	p.Refresh = false
	p.Values = h.benchRow(v, b.Probes[i], 0).Values
	for _, l := range b.Probes[i].Last {
		label, unit, _ := quantityLabel(l.Quantity)
		k := calibrateKind{Quantity: l.Quantity.String(), Label: h.tx.get(label), Unit: unit, Spread: unit}
		if unit == "C" {
			k.Spread = "K"
		}
		p.Kinds = append(p.Kinds, k)
		p.Hot, p.Damp = p.Hot || l.Quantity == sensors.Temperature, p.Damp || l.Quantity == sensors.Humidity
	}
	for _, s := range air.Salts() {
		p.Salts = append(p.Salts, string(s))
	}
	for _, way := range []string{"reference", "ice", "salt"} {
		if way == "ice" && !p.Hot || way == "salt" && !p.Damp {
			continue
		}
		p.Ways = append(p.Ways, choice{Value: way, Text: h.tx.get("calibrate_by_" + way), About: h.tx.get("calibrate_about_" + way), On: way == p.Way})
	}
	if !slices.ContainsFunc(p.Ways, func(c choice) bool { return c.On }) {
		p.Way = ""
	}
	h.render(w, r, http.StatusOK, "calibrate", p)
}

// calibrate keeps a comparison that was entered.
func (h *Handler) calibrate(r *http.Request) (Receipt, error) {
	f, v, err := h.begin(r, "probe", "method", "salt", "quantity", "reference", "in.reference", "u", "in.u", "decimal", "at", "who", "back")
	if err != nil {
		return Receipt{}, err
	}
	if h.o.Bench == nil {
		return Receipt{}, errReadOnly
	}
	c := Calibration{Key: f["key"], Who: f["who"], Probe: f["probe"], Ice: f["method"] == "ice", Quantity: f["quantity"]}
	q, ok := quantity.Of(c.Quantity)
	switch {
	case f["method"] == "salt":
		c.Salt = f["salt"]
	case f["method"] == "reference" && !ok:
		return Receipt{}, &Refusal{Field: "quantity", Sentence: h.tx.get("calibrate_quantity")}
	case f["method"] == "reference":
		if c.Reference, err = f.amount("reference", q, -1200, 1200, h.tx.get("calibrate_reference")); err == nil && c.Reference == nil {
			err = &Refusal{Field: "reference", Sentence: h.tx.get("calibrate_reference")}
		}
		if err != nil {
			return Receipt{}, err
		}
		spread := q
		if q.Base == "C" {
			spread = quantity.Difference()
		}
		u, err := f.amount("u", spread, 0, 100, h.tx.get("calibrate_u"))
		if err != nil {
			return Receipt{}, err
		}
		if u != nil {
			c.U = *u
		}
	}
	if c.Since, err = f.at(h.tx, v); err != nil {
		return Receipt{}, err
	}
	receipt, err := h.o.Bench.Calibrate(r.Context(), c)
	for i := range receipt.Notes {
		receipt.Notes[i] = VisitorOf(r).Shows.Say(receipt.Notes[i])
	}
	return receipt, err
}
