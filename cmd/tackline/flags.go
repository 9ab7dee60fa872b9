package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"tackline/advisor/units/quantity"
)

// value is a flag with a unit and a range. Its help and its errors name both.
type value struct {
	q      quantity.Quantity
	lo, hi float64
	v      float64
	set    bool
	typed  string // as it was typed, to be shown again
}

// quantityFlag adds a flag that has no default: given tells whether it was set.
func quantityFlag(c *cobra.Command, name string, q quantity.Quantity, lo, hi float64, about string) *value {
	v := &value{q: q, lo: lo, hi: hi}
	c.Flags().Var(v, name, fmt.Sprintf("%s, %s..%s %s", about, quantity.Number(lo), quantity.Number(hi), q.Base))
	return v
}

// quantityDefault adds a flag with a default.
func quantityDefault(c *cobra.Command, name string, q quantity.Quantity, def, lo, hi float64, about string) *value {
	v := quantityFlag(c, name, q, lo, hi, about)
	v.v, v.typed = def, quantity.Number(def)
	c.Flags().Lookup(name).DefValue = v.typed
	return v
}

// Set reads a value that was typed.
func (v *value) Set(s string) error {
	x, err := v.q.Parse(s)
	if err != nil {
		return err
	}
	if err := v.q.In(s, x, v.lo, v.hi); err != nil {
		return err
	}
	v.v, v.set, v.typed = x, true, strings.TrimSpace(s)
	return nil
}

// String gives the value as it was typed.
func (v *value) String() string { return v.typed }

// Type names the unit in help.
func (v *value) Type() string {
	if v.q.Base == "" {
		return "number"
	}
	return v.q.Base
}

// ptr gives the value, or nil where it was not given.
func (v *value) ptr() *float64 {
	if !v.set {
		return nil
	}
	return &v.v
}

// need refuses a command whose flag was not given.
func need(flags map[string]*value, names ...string) error {
	var missing []string
	for _, n := range names {
		if v := flags[n]; !v.set {
			missing = append(missing, fmt.Sprintf("--%s %s (%s..%s %s)", n, v.q.Example, quantity.Number(v.lo), quantity.Number(v.hi), v.q.Base))
		}
	}
	if len(missing) == 0 {
		return nil
	}
	return usagef("missing: %s", strings.Join(missing, ", "))
}

// known gives a pointer to a finite number; NaN and infinities are unknown.
func known(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

// when gives a number where ok, else unknown.
func when(x float64, ok bool) *float64 {
	if !ok {
		return nil
	}
	return known(x)
}

// printJSON writes one object. Numbers that are unknown are null.
func printJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}
