package config

import (
	"embed"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"

	"tackline/advisor/cure"
)

// The shipped systems are invented, and each says so in its source line.
//
//go:embed systems/*.toml
var shipped embed.FS

func shippedNames() []string {
	var names []string
	entries, _ := shipped.ReadDir("systems")
	for _, e := range entries {
		if n, ok := strings.CutSuffix(e.Name(), ".toml"); ok {
			names = append(names, n)
		}
	}
	return names
}

// ShippedSystems gives the systems that come with the program, by name. They are invented; each Source says so. An error is a fault of the
// build.
func ShippedSystems() (map[string]cure.System, error) {
	all := map[string]cure.System{}
	for _, n := range shippedNames() {
		s, err := LoadSystem(n)
		if err != nil {
			return nil, err
		}
		all[n] = s
	}
	return all, nil
}

// LoadSystem reads a resin system: the name of a shipped one, else the path of a TOML file. The error is an Errors with every mistake and
// its line, or says what was neither.
func LoadSystem(nameOrPath string) (cure.System, error) {
	if contains(shippedNames(), nameOrPath) {
		data, err := shipped.ReadFile("systems/" + nameOrPath + ".toml")
		if err != nil {
			return cure.System{}, err
		}
		return ParseSystem(data, nameOrPath+".toml (shipped)")
	}
	data, err := os.ReadFile(nameOrPath)
	if err != nil {
		list := strings.Join(shippedNames(), ", ")
		if errors.Is(err, os.ErrNotExist) {
			near := ""
			if n := nearest(nameOrPath, shippedNames()); n != "" {
				near = fmt.Sprintf("; did you mean %q?", n)
			}
			return cure.System{}, fmt.Errorf("config: %q is neither a shipped system (%s) nor a file%s", nameOrPath, list, near)
		}
		return cure.System{}, fmt.Errorf("config: read system: %w", err)
	}
	return ParseSystem(data, filepath.Base(nameOrPath))
}

// ParseSystem reads a resin system from the bytes of a file; name is used in messages. Keys that are unknown, missing or of the wrong type
// and values that cannot be are all told at once, as Errors.
func ParseSystem(data []byte, name string) (cure.System, error) {
	d, err := parseDocument(data, name)
	if err != nil {
		return cure.System{}, err
	}
	// A part of [coverage], [pump] or [pot] that is not given has these values.
	coverage := cure.Coverage{SealGM2: 130, FillGM2: 180, FabricRatio: 1, Waste: 0.10}
	pump := cure.Pump{ResinML: 18, HardenerML: 7.2}
	var sys cure.System
	top := d.top()
	if top.has("coverage") {
		sys.Coverage = &coverage
	}
	if top.has("pump") {
		sys.Pump = &pump
	}
	if top.has("pot") {
		sys.Pot = &cure.Pot{WorkingConversion: cure.DefaultWorkingConversion}
	}
	top.decode(reflect.ValueOf(&sys).Elem(), "")
	if len(d.errs) == 0 {
		d.possible(sys)
	}
	if err := d.errs.sorted(); err != nil {
		return cure.System{}, err
	}
	return sys, nil
}

// mayLack tells which keys of a system may be missing: whole tables, any part of [coverage], [pump] and [kinetics], and the pot's working
// conversion. What may not go together is for cure.System.Check.
func mayLack(key string) bool {
	table, _, inTable := strings.Cut(key, ".")
	switch table {
	case "times", "marks":
		return !inTable
	case "pot":
		return !inTable || key == "pot.working_conversion"
	case "kinetics", "coverage", "pump":
		return true
	}
	return false
}

// decode fills a struct from a table by its toml tags, and notes every key that is unknown, missing or of another type.
func (s *section) decode(v reflect.Value, path string) {
	for i := range v.NumField() {
		tag := v.Type().Field(i).Tag.Get("toml")
		full := strings.TrimPrefix(path+"."+tag, ".")
		raw, ok := s.get(tag)
		if !ok {
			if !mayLack(full) {
				s.d.fail(s.sub(tag), nil, "is missing", "want "+wantOf(v.Field(i).Type()))
			}
			continue
		}
		f := v.Field(i)
		if f.Kind() == reflect.Pointer {
			t, ok := s.table(tag)
			if !ok {
				continue
			}
			if f.IsNil() {
				f.Set(reflect.New(f.Type().Elem()))
			}
			t.decode(f.Elem(), full)
			continue
		}
		if !assign(f, raw) {
			s.fail(tag, mismatch(raw), "want "+wantOf(f.Type()))
		}
	}
	s.done()
}

// mismatch says why a value does not fit.
func mismatch(raw any) string {
	switch raw.(type) {
	case []any, map[string]any:
		return fmt.Sprintf("%s does not fit here", written(raw))
	case float64:
		return fmt.Sprintf("%s is no finite number", written(raw))
	}
	return fmt.Sprintf("%s is %s", written(raw), kindOf(raw))
}

// assign sets a text, number, pair of numbers or flag.
func assign(f reflect.Value, raw any) bool {
	switch f.Kind() {
	case reflect.String:
		t, ok := raw.(string)
		if !ok || !printable(t) || len(t) > 512 {
			return false
		}
		f.SetString(t)
	case reflect.Bool:
		b, ok := raw.(bool)
		if !ok {
			return false
		}
		f.SetBool(b)
	case reflect.Float64:
		x, ok := finite(raw)
		if !ok {
			return false
		}
		f.SetFloat(x)
	case reflect.Array:
		list, ok := raw.([]any)
		if !ok || len(list) != f.Len() {
			return false
		}
		for i, item := range list {
			if !assign(f.Index(i), item) {
				return false
			}
		}
	}
	return true
}

func finite(raw any) (float64, bool) {
	switch x := raw.(type) {
	case int64:
		return float64(x), true
	case float64:
		return x, x-x == 0 // not NaN, not infinite
	}
	return 0, false
}

func wantOf(t reflect.Type) string {
	switch t.Kind() {
	case reflect.String:
		return "text in quotes"
	case reflect.Bool:
		return "true or false"
	case reflect.Array:
		return "two numbers, resin and hardener, such as [100, 34]"
	case reflect.Pointer:
		return "a table"
	}
	return "a finite number"
}
