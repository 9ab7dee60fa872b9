package main

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"tackline/advisor/units"
)

// shown is how results reach people: the one place that knows their units. JSON is always SI.
type shown struct {
	asJSON bool
	us     bool
}

// outputFlags adds --json and --units.
func outputFlags(c *cobra.Command) *shown {
	s := &shown{}
	c.Flags().BoolVar(&s.asJSON, "json", false, "print JSON, in C, g, mm, min")
	c.Flags().Var(unitsFlag{s}, "units", "of the printed table: metric or us")
	return s
}

type unitsFlag struct{ s *shown }

func (f unitsFlag) Set(t string) error {
	switch t {
	case "metric", "us":
		f.s.us = t == "us"
		return nil
	}
	return fmt.Errorf("%q is unknown; want metric or us", t)
}

func (f unitsFlag) String() string {
	if f.s != nil && f.s.us {
		return "us"
	}
	return "metric"
}

func (unitsFlag) Type() string { return "word" }

const unknown = "unknown"

// temp writes a temperature.
func (s shown) temp(c *float64) string {
	switch {
	case c == nil:
		return unknown
	case s.us:
		return fmt.Sprintf("%.1f F", units.Celsius(*c).Fahrenheit())
	}
	return fmt.Sprintf("%.1f C", *c)
}

// diff writes a difference of temperatures: never with the 32 of the scale.
func (s shown) diff(k *float64) string {
	switch {
	case k == nil:
		return unknown
	case s.us:
		return fmt.Sprintf("%.1f F", units.Diff(*k).Fahrenheit())
	}
	return fmt.Sprintf("%.1f K", *k)
}

// num writes a number with a fixed number of decimals and its unit.
func num(x *float64, decimals int, unit string) string {
	if x == nil {
		return unknown
	}
	return strings.TrimSpace(fmt.Sprintf("%.*f %s", decimals, *x, unit))
}

// mass writes a mass; in US units ounces of mass with grams beside.
func (s shown) mass(g *float64) string {
	switch {
	case g == nil:
		return unknown
	case s.us:
		return fmt.Sprintf("%.1f oz (%.0f g)", *g/28.349523125, *g)
	case *g >= 10000:
		return fmt.Sprintf("%.2f kg", *g/1000)
	}
	return fmt.Sprintf("%.0f g", *g)
}

// length of time in minutes, as people say it.
func (s shown) minutes(m *float64) string {
	if m == nil {
		return "not reached"
	}
	switch {
	case *m < 10:
		return fmt.Sprintf("%.1f min", *m)
	case *m < 120:
		return fmt.Sprintf("%.0f min", *m)
	case *m < 48*60:
		return fmt.Sprintf("%d h %02d min", int64(*m+0.5)/60, int64(*m+0.5)%60)
	}
	return fmt.Sprintf("%.1f days", *m/1440)
}

// rows prints names and values in two columns, and a third of remarks where there are any.
func rows(w io.Writer, table [][]string) {
	var width []int
	for _, r := range table {
		for i, cell := range r {
			if i == len(width) {
				width = append(width, 0)
			}
			width[i] = max(width[i], utf8.RuneCountInString(cell))
		}
	}
	for _, r := range table {
		var b strings.Builder
		for i, cell := range r {
			if i > 0 {
				b.WriteString("  ")
			}
			b.WriteString(cell)
			b.WriteString(strings.Repeat(" ", width[i]-utf8.RuneCountInString(cell)))
		}
		fmt.Fprintln(w, strings.TrimRight(b.String(), " "))
	}
}
