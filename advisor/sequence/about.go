package sequence

import (
	"fmt"
	"slices"
)

// trade is what the package knows of a work: what it is, the wait that a new step of it gets, what it allows next.
type trade struct {
	work   Work
	about  string
	wait   Wait
	allows []Work
}

// trades is the table. All of it is common practice, no source.
var trades = []trade{
	{Seal, "First thin coat on bare timber; draws in best while the timber cools.", Nothing, []Work{Bedding, Fill, Glue, LayFabric, Fairing, Finish, Wash}},
	{Bedding, "The coat that fabric is laid into once it grabs.", RecoatWindow, []Work{LayFabric, Wash}},
	{LayFabric, "Fabric goes on: into a tacky bedding coat (wet method), or dry onto a clean hard surface (dry method).", TackWindow, []Work{WetOut}},
	{WetOut, "Resin through the fabric until it turns clear, the surplus drawn off.", RecoatWindow, []Work{FurtherFabric, PeelPlyOn, Fill, Wash}},
	{FurtherFabric, "The next layer of fabric, onto resin that is still wet.", WhileWet, []Work{WetOut}},
	{Fill, "Fills the weave, coat on tacky coat, until no texture shows.", RecoatWindow, []Work{Fill, PeelPlyOn, Fairing, Finish, Wash}},
	{PeelPlyOn, "Uncoated peel ply (no release agent on it) onto wet resin, rolled down without air.", WhileWet, []Work{PeelPlyOff}},
	{PeelPlyOff, "Peel ply off the hardened coat: it leaves a clean rough surface to bond to. It may stay on for months; then inspect, wash and scuff.", Firm,
		[]Work{Fill, Bedding, Fairing, Glue, Wash, Scuff, Inspect}},
	{Wash, "Clean water and a plain pad, wiped off while wet, to take blush away before any abrading; then let it dry.", Firm, []Work{Scuff, Abrade}},
	{Scuff, "A pad by hand, only until the gloss is gone. The one way on unfilled weave: paper would cut the threads.", Firm, []Work{Bedding, LayFabric, Fill, Fairing, Glue, Finish}},
	{Abrade, "80 grit, once the weave is full and the coat sands to dust at this temperature; dust mask, gloves.", Sandable, []Work{Bedding, LayFabric, Fill, Fairing, Glue, Finish, WarmUp}},
	{Fairing, "A thick coat with filler, to make the surface fair.", RecoatWindow, []Work{Fairing, Fill, Finish, Wash}},
	{Glue, "Glue with filler between two faces, clamped lightly: a starved joint is weak.", WhileWet, []Work{ClampsOff}},
	{ClampsOff, "Clamps off once the squeeze-out is firm and its time is over; no load before it is cured.", Firm, []Work{Wash, Fairing}},
	{WarmUp, "Warm the cured piece step by step above what dark paint or sun will make of it, so that it does not soften or print through later.", Cured, []Work{Wash, Abrade, Finish}},
	{Finish, "The last coat, or the paint's ground.", BondByAbrading, []Work{Finish, Wash}},
	{WeaveFull, "Her finding that no texture of the weave shows any more.", Nothing, nil},
	{Inspect, "A look at the surface in raking light: stains, dry weave, lifted edges.", Nothing, nil},
}

func tradeOf(w Work) trade {
	for _, t := range trades {
		if t.work == w {
			return t
		}
	}
	return trade{work: w, wait: Nothing}
}

// About says in a sentence what a work is.
func (w Work) About() string { return tradeOf(w).about }

// Allows lists what usually follows a work. Common practice, no source.
func (w Work) Allows() []Work { return append([]Work(nil), tradeOf(w).allows...) }

// Usual gives a step of a work with the wait that is usual for it.
func Usual(w Work) Step { return Step{Work: w, Wait: tradeOf(w).wait} }

// Remarks says what is unusual in a plan, in sentences; it refuses nothing.
func Remarks(steps []Step) []string {
	var out []string
	for i, s := range steps {
		if i > 0 {
			before := steps[i-1]
			if a := tradeOf(before.Work).allows; len(a) > 0 && s.Work.known() && !slices.Contains(a, s.Work) && s.Work != Wash && s.Work != before.Work {
				out = append(out, fmt.Sprintf("Step %d, %s after %s, is unusual: after %s usually comes %s.", i+1, s.Work, before.Work, before.Work, list(a)))
			}
		}
		if s.Work == Abrade && woven(steps[:i]) == weaveOpen {
			out = append(out, fmt.Sprintf("Step %d abrades before the weave is full: paper cuts the threads; scuff with a pad, or fill first.", i+1))
		}
	}
	return out
}

// weave is how far the weave of the fabric is filled.
type weave int64

const (
	weaveNone weave = iota // no fabric on it
	weaveOpen              // fabric, and texture shows or may show
	weaveFull              // she says so, or a plan's own filling is over
)

// woven tells what a plan has made of the weave by its end.
func woven(steps []Step) weave {
	w := weaveNone
	for _, s := range steps {
		switch {
		case s.Work == LayFabric || s.Work == FurtherFabric || s.Work == WetOut:
			w = weaveOpen
		case w == weaveOpen && (s.UntilFull || s.Work == Fairing):
			w = weaveFull
		}
	}
	return w
}
