package record

import (
	"encoding/json"
	"fmt"
	"io"
	"time"
)

// Schema names the form of WriteJSON. A change that would break a reader gets another number.
const Schema = "cure-record/1"

// JSONSample gives an empty value of the type that WriteJSON writes, from which its schema is made: dashboard/openapi.json has it under the route of
// records.
func JSONSample() any { return jsonJob{} }

// jsonJob is the whole record. Times are RFC 3339 in the shed's zone; units are in the names; what is not known is null, never 0.
type jsonJob struct {
	Schema      string           `json:"schema"`
	Job         int64            `json:"job"`
	Name        string           `json:"name"`
	Boat        string           `json:"boat,omitempty"`
	Note        string           `json:"note,omitempty"`
	Customer    string           `json:"customer,omitempty"`
	Shed        string           `json:"shed"`
	Zone        string           `json:"zone"`
	AsOf        *time.Time       `json:"as_of"` // of the newest fact in it
	Software    string           `json:"software"`
	Model       string           `json:"model"`
	Notice      string           `json:"notice,omitempty"`
	Remarks     []string         `json:"remarks"`
	Pieces      []jsonPiece      `json:"pieces"`
	Coats       []jsonCoat       `json:"coats"`
	Alerts      []jsonAlert      `json:"alerts"` // those of a coat carry its number, those of the whole shed null
	Probes      []jsonProbe      `json:"probes"`
	Limits      []jsonLimit      `json:"limits"`
	Notes       []jsonNote       `json:"notes"`
	Photos      []jsonPhoto      `json:"photos"`      // without their pictures
	Corrections []jsonCorrection `json:"corrections"` // what had been said otherwise before
	Workshop    *jsonWorkshop    `json:"workshop"`    // rule set that the conditions are held against; null for none
	Reach       string           `json:"reach"`       // how far it is to be trusted
	Cautions    []string         `json:"cautions"`
}

type jsonPiece struct {
	Piece        int64       `json:"piece"`
	Name         string      `json:"name"`
	Lie          string      `json:"lie"`
	ThicknessMM  *float64    `json:"thickness_mm"`
	AreaM2       *float64    `json:"area_m2"`
	MoisturePct  *float64    `json:"moisture_pct"`
	MoistureFrom string      `json:"moisture_from,omitempty"`
	MoistureAt   *time.Time  `json:"moisture_at"`
	Substrate    string      `json:"substrate"`
	DensityKgM3  *float64    `json:"density_kg_m3"` // at 12 % moisture content
	BackSealed   bool        `json:"back_sealed"`
	Layers       []jsonLayer `json:"layers"` // from the timber outward, the timber first
	Deeds        []jsonDeed  `json:"deeds"`
}

type jsonLayer struct {
	Stuff   string     `json:"stuff"` // timber, coat, fabric, peel ply
	Text    string     `json:"text"`
	Coat    *int64     `json:"coat"`
	At      *time.Time `json:"at"`
	Planned bool       `json:"planned"`
}

type jsonDeed struct {
	At   *time.Time `json:"at"`
	What string     `json:"what"`
	Who  string     `json:"who"`
	Note string     `json:"note,omitempty"`
}

type jsonNote struct {
	At    *time.Time `json:"at"`
	About string     `json:"about,omitempty"`
	Coat  *int64     `json:"coat"`
	Text  string     `json:"text"`
	Who   string     `json:"who"`
}

type jsonPhoto struct {
	Photo    int64      `json:"photo"`
	At       *time.Time `json:"at"`
	About    string     `json:"about,omitempty"`
	Coat     *int64     `json:"coat"`
	Caption  string     `json:"caption,omitempty"`
	Who      string     `json:"who"`
	Media    string     `json:"media"`
	SHA256   string     `json:"sha256"`
	Bytes    int64      `json:"bytes"`
	Width    int64      `json:"width"`
	Height   int64      `json:"height"`
	NotShown string     `json:"not_shown,omitempty"`
}

type jsonCorrection struct {
	At   *time.Time `json:"at"`
	Who  string     `json:"who"`
	Text string     `json:"text"`
}

type jsonWorkshop struct {
	Name   string              `json:"name"`
	Source string              `json:"source,omitempty"`
	Note   string              `json:"note,omitempty"`
	Limits []jsonWorkshopLimit `json:"limits"`
}

