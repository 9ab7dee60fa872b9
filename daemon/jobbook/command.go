package jobbook

import (
	"bytes"
	"encoding/json"
	"fmt"
	"sort"
)

// States of the clock at a Stamp.
const (
	ClockSynced   = "synced"   // set from a time server or a radio
	ClockRTC      = "rtc"      // from a battery clock
	ClockManual   = "manual"   // a person said that it is right
	ClockUnsynced = "unsynced" // not known to be right: times are moved once it is (ClockFound)
)

// machine is who enters what the daemon does by itself.
const machine = "tackline"

// Stamp is a moment as the board knows it.
type Stamp struct {
	Wall  int64  `json:"wall_ms"` // Unix ms UTC as the board's clock shows it
	Mono  int64  `json:"mono_ms"` // ms since boot, never steps
	Boot  string `json:"boot"`    // id of the boot
	Clock string `json:"clock"`   // one of the Clock constants
}

// Command is one thing that someone says or does.
type Command struct {
	Who     string
	At      Stamp
	Key     string // made by the client, one for each thing said; "" for none. A repeat of it returns the first Result
	Payload Payload
}

// Result is what a command led to.
type Result struct {
	Seq    int64    `json:"seq"`
	ID     int64    `json:"id"`              // of the entity that was made or changed, 0 where there is none
	Rev    int64    `json:"rev"`             // its revision now
	Hash   []byte   `json:"hash"`            // of the journal row
	Notes  []string `json:"notes,omitempty"` // what the command means beside what else is known, in sentences
	Repeat bool     `json:"repeat"`          // the key was known: nothing was done again
}

// Payload is what a command says. The types of this package that have a Kind method are all there are.
type Payload interface {
	Kind() string         // the trade's word, as it stands in the journal
	check(*checker)       // adds what is wrong
	apply(*applier) error // works it into the entities; must depend on nothing but the journal
}

// changes is implemented by payloads that change an entity that exists.
type changes interface {
	target() (ref, int64) // the entity and the revision that was seen
}

// carries is implemented by payloads with content that is too large for the journal. It returns the payload for the journal, which names
// the content by digest.
type carries interface {
	unload() (Payload, []content, error)
}

// payloads has an empty one of each kind.
func payloads() []Payload {
	return []Payload{
		BeginBook{}, AddJob{}, EditJob{}, AddPiece{}, EditPiece{}, SetSteps{}, AddPerson{}, EditPerson{}, SetUnits{}, AddStock{}, EditStock{}, UseStock{},
		StartCoat{}, EditCoat{}, EndCoat{}, Touch{}, StartBatch{}, MoveBatch{}, EndBatch{}, Did{}, Note{}, AddPhoto{},
		MeterReading{}, HandReading{}, PlaceProbe{}, BindNode{}, Calibrate{}, SetLimit{}, ForgetDrum{}, Acknowledge{}, Snooze{}, ClockFound{}, Undo{}, freeze{},
	}
}

// Kinds lists the kinds of commands that people and clients can give, sorted.
func Kinds() []string {
	var all []string
	for _, p := range payloads() {
		if p.Kind() != (freeze{}).Kind() && p.Kind() != (BeginBook{}).Kind() {
			all = append(all, p.Kind())
		}
	}
	sort.Strings(all)
	return all
}

// Decode makes the payload of a kind from JSON. An unknown kind, an unknown field and a wrong type are *Invalid errors. It does not check
// values: Validate and Do do.
func Decode(kind string, data []byte) (Payload, error) {
	if kind == (freeze{}).Kind() || kind == (BeginBook{}).Kind() {
		return nil, &Invalid{Kind: kind, Fields: []FieldError{{Field: "kind", Problem: "is for the daemon alone"}}}
	}
	p, err := decode(kind, data, true)
	if err != nil {
		return nil, &Invalid{Kind: kind, Fields: []FieldError{{Field: "payload", Problem: err.Error()}}}
	}
	return p, nil
}

