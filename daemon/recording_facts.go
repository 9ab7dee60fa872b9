package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"tackline/advisor/cure"
	"tackline/advisor/sequence"
	"tackline/advisor/timber"
	"tackline/advisor/trace"
	"tackline/advisor/units"
	"tackline/daemon/jobbook"
	"tackline/dashboard/record"
)

// system fills in what the coat's resin system says of it: its limits, how thick the coat went on, the gas that left bare timber before gel.
func (r *recording) system(out *record.Coat, c *jobbook.Coat, k *kept) {
	var sys cure.System
	if json.Unmarshal(c.System, &sys) != nil {
		return
	}
	out.SystemSource = sys.Source
	source := "the system's sheet"
	if sys.Source != "" {
		source += ": " + sys.Source
	}
	if sys.LowestC != 0 {
		lowest := sys.LowestC
		out.LowestC = &lowest
		out.Limits = append(out.Limits, record.Limit{Quantity: record.SurfaceC, Above: true, Value: sys.LowestC, Until: "firm", Source: source})
	}
	if sys.HighestSurfaceRHPct != 0 {
		out.Limits = append(out.Limits, record.Limit{Quantity: record.SurfaceRH, Value: sys.HighestSurfaceRHPct, Until: "recoat_closes", Source: source})
	}
	if out.AmountG > 0 && out.AreaM2 > 0 {
		g := out.AmountG / out.AreaM2
		out.CoverageGM2 = &g
		if sys.DensityKgM3 > 0 {
			mm := g / sys.DensityKgM3 // g/m2 over kg/m3 is mm
			out.FilmMM = &mm
		}
	}
	if out.Over == "bare timber" {
		r.gas(out, c, &sys, k)
	}
}

// gas works out from the frozen trace how the gas in the pores changed from first wetting until gel, with the surface for the timber's
// temperature: the timber beneath lags behind it, so that this is the most that can have come.
func (r *recording) gas(out *record.Coat, c *jobbook.Coat, sys *cure.System, k *kept) {
	model, err := cure.New(*sys)
	if err != nil {
		return
	}
	surface, hpa, conversion := traceOf(k.trace, jobbook.ColSurfaceC), traceOf(k.trace, jobbook.ColPressureHPa), traceOf(k.trace, jobbook.ColConversion)
	from, to := float64(c.Started.MS)/1000, 0.0
	for i := range conversion.At {
		if conversion.V[i] >= model.GelConversion() {
			to = conversion.At[i]
			break
		}
	}
	aw, known := r.wetness(c, k, from)
	switch {
	case to <= from && c.Running():
		out.GasText = "not known yet: it has not gelled"
		return
	case to <= from:
		out.GasText = "not known: no gel within the trace"
		return
	case !known:
		out.GasText = "not known: neither a meter's reading nor a humidity at the first wetting"
		return
	}
	g, err := timber.Breath{Timber: surface, PressureHPa: hpa, AW: aw}.Over(from, to)
	if err != nil {
		out.GasText = "not known: " + strings.TrimPrefix(err.Error(), "timber: ")
		return
	}
	out.GasRatio = &g.Rise
	limit := r.limits(k).GasGrowth
	text := fmt.Sprintf("until gel at %s the gas in the pores grew by at most %.2f %% of its volume", r.clock(units.Instant(to).Time()), 100*(g.Rise-1))
	switch {
	case g.Grows(limit):
		text += fmt.Sprintf(", more than the %.2f %% that are let pass: air may have been driven into the wet coat", 100*limit)
	case g.Ratio < 1-limit:
		text += fmt.Sprintf(", and shrank by %.2f %% over all: the timber drew resin in", 100*(1-g.Ratio))
	}
	if !g.PressureKnown {
		text += "; without a barometer throughout"
	}
	out.GasText = text
}

