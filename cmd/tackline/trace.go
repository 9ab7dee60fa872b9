package main

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tackline/advisor/trace"
	"tackline/daemon/config"
	"tackline/sensors/tracefile"
)

// traceFlags are the flags of every command that reads a trace.
type traceFlags struct {
	e                env
	file, zone, node string
	columns          []string
	stale            time.Duration
	given            func(string) bool
}

func addTraceFlags(c *cobra.Command, e env) *traceFlags {
	t := &traceFlags{e: e, given: func(name string) bool { return c.Flags().Changed(name) }}
	c.Flags().StringVar(&t.file, "trace", "", "a CSV trace with a heading: time or time_s, air_c, and rh_pct, surface_c, pressure_hpa where known")
	c.Flags().StringSliceVar(&t.columns, "columns", nil, "other headings, such as air_c=north_outside_c,rh_pct=north_outside_rh_pct")
	c.Flags().StringVar(&t.node, "node", "", "the node to take where several share the file")
	c.Flags().StringVar(&t.zone, "zone", "", "of times without one: Europe/Lisbon or +01:00 (default the config's, else UTC)")
	c.Flags().Var(lengthFlag{&t.stale}, "stale-after", "a step without a reading longer than this is a gap, 1min..7d")
	t.stale = 2 * time.Hour
	c.Flags().Lookup("stale-after").DefValue = "2h"
	return t
}

// lengthFlag is a length of time of 1 min to 7 days.
type lengthFlag struct{ d *time.Duration }

func (f lengthFlag) Set(s string) error {
	d, err := config.ParseLength(s)
	if err != nil || d < time.Minute || d > 7*24*time.Hour {
		return fmt.Errorf("%q is no length of time from 1min to 7d; want such as 90min or 2h", s)
	}
	*f.d = d
	return nil
}

func (f lengthFlag) String() string {
	if f.d == nil {
		return ""
	}
	return f.d.String()
}

func (lengthFlag) Type() string { return "time" }

// onlyWithTrace refuses flags that would do nothing.
func (t *traceFlags) onlyWithTrace() error {
	for _, name := range []string{"columns", "node", "zone", "stale-after"} {
		if t.file == "" && t.given(name) {
			return usagef("--%s goes with --trace FILE.csv", name)
		}
	}
	return nil
}

// read reads the trace, or gives an error with every line that is wrong.
func (t *traceFlags) read() (*tracefile.Table, error) {
	o := tracefile.Options{Node: t.node}
	var err error
	if o.Columns, err = columnMap(t.columns); err != nil {
		return nil, err
	}
	if o.Zone, err = t.location(); err != nil {
		return nil, err
	}
	f, err := os.Open(t.file)
	if err != nil {
		return nil, usagef("--trace: %w", err)
	}
	defer f.Close()
	table, err := tracefile.Parse(f, o)
	if err != nil {
		return nil, fmt.Errorf("--trace %s: %w", t.file, err)
	}
	if len(table.Times) == 0 {
		return nil, fmt.Errorf("--trace %s: has no row of readings", t.file)
	}
	return table, nil
}

func (t *traceFlags) location() (*time.Location, error) {
	if t.zone != "" {
		loc, err := config.ParseZone(t.zone)
		if err != nil {
			return nil, usagef("--zone: %s", strings.TrimPrefix(err.Error(), "config: "))
		}
		return loc, nil
	}
	path := defaultConfig
	if p := t.e.getenv("TACKLINE_CONFIG"); p != "" {
		path = p
	}
	if c, err := config.Load(path); err == nil { // a calculator works without a config, and beside a broken one
		return c.Shed.Zone, nil
	}
	return time.UTC, nil
}

// columnMap reads name=heading pairs.
func columnMap(list []string) (map[string]string, error) {
	if len(list) == 0 {
		return nil, nil
	}
	m := map[string]string{}
	for _, pair := range list {
		name, heading, ok := strings.Cut(pair, "=")
		if name = strings.TrimSpace(name); !ok || name == "" {
			return nil, usagef("--columns: %q is no pair; want name=heading, such as air_c=north_outside_c", pair)
		}
		if _, twice := m[name]; twice {
			return nil, usagef("--columns: %s stands there twice", name)
		}
		m[name] = strings.TrimSpace(heading)
	}
	return m, nil
}

// errNoColumn says that a trace lacks what a command lives on.
var errNoColumn = errors.New("no such column")

// column gives one quantity of a trace: of the first name that has a value in a row. It says how many rows came from each.
func (t *traceFlags) column(table *tracefile.Table, names ...string) (trace.Trace, map[string]int64, error) {
	var at, v []float64
	from := map[string]int64{}
	for row, ms := range table.Times {
		for _, name := range names {
			col, ok := table.Columns[name]
			if !ok {
				continue
			}
			if x, ok := col.At(row); ok {
				at, v = append(at, float64(ms)/1000), append(v, x)
				from[name]++
				break
			}
		}
	}
	if len(at) == 0 {
		return trace.Trace{}, nil, fmt.Errorf("--trace %s: %w: want %s", t.file, errNoColumn, strings.Join(names, " or "))
	}
	tr, err := trace.New(at, v, t.stale.Seconds())
	if err != nil {
		return trace.Trace{}, nil, fmt.Errorf("--trace %s: %w", t.file, err)
	}
	return tr, from, nil
}
