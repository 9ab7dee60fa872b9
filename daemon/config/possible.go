package config

import (
	"errors"
	"fmt"
	"strings"

	"tackline/advisor/cure"
)

// possible notes what the laws of curing have against a system, each at its line.
func (d *document) possible(sys cure.System) {
	if _, err := cure.New(sys); err != nil {
		d.impossible(err)
	}
}

// impossible takes a joined error apart into its fields.
func (d *document) impossible(err error) {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range joined.Unwrap() {
			d.impossible(e)
		}
		return
	}
	var f *cure.FieldError
	if !errors.As(err, &f) {
		d.fail("", nil, strings.TrimPrefix(err.Error(), "cure: "), "")
		return
	}
	wrong := fmt.Sprintf("%s is not possible", f.Value)
	switch {
	case f.Value == "missing":
		wrong = "is missing"
	case strings.Contains(f.Value, "["): // "both [times] and [marks]"
		wrong = f.Value
	}
	d.fail(f.Field, nil, wrong, "want "+f.Want)
	d.errs[len(d.errs)-1].Value = f.Value
}
