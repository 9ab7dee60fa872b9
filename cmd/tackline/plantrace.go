package main

import (
	"errors"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"tackline/advisor"
	"tackline/advisor/plan"
	"tackline/advisor/sequence"
	"tackline/advisor/trace"
	"tackline/advisor/units"
	"tackline/advisor/units/quantity"
	"tackline/daemon/config"
	"tackline/sensors/tracefile"
)

// planTrace are the flags of a plan from a trace, without a daemon.
type planTrace struct {
	*traceFlags
	at, sequence, work                *string
	system                            *string
	coated                            *bool
	area, thickness, density, percent *value
}

func addPlanTrace(c *cobra.Command, e env) *planTrace {
	return &planTrace{traceFlags: addTraceFlags(c, e),
		at:        c.Flags().String("at", "", "with --trace: the moment to plan from (default: just after its last row)"),
		sequence:  c.Flags().String("sequence", "bare timber", "with --trace: the plan of the piece: "+templateNames()),
		work:      c.Flags().String("work", "", "with --trace: working hours of every day, such as 08:00-18:00 (default: any time)"),
		system:    systemFlag(c),
		coated:    c.Flags().Bool("coated", false, "with --trace: no bare timber"),
		area:      quantityFlag(c, "area", quantity.Area(), 0.01, 1000, "with --trace: of the piece"),
		thickness: quantityDefault(c, "thickness", quantity.Length(), 9, 1, 100, "with --trace: of the timber"),
		density:   quantityDefault(c, "density", quantity.Density(), 500, 200, 1000, "with --trace: of the timber, at 12 % moisture"),
		percent:   quantityFlag(c, "moisture", quantity.Percent(), 1, 60, "with --trace: what a moisture meter says of the timber"),
	}
}

func templateNames() string {
	var names []string
	for _, t := range sequence.Templates() {
		names = append(names, t.Name)
	}
	return strings.Join(names, ", ")
}

// plan makes the plan of an invented piece from a trace alone.
func (p *planTrace) plan(whatIf []string) (advisor.Plan, error) {
	s, err := p.situation()
	if err != nil {
		return advisor.Plan{}, err
	}
	req := advisor.PlanRequest{Piece: 1}
	if req.Systems, err = config.ShippedSystems(); err != nil {
		return advisor.Plan{}, err
	}
	for _, text := range whatIf {
		list, err := plan.ParseWhatIf(text)
		if err != nil {
			return advisor.Plan{}, usageError{err}
		}
		req.WhatIf = append(req.WhatIf, list)
	}
	out, err := advisor.PlanFor(s, req)
	if err != nil && (!errors.Is(err, plan.ErrNotEnough) || out.CantSay == "") {
		return out, err
	}
	return out, nil
}

// situation is a shed that has nothing but the trace: its last row before the moment is the present.
func (p *planTrace) situation() (advisor.Situation, error) {
	var s advisor.Situation
	table, err := p.read()
	if err != nil {
		return s, err
	}
	airC, _, err := p.column(table, "air_c")
	if err != nil {
		return s, err
	}
	at, err := p.moment(*p.at, airC)
	if err != nil {
		return s, err
	}
	zone, err := p.location()
	if err != nil {
		return s, err
	}
	model, err := loadModel(*p.system)
	if err != nil {
		return s, err
	}
	system := model.System()
	template, ok := sequence.TemplateOf(*p.sequence)
	if !ok {
		return s, usagef("--sequence: %q is none; want one of %s", *p.sequence, templateNames())
	}
	s = advisor.Situation{At: units.Instant(at), Zone: zone, ClockSet: true, Limits: advisor.DefaultLimits()}
	s.Limits.StaleAfter = units.Second(p.stale.Seconds())
	if s.Hours, err = hoursOf(*p.work); err != nil {
		return s, err
	}
	for _, q := range []struct {
		name string
		u    float64
		to   *advisor.Channel
	}{{"air_c", 0.3, &s.Climate.AirC}, {"rh_pct", 2, &s.Climate.RHPct}, {"pressure_hpa", 1, &s.Climate.PressureHPa}} {
		if *q.to, err = p.channel(table, q.name, at, q.u); err != nil {
			return s, err
		}
	}
	piece := advisor.Piece{ID: 1, Name: "a piece", Bare: !*p.coated, Lie: advisor.LieUpright, AreaM2: p.area.v, ThicknessM: units.Metre(p.thickness.v / 1000),
		DensityKgM3: p.density.v, NextSystem: &system, Steps: template.Steps}
	if piece.SurfaceC, err = p.channel(table, "surface_c", at, 0.5); err != nil {
		return s, err
	}
	if m := p.percent.v; m > 0 {
		piece.Meter = []advisor.MeterReading{{At: s.At, Pct: units.Percent(m)}}
	}
	s.Pieces = []advisor.Piece{piece}
	return s, nil
}

// channel gives a column as a probe's log up to a moment.
func (p *planTrace) channel(table *tracefile.Table, name string, at, u float64) (advisor.Channel, error) {
	tr, ok, err := p.optional(table, name)
	if err != nil {
		return advisor.Channel{}, err
	}
	if !ok {
		return advisor.Channel{Problem: "the trace has none"}, nil
	}
	tr = tr.Slice(0, math.Nextafter(at, 0)) // nothing of the moment itself or after it
	c := advisor.Channel{Probe: name, Trace: trace.Trace{At: tr.At, V: tr.V, MaxGap: tr.MaxGap}, U: u}
	last, _, ok := tr.Last()
	if c.LastSeen = units.Instant(last); !ok || at-last > p.stale.Seconds() {
		c.Problem = "its newest row is too old"
	}
	return c, nil
}

// hoursOf reads working hours; "" is any time.
func hoursOf(text string) (advisor.Hours, error) {
	h := advisor.Hours{Days: [7]bool{true, true, true, true, true, true, true}}
	if text == "" {
		return h, nil
	}
	list, err := plan.ParseWhatIf("hours=" + text)
	if err != nil {
		return h, usagef("--work: %q are no hours; want such as 08:00-18:00", text)
	}
	h.StartMin, h.EndMin = list[0].FromMin, list[0].ToMin
	return h, nil
}
