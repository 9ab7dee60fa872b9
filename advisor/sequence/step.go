package sequence

import (
	"fmt"
	"math"
	"strings"
)

// Work is what one step does. Those that put resin on have the name of the kind of coat.
type Work string

// The works. Seal to Finish are coats; the others are deeds.
const (
	Seal          Work = "seal"
	Bedding       Work = "bedding"
	WetOut        Work = "wet-out"
	Fill          Work = "fill"
	Fairing       Work = "fairing"
	Glue          Work = "glue"
	Finish        Work = "finish"
	LayFabric     Work = "lay fabric"
	FurtherFabric Work = "further fabric"
	PeelPlyOn     Work = "peel ply on"
	PeelPlyOff    Work = "peel ply off"
	Wash          Work = "wash"
	Scuff         Work = "scuff"
	Abrade        Work = "abrade"
	ClampsOff     Work = "clamps off"
	WarmUp        Work = "warm-up"
	// WeaveFull and Inspect are findings rather than work: they stand among the deeds, and in no template.
	WeaveFull Work = "weave full"
	Inspect   Work = "inspect"
)

// Works lists all of them: the coats, then the deeds.
func Works() []Work {
	return []Work{Seal, Bedding, WetOut, Fill, Fairing, Glue, Finish, LayFabric, FurtherFabric, PeelPlyOn, PeelPlyOff, Wash, Scuff, Abrade,
		ClampsOff, WarmUp, WeaveFull, Inspect}
}

// Coats tells whether the work puts resin on.
func (w Work) Coats() bool {
	switch w {
	case Seal, Bedding, WetOut, Fill, Fairing, Glue, Finish:
		return true
	}
	return false
}

func (w Work) known() bool {
	for _, x := range Works() {
		if w == x {
			return true
		}
	}
	return false
}

// Wait is what a step waits for in the coat beneath. Where there is no coat beneath, a step waits for nothing.
type Wait string

// The waits.
const (
	Nothing        Wait = "nothing"
	WhileWet       Wait = "wet"              // at once, as long as the coat beneath is wet
	TackWindow     Wait = "tack window"      // grabs, and what is laid on it still sinks in
	RecoatWindow   Wait = "recoat window"    // tacky to the end of green: bonds by itself
	Firm           Wait = "firm"             // dents no more
	Sandable       Wait = "sandable"         // sands to dust
	Cured          Wait = "cured"            // has reached what it can at this temperature
	BondByAbrading Wait = "bond by abrading" // hardened, washed, dry again, and scuffed or abraded
)

// Waits lists all of them.
func Waits() []Wait {
	return []Wait{Nothing, WhileWet, TackWindow, RecoatWindow, Firm, Sandable, Cured, BondByAbrading}
}

func (w Wait) known() bool {
	for _, x := range Waits() {
		if w == x {
			return true
		}
	}
	return false
}

// Opens names the mark of the coat beneath from which the wait is over: "" at once, else tack_opens, firm, sandable or cured.
// For BondByAbrading it is sandable; washing, drying and abrading come on top.
func (w Wait) Opens() string {
	switch w {
	case TackWindow, RecoatWindow:
		return "tack_opens"
	case Firm:
		return "firm"
	case Sandable, BondByAbrading:
		return "sandable"
	case Cured:
		return "cured"
	}
	return ""
}

// Closes names the mark of the coat beneath at which it is too late: "" never, else tack_opens, tack_closes or recoat_closes.
func (w Wait) Closes() string {
	switch w {
	case WhileWet:
		return "tack_opens"
	case TackWindow:
		return "tack_closes"
	case RecoatWindow:
		return "recoat_closes"
	}
	return ""
}

// Timed tells whether the wait ends by itself: such a step can be missed.
func (w Wait) Timed() bool { return w.Closes() != "" }

// Step is one step of a plan. Zero is "not said" for every number.
type Step struct {
	Work        Work    `json:"work"`
	System      string  `json:"system,omitempty"`        // resin system by name; "" the one of the coat before
	Wait        Wait    `json:"wait"`                    // for the coat beneath
	WaitMin     float64 `json:"wait_min,omitempty"`      // and at least so many minutes after the step before
	FabricGM2   float64 `json:"fabric_g_m2,omitempty"`   // of a step that lays fabric, one layer
	CoverageGM2 float64 `json:"coverage_g_m2,omitempty"` // mixed resin that a coat takes
	Count       int64   `json:"count,omitempty"`         // planned number of coats of this kind, one after another; 0 is 1
	UntilFull   bool    `json:"until_full,omitempty"`    // goes on until the weave is full; Count is then what is expected
	ServiceC    float64 `json:"service_c,omitempty"`     // of warm-up: temperature that the surface must stand afterwards, C
	Note        string  `json:"note,omitempty"`          // her own words
}

// Times is how many coats the step plans, at least 1.
func (s Step) Times() int64 { return max(1, s.Count) }

// Bounds of a step's numbers. They are there to catch slips of the unit, not to teach.
const (
	mostWaitMin = 60 * 24 * 365
	mostGM2     = 5000
	mostCount   = 50
	lowestC     = -40
	highestC    = 200
	longestNote = 1000
	mostSteps   = 200
	longestName = 120
)

// Check gives what is wrong with a plan, in the order of its steps: an unknown word, a number outside its range. Steps count from 1.
// What is merely unusual is not wrong; Remarks speaks of that.
func Check(steps []Step) []error {
	var bad []error
	if len(steps) > mostSteps {
		bad = append(bad, fmt.Errorf("sequence: %d steps: at most %d", len(steps), mostSteps))
	}
	for i, s := range steps {
		for _, err := range s.check() {
			bad = append(bad, fmt.Errorf("sequence: step %d: %w", i+1, err))
		}
	}
	return bad
}

func (s Step) check() []error {
	var bad []error
	fail := func(format string, args ...any) { bad = append(bad, fmt.Errorf(format, args...)) }
	if !s.Work.known() || s.Work == WeaveFull {
		fail("work %q is not one of %s", s.Work, list(Works()[:len(Works())-2]))
	}
	if !s.Wait.known() {
		fail("wait %q is not one of %s", s.Wait, list(Waits()))
	}
	within := func(name string, v, lo, hi float64, unit string) {
		if math.IsNaN(v) || v < lo || v > hi {
			fail("%s %g %s is outside %g to %g", name, v, unit, lo, hi)
		}
	}
	within("wait_min", s.WaitMin, 0, mostWaitMin, "min")
	within("fabric_g_m2", s.FabricGM2, 0, mostGM2, "g/m2")
	within("coverage_g_m2", s.CoverageGM2, 0, mostGM2, "g/m2")
	within("count", float64(s.Count), 0, mostCount, "coats")
	within("service_c", s.ServiceC, lowestC, highestC, "C")
	if !s.Work.Coats() && (s.Count > 1 || s.UntilFull) {
		fail("%s puts no resin on: count and until_full are for coats", s.Work)
	}
	if s.FabricGM2 > 0 && s.Work != LayFabric && s.Work != FurtherFabric {
		fail("fabric_g_m2 belongs to %s or %s", LayFabric, FurtherFabric)
	}
	if len(s.Note) > longestNote {
		fail("the note has %d bytes: at most %d", len(s.Note), longestNote)
	}
	if len(s.System) > longestName {
		fail("the system's name has %d bytes: at most %d", len(s.System), longestName)
	}
	return bad
}

func list[T ~string](all []T) string {
	words := make([]string, len(all))
	for i, w := range all {
		words[i] = string(w)
	}
	return strings.Join(words, ", ")
}
