package transfer

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"slices"
	"strconv"
	"time"

	"tackline/daemon/store"
	"tackline/sensors"
	"tackline/sensors/tracefile"
)

// columns says where each column of a trace goes: a place and a quantity.
var columns = map[string]struct {
	place    sensors.Place
	quantity sensors.Quantity
}{
	"air_c": {sensors.Air, sensors.Temperature}, "rh_pct": {sensors.Air, sensors.Humidity}, "pressure_hpa": {sensors.Air, sensors.Pressure},
	"surface_c": {sensors.Surface, sensors.Temperature}, "timber_c": {sensors.Timber, sensors.Temperature}, "moisture_pct": {sensors.Timber, sensors.Moisture},
	"resin_c": {sensors.Resin, sensors.Temperature}, "outdoors_c": {sensors.Outdoors, sensors.Temperature}, "outdoors_rh_pct": {sensors.Outdoors, sensors.Humidity},
}

// Plan is what a file holds, before anything of it is written.
type Plan struct {
	Rows     []store.Row // in the order of time within each channel
	Channels []Channel
	Wrong    []tracefile.LineError // lines that could not be read; the rest can be imported without them
	Ignored  []string              // headings left out
	Future   int64                 // rows more than five minutes ahead of now: kept as such, never used
	Own      bool                  // it is an export of ours: probes and statuses come from the file
}

// Channel is what the file has of one quantity of one probe.
type Channel struct {
	Probe    string
	Place    sensors.Place
	Quantity sensors.Quantity
	Column   string // heading of ours; "" in an export of ours
	Rows     int64
	From, To int64 // ms UTC of the first and the last
	Min, Max float64
}

// Read reads a CSV file: an export of ours, or a trace, whose quantities become those of the probe named. A place of its own (surface, timber,
// resin, outdoors) becomes a probe of its own, "NAME surface". Nothing is written. The error is of a file that cannot be read at all.
func Read(data []byte, probe string, o tracefile.Options) (*Plan, error) {
	if p, ok, err := readOwn(data); ok {
		return p, err
	}
	if probe == "" {
		return nil, errors.New("transfer: this is not an export of ours, so it does not say whose readings these are: name the probe")
	}
	t, err := tracefile.Parse(bytes.NewReader(data), o)
	var wrong *tracefile.Errors
	if err != nil && (!errors.As(err, &wrong) || t == nil) {
		return nil, fmt.Errorf("transfer: %w", err)
	}
	p := &Plan{Ignored: t.Ignored}
	if wrong != nil {
		p.Wrong = wrong.Lines
	}
	for _, name := range t.Names() {
		c, ok := columns[name]
		if !ok {
			return nil, fmt.Errorf("transfer: column %s: no place for it", name)
		}
		to := probe
		if c.place != sensors.Air {
			to += " " + string(c.place)
		}
		for i, at := range t.Times {
			if v, ok := t.Columns[name].At(i); ok {
				p.Rows = append(p.Rows, store.Row{Probe: to, Place: string(c.place), Quantity: c.quantity, At: at, Clock: store.ClockSource, Raw: v, Value: v, Status: sensors.OK})
			}
		}
		p.count(name)
	}
	return p, nil
}

// count sums up the rows that came since the channel before.
func (p *Plan) count(column string) {
	before := int64(0)
	for _, c := range p.Channels {
		before += c.Rows
	}
	for _, r := range p.Rows[before:] {
		i := slices.IndexFunc(p.Channels, func(c Channel) bool { return c.Probe == r.Probe && c.Quantity == r.Quantity })
		if i < 0 {
			p.Channels = append(p.Channels, Channel{Probe: r.Probe, Place: sensors.Place(r.Place), Quantity: r.Quantity, Column: column,
				From: r.At, To: r.At, Min: math.Inf(1), Max: math.Inf(-1)})
			i = len(p.Channels) - 1
		}
		c := &p.Channels[i]
		c.Rows++
		c.From, c.To, c.Min, c.Max = min(c.From, r.At), max(c.To, r.At), min(c.Min, r.Value), max(c.Max, r.Value)
	}
}

// readOwn reads an export of ours; ok is false where it is none.
func readOwn(data []byte) (p *Plan, ok bool, err error) {
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))))
	r.FieldsPerRecord, r.ReuseRecord = -1, true
	head, err := r.Read()
	if err != nil || !slices.Equal(head, heading) {
		return nil, false, nil
	}
	p = &Plan{Own: true}
	for {
		fields, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			var parse *csv.ParseError
			if !errors.As(err, &parse) {
				return nil, true, fmt.Errorf("transfer: %w", err)
			}
			p.Wrong = append(p.Wrong, tracefile.LineError{Line: int64(parse.Line), Text: parse.Err.Error()})
			continue
		}
		line, _ := r.FieldPos(0)
		row, err := ownRow(fields)
		if err != nil {
			p.Wrong = append(p.Wrong, tracefile.LineError{Line: int64(line), Text: err.Error()})
			continue
		}
		p.Rows = append(p.Rows, row)
	}
	p.count("")
	return p, true, nil
}

// ownRow reads one row of an export.
func ownRow(f []string) (store.Row, error) {
	if len(f) != len(heading) {
		return store.Row{}, fmt.Errorf("%d fields, want %d", len(f), len(heading))
	}
	at, err := time.Parse(time.RFC3339Nano, f[0])
	if err != nil {
		return store.Row{}, fmt.Errorf("time_utc %q: want such as 2026-01-14T08:00:00Z", f[0])
	}
	q, err := sensors.ParseQuantity(f[4])
	if err != nil {
		return store.Row{}, err
	}
	if !slices.Contains(sensors.Places(), sensors.Place(f[3])) {
		return store.Row{}, fmt.Errorf("place %q: want air, surface, timber, resin or outdoors", f[3])
	}
	row := store.Row{Probe: f[2], Place: f[3], Quantity: q, At: at.UnixMilli(), Clock: store.ClockSource}
	for i, to := range []*float64{&row.Value, &row.Raw} {
		if *to, err = strconv.ParseFloat(f[5+i], 64); err != nil || math.IsNaN(*to) || math.IsInf(*to, 0) {
			return store.Row{}, fmt.Errorf("%s %q: want a number", heading[5+i], f[5+i])
		}
	}
	if row.Probe == "" {
		return store.Row{}, errors.New("probe: is empty")
	}
	for _, s := range sensors.Statuses() {
		if s.String() == f[7] {
			row.Status = s
			return row, nil
		}
	}
	return store.Row{}, fmt.Errorf("status %q: is unknown", f[7])
}

// futureAfter is how far ahead of now a reading may be stamped, ms.
const futureAfter = 5 * 60 * 1000

// FlagFuture marks what is stamped ahead of now: it is kept and shown, and used for nothing.
func (p *Plan) FlagFuture(now time.Time) {
	for i := range p.Rows {
		if r := &p.Rows[i]; r.At > now.UnixMilli()+futureAfter && r.Status.Usable() {
			r.Status = sensors.Future
			p.Future++
		}
	}
}

// Write puts the rows of a plan into a store. A second time it changes nothing.
func (p *Plan) Write(ctx context.Context, s *store.Store) (store.Imported, error) {
	rows := slices.Clone(p.Rows)
	slices.SortStableFunc(rows, func(a, b store.Row) int { return int(min(1, max(-1, a.At-b.At))) })
	return s.Import(ctx, sequence(rows))
}

func sequence(rows []store.Row) iter.Seq2[store.Row, error] {
	return func(yield func(store.Row, error) bool) {
		for _, r := range rows {
			if !yield(r, nil) {
				return
			}
		}
	}
}
