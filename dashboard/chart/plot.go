package chart

import (
	"math"
	"sort"
	"time"
)

// Sample is a value at a time in Unix seconds.
type Sample struct{ At, V float64 }

// Band is the 10 and 90 % bounds of a value at a time in Unix seconds.
type Band struct{ At, P10, P90 float64 }

const (
	labelSize = 13.5
	lineWidth = 2.2
	hairline  = 1.0
	hatchStep = 7.0
)

// dashes of lines that have to be told apart without colour.
var (
	dashAhead = []float64{7, 4}
	dashLimit = []float64{2, 4}
	dashLong  = []float64{11, 4}
	dashDots  = []float64{1.5, 3.5}
)

// frame maps time and value to paper.
type frame struct {
	left, right, top, bottom float64 // of the field, on paper
	from, to, lo, hi         float64
}

func (f frame) x(at float64) float64 { return f.left + (at-f.from)/(f.to-f.from)*(f.right-f.left) }
func (f frame) y(v float64) float64  { return f.bottom - (v-f.lo)/(f.hi-f.lo)*(f.bottom-f.top) }

// inside clips a time to the frame.
func (f frame) inside(at float64) float64 { return math.Min(math.Max(at, f.from), f.to) }

// timeAxis draws the base line with its ticks and labels. A day's name stands bold, with a taller tick.
func (f frame) timeAxis(p Pen, zone *time.Location, most int64) {
	p.Lines([][]Pt{{{f.left, f.bottom}, {f.right, f.bottom}}}, Stroke{Ink: Navy, Width: hairline})
	var small, tall [][]Pt
	for _, t := range TimeTicks(f.from, f.to, zone, most) {
		x := f.x(t.At)
		if t.Major {
			tall = append(tall, []Pt{{x, f.bottom - 4}, {x, f.bottom + 7}})
		} else {
			small = append(small, []Pt{{x, f.bottom}, {x, f.bottom + 5}})
		}
		half := float64(len(t.Label)) * labelSize * 0.31
		at := math.Min(math.Max(x, half), f.right+8-half)
		p.Text(Pt{at, f.bottom + 21}, t.Label, Face{Size: labelSize, Anchor: Middle, Bold: t.Major})
	}
	p.Lines(small, Stroke{Ink: Navy, Width: hairline})
	p.Lines(tall, Stroke{Ink: Navy, Width: hairline * 1.5})
}

// valueAxis draws hair lines across the field with their labels to the left; the unit stands above the topmost.
func (f frame) valueAxis(p Pen, unit string) {
	var rules [][]Pt
	for _, t := range Ticks(f.lo, f.hi) {
		y := f.y(t.At)
		rules = append(rules, []Pt{{f.left, y}, {f.right, y}})
		p.Text(Pt{f.left - 6, y + 4.5}, t.Label, Face{Size: labelSize, Anchor: End})
	}
	p.Lines(rules, Stroke{Ink: Faint, Width: 0.4})
	p.Text(Pt{0, f.top - 9}, unit, Face{Size: labelSize, Italic: true})
}

// plumb draws the present: a red line that hangs from the top and ends in a bob on the base line.
func (f frame) plumb(p Pen, now float64, label string) {
	if now < f.from || now > f.to {
		return
	}
	x, head := f.x(now), f.top-8
	p.Lines([][]Pt{{{x, head}, {x, f.bottom - 9}}}, Stroke{Ink: Plumb, Width: 1.8})
	p.Area([]Pt{{x - 5, f.bottom - 11}, {x + 5, f.bottom - 11}, {x, f.bottom}}, Red)
	face, at := Face{Size: labelSize, Ink: Plumb}, Pt{x + 5, head + 8}
	if x > f.right-30 {
		face.Anchor, at.X = End, x-5
	}
	p.Text(at, label, face)
}

// polylines cuts samples at every step longer than maxGap (0 bridges all), thins each run to the given columns, and gives the runs on paper.
// The cut comes first: thinning widens steps, and must neither make a gap nor close one. A lone sample becomes a short dash.
func (f frame) polylines(s []Sample, maxGap float64, columns int64) [][]Pt {
	var out [][]Pt
	for i := 0; i < len(s); {
		j := i + 1
		for ; j < len(s) && (maxGap <= 0 || s[j].At-s[j-1].At <= maxGap); j++ {
		}
		var line []Pt
		for _, q := range Decimate(s[i:j], f.from, f.to, columns) {
			if q.At >= f.from && q.At <= f.to {
				line = append(line, Pt{f.x(q.At), f.y(q.V)})
			}
		}
		if len(line) == 1 {
			line = []Pt{{line[0].X - 1, line[0].Y}, {line[0].X + 1, line[0].Y}}
		}
		if len(line) > 1 {
			out = append(out, line)
		}
		i = j
	}
	return out
}

// Decimate thins samples to at most four a column (first, smallest, largest, last), so that no extreme is lost and no gap is closed.
// Columns are equal shares of [from, to].
func Decimate(s []Sample, from, to float64, columns int64) []Sample {
	if int64(len(s)) <= 4*columns || columns < 1 || !(to > from) {
		return s
	}
	width := (to - from) / float64(columns)
	var out []Sample
	for i := 0; i < len(s); {
		col := math.Floor((s[i].At - from) / width)
		j, lo, hi := i, i, i
		for ; j < len(s) && math.Floor((s[j].At-from)/width) == col; j++ {
			if s[j].V < s[lo].V {
				lo = j
			}
			if s[j].V > s[hi].V {
				hi = j
			}
		}
		keep := []int{i, lo, hi, j - 1}
		sort.Ints(keep)
		for k, at := range keep {
			if k == 0 || at != keep[k-1] {
				out = append(out, s[at])
			}
		}
		i = j
	}
	return out
}

// hatch gives the strokes, falling to the left at 45 degrees, that fill a polygon. They are lines and not a pattern of the paper's, so that
// they come out the same on every kind of paper.
func hatch(outline []Pt, step float64) [][]Pt {
	if len(outline) < 3 {
		return nil
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, q := range outline {
		lo, hi = math.Min(lo, q.X+q.Y), math.Max(hi, q.X+q.Y)
	}
	var out [][]Pt
	for c := math.Ceil(lo/step) * step; c < hi; c += step {
		var cuts []float64 // x where the line x + y = c crosses an edge
		for i, a := range outline {
			b := outline[(i+1)%len(outline)]
			sa, sb := a.X+a.Y-c, b.X+b.Y-c
			if (sa < 0) != (sb < 0) {
				cuts = append(cuts, a.X+(b.X-a.X)*sa/(sa-sb))
			}
		}
		sort.Float64s(cuts)
		for i := 0; i+1 < len(cuts); i += 2 {
			if cuts[i+1]-cuts[i] > 0.3 {
				out = append(out, []Pt{{cuts[i], c - cuts[i]}, {cuts[i+1], c - cuts[i+1]}})
			}
		}
	}
	return out
}

// span gives the least and the greatest of the values, widened to include more, and by a share so that no line lies on the edge.
func span(lo, hi float64, share, least float64) (float64, float64) {
	if hi-lo < least {
		mid := (lo + hi) / 2
		lo, hi = mid-least/2, mid+least/2
	}
	d := (hi - lo) * share
	return lo - d, hi + d
}
