package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"tackline/daemon/jobbook"
	"tackline/daemon/wire"
	"tackline/dashboard"
)

// books shows the job book to the page.
type books struct{ d *Daemon }

var _ dashboard.Books = books{}

// Book does as dashboard.Books says.
func (b books) Book(ctx context.Context) (dashboard.Book, error) {
	facts, err := b.d.book.State(ctx)
	if err != nil {
		return dashboard.Book{}, err
	}
	var out dashboard.Book
	for _, j := range facts.Jobs {
		out.Jobs = append(out.Jobs, dashboard.BookJob{ID: j.ID, Rev: j.Rev, Name: j.Name, Boat: j.Boat, Owner: j.Owner, Note: j.Note, Closed: j.Closed, Begins: at(j.Begins.MS)})
	}
	for i := range facts.Pieces {
		p := &facts.Pieces[i]
		line := dashboard.BookPiece{ID: p.ID, Rev: p.Rev, Job: p.Job, Name: p.Name, Timber: p.Timber, ThicknessMM: p.ThicknessMM, DensityKgM3: p.DensityKgM3, AreaM2: p.AreaM2,
			Faces: p.Faces, Lie: string(p.Lie), SealedFace: p.SealedFace, Bare: p.Bare, BareNow: p.BareNow, Note: p.Note, Steps: p.Plan()}
		for _, m := range facts.Moisture {
			if m.Piece == p.ID {
				pct := m.MoisturePct
				line.MoisturePct, line.MoistureAt = &pct, at(m.When.MS)
			}
		}
		out.Pieces = append(out.Pieces, line)
	}
	for _, p := range facts.People {
		out.People = append(out.People, dashboard.BookPerson{ID: p.ID, Rev: p.Rev, Name: p.Name, StartMin: p.StartMin, EndMin: p.EndMin, Days: p.Days, DaysOff: p.DaysOff, PaceM2H: p.PaceM2H})
	}
	for _, s := range facts.Stock {
		out.Stock = append(out.Stock, dashboard.BookStock{ID: s.ID, Rev: s.Rev, What: s.What, Name: s.Name, System: s.System, Lot: s.Lot, Unit: s.Unit, Left: s.Left,
			Opened: at(s.Opened), Expiry: at(s.Expiry), WidthM: s.WidthM, GM2: s.GM2, LapMM: s.LapMM, Waste: s.Waste, Note: s.Note})
	}
	for _, n := range facts.Notes {
		out.Notes = append(out.Notes, dashboard.BookNote{ID: n.ID, About: dashboard.About(n.About), Text: n.Text, At: at(n.When.MS), Who: n.Who})
	}
	for _, p := range facts.Photos {
		out.Photos = append(out.Photos, dashboard.BookPhoto{ID: p.ID, About: dashboard.About(p.About), Caption: p.Caption, At: at(p.When.MS), Width: p.Width, Height: p.Height})
	}
	return out, nil
}

// Past does as dashboard.Books says.
func (b books) Past(ctx context.Context, class string, id int64) ([]dashboard.Change, error) {
	all, err := b.d.book.History(ctx, class, id)
	if err != nil {
		return nil, err
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("daemon: nothing was ever done to %s %d: %w", class, id, dashboard.ErrNotFound)
	}
	var out []dashboard.Change
	for _, c := range all {
		line := dashboard.Change{Seq: c.Seq, At: at(c.At.Wall), Sure: c.At.Clock != jobbook.ClockUnsynced, Who: c.Who, Kind: c.Kind, Made: c.Made, Undone: c.Undone, Frozen: forGood(c.Kind)}
		for _, f := range c.Fields {
			if told, ok := b.field(f); ok {
				line.Fields = append(line.Fields, told)
			}
		}
		out = append(out, line)
	}
	return out, nil
}

// Lately does as dashboard.Books says.
func (b books) Lately(ctx context.Context, n int64) ([]dashboard.Change, error) {
	facts, err := b.d.book.State(ctx)
	if err != nil {
		return nil, err
	}
	rows, err := b.d.book.Journal(ctx, max(0, facts.Seq-n), n)
	if err != nil {
		return nil, err
	}
	slices.Reverse(rows)
	undone := map[int64]int64{}
	var out []dashboard.Change
	for _, r := range rows {
		var u jobbook.Undo
		if r.Kind == u.Kind() && undone[r.Seq] == 0 && json.Unmarshal(r.Payload, &u) == nil {
			undone[u.Seq] = r.Seq
		}
		out = append(out, dashboard.Change{Seq: r.Seq, At: at(r.At.Wall), Sure: r.At.Clock != jobbook.ClockUnsynced, Who: r.Who, Kind: r.Kind, Undone: undone[r.Seq],
			Frozen: forGood(r.Kind), Fields: b.said(facts, r.Payload)})
	}
	return out, nil
}