// decode reads a payload; the journal's own are read leniently, so that a field that went out of use does not stop a book from opening.
func decode(kind string, data []byte, strict bool) (Payload, error) {
	switch kind {
	case BeginBook{}.Kind():
		return decodeAs[BeginBook](data, strict)
	case AddJob{}.Kind():
		return decodeAs[AddJob](data, strict)
	case EditJob{}.Kind():
		return decodeAs[EditJob](data, strict)
	case AddPiece{}.Kind():
		return decodeAs[AddPiece](data, strict)
	case EditPiece{}.Kind():
		return decodeAs[EditPiece](data, strict)
	case SetSteps{}.Kind():
		return decodeAs[SetSteps](data, strict)
	case AddPerson{}.Kind():
		return decodeAs[AddPerson](data, strict)
	case EditPerson{}.Kind():
		return decodeAs[EditPerson](data, strict)
	case SetUnits{}.Kind():
		return decodeAs[SetUnits](data, strict)
	case AddStock{}.Kind():
		return decodeAs[AddStock](data, strict)
	case EditStock{}.Kind():
		return decodeAs[EditStock](data, strict)
	case UseStock{}.Kind():
		return decodeAs[UseStock](data, strict)
	}
	return decodeWork(kind, data, strict)
}

func decodeWork(kind string, data []byte, strict bool) (Payload, error) {
	switch kind {
	case StartCoat{}.Kind():
		return decodeAs[StartCoat](data, strict)
	case EditCoat{}.Kind():
		return decodeAs[EditCoat](data, strict)
	case EndCoat{}.Kind():
		return decodeAs[EndCoat](data, strict)
	case Touch{}.Kind():
		return decodeAs[Touch](data, strict)
	case StartBatch{}.Kind():
		return decodeAs[StartBatch](data, strict)
	case MoveBatch{}.Kind():
		return decodeAs[MoveBatch](data, strict)
	case EndBatch{}.Kind():
		return decodeAs[EndBatch](data, strict)
	case Did{}.Kind():
		return decodeAs[Did](data, strict)
	case Note{}.Kind():
		return decodeAs[Note](data, strict)
	case AddPhoto{}.Kind():
		return decodeAs[AddPhoto](data, strict)
	case freeze{}.Kind():
		return decodeAs[freeze](data, strict)
	}
	return decodeShed(kind, data, strict)
}

func decodeShed(kind string, data []byte, strict bool) (Payload, error) {
	switch kind {
	case MeterReading{}.Kind():
		return decodeAs[MeterReading](data, strict)
	case HandReading{}.Kind():
		return decodeAs[HandReading](data, strict)
	case BindNode{}.Kind():
		return decodeAs[BindNode](data, strict)
	case PlaceProbe{}.Kind():
		return decodeAs[PlaceProbe](data, strict)
	case Calibrate{}.Kind():
		return decodeAs[Calibrate](data, strict)
	case SetLimit{}.Kind():
		return decodeAs[SetLimit](data, strict)
	case ForgetDrum{}.Kind():
		return decodeAs[ForgetDrum](data, strict)
	case Acknowledge{}.Kind():
		return decodeAs[Acknowledge](data, strict)
	case Snooze{}.Kind():
		return decodeAs[Snooze](data, strict)
	case ClockFound{}.Kind():
		return decodeAs[ClockFound](data, strict)
	case Undo{}.Kind():
		return decodeAs[Undo](data, strict)
	}
	return nil, fmt.Errorf("unknown kind of command %q", kind)
}

func decodeAs[T Payload](data []byte, strict bool) (Payload, error) {
	var p T
	d := json.NewDecoder(bytes.NewReader(data))
	if strict {
		d.DisallowUnknownFields()
	}
	if err := d.Decode(&p); err != nil {
		return nil, err
	}
	if d.More() {
		return nil, fmt.Errorf("more than one JSON value")
	}
	return p, nil
}

// canonical gives the JSON of v with keys sorted, without blanks and without the escapes that are only for HTML: the same value gives the
// same bytes. Numbers stay as encoding/json writes them.
func canonical(v any) ([]byte, error) {
	first, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	d := json.NewDecoder(bytes.NewReader(first))
	d.UseNumber()
	var tree any
	if err := d.Decode(&tree); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false)
	if err := e.Encode(tree); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(out.Bytes(), []byte("\n")), nil
}
