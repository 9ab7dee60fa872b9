package cure

import "fmt"

// Mark is a moment in the life of a thin coat at which what may be done with it changes. Nearest terms of open standards: TackOpens lies
// by "set-to-touch" of ASTM D1640, Firm by its "dry-hard", both on a non-absorbent panel; none defines the others.
type Mark int8

// The marks in their order.
const (
	TackOpens    Mark = iota // grabs, leaves the glove clean
	TackCloses               // fabric or the next coat no longer sinks in
	RecoatCloses             // the end of green: the next coat no longer bonds chemically
	Firm                     // dents no more
	Sandable                 // sands to dust
)

// AllMarks gives all marks in their order.
func AllMarks() []Mark { return []Mark{TackOpens, TackCloses, RecoatCloses, Firm, Sandable} }

// markNames are the words of the system's file, of JSON and of the record.
var markNames = [5]string{"tack_opens", "tack_closes", "recoat_closes", "firm", "sandable"}

// String gives the mark's word in files and JSON, e.g. "recoat_closes".
func (m Mark) String() string {
	if m < TackOpens || m > Sandable {
		return fmt.Sprintf("mark %d", int8(m))
	}
	return markNames[m]
}

// MarkNamed gives the mark of a word as String writes it; ok is false for any other.
func MarkNamed(word string) (m Mark, ok bool) {
	for i, w := range markNames {
		if w == word {
			return Mark(i), true
		}
	}
	return 0, false
}

// SandableShare is the share of the sheet's conversion at Sandable below which no coat is called sandable, however hard it feels: the dust
// of half-cured resin sensitises. Ours, no source.
const SandableShare = 0.9

// The events that a course looks for: the five marks, the two that can replace RecoatCloses, and gel.
const (
	eventReduced = iota + 5 // the sheet's recoat time, scaled by reduced time
	eventGel
	events
)

// markSet says where the marks lie, from the sheet's own point.
type markSet struct {
	byTg      bool
	conv      [5]float64 // conversion at the sheet's point
	above     [5]float64 // Tg - film temperature at the sheet's point, K; of the later three, if byTg
	sheetC    float64    // temperature of the sheet's point, C
	recoatSec float64    // the sheet's time to RecoatCloses at sheetC, s
}

// place sets the marks from conversions at the sheet's temperature.
func (s *markSet) place(l *law, conv [5]float64, sheetC float64) {
	s.conv, s.sheetC = conv, sheetC
	for i, a := range conv {
		s.above[i] = l.tg(a) - sheetC
	}
}
