package wire

import (
	"reflect"
	"strings"
	"time"

	"tackline/advisor/sequence"
	"tackline/advisor/units"
	"tackline/daemon/jobbook"
)

// Schemas collects the JSON Schemas (2020-12) of the types that it is asked about, by name.
type Schemas struct {
	Defs map[string]any
	// Comment gives what the source says of a field; nil: nothing is described.
	Comment func(owner reflect.Type, goName string) string
}

const refPrefix = "#/components/schemas/"

// Entity gives the schema of what Encode writes of a type.
func (s *Schemas) Entity(t reflect.Type) map[string]any { return s.of(t, true, false) }

// Command gives the schema of what Decode reads of a payload's type, as an object of its own.
func (s *Schemas) Command(t reflect.Type) map[string]any {
	return s.object(t, fieldsOf(t, false), true)
}

// Plain gives the schema of what encoding/json writes of a type of the dashboard or the advisor.
func (s *Schemas) Plain(t reflect.Type) map[string]any { return s.of(t, false, false) }

func nullable(m map[string]any) map[string]any {
	if name, ok := m["type"].(string); ok {
		m["type"] = []any{name, "null"}
		return m
	}
	if len(m) == 0 {
		return m
	}
	return map[string]any{"anyOf": []any{m, map[string]any{"type": "null"}}}
}

func timeSchema() map[string]any {
	return map[string]any{"type": []any{"string", "null"}, "format": "date-time"}
}

func (s *Schemas) of(t reflect.Type, entity, command bool) map[string]any {
	switch {
	case t == rawType:
		return map[string]any{}
	case t == changeType:
		return map[string]any{"type": "object", "additionalProperties": false, "required": []any{"field", "before", "after"},
			"properties": map[string]any{"field": map[string]any{"type": "string"}, "before": map[string]any{}, "after": map[string]any{}}}
	case t == reflect.TypeFor[units.Instant]() || t == reflect.TypeFor[time.Time]():
		return timeSchema()
	case t == reflect.TypeFor[jobbook.PlannedStep]():
		return s.step(command)
	case t.Kind() == reflect.Slice && t.Elem().Kind() == reflect.Uint8:
		return map[string]any{"type": "string", "description": "hexadecimal"}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return nullable(s.of(t.Elem(), entity, command))
	case reflect.Slice:
		return map[string]any{"type": "array", "items": s.of(t.Elem(), entity, command)}
	case reflect.Array:
		return map[string]any{"type": "array", "items": s.of(t.Elem(), entity, command), "minItems": t.Len(), "maxItems": t.Len()}
	case reflect.Map:
		return map[string]any{"type": "object", "additionalProperties": s.of(t.Elem(), entity, command)}
	case reflect.Struct:
		return s.ref(t, entity, command)
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.String:
		return map[string]any{"type": "string"}
	case reflect.Int64, reflect.Int, reflect.Int32, reflect.Uint8:
		return map[string]any{"type": "integer"}
	case reflect.Float64:
		return map[string]any{"type": "number"}
	}
	return map[string]any{}
}

// step describes a step of a plan. In the book there may be one of an older shape, which is shown as it is.
func (s *Schemas) step(command bool) map[string]any {
	step := s.of(reflect.TypeFor[sequence.Step](), false, false)
	if command {
		return step
	}
	return map[string]any{"anyOf": []any{step, map[string]any{}}}
}

// ref names a struct's schema and makes it where it is new.
func (s *Schemas) ref(t reflect.Type, entity, command bool) map[string]any {
	name := nameOf(t)
	if command {
		name += "Command"
	}
	if _, known := s.Defs[name]; !known {
		s.Defs[name] = nil // a type may hold itself
		if entity || command {
			s.Defs[name] = s.object(t, fieldsOf(t, !command), command)
		} else {
			s.Defs[name] = s.plainObject(t)
		}
	}
	return map[string]any{"$ref": refPrefix + name}
}

// nameOf gives a type's name with its package's where two could share it.
func nameOf(t reflect.Type) string {
	pkg := t.PkgPath()[strings.LastIndexByte(t.PkgPath(), '/')+1:]
	name := strings.ToUpper(t.Name()[:1]) + t.Name()[1:]
	if pkg == "jobbook" || pkg == "daemon" {
		return name
	}
	return strings.ToUpper(pkg[:1]) + pkg[1:] + name
}

func (s *Schemas) object(t reflect.Type, fields []field, command bool) map[string]any {
	properties, required := map[string]any{}, []any{}
	for _, f := range fields {
		var one map[string]any
		switch f.form {
		case millis:
			one = timeSchema()
		case when:
			one = timeSchema()
			properties[f.name+"_sure"] = map[string]any{"type": "boolean", "description": "false where there is no time, or it was said while the board's clock was not set"}
			required = append(required, f.name+"_sure")
		default:
			one = s.of(f.typ, !command, command)
		}
		properties[f.name] = s.describe(one, f.owner, f.goes)
		if !command {
			required = append(required, f.name)
		}
	}
	out := map[string]any{"type": "object", "properties": properties, "additionalProperties": false}
	if len(required) > 0 {
		out["required"] = required
	}
	return out
}

func (s *Schemas) describe(m map[string]any, owner reflect.Type, goName string) map[string]any {
	if s.Comment == nil {
		return m
	}
	if text := s.Comment(owner, goName); text != "" {
		if _, has := m["description"]; !has {
			m["description"] = text
		}
	}
	return m
}

// plainObject describes a struct by encoding/json's own rules.
func (s *Schemas) plainObject(t reflect.Type) map[string]any {
	properties, required := map[string]any{}, []any{}
	var walk func(t reflect.Type)
	walk = func(t reflect.Type) {
		for i := range t.NumField() {
			f := t.Field(i)
			tag, options, _ := strings.Cut(f.Tag.Get("json"), ",")
			switch {
			case f.Anonymous && tag == "":
				walk(f.Type)
				continue
			case !f.IsExported() || tag == "-":
				continue
			case tag == "":
				tag = f.Name
			}
			properties[tag] = s.describe(s.of(f.Type, false, false), t, f.Name)
			if !strings.Contains(options, "omitempty") && !strings.Contains(options, "omitzero") {
				required = append(required, tag)
			}
		}
	}
	walk(t)
	return map[string]any{"type": "object", "properties": properties, "required": required, "additionalProperties": false}
}
