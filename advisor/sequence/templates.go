package sequence

import "strings"

// Template is a plan to start from.
type Template struct {
	Name  string `json:"name"`
	About string `json:"about"`
	Steps []Step `json:"steps"`
}

const (
	usualFills = 3
	// clampMin is the least time in clamps, in minutes, from the glue on. Common practice, no source: the maker's sheet has its own.
	clampMin = 12 * 60.0
	// dryMin is the least time from washing to abrading or coating, in minutes. Common practice, no source.
	dryMin = 60.0
	// darkServiceC is what a dark surface in full sun is taken to reach, C. Common practice, no source.
	darkServiceC = 60.0
)

// Templates lists the plans to start from. Each gives new steps: change them freely. Common practice, no source; the maker's sheet decides.
func Templates() []Template {
	bond := []Step{{Work: Wash, Wait: Firm}, {Work: Abrade, Wait: Sandable, WaitMin: dryMin}}
	with := func(head []Step, tail ...Step) []Step { return append(append([]Step(nil), head...), tail...) }
	fills := Step{Work: Fill, Wait: RecoatWindow, Count: usualFills, UntilFull: true}
	return []Template{
		{"wet method", "Seal, bed the fabric into a tacky coat, wet it out, and fill coat on tacky coat until the weave is full: bonds all the way without sanding.",
			[]Step{Usual(Seal), Usual(Bedding), Usual(LayFabric), Usual(WetOut), fills}},
		{"two layers", "The wet method with a second layer of fabric laid onto the first while that is wet.",
			[]Step{Usual(Seal), Usual(Bedding), Usual(LayFabric), Usual(WetOut), Usual(FurtherFabric), {Work: WetOut, Wait: WhileWet}, fills}},
		{"dry method", "Seal, let it harden, wash and abrade, spread the fabric dry and wet it out where it lies: time to place it, at the price of sanding.",
			with([]Step{Usual(Seal)}, with(bond, Step{Work: LayFabric, Wait: BondByAbrading}, Step{Work: WetOut, Wait: BondByAbrading}, fills)...)},
		{"peel ply", "Fabric wetted out, uncoated peel ply laid on while it is wet: later it comes off and leaves a clean rough surface for the next coat.",
			[]Step{Usual(Seal), Usual(Bedding), Usual(LayFabric), Usual(WetOut), Usual(PeelPlyOn), Usual(PeelPlyOff), {Work: Fill, Wait: BondByAbrading, Count: usualFills, UntilFull: true}}},
		{"filled weave", "Fabric is on: fill until no texture shows, then wash, abrade with 80 grit and fair.",
			with([]Step{fills}, with(bond, Step{Work: Fairing, Wait: BondByAbrading})...)},
		{"bare timber", "No fabric: one seal coat and two more, each within the recoat window of the one beneath.",
			[]Step{Usual(Seal), {Work: Fill, Wait: RecoatWindow, Count: 2}}},
		{"glue-up", "Wet both faces, glue with filler while they are wet, clamp lightly, and leave the clamps for their time.",
			[]Step{Usual(Seal), Usual(Glue), {Work: ClampsOff, Wait: Firm, WaitMin: clampMin}}},
		{"finish", "On a full weave: warm up first where dark paint or sun will heat it, then wash, abrade and coat.",
			with([]Step{{Work: WarmUp, Wait: Cured, ServiceC: darkServiceC}}, with(bond, Usual(Finish))...)},
	}
}

// TemplateOf finds a template by its name; a hyphen stands for a blank and case does not matter.
func TemplateOf(name string) (Template, bool) {
	plain := func(s string) string {
		return strings.ToLower(strings.ReplaceAll(strings.ReplaceAll(strings.TrimSpace(s), "-", " "), "_", " "))
	}
	for _, t := range Templates() {
		if plain(t.Name) == plain(name) {
			return t, true
		}
	}
	return Template{}, false
}

// Fit gives the template's steps with a system for its coats, the weight of its fabric in g/m2, and the number of coats that fill the weave
// (and of the coats that are counted otherwise). "" and 0 leave each as it is.
func (t Template) Fit(system string, fabricGM2 float64, fills int64) []Step {
	steps := append([]Step{}, t.Steps...)
	for i := range steps {
		s := &steps[i]
		if s.Work.Coats() && system != "" {
			s.System = system
		}
		if (s.Work == LayFabric || s.Work == FurtherFabric) && fabricGM2 > 0 {
			s.FabricGM2 = fabricGM2
		}
		if s.Work == Fill && fills > 0 {
			s.Count = fills
		}
	}
	return steps
}
