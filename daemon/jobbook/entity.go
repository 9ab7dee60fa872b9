package jobbook

import (
	"tackline/advisor"
)

// Classes of entities, as they stand in Conflict, Change and Undo.
const (
	classJob         = "job"
	classPiece       = "piece"
	classPerson      = "person"
	classStock       = "stock"
	classUse         = "stock use"
	classCoat        = "coat"
	classBatch       = "batch"
	classTouch       = "touch"
	classNote        = "note"
	classPhoto       = "photo"
	classMoisture    = "moisture reading"
	classHand        = "hand reading"
	classPlacement   = "probe placement"
	classBinding     = "node binding"
	classCalibration = "calibration"
	classLimit       = "limit"
	classDeed        = "deed"
	classAck         = "acknowledgement"
	classClock       = "clock"
	classForget      = "drum set aside"
	classFrozen      = "frozen trace"
)

// Head is what every entity has.
type Head struct {
	ID        int64  `json:"id"`                  // seq of the row that made it
	Rev       int64  `json:"rev"`                 // 1 when made, one more with each change
	Seq       int64  `json:"seq"`                 // of the row that changed it last
	Who       string `json:"who"`                 // entered it
	Entered   int64  `json:"entered_ms"`          // wall time of the row that made it; moved with its clock, see ClockFound
	Boot      string `json:"boot,omitempty"`      // of that row
	Unset     bool   `json:"unset,omitempty"`     // the clock was not set then, so Entered may be wrong by any amount
	Withdrawn int64  `json:"withdrawn,omitempty"` // seq of the undo that took it back; State leaves it out then
}

func (h *Head) head() *Head { return h }

type entity interface{ head() *Head }

// When is a time that a person said, in Unix ms UTC; MS 0 is none.
type When struct {
	MS   int64  `json:"ms"`
	Boot string `json:"boot,omitempty"`    // not "": said while that boot's clock was unset, so MS may be wrong by any amount
	Said int64  `json:"said_ms,omitempty"` // MS as it was before a ClockFound moved it
	Set  string `json:"set,omitempty"`     // boot in which it was said while the clock was set, or since found
}

// Sure tells whether the clock was set when the time was said, or the time has been moved since.
func (w When) Sure() bool { return w.MS != 0 && w.Boot == "" }

// Job is a boat or another order.
type Job struct {
	Head
	JobData
	Begins When `json:"begins"`
}

// Piece is a part of a job that is coated as one.
type Piece struct {
	Head
	PieceData
	Steps       []PlannedStep `json:"steps,omitempty"`        // the planned sequence
	StepsSet    When          `json:"steps_set,omitzero"`     // when it was entered
	StepsBefore []PastPlan    `json:"steps_before,omitempty"` // the plans that it had before, oldest first
	BareNow     bool          `json:"-"`                      // Bare, and no coat was started since; worked out by State
}

// Person works in the shed.
type Person struct {
	Head
	PersonData
	Shows
}

// Stock is a drum, a roll or a tin.
type Stock struct {
	Head
	StockData
	Counted    float64 `json:"counted"`     // amount when it was last counted, in Unit
	CountedSeq int64   `json:"counted_seq"` // row of that count
	Left       float64 `json:"-"`           // Counted less what was used since; below 0 when more was used than there was. Worked out by State
}

// StockUse is an amount taken from stock.
type StockUse struct {
	Head
	Stock  int64   `json:"stock"`
	Amount float64 `json:"amount"`
	Coat   int64   `json:"coat,omitempty"`
	When   When    `json:"when"`
	Note   string  `json:"note,omitempty"`
}

// Coat is one application to a piece.
type Coat struct {
	Head
	CoatData
	Started When   `json:"started"`
	Ended   When   `json:"ended"` // MS 0 while it runs
	EndNote string `json:"end_note,omitempty"`
}

// Running tells whether the coat has not been ended.
func (c Coat) Running() bool { return c.Ended.MS == 0 }

