// Package replay is a probe that reads from a trace: what was measured once is measured again, each reading at its own time.
package replay

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"tackline/sensors"
	"tackline/sensors/tracefile"
)

// Options says what of a trace the probe gives, and when.
type Options struct {
	// Now is the present in Unix milliseconds, by the clock that the daemon runs by. Required.
	Now func() int64
	// Place picks the columns where Columns is empty: air has air_c, rh_pct, pressure_hpa and moisture_pct; surface has surface_c; timber
	// has timber_c and moisture_pct; resin has resin_c; outdoors has outdoors_c, outdoors_rh_pct and pressure_hpa. The empty Place is air.
	Place sensors.Place
	// Columns names the table's columns to give, at most one of each quantity.
	Columns []string
	// After is a time in Unix milliseconds: rows at or before it are left out. The zero value leaves none out.
	After int64
	// Shift is added to the times of the table, in milliseconds, so that an old winter can be replayed as this one.
	Shift int64
}

// quantities tells what each column of a trace measures.
var quantities = map[string]sensors.Quantity{
	"air_c": sensors.Temperature, "surface_c": sensors.Temperature, "timber_c": sensors.Temperature, "resin_c": sensors.Temperature,
	"outdoors_c": sensors.Temperature, "rh_pct": sensors.Humidity, "outdoors_rh_pct": sensors.Humidity,
	"pressure_hpa": sensors.Pressure, "moisture_pct": sensors.Moisture,
}

// places tells which columns a probe has by its place.
var places = map[sensors.Place][]string{
	sensors.Air:      {"air_c", "rh_pct", "pressure_hpa", "moisture_pct"},
	sensors.Surface:  {"surface_c"},
	sensors.Timber:   {"timber_c", "moisture_pct"},
	sensors.Resin:    {"resin_c"},
	sensors.Outdoors: {"outdoors_c", "outdoors_rh_pct", "pressure_hpa"},
}

// Probe is a trace as a probe.
type Probe struct {
	table   *tracefile.Table
	o       Options
	columns []string

	mu     sync.Mutex
	next   int
	closed bool
}

var _ sensors.Probe = (*Probe)(nil)

// Open gives a probe over a table. Several probes may share one table.
func Open(table *tracefile.Table, o Options) (*Probe, error) {
	if o.Now == nil {
		return nil, fmt.Errorf("replay: no clock given")
	}
	if o.Place == "" {
		o.Place = sensors.Air
	}
	p := &Probe{table: table, o: o, columns: o.Columns}
	if len(p.columns) == 0 {
		for _, name := range places[o.Place] {
			if _, ok := table.Columns[name]; ok {
				p.columns = append(p.columns, name)
			}
		}
	}
	if len(p.columns) == 0 {
		return nil, fmt.Errorf("replay: the trace has no column for place %q; it has %v", o.Place, table.Names())
	}
	var seen []sensors.Quantity
	for _, name := range p.columns {
		q, known := quantities[name]
		if _, has := table.Columns[name]; !has || !known {
			return nil, fmt.Errorf("replay: the trace has no column %q; it has %v", name, table.Names())
		}
		if slices.Contains(seen, q) {
			return nil, fmt.Errorf("replay: two columns of %s (%v): a probe has one; make two probes of them", q, p.columns)
		}
		seen = append(seen, q)
	}
	after := o.After - o.Shift
	if o.After == 0 {
		after = math.MinInt64
	}
	for p.next < len(table.Times) && table.Times[p.next] <= after {
		p.next++
	}
	return p, nil
}

// Span gives the times of the first and last row that the probe has yet to give; ok is false where there is none.
func (p *Probe) Span() (first, last int64, ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	n := len(p.table.Times)
	if p.next >= n {
		return 0, 0, false
	}
	return p.table.Times[p.next] + p.o.Shift, p.table.Times[n-1] + p.o.Shift, true
}

// Read gives the readings of all rows whose time has come since the last Read, none if none has. After the last row it gives ErrDone.
func (p *Probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("replay: %w", err)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return nil, fmt.Errorf("replay: closed: %w", sensors.ErrAbsent)
	}
	if p.next >= len(p.table.Times) {
		return nil, fmt.Errorf("replay: the trace is at its end: %w", sensors.ErrDone)
	}
	now := p.o.Now()
	var out []sensors.Reading
	for ; p.next < len(p.table.Times) && p.table.Times[p.next]+p.o.Shift <= now; p.next++ {
		at := time.UnixMilli(p.table.Times[p.next] + p.o.Shift).UTC()
		for _, name := range p.columns {
			if v, ok := p.table.Columns[name].At(p.next); ok {
				out = append(out, sensors.Reading{Quantity: quantities[name], Value: v, At: at})
			}
		}
	}
	return out, nil
}

// Close ends the replay.
func (p *Probe) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed = true
	return nil
}