// wetness gives the humidity in the pores as a share at the first wetting: that in balance with the meter's reading, else that of the air.
func (r *recording) wetness(c *jobbook.Coat, k *kept, from float64) (aw float64, known bool) {
	t, ok := traceOf(k.trace, jobbook.ColSurfaceC).Value(from + 30)
	var pct *float64
	for _, m := range r.facts.Moisture {
		if m.Piece == c.Piece && m.When.MS <= c.Started.MS {
			pct = &m.MoisturePct
		}
	}
	if pct != nil && ok {
		if rh, err := timber.WaterActivity(units.Celsius(t), units.Percent(*pct)); err == nil {
			return float64(rh) / 100, true
		}
	}
	rh, ok := traceOf(k.trace, jobbook.ColRHPct).Value(from + 30)
	return rh / 100, ok
}

// traceOf gives a column of a minute trace as a trace whose values stand at the middle of their minutes.
func traceOf(t jobbook.MinuteTrace, column string) trace.Trace {
	out := trace.Trace{MaxGap: 10 * 60}
	values, _ := t.Column(column)
	for i, v := range values {
		if v != nil {
			out.At, out.V = append(out.At, float64(t.From+int64(i)*minuteMs)/1000+30), append(out.V, *v)
		}
	}
	return out
}

// followed says of each coat how the next one stood to its windows, and what was done about it.
func (r *recording) followed() {
	for i := range r.out.Coats {
		c := &r.out.Coats[i]
		next := -1
		for j := i + 1; j < len(r.out.Coats); j++ {
			if r.out.Coats[j].Piece == c.Piece {
				next = j
				break
			}
		}
		if next < 0 {
			continue
		}
		n := &r.out.Coats[next]
		said := fmt.Sprintf("Coat %d, %s, followed on %s, ", next+1, n.Kind, r.clock(n.Started))
		mark := func(name string) (m record.Mark, ok bool) {
			for _, m := range c.Marks {
				if m.Mark == name && !m.Likely.IsZero() {
					return m, true
				}
			}
			return m, false
		}
		opens, ok1 := mark("tack_opens")
		closes, ok2 := mark("recoat_closes")
		prepared := n.Prepared
		if prepared == "" {
			prepared = "nothing was noted in between"
		} else {
			prepared = "in between: " + prepared
		}
		switch {
		case !ok1:
			c.NextCoat = said + "and how that stood to its windows is not known; " + prepared + "."
		case n.Started.Before(opens.Likely):
			c.NextCoat = said + fmt.Sprintf("before its recoat window opened (likely %s): on a coat that was still wet; %s.", r.clock(opens.Likely), prepared)
		case !ok2 || n.Started.Before(closes.Early):
			c.NextCoat = said + fmt.Sprintf("within its recoat window (open from %s, likely).", r.clock(opens.Likely))
		case n.Started.Before(closes.Late) || closes.Late.IsZero():
			c.NextCoat = said + fmt.Sprintf("when its recoat window may have been closed already (early %s, late %s); %s.", r.clock(closes.Early), lateOr(r.clock(closes.Late), closes.Late.IsZero()), prepared)
		default:
			c.NextCoat = said + fmt.Sprintf("after its recoat window had closed (likely %s); %s.", r.clock(closes.Likely), prepared)
		}
	}
}

func lateOr(s string, unknown bool) string {
	if unknown {
		return "not reached"
	}
	return s
}

