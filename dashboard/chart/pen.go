// Package chart turns series into drawings, the same for page and record: pure, without clock or state, the same bytes from the same
// input. A drawing is made with the three strokes of a Pen, so that another kind of paper needs another Pen and nothing else.
//
// It draws in one ink, with one tint for water, hatching for what is uncertain, and red for the plumb line of the present alone: every
// drawing can be read in greys, and its words (Words) say the same to somebody who cannot see it.
package chart

// Pt is a place on the paper: x to the right, y down, in units of about one pixel of a phone.
type Pt struct{ X, Y float64 }

// Ink is what a line or text is drawn with.
type Ink uint8

// The inks.
const (
	Navy  Ink = iota // facts
	Faint            // rules, ticks
	Plumb            // the present, and nothing else
)

// Stroke is how a line is drawn. Dash is lengths of line and gap in turn; none is solid.
type Stroke struct {
	Ink   Ink
	Width float64
	Dash  []float64
}

// Wash is what an area is filled with.
type Wash uint8

// The washes.
const (
	Water   Wash = iota // the tint
	Shallow             // the same tint, thinner
	Solid               // ink
	Red                 // the bob of the plumb line
	Paper               // the ground, to keep a label free of lines
)

// Anchor is which end of a text lies at its point.
type Anchor uint8

// The anchors.
const (
	Start Anchor = iota
	Middle
	End
)

// Face is how a text is set. Italic is the serif of captions; upright is the sans of facts.
type Face struct {
	Size   float64
	Anchor Anchor
	Ink    Ink
	Italic bool
	Bold   bool
}

// Pen is what a drawing needs of its paper.
type Pen interface {
	Lines(lines [][]Pt, s Stroke)
	Area(outline []Pt, w Wash)
	Text(at Pt, text string, f Face)
}

// Drawing is a chart that is ready to be drawn. Words are its caption and what it shows, in sentences, for those who cannot see it.
type Drawing interface {
	Size() (w, h float64)
	Words() (title, desc string)
	Draw(p Pen)
}
