package dashboard

import (
	"strconv"
	"strings"
	"time"

	"tackline/advisor"
	"tackline/advisor/sequence"
)

func (h *Handler) jobCard(v View, b Book, j BookJob) jobCard {
	c := jobCard{BookJob: j, Rev: j.Rev}
	if !j.Begins.IsZero() {
		c.BeginsText = clock(j.Begins, v.At, v.Zone)
	}
	for _, p := range b.Pieces {
		if p.Job == j.ID {
			c.Pieces = append(c.Pieces, h.pieceRow(v, p))
		}
	}
	return c
}

// pieceRow says where a piece stands and what comes next, with what that needs.
func (h *Handler) pieceRow(v View, p BookPiece) pieceRow {
	row := pieceRow{ID: p.ID, Name: p.Name, Next: h.tx.get("book_no_next")}
	for i := range v.Advice.Pieces {
		a := &v.Advice.Pieces[i]
		if a.Piece != p.ID {
			continue
		}
		row.Verdict, row.Shape = h.verdictWord(a.Verdict), shape(a.Verdict)
		switch {
		case a.Next == nil && len(a.Steps) > 0:
			row.Next = h.tx.get("book_through")
		case a.Next != nil:
			h.nextOf(a.Next, &row)
		}
	}
	return row
}

func (h *Handler) nextOf(n *sequence.Next, row *pieceRow) {
	row.Next = h.tx.get("book_next", n.Work)
	if n.Step > 0 {
		row.Step = h.tx.get("book_step_of", n.Step, n.Of)
	}
	if n.Times > 1 {
		row.Next += " " + h.tx.get("book_coat_of", n.Coat, n.Times)
	}
	row.Needs = n.Text
	switch {
	case n.UntilFull && n.Coat > n.Times:
		row.Ready = h.tx.get("book_all_on")
	case n.Ready == sequence.Yes:
		row.Ready = h.tx.get("book_ready")
	}
	for _, c := range n.Conditions {
		row.Conditions = append(row.Conditions, needRow{Text: c.Text, Mark: string(c.Truth)})
	}
	for _, f := range n.First {
		row.First = append(row.First, f.Text)
	}
	if n.Work.Coats() {
		row.StartKind, row.StartSystem = string(n.Work), n.System
	} else {
		row.DidWhat = string(n.Work)
	}
}

func (h *Handler) pieceSheet(v View, b Book, p BookPiece, from string) pieceSheet {
	s := pieceSheet{BookPiece: p, Row: h.pieceRow(v, p), Template: from}
	for _, j := range b.Jobs {
		if j.ID == p.Job {
			s.JobName = j.Name
		}
	}
	if p.MoisturePct != nil {
		s.Moisture = h.tx.get("piece_moisture", number(*p.MoisturePct, 1), clock(p.MoistureAt, v.At, v.Zone))
	}
	for i := range v.Advice.Pieces {
		if a := &v.Advice.Pieces[i]; a.Piece == p.ID {
			for _, x := range a.Steps {
				s.Places = append(s.Places, h.placeRow(v, x, a.Next))
			}
			for _, m := range a.Means {
				s.Means = append(s.Means, m.Text)
			}
		}
	}
	steps := p.Steps
	for _, t := range sequence.Templates() {
		s.Templates = append(s.Templates, choice{Value: t.Name, Text: t.Name, About: t.About, On: t.Name == from})
		if t.Name == from {
			steps, s.About = t.Steps, t.About
		}
	}
	s.Remarks = sequence.Remarks(steps)
	for i := range int64(len(steps) + 2) {
		var one sequence.Step
		if i < int64(len(steps)) {
			one = steps[i]
		}
		s.Steps = append(s.Steps, h.stepRow(i, one))
	}
	for _, w := range sequence.Works() {
		if !w.Coats() {
			s.Deeds = append(s.Deeds, string(w))
		}
	}
	for _, l := range []advisor.Lie{advisor.LieFlat, advisor.LieUpright, advisor.LieOverhead} {
		s.Lies = append(s.Lies, choice{Value: string(l), Text: h.tx.get("lie_" + string(l)), On: string(l) == p.Lie})
	}
	for _, n := range []int64{0, 1, 2} {
		s.Faces = append(s.Faces, choice{Value: strconv.FormatInt(n, 10), Text: h.tx.get("faces_" + strconv.FormatInt(n, 10)), On: n == p.Faces})
	}
	for _, f := range []string{"", "coated", "back", "both"} {
		s.Sealed = append(s.Sealed, choice{Value: f, Text: h.tx.get("sealed_" + f), On: f == p.SealedFace})
	}
	return s
}

func (h *Handler) placeRow(v View, x sequence.Place, next *sequence.Next) placeRow {
	row := placeRow{N: x.Step, Work: string(x.Work), Mark: h.tx.get("mark_" + string(x.Mark)), Now: next != nil && next.Step == x.Step}
	if x.Times > 1 {
		row.Done = h.tx.get("book_coat_of", x.Done, x.Times)
	}
	if x.At.Known() {
		row.At = clock(x.At.Time(), v.At, v.Zone)
	}
	return row
}

