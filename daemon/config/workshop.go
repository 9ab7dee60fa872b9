package config

import (
	"embed"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"tackline/advisor/units/quantity"
)

// The shipped rule sets are examples from published rules, each with its source.
//
//go:embed workshops/*.toml
var workshops embed.FS

// Workshop is a set of limits that a record holds the conditions against: an example that is shipped, or a file of the shed's own.
type Workshop struct {
	Name   string
	Source string // of the whole
	Note   string // what it was written for; "" for none
	Limits []WorkshopLimit
}

// WorkshopLimit is one of its limits: values have to be at or above Value, or at or below it.
type WorkshopLimit struct {
	Quantity    string // see WorkshopQuantities
	AtLeast     bool
	Value       float64 // in the unit of the quantity's name
	LessU       bool    // compared with the value less, or plus, its uncertainty
	HoursBefore float64 // from so many hours before the first wetting, 0 to 24
	Source      string
}

// WorkshopQuantities lists what a limit may be of. air_range_24h_k is highest less lowest of the air within 24 h, in kelvin.
func WorkshopQuantities() []string {
	return []string{"air_c", "air_range_24h_k", "surface_c", "rh_pct", "surface_rh_pct", "margin_k", "dew_point_c", "pressure_hpa"}
}

// ShippedWorkshops lists the names of the rule sets that come with the program.
func ShippedWorkshops() []string {
	var names []string
	entries, _ := workshops.ReadDir("workshops")
	for _, e := range entries {
		names = append(names, strings.TrimSuffix(e.Name(), ".toml"))
	}
	return names
}

// ShippedWorkshop gives one of them. The error lists what there is.
func ShippedWorkshop(name string) (Workshop, error) {
	if !slices.Contains(ShippedWorkshops(), name) {
		near := ""
		if n := nearest(name, ShippedWorkshops()); n != "" {
			near = fmt.Sprintf("; did you mean %q?", n)
		}
		return Workshop{}, fmt.Errorf("config: there is no shipped rule set %q; there are %s%s", name, strings.Join(ShippedWorkshops(), ", "), near)
	}
	data, err := workshops.ReadFile("workshops/" + name + ".toml")
	if err != nil {
		return Workshop{}, err
	}
	return ParseWorkshop(data, name+".toml (shipped)")
}

// LoadWorkshop gives the rule set that the config names for records; ok is false where it names none. The error is an Errors.
func (c Config) LoadWorkshop() (w Workshop, ok bool, err error) {
	name := c.Record.Workshop
	switch {
	case name == "":
		return Workshop{}, false, nil
	case !strings.HasSuffix(name, ".toml"):
		w, err = ShippedWorkshop(name)
		return w, err == nil, err
	}
	data, err := readLimited(c.Path(name))
	if err != nil {
		return w, false, fmt.Errorf("config: rule set %q cannot be read: %s; want the path of a TOML file, from the folder of this config", name, cause(err))
	}
	w, err = ParseWorkshop(data, filepath.Base(name))
	return w, err == nil, err
}

// ParseWorkshop reads a rule set from the bytes of a file; name is used in messages. The error is an Errors with every mistake found.
func ParseWorkshop(data []byte, name string) (Workshop, error) {
	d, err := parseDocument(data, name)
	if err != nil {
		return Workshop{}, err
	}
	top := d.top()
	w := Workshop{Name: top.text("name", "", "what the record calls it"), Source: top.text("source", "", "which rules these are"), Note: top.text("note", "", "what it was written for")}
	for _, key := range []string{"name", "source"} {
		if !top.has(key) {
			d.fail(key, nil, "is missing", "want a line of text: a limit without a source is nobody's")
		}
	}
	all := top.tables("limit")
	if len(all) == 0 {
		d.fail("limit", nil, "is missing", "want a table [[limit]] for each limit")
	}
	for _, t := range all {
		w.Limits = append(w.Limits, parseWorkshopLimit(t))
	}
	top.done()
	if err := d.errs.sorted(); err != nil {
		return Workshop{}, err
	}
	return w, nil
}

func parseWorkshopLimit(t *section) WorkshopLimit {
	l := WorkshopLimit{Quantity: t.choice("quantity", "", WorkshopQuantities()), AtLeast: t.has("at_least"), Source: t.text("source", "", "where the limit comes from"),
		LessU: t.flag("less_u", false), HoursBefore: t.number("hours_before", quantity.Ratio(), 0, 0, 24)}
	least, most := t.number("at_least", quantity.Ratio(), 0, -1000, 2000), t.number("at_most", quantity.Ratio(), 0, -1000, 2000)
	l.Value = most
	if l.AtLeast {
		l.Value = least
	}
	if t.has("at_least") == t.has("at_most") {
		t.fail("at_most", "and at_least are both given, or neither is", "want one of them: at_least = 18.0, or at_most = 80.0")
	}
	if !t.has("source") {
		t.fail("source", "is missing", "want where the limit comes from, such as \"my surveyor, 2026\"")
	}
	t.done()
	return l
}

// Record says how records are made.
type Record struct {
	Workshop string // rule set that the conditions are held against: a shipped one's name, or the path of a TOML file; "" for none
}

func parseRecord(top *section) Record {
	var r Record
	if t, ok := top.table("record"); ok {
		r.Workshop = t.text("workshop", "", "a shipped rule set ("+strings.Join(ShippedWorkshops(), ", ")+") or the path of a TOML file")
		if r.Workshop != "" && !strings.HasSuffix(r.Workshop, ".toml") {
			if _, err := ShippedWorkshop(r.Workshop); err != nil {
				t.fail("workshop", strings.TrimPrefix(err.Error(), "config: "), "want one of them, or the path of a TOML file of your own")
			}
		}
		t.done()
	}
	return r
}
