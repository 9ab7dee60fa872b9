package record

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// mostSummary is how many rows the summary has at most, so that it keeps to one page.
const mostSummary = 16

// summaryRow is one line of the summary: a coat, or all coats of a piece where there are too many for a page.
type summaryRow struct{ Name, System, On, Within, Outside, Unknown, Blush, End string }

// summaryRows gives the lines of the summary: a coat each; where those are too many for a page a piece each, and the pieces that are too many in one.
func (v jobView) summaryRows() []summaryRow {
	if len(v.Coats) <= mostSummary {
		out := make([]summaryRow, len(v.Coats))
		for i := range v.Coats {
			out[i] = v.summaryOf(fmt.Sprintf("%d. %s on %s", v.Coats[i].Number, v.Coats[i].Kind, v.Coats[i].PieceName), v.Coats[i:i+1])
		}
		return out
	}
	var names []string
	by := map[string][]coatView{}
	for _, c := range v.Coats {
		if _, ok := by[c.PieceName]; !ok {
			names = append(names, c.PieceName)
		}
		by[c.PieceName] = append(by[c.PieceName], c)
	}
	var rest []coatView
	left := 0
	if len(names) > mostSummary {
		for _, n := range names[mostSummary-1:] {
			rest, left = append(rest, by[n]...), left+1
		}
		names = names[:mostSummary-1]
	}
	var out []summaryRow
	for _, n := range names {
		out = append(out, v.summaryOf(fmt.Sprintf("%s, %d coats", n, len(by[n])), by[n]))
	}
	if left > 0 {
		out = append(out, v.summaryOf(fmt.Sprintf("%d further pieces, %d coats", left, len(rest)), rest))
	}
	return out
}

// summaryOf sums up coats: times added, the worst danger of blush, every state that they came to.
func (v jobView) summaryOf(name string, coats []coatView) summaryRow {
	row := summaryRow{Name: name, Outside: "", Unknown: "no limit set"}
	var systems, ends []string
	var within, outside, unknown float64
	blush := []string{"", "low", "some", "high"}
	worst, limited := 0, false
	for _, c := range coats {
		if !slices.Contains(systems, c.System) {
			systems = append(systems, c.System)
		}
		end := string(c.State)
		switch {
		case c.Running:
			end = "runs"
		case end == "":
			end = "not known"
		}
		if !slices.Contains(ends, end) {
			ends = append(ends, end)
		}
		worst = max(worst, slices.Index(blush, c.Blush))
		for _, k := range c.kept(v.Limits, v.AsOf) {
			if k.Limit.Quantity == MarginK {
				limited = true
				within, outside, unknown = within+k.Within, outside+k.Outside, unknown+k.Unknown
				break
			}
		}
	}
	row.System, row.End, row.Blush = strings.Join(systems, ", "), strings.Join(ends, ", "), blush[worst]
	row.On = v.at(coats[0].Started)
	if len(coats) > 1 {
		row.On = v.day(coats[0].Started) + " to " + v.day(latestStart(coats))
	}
	if limited {
		row.Within, row.Outside, row.Unknown = hmm(within), hmm(outside), hmm(unknown)
	}
	return row
}

func latestStart(coats []coatView) time.Time {
	last := coats[0].Started
	for _, c := range coats {
		if c.Started.After(last) {
			last = c.Started
		}
	}
	return last
}
