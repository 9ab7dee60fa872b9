package record

import (
	"encoding/json"
	"fmt"
	"io"
	"time"
)

// Schema names the form of WriteJSON. A change that would break a reader gets another number.
const Schema = "cure-record/1"

// jsonJob is the whole record. Times are RFC 3339 in the shed's zone; units are in the names; what is not known is null, never 0.
type jsonJob struct {
	Schema   string      `json:"schema"`
	Job      int64       `json:"job"`
	Name     string      `json:"name"`
	Customer string      `json:"customer,omitempty"`
	Shed     string      `json:"shed"`
	Zone     string      `json:"zone"`
	AsOf     *time.Time  `json:"as_of"` // of the newest fact in it
	Software string      `json:"software"`
	Model    string      `json:"model"`
	Notice   string      `json:"notice,omitempty"`
	Remarks  []string    `json:"remarks"`
	Pieces   []jsonPiece `json:"pieces"`
	Coats    []jsonCoat  `json:"coats"`
	Alerts   []jsonAlert `json:"alerts"` // those of a coat carry its number, those of the whole shed null
	Probes   []jsonProbe `json:"probes"`
	Limits   []jsonLimit `json:"limits"`
	Reach    string      `json:"reach"` // how far it is to be trusted
	Cautions []string    `json:"cautions"`
}

type jsonPiece struct {
	Piece        int64      `json:"piece"`
	Name         string     `json:"name"`
	Lie          string     `json:"lie"`
	ThicknessMM  *float64   `json:"thickness_mm"`
	AreaM2       *float64   `json:"area_m2"`
	MoisturePct  *float64   `json:"moisture_pct"`
	MoistureFrom string     `json:"moisture_from,omitempty"`
	MoistureAt   *time.Time `json:"moisture_at"`
	Substrate    string     `json:"substrate"`
}

type jsonCoat struct {
	Coat         int64           `json:"coat"`
	Number       int             `json:"number"`
	Piece        int64           `json:"piece"`
	PieceName    string          `json:"piece_name"`
	Kind         string          `json:"kind"`
	System       string          `json:"system"`
	SystemSource string          `json:"system_source"`
	Who          string          `json:"who"`
	Started      *time.Time      `json:"started"`
	Ended        *time.Time      `json:"ended"` // null while it runs
	Batches      []jsonBatch     `json:"batches"`
	Frozen       bool            `json:"frozen"`
	SurfaceModel bool            `json:"surface_modelled"`
	Excluded     int64           `json:"flagged_left_out"`
	State        *string         `json:"state"`
	Conversion   *float64        `json:"conversion"`
	TgC          *float64        `json:"tg_c"`
	Stalled      bool            `json:"stalled"`
	Blush        *string         `json:"blush"`
	BlushWhy     string          `json:"blush_why,omitempty"`
	NextCoat     string          `json:"next_coat,omitempty"`
	Conditions   []jsonCondition `json:"conditions"`
	Kept         []jsonKept      `json:"limits"`
	Marks        []jsonMark      `json:"marks"`
	Touches      []jsonTouch     `json:"touches"`
	Remarks      []string        `json:"remarks"`
	Readings     []jsonChannel   `json:"readings"`
}

type jsonBatch struct {
	At      *time.Time `json:"at"`
	AmountG *float64   `json:"amount_g"`
	ResinC  *float64   `json:"resin_c"`
	Vessel  string     `json:"vessel"`
	Lot     string     `json:"lot"`
}

type jsonCondition struct {
	Quantity      string   `json:"quantity"` // with its unit: air_c, margin_k
	Probe         string   `json:"probe"`    // "" where it is computed
	Min           *float64 `json:"min"`
	Mean          *float64 `json:"mean"`
	Max           *float64 `json:"max"`
	CoveragePct   float64  `json:"coverage_pct"`
	GapMin        float64  `json:"gap_min"`
	LongestGapMin float64  `json:"longest_gap_min"`
}

type jsonKept struct {
	jsonLimit
	WithinMin  float64  `json:"within_min"`
	OutsideMin float64  `json:"outside_min"`
	UnknownMin float64  `json:"unknown_min"`
	Worst      *float64 `json:"worst"` // as it was compared
}

type jsonLimit struct {
	Quantity string  `json:"quantity"`
	AtLeast  bool    `json:"at_least"` // else at most
	Value    float64 `json:"value"`
	LessU    bool    `json:"with_uncertainty"`
	Until    string  `json:"until,omitempty"`
	Source   string  `json:"source"`
}

type jsonMark struct {
	Mark   string     `json:"mark"`
	Early  *time.Time `json:"early"`
	Likely *time.Time `json:"likely"`
	Late   *time.Time `json:"late"`
	Passed bool       `json:"passed"`
}

type jsonTouch struct {
	At      *time.Time `json:"at"`
	State   string     `json:"state"`
	Witness bool       `json:"witness"`
	Who     string     `json:"who"`
}

type jsonAlert struct {
	At           *time.Time `json:"at"`
	Coat         *int64     `json:"coat"`
	Text         string     `json:"text"`
	Acknowledged *time.Time `json:"acknowledged"`
	By           string     `json:"by,omitempty"`
}

type jsonProbe struct {
	Name        string     `json:"name"`
	Place       string     `json:"place"`
	Quantities  string     `json:"quantities"`
	Calibrated  *time.Time `json:"calibrated"`
	Calibration string     `json:"calibration,omitempty"`
	Problem     string     `json:"problem,omitempty"`
}

type jsonChannel struct {
	Quantity string    `json:"quantity"`
	Probe    string    `json:"probe"`
	HoldS    int64     `json:"hold_s"`
	At       []int64   `json:"at_unix_s"`
	Value    []float64 `json:"value"`
	U        []float64 `json:"u"`
}

