package wire

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"

	"tackline/daemon/jobbook"
)

// Decode makes the payload of a command from the API's JSON. Errors are *jobbook.Invalid, with the API's names of fields.
func Decode(kind string, data []byte) (jobbook.Payload, error) {
	empty, err := jobbook.Decode(kind, []byte("{}"))
	if err != nil {
		return nil, err
	}
	if len(bytes.TrimSpace(data)) == 0 {
		data = []byte("{}")
	}
	raw := map[string]json.RawMessage{}
	if err := json.Unmarshal(data, &raw); err != nil || bytes.Equal(bytes.TrimSpace(data), []byte("null")) {
		return nil, &jobbook.Invalid{Kind: kind, Fields: []jobbook.FieldError{{Field: "payload", Problem: "is no JSON object"}}}
	}
	fields := fieldsOf(typeOf(empty), false)
	bad := misfits(fields, raw)
	for _, f := range fields {
		v, given := raw[f.name]
		if f.form != millis || !given {
			continue
		}
		delete(raw, f.name)
		ms, err := readTime(v)
		if err != nil {
			bad = append(bad, jobbook.FieldError{Field: f.name, Problem: err.Error()})
		} else if ms != 0 {
			raw[f.kept] = json.RawMessage(fmt.Sprint(ms))
		}
	}
	if len(bad) > 0 {
		return nil, &jobbook.Invalid{Kind: kind, Fields: bad}
	}
	kept, err := json.Marshal(raw)
	if err != nil {
		return nil, err
	}
	return jobbook.Decode(kind, kept)
}

// typeOf gives the struct of a payload.
func typeOf(p jobbook.Payload) reflect.Type {
	t := reflect.TypeOf(p)
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	return t
}

// misfits names the fields that nobody knows, and those whose type is another.
func misfits(fields []field, raw map[string]json.RawMessage) []jobbook.FieldError {
	known, names := map[string]field{}, make([]string, 0, len(fields))
	for _, f := range fields {
		known[f.name], known[f.kept] = f, f
		names = append(names, f.name)
	}
	var bad []jobbook.FieldError
	for _, name := range slices.Sorted(maps.Keys(raw)) {
		f, ok := known[name]
		switch {
		case !ok:
			bad = append(bad, jobbook.FieldError{Field: name, Problem: "is not known here: there are " + strings.Join(names, ", ")})
		case f.form == millis && name == f.name: // read as a time
		default:
			if err := json.Unmarshal(raw[name], reflect.New(f.typ).Interface()); err != nil {
				bad = append(bad, jobbook.FieldError{Field: name, Problem: fmt.Sprintf("%s does not fit: want %s", short(raw[name]), f.typ)})
			}
		}
	}
	return bad
}

func short(v json.RawMessage) string {
	if len(v) > 60 {
		return string(v[:60]) + "..."
	}
	return string(v)
}

// readTime reads RFC 3339, or null for none.
func readTime(v json.RawMessage) (int64, error) {
	if string(bytes.TrimSpace(v)) == "null" {
		return 0, nil
	}
	var s string
	if err := json.Unmarshal(v, &s); err != nil {
		return 0, fmt.Errorf("%s is no time: want RFC 3339 such as \"2026-01-14T14:06:00Z\", or null", v)
	}
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return 0, fmt.Errorf("%q is no time: want RFC 3339 such as \"2026-01-14T14:06:00Z\", or null", s)
	}
	return at.UnixMilli(), nil
}

// FieldName gives the API's name of a field that the journal calls otherwise, such as when for when_ms.
func FieldName(kind, kept string) string {
	p, err := jobbook.Decode(kind, []byte("{}"))
	if err != nil {
		return kept
	}
	for _, f := range fieldsOf(typeOf(p), false) {
		if f.kept == kept {
			return f.name
		}
	}
	return kept
}
