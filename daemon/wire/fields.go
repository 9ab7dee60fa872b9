package wire

import (
	"encoding/json"
	"reflect"
	"strings"

	"tackline/daemon/jobbook"
)

// form is how a field is written.
type form int64

const (
	plain  form = iota // as its type is
	millis             // int64 Unix ms: RFC 3339 or null
	when               // jobbook.When: RFC 3339 or null, and whether it is sure
)

// field is one field of an entity or a command as the API has it.
type field struct {
	name  string // in the API
	kept  string // in the journal
	index []int
	form  form
	typ   reflect.Type
	owner reflect.Type // struct that declares it
	goes  string       // its Go name
	empty bool         // may be left out
}

var (
	whenType = reflect.TypeFor[jobbook.When]()
	rawType  = reflect.TypeFor[json.RawMessage]()
)

// derived are the fields that State works out: they have no name in the journal.
var derived = map[string]string{"BareNow": "bare_now", "Left": "left", "Means": "means", "Until": "until_ms"}

// fieldsOf lists the fields of a struct, those of embedded ones among them, in the order in which they are declared. Derived ones are in it
// only where asked for: a command has none.
func fieldsOf(t reflect.Type, withDerived bool) []field {
	var out []field
	for i := range t.NumField() {
		f := t.Field(i)
		tag, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.Anonymous && tag == "" {
			for _, sub := range fieldsOf(f.Type, withDerived) {
				sub.index = append([]int{i}, sub.index...)
				out = append(out, sub)
			}
			continue
		}
		if !f.IsExported() {
			continue
		}
		if tag == "-" {
			if tag = derived[f.Name]; tag == "" || !withDerived {
				continue
			}
		}
		if tag == "" {
			tag = f.Name
		}
		out = append(out, named(field{kept: tag, index: []int{i}, typ: f.Type, owner: t, goes: f.Name, empty: strings.Contains(options, "omitempty")}))
	}
	return out
}

func named(f field) field {
	f.name = f.kept
	short, isMS := strings.CutSuffix(f.kept, "_ms")
	switch {
	case f.typ == whenType:
		f.form = when
	case isMS && short != "offset" && short != "mono" && f.typ.Kind() == reflect.Int64: // those two are lengths of time
		f.name, f.form = short, millis
	}
	return f
}
