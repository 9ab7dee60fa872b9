package record

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"html/template"
	"image/jpeg"
	"strconv"
	"strings"

	"tackline/dashboard/chart"
)

// rows gives what is said of a coat in pairs: what, and what of it.
func (v jobView) rows(c *coatView) [][2]string {
	var rows [][2]string
	say := func(what, of string) {
		if of != "" {
			rows = append(rows, [2]string{what, of})
		}
	}
	system := c.System
	if c.SystemSource != "" {
		system += " (numbers: " + c.SystemSource + ")"
	}
	ended, now, after := "watch ended", "at the end", ""
	if c.Running {
		ended, now, after = "figures up to", "now", "; the coat still runs"
	}
	say("system", system)
	say("on", c.under())
	say("first wetting", v.at(c.Started)+byWhom(c.Who))
	say(ended, v.at(c.End)+", after "+c.Lasted+after)
	say("amount", c.amount())
	say("laid in", c.laidIn())
	for _, b := range c.Batches {
		say("batch", batchText(b))
	}
	say(now, c.Result)
	if c.Blush != "" {
		say("danger of blush", c.Blush+". "+c.BlushWhy)
	}
	say("outgassing", c.GasText)
	say("next coat", c.NextCoat)
	say("out of order", strings.Join(c.Means, " "))
	say("note", c.Note)
	say("trace", c.Trace())
	return rows
}

// under says what a coat lies on.
func (c Coat) under() string {
	s := c.Over
	if c.MoisturePct != nil {
		s += fmt.Sprintf(", moisture content %s %% (%s)", num(*c.MoisturePct, 1), c.MoistureFrom)
	} else if c.Over == "bare timber" {
		s += ", moisture content not measured by meter"
	}
	if c.Prepared != "" {
		s += "; before: " + c.Prepared
	}
	return s
}

func (c Coat) amount() string {
	var parts []string
	if c.AmountG > 0 {
		parts = append(parts, num(c.AmountG, 0)+" g mixed resin")
	}
	if c.AreaM2 > 0 {
		parts = append(parts, "on "+positive(c.AreaM2)+" m²")
	}
	if c.CoverageGM2 != nil {
		parts = append(parts, num(*c.CoverageGM2, 0)+" g/m²")
	}
	if c.FilmMM != nil {
		parts = append(parts, "a mean film of "+num(*c.FilmMM, 2)+" mm as far as it is resin alone")
	}
	return strings.Join(parts, ", ")
}

func (c Coat) laidIn() string {
	var parts []string
	if c.Fabric != "" {
		parts = append(parts, c.Fabric)
	}
	if c.PeelPly {
		parts = append(parts, "peel ply")
	}
	return strings.Join(parts, ", ")
}

// photoView is a photo as a record shows it.
type photoView struct {
	Photo
	Data template.URL // "" where it is not shown
	W, H int
	Alt  string
	Text string
}

