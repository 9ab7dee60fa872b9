package wire

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"time"

	"tackline/daemon/jobbook"
)

// Time writes Unix ms in RFC 3339, UTC, to the millisecond; nil for 0.
func Time(ms int64) *string {
	if ms == 0 {
		return nil
	}
	s := time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.999Z07:00")
	return &s
}

// Encode gives the API's JSON of an entity, a change, a journal row, or a list of them.
func Encode(v any) (json.RawMessage, error) {
	var b bytes.Buffer
	if err := write(&b, reflect.ValueOf(v)); err != nil {
		return nil, fmt.Errorf("wire: %T: %w", v, err)
	}
	return b.Bytes(), nil
}

func write(b *bytes.Buffer, v reflect.Value) error {
	t := v.Type()
	switch {
	case t == rawType:
		if v.Len() == 0 {
			b.WriteString("null")
			return nil
		}
		return json.Compact(b, v.Bytes())
	case t.Kind() == reflect.Slice && t.Elem().Kind() == reflect.Uint8:
		return writeJSON(b, hex.EncodeToString(v.Bytes()))
	case t.Kind() == reflect.Slice || t.Kind() == reflect.Array:
		b.WriteByte('[')
		for i := range v.Len() {
			if i > 0 {
				b.WriteByte(',')
			}
			if err := write(b, v.Index(i)); err != nil {
				return err
			}
		}
		b.WriteByte(']')
		return nil
	case t.Kind() == reflect.Pointer && !v.IsNil() && t.Elem().Kind() == reflect.Struct:
		return write(b, v.Elem())
	case t == changeType:
		return writeChange(b, v.Interface().(jobbook.FieldChange))
	case t.Kind() == reflect.Struct && !t.Implements(marshaler):
		return writeStruct(b, v)
	}
	return writeJSON(b, v.Interface())
}

func writeStruct(b *bytes.Buffer, v reflect.Value) error {
	b.WriteByte('{')
	for i, f := range fieldsOf(v.Type(), true) {
		if i > 0 {
			b.WriteByte(',')
		}
		if err := writeJSON(b, f.name); err != nil {
			return err
		}
		b.WriteByte(':')
		x := v.FieldByIndex(f.index)
		var err error
		switch f.form {
		case millis:
			err = writeJSON(b, Time(x.Int()))
		case when:
			w := x.Interface().(jobbook.When)
			if err = writeJSON(b, Time(w.MS)); err == nil {
				fmt.Fprintf(b, `,%q:%t`, f.name+"_sure", w.Sure())
			}
		default:
			err = write(b, x)
		}
		if err != nil {
			return err
		}
	}
	b.WriteByte('}')
	return nil
}

var marshaler = reflect.TypeFor[json.Marshaler]()

var changeType = reflect.TypeFor[jobbook.FieldChange]()

// writeChange writes one field before and after, with times as everywhere here.
func writeChange(b *bytes.Buffer, c jobbook.FieldChange) error {
	name, isMS := strings.CutSuffix(c.Field, "_ms")
	if name == "offset" {
		name, isMS = c.Field, false
	}
	return writeJSON(b, struct {
		Field  string `json:"field"`
		Before any    `json:"before"`
		After  any    `json:"after"`
	}{name, timed(c.Before, isMS), timed(c.After, isMS)})
}

// timed gives a value of the journal with a time in RFC 3339 where it is one.
func timed(v json.RawMessage, isMS bool) any {
	var ms int64
	var w jobbook.When
	dec := json.NewDecoder(bytes.NewReader(v))
	dec.DisallowUnknownFields()
	switch {
	case len(v) == 0:
		return nil
	case isMS && json.Unmarshal(v, &ms) == nil:
		return Time(ms)
	case bytes.HasPrefix(v, []byte(`{"ms":`)) && dec.Decode(&w) == nil:
		return Time(w.MS)
	}
	return v
}

func writeJSON(b *bytes.Buffer, v any) error {
	enc, err := json.Marshal(v)
	b.Write(enc)
	return err
}