// forGood tells whether a kind of command can't be undone, or is not for a finger on the page to undo.
func forGood(kind string) bool {
	return slices.Contains([]string{"begin-book", "freeze-coat", "clock-found", "add-photo"}, kind)
}

// untold are fields that say nothing to a person.
var untold = []string{"id", "rev", "seq", "saw_rev", "entered", "entered_ms", "boot", "system_json", "sha256", "counted_seq", "steps_before", "steps_set", "alert_key", "withdrawn", "who"}

// field gives a change of a field as people read it; ok is false for one that says nothing to them.
func (b books) field(f jobbook.FieldChange) (out dashboard.FieldChange, ok bool) {
	raw, err := wire.Encode(f)
	var told struct {
		Field         string
		Before, After any
	}
	if err != nil || json.Unmarshal(raw, &told) != nil || slices.Contains(untold, told.Field) {
		return out, false
	}
	out = dashboard.FieldChange{Field: fieldName(told.Field), Before: b.plain(told.Before), After: b.plain(told.After)}
	return out, out.Before != out.After
}

// said gives what a command said, with the names of what it is about.
func (b books) said(facts *jobbook.State, payload []byte) []dashboard.FieldChange {
	raw := map[string]any{}
	if json.Unmarshal(payload, &raw) != nil {
		return nil
	}
	var out []dashboard.FieldChange
	for _, k := range slices.Sorted(maps.Keys(raw)) {
		v := b.plain(raw[k])
		if ms, is := raw[k].(float64); is && strings.HasSuffix(k, "_ms") {
			v = b.plain(wire.Time(int64(ms)))
		}
		if id, is := raw[k].(float64); is {
			v = nameOf(facts, k, int64(id), v)
		}
		if v != "" && !slices.Contains(untold, k) {
			out = append(out, dashboard.FieldChange{Field: fieldName(k), After: v})
		}
	}
	return out
}

func nameOf(facts *jobbook.State, class string, id int64, unknown string) string {
	switch class {
	case "job":
		if j, ok := facts.Job(id); ok {
			return j.Name
		}
	case "piece":
		if p, ok := facts.Piece(id); ok {
			return p.Name
		}
	case "coat":
		if c, ok := facts.Coat(id); ok {
			if p, ok := facts.Piece(c.Piece); ok {
				return string(c.Kind) + ", " + p.Name
			}
		}
	case "stock":
		if s, ok := facts.StockItem(id); ok {
			return s.Name
		}
	}
	return unknown
}

// fieldName makes words of a field's name.
func fieldName(name string) string {
	name = strings.TrimSuffix(name, "_ms")
	for unit, words := range map[string]string{"_mm": ", mm", "_m2": ", m²", "_kg_m3": ", kg/m³", "_g": ", g", "_c": ", C", "_pct": ", %", "_min": ", min of the day", "_cm2": ", cm²"} {
		if cut, ok := strings.CutSuffix(name, unit); ok {
			return strings.ReplaceAll(cut, "_", " ") + words
		}
	}
	return strings.ReplaceAll(name, "_", " ")
}

// plain writes a value of JSON as people read it.
func (b books) plain(v any) string {
	switch v := v.(type) {
	case nil:
		return ""
	case *string:
		if v == nil {
			return ""
		}
		return b.plain(*v)
	case string:
		if t, err := time.Parse(time.RFC3339, v); err == nil {
			return t.In(b.d.o.Config.Shed.Zone).Format("2 Jan 2006 15:04")
		}
		return v
	case bool:
		if v {
			return "yes"
		}
		return "no"
	case float64:
		return strconv.FormatFloat(v, 'f', -1, 64)
	case []any:
		var parts []string
		for _, x := range v {
			if m, ok := x.(map[string]any); ok && m["work"] != nil {
				x = m["work"]
			}
			if s := b.plain(x); s != "" {
				parts = append(parts, s)
			}
		}
		return strings.Join(parts, ", ")
	case map[string]any:
		if name, ok := v["name"].(string); ok {
			return name
		}
		var parts []string
		for _, k := range slices.Sorted(maps.Keys(v)) {
			if s := b.plain(v[k]); s != "" && !slices.Contains(untold, k) {
				parts = append(parts, fieldName(k)+" "+s)
			}
		}
		return strings.Join(parts, ", ")
	}
	return fmt.Sprint(v)
}