func (h *Handler) stepRow(n int64, s sequence.Step) stepRow {
	row := stepRow{N: n, Line: n + 1, Full: s.UntilFull, System: s.System, Note: s.Note, Count: some(float64(s.Count)), Fabric: some(s.FabricGM2), WaitMin: some(s.WaitMin),
		Coverage: some(s.CoverageGM2), ServiceC: some(s.ServiceC), Works: []choice{{Text: h.tx.get("step_none"), On: s.Work == ""}}, Waits: []choice{{Text: h.tx.get("step_usual"), On: s.Wait == ""}}}
	for _, w := range sequence.Works() {
		if w != sequence.WeaveFull && w != sequence.Inspect {
			row.Works = append(row.Works, choice{Value: string(w), Text: string(w), On: w == s.Work})
		}
	}
	for _, w := range sequence.Waits() {
		row.Waits = append(row.Waits, choice{Value: string(w), Text: h.tx.get("wait_" + strings.ReplaceAll(string(w), " ", "_")), On: w == s.Wait})
	}
	return row
}

// some writes a number that is not said as nothing.
func some(v float64) string {
	if v == 0 {
		return ""
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

func minutes(m int64) string {
	return time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(m) * time.Minute).Format("15:04")
}

func (h *Handler) dayBoxes(on [7]bool) []dayBox {
	var out []dayBox
	for i := range int64(7) {
		n := (i + 1) % 7 // Monday first
		out = append(out, dayBox{N: n, Text: h.tx.get("weekday_" + strconv.FormatInt(n, 10)), On: on[n]})
	}
	return out
}

func (h *Handler) personCard(p BookPerson) personCard {
	c := personCard{BookPerson: p, From: minutes(p.StartMin), Until: minutes(p.EndMin), Off: strings.Join(p.DaysOff, ", "), Pace: some(p.PaceM2H), Boxes: h.dayBoxes(p.Days)}
	if p.EndMin == 1440 {
		c.Until = "23:59"
	}
	var days []string
	for _, d := range c.Boxes {
		if d.On {
			days = append(days, d.Text)
		}
	}
	c.Hours = h.tx.get("person_hours", c.From, c.Until, strings.Join(days, ", "))
	return c
}

func (h *Handler) stockCard(v View, s BookStock) stockCard {
	c := stockCard{BookStock: s, LeftText: number(s.Left, map[string]int{"m": 1}[s.Unit]), Short: s.Left < 0, Rolled: s.Unit == "m", OpenedOn: dayOf(s.Opened, v.Zone), ExpiryOn: dayOf(s.Expiry, v.Zone)}
	for _, what := range []string{"resin", "hardener", "fabric", "peel ply", "filler", "other"} {
		c.Whats = append(c.Whats, choice{Value: what, On: what == s.What})
	}
	for _, unit := range []string{"g", "ml", "m", "each"} {
		c.Units = append(c.Units, choice{Value: unit, On: unit == s.Unit})
	}
	known := s.System == ""
	for _, x := range v.Systems {
		c.Systems = append(c.Systems, choice{Value: x.Name, On: x.goesBy(s.System)})
		known = known || x.goesBy(s.System)
	}
	if !known { // it stays what it is, though the config has it no more
		c.Systems = append(c.Systems, choice{Value: s.System, On: true})
	}
	var more []string
	if s.Lot != "" {
		more = append(more, h.tx.get("stock_lot", s.Lot))
	}
	if !s.Opened.IsZero() {
		more = append(more, h.tx.get("stock_opened", s.Opened.In(v.Zone).Format("2 Jan 2006")))
	}
	if !s.Expiry.IsZero() {
		key := "stock_keeps"
		if c.Late = !s.Expiry.After(v.At); c.Late {
			key = "stock_late"
		}
		more = append(more, h.tx.get(key, s.Expiry.In(v.Zone).Format("2 Jan 2006")))
	}
	c.More = strings.Join(more, ", ")
	return c
}

// dayOf fills a field with a day; a time of the day that was said stays with it.
func dayOf(t time.Time, zone *time.Location) dayField {
	if t.IsZero() {
		return dayField{Type: "date"}
	}
	t = t.In(zone)
	if h, m, s := t.Clock(); h+m+s > 0 {
		return dayField{Type: "datetime-local", Value: t.Format("2006-01-02T15:04:05")}
	}
	return dayField{Type: "date", Value: t.Format(time.DateOnly)}
}

func (h *Handler) changeLines(v View, all []Change) []changeLine {
	var out []changeLine
	for _, c := range all {
		if c.Kind == "freeze-coat" || c.Kind == "begin-book" {
			continue // the shed's own
		}
		line := changeLine{Seq: c.Seq, When: clock(c.At, v.At, v.Zone), Who: c.Who, What: h.tx.get("did_" + c.Kind), Undone: c.Undone != 0, Fields: c.Fields,
			CanUndo: h.canWrite(v) && c.Undone == 0 && !c.Frozen}
		if c.Undone != 0 {
			line.UndoneBy = h.tx.get("past_undone", c.Undone)
		}
		if !c.Sure {
			line.Unsure = h.tx.get("past_unsure")
		}
		out = append(out, line)
	}
	return out
}