// Batch is one mixed pot.
type Batch struct {
	Head
	BatchData
	Mixed When   `json:"mixed"`
	Moves []Move `json:"moves,omitempty"` // from vessel to vessel, in order of entry
	Ended When   `json:"ended"`           // used up or thrown away; MS 0 while it runs
	How   string `json:"how,omitempty"`   // used, left over, went off
}

// Move is the emptying of a batch into another vessel.
type Move struct {
	When       When    `json:"when"`
	Vessel     string  `json:"vessel"`
	DiameterMM float64 `json:"diameter_mm,omitempty"`
	TrayCM2    float64 `json:"tray_cm2,omitempty"`
}

// Touched is a finding on a coat.
type Touched struct {
	Head
	Coat    int64         `json:"coat"`
	State   advisor.State `json:"state"`
	When    When          `json:"when"`
	Witness bool          `json:"witness"` // on a cup or scrap of the same batch
	Note    string        `json:"note,omitempty"`
	Means   []string      `json:"-"` // where it does not fit what else is known; worked out by State
}

// NoteEntry is a note on the shed, a job, a piece or a coat.
type NoteEntry struct {
	Head
	About
	Text string `json:"text"`
	When When   `json:"when"`
}

// Photo is a picture; its bytes come from Book.Photo.
type Photo struct {
	Head
	About
	Caption string `json:"caption,omitempty"`
	When    When   `json:"when"`
	Media   string `json:"media"`  // image/png or image/jpeg
	SHA256  string `json:"sha256"` // hexadecimal, of the bytes
	Bytes   int64  `json:"bytes"`
	Width   int64  `json:"width"`  // pixels
	Height  int64  `json:"height"` // pixels
}

// Moisture is a reading of a moisture meter on timber.
type Moisture struct {
	Head
	Piece       int64   `json:"piece"`
	MoisturePct float64 `json:"moisture_pct"` // of oven-dry mass
	DepthMM     float64 `json:"depth_mm,omitempty"`
	Instrument  string  `json:"instrument,omitempty"`
	When        When    `json:"when"`
}

// HandValue is a reading of a hand-held instrument.
type HandValue struct {
	Head
	Quantity    string   `json:"quantity"` // temp_c, rh_pct, pressure_hpa
	Value       float64  `json:"value"`
	WetC        *float64 `json:"wet_c,omitempty"`
	PressureHPa *float64 `json:"pressure_hpa,omitempty"`
	Place       string   `json:"place"`
	Piece       int64    `json:"piece,omitempty"`
	Instrument  string   `json:"instrument,omitempty"`
	When        When     `json:"when"`
}

// Binding ties a wireless node to a probe, from its entry until the next of the same node or the same probe.
type Binding struct {
	Head
	Node  string `json:"node"`          // way and number, such as mqtt:a4c138f2
	Probe string `json:"probe"`         // "": to none
	Was   string `json:"was,omitempty"` // the node that the probe had until then
}

// Placement says where a probe sat, from a time to a time.
type Placement struct {
	Head
	Probe string `json:"probe"`
	Piece int64  `json:"piece"` // 0: on none
	Place string `json:"place"` // surface, timber
	From  When   `json:"from"`
	To    When   `json:"to"` // MS 0: still there
	// Until is the effective end: To, or the From of the probe's next placement where that is earlier; 0 for none. Worked out by State.
	Until int64 `json:"-"`
}

// Calibration is a comparison of a probe with something known.
type Calibration struct {
	Head
	CalibrationData
	When When `json:"when"`
}

// Limit is a limit of the shed, from the time of its entry.
type Limit struct {
	Head
	Name   string  `json:"name"`
	Value  float64 `json:"value"`
	Unit   string  `json:"unit"`
	Source string  `json:"source"`
	When   When    `json:"when"`
}

