// Package transfer brings readings out of a store and into it, as CSV and as line protocol.
package transfer

import (
	"bufio"
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"time"

	"tackline/daemon/mirror"
	"tackline/daemon/store"
)

// heading is the first line of our CSV: one reading a row. value has the calibration applied, raw is as the probe gave it; both are in the unit
// that the quantity's name ends in (temp_c, rh_pct, pressure_hpa, moisture_pct).
var heading = []string{"time_utc", "time_local", "probe", "place", "quantity", "value", "raw", "status"}

// Form is a form in which readings go out.
type Form string

// The forms.
const (
	CSV  Form = "csv"  // every reading, flagged ones with their status; UTC and local time with its offset
	Line Form = "line" // line protocol, usable readings only; times in ms
)

// Forms lists them.
func Forms() []Form { return []Form{CSV, Line} }

// ExportOptions says what goes out.
type ExportOptions struct {
	Form     Form
	Shed     string         // tag of line protocol
	Zone     *time.Location // of time_local; nil is UTC
	Probe    string         // "" is all
	From, To int64          // ms UTC, [From, To); To 0 is no end
}

// Exported counts what went out.
type Exported struct {
	Rows   int64
	Probes int64
	Left   int64 // flagged readings that line protocol leaves out
}

// Export writes the readings of a store, channel by channel and each in the order of time. It streams: its memory does not grow with the store.
// A probe that the store does not know is an error.
func Export(ctx context.Context, s *store.Store, w io.Writer, o ExportOptions) (Exported, error) {
	var done Exported
	if o.Form != CSV && o.Form != Line {
		return done, fmt.Errorf("transfer: form %q: want csv or line", o.Form)
	}
	channels, err := s.Channels(ctx)
	if err != nil {
		return done, fmt.Errorf("transfer: %w", err)
	}
	out := &writer{o: o, buffer: bufio.NewWriterSize(w, 1<<16), done: &done}
	out.csv = csv.NewWriter(out.buffer)
	if o.Zone == nil {
		out.o.Zone = time.UTC
	}
	if o.Form == CSV {
		if err := out.csv.Write(heading); err != nil {
			return done, err
		}
	}
	probes := map[string]bool{}
	for _, c := range channels {
		if o.Probe != "" && c.Probe != o.Probe {
			continue
		}
		probes[c.Probe] = true
		to := c.Last + 1
		if o.To != 0 {
			to = min(to, o.To)
		}
		if err := s.Raw(ctx, c.Probe, c.Quantity, max(o.From, c.First), to, out.row); err != nil {
			return done, fmt.Errorf("transfer: export %s of %s: %w", c.Quantity, c.Probe, err)
		}
	}
	done.Probes = int64(len(probes))
	if o.Probe != "" && done.Probes == 0 {
		return done, fmt.Errorf("transfer: no probe %q has readings here", o.Probe)
	}
	out.csv.Flush()
	if err := out.csv.Error(); err != nil {
		return done, fmt.Errorf("transfer: %w", err)
	}
	if err := out.buffer.Flush(); err != nil {
		return done, fmt.Errorf("transfer: %w", err)
	}
	return done, nil
}

type writer struct {
	o      ExportOptions
	buffer *bufio.Writer
	csv    *csv.Writer
	done   *Exported
	fields [8]string
}

// timeForm is RFC 3339 to the millisecond.
const timeForm = "2006-01-02T15:04:05.000Z07:00"

func (w *writer) row(r store.Row) error {
	if w.o.Form == Line {
		line, ok := mirror.Line(w.o.Shed, &mirror.Reading{Probe: r.Probe, Place: r.Place, Quantity: r.Quantity, At: r.At, Value: r.Value, Status: r.Status})
		if !ok {
			w.done.Left++
			return nil
		}
		w.done.Rows++
		_, err := w.buffer.WriteString(line)
		return err
	}
	at := time.UnixMilli(r.At)
	w.fields = [8]string{at.UTC().Format(timeForm), at.In(w.o.Zone).Format(timeForm), r.Probe, r.Place, r.Quantity.String(),
		strconv.FormatFloat(r.Value, 'g', -1, 64), strconv.FormatFloat(r.Raw, 'g', -1, 64), r.Status.String()}
	w.done.Rows++
	return w.csv.Write(w.fields[:])
}
