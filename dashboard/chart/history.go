package chart

import (
	"math"
	"time"
)

// Bar is a stretch of time [From, To) in Unix seconds that is drawn as a bar under the field, such as a coat from its first wetting to its end.
type Bar struct {
	From, To float64
	Label    string
}

// HistoryChart is one kind of quantity over any length of time: up to four lines, told apart by the kind of line, the first with the band from its
// smallest to its largest values. Coats are bars under the field. Steps longer than MaxGap seconds are left open.
type HistoryChart struct {
	Title, Desc string
	From, To    float64 // Unix seconds
	Lines       []Line
	Range       []Band // smallest and largest of the first line
	Unit        string
	Least       float64 // smallest range of the axis
	Bars        []Bar
	Zone        *time.Location
	MaxGap      float64 // s; 0 bridges all
	W, H        float64
}

var _ Drawing = (*HistoryChart)(nil)

// Size gives width and height.
func (c *HistoryChart) Size() (w, h float64) { return c.W, c.H }

// Words gives the caption and the description.
func (c *HistoryChart) Words() (title, desc string) { return c.Title, c.Desc }

const (
	barHigh                   = 18.0
	historyLeft, historyRight = 40.0, 10.0 // of the field, from the paper's edges
	legendHigh, legendLine    = 19.0, 34.0
)

// Draw draws it.
func (c *HistoryChart) Draw(p Pen) {
	if !(c.To > c.From) {
		return
	}
	legend := c.legend()
	f := frame{left: historyLeft, right: c.W - historyRight, top: legendHigh*float64(legend[len(legend)-1].row) + 44, bottom: c.H - 26, from: c.From, to: c.To}
	rows := c.stack()
	f.bottom -= barHigh * float64(rows)
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, l := range c.Lines {
		for _, s := range l.Samples {
			if s.At >= c.From && s.At <= c.To {
				lo, hi = math.Min(lo, s.V), math.Max(hi, s.V)
			}
		}
	}
	for _, b := range c.Range {
		if b.At >= c.From && b.At <= c.To {
			lo, hi = math.Min(lo, b.P10), math.Max(hi, b.P90)
		}
	}
	if hi < lo {
		lo, hi = 0, c.Least
	}
	f.lo, f.hi = span(lo, hi, 0.08, c.Least)
	for _, t := range Ticks(f.lo, f.hi) { // a barometer's numbers are long
		f.left = math.Max(f.left, 8+float64(len(t.Label))*labelSize*0.58)
	}
	band := MarginChart{Bands: c.Range, MaxGap: c.MaxGap}
	for _, outline := range band.bandOutlines(f) {
		p.Area(outline, Shallow)
	}
	f.valueAxis(p, c.Unit)
	kinds := strokes()
	for i, l := range c.Lines {
		k := kinds[i%len(kinds)]
		p.Lines(f.polylines(l.Samples, c.MaxGap, int64(c.W)), k)
		x, y := legend[i].x, 12+legendHigh*float64(legend[i].row)
		p.Lines([][]Pt{{{x, y}, {x + legendLine, y}}}, k)
		p.Text(Pt{x + legendLine + 6, y + 4.5}, l.Label, Face{Size: labelSize})
	}
	base := f
	base.bottom = c.H - 26
	c.bars(p, f, rows)
	p.Lines([][]Pt{{{f.left, f.bottom}, {f.right, f.bottom}}}, Stroke{Ink: Navy, Width: 0.5})
	base.timeAxis(p, c.Zone, int64(math.Max(3, c.W/70)))
}

// legendEntry is where a line's name stands: x of its stroke, and its row.
type legendEntry struct {
	x   float64
	row int
}

// legend puts the names of the lines beside one another, in as many rows as the width asks for; one entry at least.
func (c *HistoryChart) legend() []legendEntry {
	out, at := []legendEntry{}, legendEntry{}
	for _, l := range c.Lines {
		wide := legendLine + 6 + float64(len(l.Label))*labelSize*0.56
		if at.x > 0 && at.x+wide > c.W {
			at = legendEntry{row: at.row + 1}
		}
		out = append(out, at)
		at.x += wide + 18
	}
	return append(out, at)
}

// rowOf puts each bar in the first row where it runs into no other.
func (c *HistoryChart) rowOf() []int {
	var ends []float64
	out := make([]int, len(c.Bars))
	for i, b := range c.Bars {
		row := 0
		for row < len(ends) && ends[row] > b.From {
			row++
		}
		if row == len(ends) {
			ends = append(ends, 0)
		}
		ends[row], out[i] = b.To, row
	}
	return out
}

func (c *HistoryChart) stack() int {
	most := 0
	for _, r := range c.rowOf() {
		most = max(most, r+1)
	}
	return most
}

func (c *HistoryChart) bars(p Pen, f frame, rows int) {
	for i, row := range c.rowOf() {
		b := c.Bars[i]
		x0, x1 := f.x(f.inside(b.From)), f.x(f.inside(b.To))
		x1 = math.Max(x1, x0+2)
		y := f.bottom + barHigh*float64(row)
		p.Area([]Pt{{x0, y + 3}, {x1, y + 3}, {x1, y + barHigh - 3}, {x0, y + barHigh - 3}}, Water)
		p.Lines([][]Pt{{{x0, y + 3}, {x0, y + barHigh - 3}}}, Stroke{Ink: Navy, Width: 1.4})
		if wide := float64(len(b.Label)) * 6; wide < x1-x0 {
			p.Text(Pt{x0 + 4, y + barHigh - 5}, b.Label, Face{Size: 11.5, Italic: true})
		}
	}
}