// Ack is what a person said to an alert.
type Ack struct {
	Head
	AlertKey string `json:"alert_key"`
	Until    int64  `json:"until_ms"` // 0: until the alert clears by itself
	Snooze   bool   `json:"snooze"`
	When     When   `json:"when"`
}

// Clock is the true time of a boot that began with an unset clock.
type Clock struct {
	Head
	Boot     string `json:"boot"`
	OffsetMS int64  `json:"offset_ms"` // true less shown
	How      string `json:"how"`
	LeadMS   int64  `json:"lead_ms,omitempty"` // as ClockFound has it
	All      bool   `json:"all,omitempty"`
}

// newEntity gives an empty entity of a class, nil for an unknown one.
func newEntity(class string) entity {
	switch class {
	case classJob:
		return &Job{}
	case classPiece:
		return &Piece{}
	case classPerson:
		return &Person{}
	case classStock:
		return &Stock{}
	case classUse:
		return &StockUse{}
	case classCoat:
		return &Coat{}
	case classBatch:
		return &Batch{}
	case classTouch:
		return &Touched{}
	case classNote:
		return &NoteEntry{}
	case classPhoto:
		return &Photo{}
	case classMoisture:
		return &Moisture{}
	case classHand:
		return &HandValue{}
	case classPlacement:
		return &Placement{}
	case classBinding:
		return &Binding{}
	case classCalibration:
		return &Calibration{}
	case classLimit:
		return &Limit{}
	case classDeed:
		return &Deed{}
	case classAck:
		return &Ack{}
	case classClock:
		return &Clock{}
	case classForget:
		return &Forgotten{}
	case classFrozen:
		return &FrozenInfo{}
	}
	return nil
}

// timesOf gives the times that a person said, so that they can be moved when the clock is found.
func timesOf(e entity) []*When {
	switch v := e.(type) {
	case *Job:
		return []*When{&v.Begins}
	case *Piece:
		all := []*When{&v.StepsSet}
		for i := range v.StepsBefore {
			all = append(all, &v.StepsBefore[i].Set)
		}
		return all
	case *StockUse:
		return []*When{&v.When}
	case *Coat:
		return []*When{&v.Started, &v.Ended}
	case *Batch:
		all := []*When{&v.Mixed, &v.Ended}
		for i := range v.Moves {
			all = append(all, &v.Moves[i].When)
		}
		return all
	case *Touched:
		return []*When{&v.When}
	case *NoteEntry:
		return []*When{&v.When}
	case *Photo:
		return []*When{&v.When}
	case *Moisture:
		return []*When{&v.When}
	case *HandValue:
		return []*When{&v.When}
	case *Placement:
		return []*When{&v.From, &v.To}
	case *Calibration:
		return []*When{&v.When}
	case *Limit:
		return []*When{&v.When}
	case *Deed:
		return []*When{&v.When}
	case *Ack:
		return []*When{&v.When}
	case *Forgotten:
		return []*When{&v.When}
	}
	return nil
}

// refsOf gives the entities that e speaks of: while e stands, they cannot be undone.
func refsOf(e entity) []ref {
	switch v := e.(type) {
	case *Piece:
		return []ref{{classJob, v.Job}}
	case *StockUse:
		return []ref{{classStock, v.Stock}, {classCoat, v.Coat}}
	case *Coat:
		return []ref{{classPiece, v.Piece}, {classBatch, v.Batch}, {classCoat, v.Over}}
	case *Batch:
		all := make([]ref, len(v.Lots))
		for i, id := range v.Lots {
			all[i] = ref{classStock, id}
		}
		return all
	case *Touched:
		return []ref{{classCoat, v.Coat}}
	case *NoteEntry:
		return v.About.refs()
	case *Photo:
		return v.About.refs()
	case *Deed:
		return []ref{{classPiece, v.Piece}}
	case *Moisture:
		return []ref{{classPiece, v.Piece}}
	case *HandValue:
		return []ref{{classPiece, v.Piece}}
	case *Placement:
		return []ref{{classPiece, v.Piece}}
	}
	return nil
}