// WriteJSON writes the record in the form that Schema names: what WriteHTML says, and every reading. The same job gives the same bytes. The error
// names what is wrong with the job.
func WriteJSON(w io.Writer, j Job) error {
	if err := j.Check(); err != nil {
		return err
	}
	v := jobView{Job: j, zone: zoneOf(j)}
	out := jsonJob{Schema: Schema, Job: j.ID, Name: j.Name, Customer: j.Customer, Shed: j.Shed, Zone: v.ZoneName(), AsOf: v.rfc(j.AsOf), Software: j.Software,
		Model: j.Model, Notice: j.Notice, Remarks: none(j.Remarks), Reach: v.Reach(), Cautions: cautions[:],
		Pieces: []jsonPiece{}, Coats: []jsonCoat{}, Alerts: []jsonAlert{}, Probes: []jsonProbe{}, Limits: []jsonLimit{}}
	for _, p := range j.Pieces {
		out.Pieces = append(out.Pieces, jsonPiece{Piece: p.ID, Name: p.Name, Lie: string(p.Lie), ThicknessMM: known(p.ThicknessMM), AreaM2: known(p.AreaM2),
			MoisturePct: p.MoisturePct, MoistureFrom: p.MoistureFrom, MoistureAt: v.rfc(p.MoistureAt), Substrate: p.SubstrateNote})
	}
	for i := range j.Coats {
		out.Coats = append(out.Coats, v.json(i))
	}
	for _, a := range j.Alerts {
		one := jsonAlert{At: v.rfc(a.At), Text: a.Text, Acknowledged: v.rfc(a.Acknowledged), By: a.By}
		if a.Coat != 0 {
			one.Coat = &a.Coat
		}
		out.Alerts = append(out.Alerts, one)
	}
	for _, p := range j.Probes {
		out.Probes = append(out.Probes, jsonProbe{Name: p.Name, Place: p.Place, Quantities: p.Quantities, Calibrated: v.rfc(p.Calibrated), Calibration: p.Calibration, Problem: p.Problem})
	}
	for _, l := range j.Limits {
		out.Limits = append(out.Limits, limitOf(l))
	}
	b, err := json.Marshal(out)
	if err != nil {
		return fmt.Errorf("record: write json: %w", err)
	}
	if _, err := w.Write(append(b, '\n')); err != nil {
		return fmt.Errorf("record: write json: %w", err)
	}
	return nil
}

func (v jobView) json(i int) jsonCoat {
	c := v.Job.Coats[i]
	end := c.end(v.AsOf)
	out := jsonCoat{Coat: c.ID, Number: i + 1, Piece: c.Piece, PieceName: c.PieceName, Kind: string(c.Kind), System: c.System, SystemSource: c.SystemSource, Who: c.Who,
		Started: v.rfc(c.Started), Ended: v.rfc(c.Ended), Frozen: c.Frozen, SurfaceModel: c.SurfaceModel, Excluded: c.ExcludedCount, State: worded(string(c.State)),
		Conversion: c.Conversion, TgC: c.TgC, Stalled: c.Stalled, Blush: worded(c.Blush), BlushWhy: c.BlushWhy, NextCoat: c.NextCoat, Remarks: none(c.Remarks),
		Batches: []jsonBatch{}, Conditions: []jsonCondition{}, Kept: []jsonKept{}, Marks: []jsonMark{}, Touches: []jsonTouch{}, Readings: []jsonChannel{}}
	for _, b := range c.Batches {
		out.Batches = append(out.Batches, jsonBatch{At: v.rfc(b.At), AmountG: b.AmountG, ResinC: b.ResinC, Vessel: b.Vessel, Lot: b.Lot})
	}
	for _, ch := range c.Channels {
		s := Stats(ch, c.Started, end)
		one := jsonCondition{Quantity: ch.Quantity, Probe: ch.Probe, CoveragePct: s.CoveragePct, GapMin: s.GapMinutes, LongestGapMin: s.LongestGapMin}
		if s.Known {
			one.Min, one.Mean, one.Max = &s.Min, &s.Mean, &s.Max
		}
		out.Conditions = append(out.Conditions, one)
		out.Readings = append(out.Readings, jsonChannel{Quantity: ch.Quantity, Probe: ch.Probe, HoldS: ch.hold(), At: none(ch.At), Value: none(ch.V), U: none(ch.U)})
	}
	for _, k := range c.kept(v.Limits, v.AsOf) {
		one := jsonKept{jsonLimit: limitOf(k.Limit), WithinMin: k.Within, OutsideMin: k.Outside, UnknownMin: k.Unknown}
		if k.Known {
			one.Worst = &k.Worst
		}
		out.Kept = append(out.Kept, one)
	}
	for _, m := range c.Marks {
		out.Marks = append(out.Marks, jsonMark{m.Mark, v.rfc(m.Early), v.rfc(m.Likely), v.rfc(m.Late), m.Passed})
	}
	for _, t := range c.Touches {
		out.Touches = append(out.Touches, jsonTouch{v.rfc(t.At), string(t.State), t.Witness, t.Who})
	}
	return out
}

func limitOf(l Limit) jsonLimit {
	return jsonLimit{Quantity: l.Quantity, AtLeast: l.Above, Value: l.Value, LessU: l.LessU, Until: l.Until, Source: l.Source}
}

// rfc gives a time in the shed's zone; nil for the zero time.
func (v jobView) rfc(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.In(v.zone).Truncate(time.Second)
	return &t
}

func known(v float64) *float64 {
	if v == 0 {
		return nil
	}
	return &v
}

func worded(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// none makes an empty list of a missing one.
func none[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}