// pieces fills in the pieces with their layers and what was done to them.
func (r *recording) pieces() {
	for _, p := range r.facts.PiecesOf(r.job) {
		one := record.Piece{ID: p.ID, Name: p.Name, Lie: p.Lie, ThicknessMM: p.ThicknessMM, AreaM2: p.AreaM2, SubstrateNote: p.Timber, DensityKgM3: p.DensityKgM3,
			BackSealed: p.SealedFace == "back" || p.SealedFace == "both"}
		if m, ok := r.facts.MoistureOf(p.ID); ok {
			pct := m.MoisturePct
			one.MoisturePct, one.MoistureFrom, one.MoistureAt = &pct, "meter", at(m.When.MS)
			if m.Instrument != "" {
				one.MoistureFrom = m.Instrument
			}
		}
		f := sequence.Facts{At: instantOf(r.d.now().UnixMilli()), Zone: r.out.Zone, Bare: p.Bare}
		for _, c := range r.facts.CoatsOn(p.ID) {
			f.Coats = append(f.Coats, sequence.Coat{ID: c.ID, Work: sequence.Work(c.Kind), System: c.SystemName, Started: instantOf(c.Started.MS), Fabric: c.Fabric != "", PeelPly: c.PeelPly})
		}
		for _, d := range r.facts.DeedsOn(p.ID) {
			f.Deeds = append(f.Deeds, sequence.Deed{ID: d.ID, Work: d.Work, At: instantOf(d.When.MS)})
			one.Deeds = append(one.Deeds, record.Deed{At: at(d.When.MS), What: d.Work.Past(), Who: d.Who, Note: d.Note})
		}
		if steps := p.Plan(); len(steps) > 0 || len(f.Coats) > 0 {
			for _, l := range sequence.Layers(steps, f) {
				one.Layers = append(one.Layers, r.layer(l, &p))
			}
		}
		r.out.Pieces = append(r.out.Pieces, one)
	}
}

func (r *recording) layer(l sequence.Layer, p *jobbook.Piece) record.Layer {
	out := record.Layer{Coat: l.Coat, Planned: l.Planned}
	if l.At.Known() {
		out.At = l.At.Time()
	}
	with := func(value float64, unit string) string {
		if value == 0 {
			return ""
		}
		return fmt.Sprintf(", %.3g %s", value, unit)
	}
	switch {
	case l.Work == "":
		out.Stuff, out.Text = record.StuffTimber, orText(p.Timber, "timber")
		if p.ThicknessMM > 0 {
			out.Text += with(p.ThicknessMM, "mm")
		}
	case l.ComesOff:
		out.Stuff, out.Text = record.StuffPeelPly, "peel ply, comes off"
	case l.Work.Coats():
		out.Stuff, out.Text = record.StuffCoat, string(l.Work)
		if n := r.numbers[l.Coat]; n > 0 {
			out.Text = fmt.Sprintf("coat %d, %s", n, l.Work)
			if c := r.out.Coats[n-1]; c.CoverageGM2 != nil {
				l.CoverageGM2 = *c.CoverageGM2
			}
		}
		if l.System != "" {
			out.Text += ", " + l.System
		}
		out.Text += with(l.CoverageGM2, "g/m²")
	default:
		out.Stuff, out.Text = record.StuffFabric, "fabric"+with(l.FabricGM2, "g/m²")
	}
	return out
}

func orText(s, other string) string {
	if s == "" {
		return other
	}
	return s
}

// alerts gives what rang for the coats of the job, and of the whole shed while they cured, each with what was said to it.
func (r *recording) alerts(ctx context.Context) error {
	if len(r.out.Coats) == 0 {
		return nil
	}
	from, to := r.out.Coats[0].Started.UnixMilli(), int64(0)
	for _, c := range r.out.Coats {
		if to = max(to, c.Ended.UnixMilli()); c.Ended.IsZero() {
			to = r.d.now().UnixMilli()
		}
	}
	told, err := r.d.book.Told(ctx, 0, 0, 1<<60)
	if err != nil {
		return err
	}
	for _, t := range told {
		switch {
		case t.Coat != 0 && r.numbers[t.Coat] == 0:
			continue
		case t.Coat == 0 && (t.AtMS < from || t.AtMS > to || strings.HasPrefix(t.AlertKey, "piece/") || strings.HasPrefix(t.AlertKey, "batch/")):
			continue
		}
		text := orText(t.Body, t.Title) // a body is complete in itself
		first, size := utf8.DecodeRuneInString(text)
		one := record.Alert{At: at(t.AtMS), Coat: t.Coat, Text: string(unicode.ToUpper(first)) + text[size:], Severity: t.Severity}
		for _, a := range r.facts.Acks {
			if a.AlertKey == t.AlertKey && a.When.MS >= t.AtMS && !a.Snooze {
				one.Acknowledged, one.By = at(a.When.MS), a.Who
				break
			}
		}
		r.out.Alerts = append(r.out.Alerts, one)
	}
	return nil
}