func (v jobView) photos(of func(Photo) bool) []photoView {
	var out []photoView
	for _, p := range v.Photos {
		if !of(p) {
			continue
		}
		x := photoView{Photo: p, Alt: p.Caption}
		if x.Alt == "" {
			x.Alt = "photo without a caption"
		}
		text := v.at(p.At) + byWhom(p.Who)
		if p.About != "" && p.Coat == 0 {
			text += ", " + p.About
		}
		if p.Caption != "" {
			text += ": " + p.Caption
		}
		text += fmt.Sprintf(" (%d x %d pixels, SHA-256 %.16s...)", p.Width, p.Height, p.SHA256)
		if p.Shown == nil {
			text += ". Not shown: " + p.NotShown
		} else if c, err := jpeg.DecodeConfig(bytes.NewReader(p.Shown)); err == nil {
			x.W, x.H = c.Width, c.Height
			x.Data = template.URL("data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(p.Shown)) //nolint:gosec // a JPEG that Thumbnail encoded
		}
		x.Text = text
		out = append(out, x)
	}
	return out
}

// jobPhotos gives the photos that belong to no coat.
func (v jobView) jobPhotos() []photoView { return v.photos(func(p Photo) bool { return p.Coat == 0 }) }

// jobNotes gives the notes that belong to no coat, with that on the job itself first.
func (v jobView) jobNotes() []Note {
	var out []Note
	if v.Note != "" {
		out = append(out, Note{Text: v.Note})
	}
	for _, n := range v.Notes {
		if n.Coat == 0 {
			out = append(out, n)
		}
	}
	return out
}

// noteTexts gives notes as sentences.
func (v jobView) noteTexts(all []Note) []string {
	out := make([]string, len(all))
	for i, n := range all {
		out[i] = n.Text
		var head []string
		if !n.At.IsZero() {
			head = append(head, v.at(n.At)+byWhom(n.Who))
		}
		if n.About != "" && n.Coat == 0 {
			head = append(head, n.About)
		}
		if len(head) > 0 {
			out[i] = strings.Join(head, ", ") + ": " + n.Text
		}
	}
	return out
}

// correctionTexts gives the corrections as sentences.
func (v jobView) correctionTexts() []string {
	out := make([]string, len(v.Corrections))
	for i, c := range v.Corrections {
		out[i] = v.at(c.At) + byWhom(c.Who) + ": " + c.Text
	}
	return out
}

// workshopLead says what the workshop's limits are and what their table means.
func (v jobView) workshopLead() string {
	s := "Rule set: " + v.Workshop.Name
	if v.Workshop.Source != "" {
		s += " (" + v.Workshop.Source + ")"
	}
	s += "."
	if v.Workshop.Note != "" {
		s += " " + v.Workshop.Note
	}
	return s + " For how long the conditions of all coats were within and outside each limit, and unknown, in hours and minutes. Limits can be edited: the maker's sheet and whoever surveys the work decide which hold."
}

// pieceView is a piece as a record shows it.
type pieceView struct {
	Piece
	Chart     template.HTML
	Facts     string
	DeedTexts []string
}

// pieceViews gives the pieces for the page.
func (v jobView) pieceViews() []pieceView {
	out := make([]pieceView, len(v.Pieces))
	for i, p := range v.Pieces {
		out[i] = pieceView{Piece: p, Facts: p.facts(), DeedTexts: v.deedTexts(p.Deeds)}
		if d := layersOf(p); d != nil {
			out[i].Chart = template.HTML(chart.SVG(d, "layers-"+strconv.Itoa(i+1))) //nolint:gosec // made by chart, which escapes its texts
		}
	}
	return out
}

func (p Piece) facts() string {
	var parts []string
	if p.DensityKgM3 > 0 {
		parts = append(parts, "density "+num(p.DensityKgM3, 0)+" kg/m³ at 12 % moisture")
	}
	if p.BackSealed {
		parts = append(parts, "the back is sealed")
	}
	return strings.Join(parts, ", ")
}

func (v jobView) deedTexts(all []Deed) []string {
	out := make([]string, len(all))
	for i, d := range all {
		out[i] = v.at(d.At) + byWhom(d.Who) + ": " + d.What
		if d.Note != "" {
			out[i] += " (" + d.Note + ")"
		}
	}
	return out
}

// layersOf gives the drawing of a piece's laminate, nil where nothing is on it or planned.
func layersOf(p Piece) *chart.LayersChart {
	if len(p.Layers) < 2 {
		return nil
	}
	d := &chart.LayersChart{Title: "Layers of " + p.Name, W: 620}
	words := make([]string, len(p.Layers))
	for i, l := range p.Layers {
		kind := chart.Film
		switch l.Stuff {
		case StuffTimber:
			kind = chart.Timber
		case StuffFabric:
			kind = chart.Fabric
		case StuffPeelPly:
			kind = chart.PeelPly
		}
		d.Layers = append(d.Layers, chart.Layer{Kind: kind, Label: l.Text, Planned: l.Planned})
		words[i] = l.Text
		if l.Planned {
			words[i] += " (planned)"
		}
	}
	d.Desc = "From the timber outward: " + strings.Join(words, "; ") + "."
	return d
}