type jsonWorkshopLimit struct {
	jsonLimit
	HoursBefore float64 `json:"hours_before"` // first wetting
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
	Over         string          `json:"over,omitempty"` // what it lies on
	Prepared     string          `json:"prepared,omitempty"`
	Fabric       string          `json:"fabric,omitempty"`
	PeelPly      bool            `json:"peel_ply"`
	AreaM2       *float64        `json:"area_m2"`
	AmountG      *float64        `json:"amount_g"`
	CoverageGM2  *float64        `json:"coverage_g_m2"`
	FilmMM       *float64        `json:"film_mm"`      // mean when wet, as far as it is resin alone
	MoisturePct  *float64        `json:"moisture_pct"` // of bare timber beneath
	MoistureFrom string          `json:"moisture_from,omitempty"`
	GasRatio     *float64        `json:"gas_ratio"` // largest growth of the pore gas until gel, as a volume ratio
	GasText      string          `json:"outgassing,omitempty"`
	Means        []string        `json:"out_of_order"`
	Note         string          `json:"note,omitempty"`
	Model        string          `json:"model,omitempty"` // version of the laws behind its figures
	Workshop     []jsonKept      `json:"workshop"`        // against the rule set's limits
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
	Moves   []string   `json:"moves"`
	How     string     `json:"how,omitempty"`
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
	Severity     string     `json:"severity,omitempty"`
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
	out := jsonJob{Schema: Schema, Job: j.ID, Name: j.Name, Customer: j.Customer, Shed: j.Shed, Zone: v.zoneName(), AsOf: v.rfc(j.AsOf), Software: j.Software,
		Model: j.Model, Notice: j.Notice, Remarks: none(j.Remarks), Reach: v.reach(), Cautions: cautions[:],
		Pieces: []jsonPiece{}, Coats: []jsonCoat{}, Alerts: []jsonAlert{}, Probes: []jsonProbe{}, Limits: []jsonLimit{}, Boat: j.Boat, Note: j.Note,
		Notes: []jsonNote{}, Photos: []jsonPhoto{}, Corrections: []jsonCorrection{}}
	for _, p := range j.Pieces {
		out.Pieces = append(out.Pieces, jsonPiece{Piece: p.ID, Name: p.Name, Lie: string(p.Lie), ThicknessMM: known(p.ThicknessMM), AreaM2: known(p.AreaM2),
			MoisturePct: p.MoisturePct, MoistureFrom: p.MoistureFrom, MoistureAt: v.rfc(p.MoistureAt), Substrate: p.SubstrateNote,
			DensityKgM3: known(p.DensityKgM3), BackSealed: p.BackSealed, Layers: v.layers(p.Layers), Deeds: v.deeds(p.Deeds)})
	}
	for _, n := range j.Notes {
		out.Notes = append(out.Notes, jsonNote{At: v.rfc(n.At), About: n.About, Coat: coatID(n.Coat), Text: n.Text, Who: n.Who})
	}
	for _, p := range j.Photos {
		out.Photos = append(out.Photos, jsonPhoto{Photo: p.ID, At: v.rfc(p.At), About: p.About, Coat: coatID(p.Coat), Caption: p.Caption, Who: p.Who, Media: p.Media,
			SHA256: p.SHA256, Bytes: p.Bytes, Width: p.Width, Height: p.Height, NotShown: p.NotShown})
	}
	for _, c := range j.Corrections {
		out.Corrections = append(out.Corrections, jsonCorrection{v.rfc(c.At), c.Who, c.Text})
	}
	if w := j.Workshop; w != nil {
		out.Workshop = &jsonWorkshop{Name: w.Name, Source: w.Source, Note: w.Note, Limits: []jsonWorkshopLimit{}}
		for _, l := range w.Limits {
			out.Workshop.Limits = append(out.Workshop.Limits, jsonWorkshopLimit{limitOf(l.Limit), l.HoursBefore})
		}
	}
	for i := range j.Coats {
		out.Coats = append(out.Coats, v.json(i))
	}
	for _, a := range j.Alerts {
		out.Alerts = append(out.Alerts, jsonAlert{At: v.rfc(a.At), Coat: coatID(a.Coat), Severity: a.Severity, Text: a.Text, Acknowledged: v.rfc(a.Acknowledged), By: a.By})
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
		Over: c.Over, Prepared: c.Prepared, Fabric: c.Fabric, PeelPly: c.PeelPly, AreaM2: known(c.AreaM2), AmountG: known(c.AmountG), CoverageGM2: c.CoverageGM2,
		FilmMM: c.FilmMM, MoisturePct: c.MoisturePct, MoistureFrom: c.MoistureFrom, GasRatio: c.GasRatio, GasText: c.GasText, Means: none(c.Means), Note: c.Note,
		Model: c.Model, Workshop: []jsonKept{},
		Batches: []jsonBatch{}, Conditions: []jsonCondition{}, Kept: []jsonKept{}, Marks: []jsonMark{}, Touches: []jsonTouch{}, Readings: []jsonChannel{}}
	for _, b := range c.Batches {
		out.Batches = append(out.Batches, jsonBatch{At: v.rfc(b.At), AmountG: b.AmountG, ResinC: b.ResinC, Vessel: b.Vessel, Lot: b.Lot, Moves: none(b.Moves), How: b.How})
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
		out.Kept = append(out.Kept, keptOf(k))
	}
	for _, k := range c.workshop(v.Workshop, v.AsOf) {
		out.Workshop = append(out.Workshop, keptOf(k))
	}
	for _, m := range c.Marks {
		out.Marks = append(out.Marks, jsonMark{m.Mark, v.rfc(m.Early), v.rfc(m.Likely), v.rfc(m.Late), m.Passed})
	}
	for _, t := range c.Touches {
		out.Touches = append(out.Touches, jsonTouch{v.rfc(t.At), string(t.State), t.Witness, t.Who})
	}
	return out
}

func keptOf(k Kept) jsonKept {
	out := jsonKept{jsonLimit: limitOf(k.Limit), WithinMin: k.Within, OutsideMin: k.Outside, UnknownMin: k.Unknown}
	if k.Known {
		out.Worst = &k.Worst
	}
	return out
}

func (v jobView) layers(all []Layer) []jsonLayer {
	out := []jsonLayer{}
	for _, l := range all {
		out = append(out, jsonLayer{string(l.Stuff), l.Text, coatID(l.Coat), v.rfc(l.At), l.Planned})
	}
	return out
}

func (v jobView) deeds(all []Deed) []jsonDeed {
	out := []jsonDeed{}
	for _, d := range all {
		out = append(out, jsonDeed{v.rfc(d.At), d.What, d.Who, d.Note})
	}
	return out
}

func coatID(id int64) *int64 {
	if id == 0 {
		return nil
	}
	return &id
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