// about names what a note or a photo is of; ok is false where it is not of this job.
func (r *recording) about(a jobbook.About) (text string, coat int64, ok bool) {
	switch {
	case a.Job != 0:
		return "", 0, a.Job == r.job
	case a.Piece != 0:
		p, found := r.facts.Piece(a.Piece)
		return p.Name, 0, found && p.Job == r.job
	case a.Coat != 0 && r.numbers[a.Coat] > 0:
		c := r.out.Coats[r.numbers[a.Coat]-1]
		return fmt.Sprintf("coat %d, %s on %s", r.numbers[a.Coat], c.Kind, c.PieceName), a.Coat, true
	}
	return "", 0, false
}

// written fills in notes and photos.
func (r *recording) written(ctx context.Context) error {
	for _, n := range r.facts.Notes {
		if about, coat, ok := r.about(n.About); ok {
			r.out.Notes = append(r.out.Notes, record.Note{At: at(n.When.MS), About: about, Coat: coat, Text: n.Text, Who: n.Who})
		}
	}
	for _, p := range r.facts.Photos {
		about, coat, ok := r.about(p.About)
		if !ok {
			continue
		}
		data, _, err := r.d.book.Photo(ctx, p.ID)
		if err != nil {
			return err
		}
		one := record.Photo{ID: p.ID, At: at(p.When.MS), About: about, Coat: coat, Caption: p.Caption, Who: p.Who, Media: p.Media, SHA256: p.SHA256, Bytes: p.Bytes,
			Width: p.Width, Height: p.Height}
		one.Shown, one.NotShown = record.Thumbnail(data)
		r.out.Photos = append(r.out.Photos, one)
	}
	slices.SortStableFunc(r.out.Notes, func(a, b record.Note) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(r.out.Photos, func(a, b record.Photo) int { return a.At.Compare(b.At) })
	return nil
}

// corrections fills in what had been said otherwise before.
func (r *recording) corrections(ctx context.Context) error {
	all, err := r.d.book.Corrections(ctx, r.job)
	if err != nil {
		return err
	}
	for _, c := range all {
		name := fmt.Sprintf("%s %d", c.Class, c.ID)
		if n := r.numbers[c.ID]; n > 0 && c.Class == "coat" {
			name = fmt.Sprintf("coat %d", n)
		}
		r.out.Corrections = append(r.out.Corrections, record.Correction{At: at(c.At.Wall), Who: c.Who, Text: name + ": " + r.changed(c.Change)})
	}
	return nil
}

// changed says in words what a correction did.
func (r *recording) changed(c jobbook.Change) string {
	var parts []string
	for _, f := range c.Fields {
		switch f.Field {
		case "withdrawn":
			if string(f.Before) == "null" || string(f.Before) == "0" {
				return "taken back"
			}
			return "put back after it had been taken back"
		case "system_json":
			parts = append(parts, "the system's numbers changed")
		default:
			parts = append(parts, fmt.Sprintf("%s from %s to %s", strings.ReplaceAll(strings.TrimSuffix(f.Field, "_ms"), "_", " "), r.value(f.Before), r.value(f.After)))
		}
	}
	if len(parts) == 0 {
		return "written again, nothing changed"
	}
	return strings.Join(parts, ", ")
}

// value writes a field of the journal for people: times in the shed's zone, texts in quotes.
func (r *recording) value(raw json.RawMessage) string {
	var w jobbook.When
	if strings.HasPrefix(string(raw), "{") && json.Unmarshal(raw, &w) == nil && w.MS != 0 {
		return r.clock(at(w.MS))
	}
	if s := string(raw); s == "" || s == "null" {
		return "nothing"
	}
	const most = 200
	if len(raw) > most {
		return string([]rune(string(raw[:most]))) + " ..."
	}
	return string(raw)
}
