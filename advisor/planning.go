package advisor

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"tackline/advisor/building"
	"tackline/advisor/cure"
	"tackline/advisor/learn"
	"tackline/advisor/plan"
	"tackline/advisor/sequence"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

const (
	// PlanStarts is how many starts a plan looks at: two days of quarter hours.
	PlanStarts = int64(Horizon / plan.Step)
	// planReach is how far a plan follows a sequence, in seconds: two days more than its last start.
	planReach = 2 * Horizon
	// leastLog is the least length of log for a plan, s: from less, a day's shape is a guess about the hours that matter most.
	leastLog = 3 * 3600.0
)

// PlanRequest asks when to start on a piece.
type PlanRequest struct {
	Piece   int64
	Steps   []sequence.Step        // what is left to do; nil: of the piece's own plan, and without one the next coat alone
	Systems map[string]cure.System // that a what-if may name, beside the situation's own
	Every   int64                  // quarter hours from one start to the next; 0 is 1
	WhatIf  [][]plan.WhatIf        // each tried by itself; those of one go together
	// OutdoorC and OutdoorPa are a forecast of outdoors from elsewhere, C and Pa of vapour; empty where there is none. They are used where probes
	// outdoors have taught how the shed follows. NoOutdoor is "" or why one that is wanted is not there. Advise never sees them: advice has to
	// come out of the stored facts alone.
	OutdoorC, OutdoorPa trace.Trace
	NoOutdoor           string
	Sizes               *building.Sizes // of the shed, for the heat that what-ifs take; nil: not known
}

// Plan is when to start on a piece, and why not at other times. It is made when asked for and never stored.
type Plan struct {
	At       units.Instant `json:"at"`
	Model    string        `json:"model"`
	Piece    int64         `json:"piece_id"`
	Name     string        `json:"piece"`
	Zone     string        `json:"zone"`     // of the shed, in which the texts have their times of day
	Basis    string        `json:"basis"`    // in words, what the forecast's spread rests on
	Cautions []string      `json:"cautions"` // what the chances leave out, and what a reader must know
	Work     []PlanWork    `json:"work"`     // what each step takes, in order
	CantSay  string        `json:"cant_say"` // "" or why there is no plan, and what to do
	plan.Result
	WhatIf []plan.Gain `json:"what_if"`
}

// PlanWork is what one step takes.
type PlanWork struct {
	Step    string  `json:"step"`
	WorkMin float64 `json:"work_min"` // mixing included
	Batches int64   `json:"batches"`  // 0: none, or not known
	BatchG  float64 `json:"batch_g"`  // mixed, of each
	UseMin  float64 `json:"use_min"`  // to mix and use one
}

// PlanFor plans the rest of a piece's sequence over the next two days. It is a pure function, as Advise is. Where there is not enough to plan with
// the error wraps plan.ErrNotEnough, and says what is missing and what to do; the Plan then says so too, in CantSay.
func PlanFor(s Situation, req PlanRequest) (Plan, error) {
	d, err := draft(s, req, "")
	if err != nil {
		return noPlan(&s, req, err), err
	}
	p, err := d.make()
	if err != nil {
		return noPlan(&s, req, err), err
	}
	for _, list := range req.WhatIf {
		gain, err := d.try(s, req, p.Result, list)
		if err != nil {
			return p, err
		}
		p.WhatIf = append(p.WhatIf, gain)
	}
	return p, nil
}

// noPlan is a Plan that only says why there is none.
func noPlan(s *Situation, req PlanRequest, err error) Plan {
	p := Plan{At: s.At, Model: ModelVersion, Piece: req.Piece, Zone: zoneName(s), Cautions: []string{}, Work: []PlanWork{}, WhatIf: []plan.Gain{},
		Result: plan.Result{Steps: []string{}, Starts: []plan.Start{}, Best: []plan.Start{}, Others: []plan.Others{}, Changes: []plan.Change{}}}
	for i := range s.Pieces {
		if s.Pieces[i].ID == req.Piece {
			p.Name = s.Pieces[i].Name
		}
	}
	if errors.Is(err, plan.ErrNotEnough) {
		p.CantSay = strings.TrimPrefix(err.Error(), plan.ErrNotEnough.Error()+": ")
	}
	return p
}

func zoneName(s *Situation) string {
	if s.Zone == nil {
		return time.UTC.String()
	}
	return s.Zone.String()
}

// try does what-ifs. Another system wants another draft.
func (d *drafted) try(s Situation, req PlanRequest, before plan.Result, list []plan.WhatIf) (plan.Gain, error) {
	in := d.input
	for _, w := range list {
		if w.Deed == plan.Swap {
			other, err := draft(s, req, w.System)
			if err != nil {
				return plan.Gain{}, err
			}
			in = other.input
		}
	}
	return plan.Try(in, before, list)
}

// drafted is a plan that is ready to be made.
type drafted struct {
	s     *Situation
	w     weather
	piece *Piece
	skin  skin
	input plan.Input
	out   Plan
	tasks []task // of each step of the input

	kinds     []kindOfDrum  // of each of the input's systems
	firstWait sequence.Wait // what the first step waits for, as the sequence has it
}

// kindOfDrum is a drum and what is made of it: touches teach each kind of coat apart.
type kindOfDrum struct {
	key  drumKey
	kind Kind
}

func (d *drafted) make() (Plan, error) {
	r, err := plan.Make(d.input)
	if err != nil {
		return Plan{}, err
	}
	d.out.Result = r
	d.out.Work, d.out.WhatIf = []PlanWork{}, []plan.Gain{}
	for i, t := range d.input.Steps {
		d.out.Work = append(d.out.Work, PlanWork{t.Name, t.WorkMin, d.tasks[i].batches, math.Round(d.tasks[i].batchG), math.Round(t.UseMin)})
	}
	return d.out, nil
}

func cantPlan(format string, args ...any) error {
	return fmt.Errorf("%w: %s", plan.ErrNotEnough, fmt.Sprintf(format, args...))
}

// draft gathers what a plan needs. Swap names a system that is to be used for all that is left; "" for none.
func draft(s Situation, req PlanRequest, swap string) (*drafted, error) {
	d := &drafted{s: &s}
	for i := range s.Pieces {
		if s.Pieces[i].ID == req.Piece {
			d.piece = &s.Pieces[i]
		}
	}
	switch {
	case d.piece == nil:
		return nil, cantPlan("the job book has no piece %d: add it first", req.Piece)
	case !s.ClockSet:
		return nil, cantPlan("the clock is not set, and a plan is made of times of day: set it, or give the board a network")
	}
	d.w = readFor(&s, planDraws(), planReach+2*plan.Step)
	switch {
	case d.w.noAir != "":
		return nil, cantPlan("no present %s: see to the probe", d.w.noAir)
	case d.w.noRH != "":
		return nil, cantPlan("no present %s: see to the probe", d.w.noRH)
	case d.w.noFuture != "":
		return nil, cantPlan("%s", d.w.noFuture)
	}
	learnt := learnShed(&s, &d.w, &req)
	if first, ok := d.w.airC.First(); !ok || d.w.at-first < leastLog {
		return nil, cantPlan("the log is shorter than %.0f h: let the probes run and ask again", leastLog/3600)
	}
	if d.skin = surfaceOf(&d.w, d.piece); d.skin.missing != "" {
		return nil, cantPlan("the surface's temperature can't be told: %s", d.skin.missing)
	}
	d.out = Plan{At: s.At, Model: ModelVersion, Piece: d.piece.ID, Name: d.piece.Name, Zone: zoneName(&s), Cautions: []string{}}
	in := &d.input
	*in = plan.Input{Origin: units.Instant(math.Ceil(float64(s.At)/plan.Step) * plan.Step), Starts: PlanStarts, Every: req.Every, Zone: s.Zone,
		Hours:  plan.WorkingHours(s.Hours),
		Shed:   plan.AssumedShed(),
		Limits: plan.Limits{MarginK: float64(s.Limits.MarginK), MarginU: marginU(&d.w, &d.skin), GasGrowth: s.Limits.GasGrowth}}
	if err := learnt.into(&in.Shed, req.Sizes); err != nil {
		return nil, err
	}
	for _, note := range learnt.notes {
		d.say("%s", note)
	}
	if in.Every > 1 {
		in.Starts = (PlanStarts + in.Every - 1) / in.Every
	}
	if err := d.steps(req, swap); err != nil {
		return nil, err
	}
	in.Shed.PanelS, in.Shed.AreaM2 = float64(d.skin.panel.Lag()), d.piece.AreaM2
	taught := learned(d.s, &d.w, func(p *Piece) *skin {
		k := surfaceOf(&d.w, p)
		return &k
	})
	if err := d.coatBeneath(taught); err != nil {
		return nil, err
	}
	if err := d.members(taught); err != nil {
		return nil, err
	}
	d.caution()
	return d, nil
}

// members lays the forecast's members along the plan's grid, each with the surface that follows its air.
func (d *drafted) members(taught *drums) error {
	in := &d.input
	drums, film := d.drums(taught)
	d.out.Basis = d.w.future.Basis
	moisture := d.moisture()
	aw, why := waterActivity(&d.w, &d.skin, moisture)
	if why != "" {
		return cantPlan("%s", why)
	}
	in.AW = aw
	in.Limits.MoisturePct, in.Limits.MoistureStopPct = moisture, float64(d.s.Limits.MoistureStopPct)
	n := int64(planReach/plan.Step) + 1
	for i, x := range d.w.draws {
		f := &d.w.future.Members[x.path]
		m := plan.Member{AirC: sampled(d.w.future.Trace(f.AirC), in.Origin, n), VapourPa: sampled(d.w.future.Trace(f.VapourPa), in.Origin, n),
			SurfaceC: sampled(d.skin.ahead[i].film, in.Origin, n), Drums: drums[i], FilmErrK: film[i]}
		if len(f.HPa) > 0 {
			m.PressureHPa = sampled(d.w.future.Trace(f.HPa), in.Origin, n)
		}
		if m.AirC == nil || m.VapourPa == nil || m.SurfaceC == nil {
			return cantPlan("the forecast does not reach over the next days")
		}
		in.Members = append(in.Members, m)
	}
	return nil
}

// sampled gives n values of a trace, one each step of the plan; nil where it does not reach.
func sampled(t trace.Trace, origin units.Instant, n int64) []float64 {
	out := make([]float64, n)
	for k := range out {
		v, ok := t.Value(float64(origin) + float64(k)*plan.Step)
		if !ok {
			return nil
		}
		out[k] = v
	}
	return out
}

// moisture gives the moisture content of bare timber, nil where it is not known or does not matter.
func (d *drafted) moisture() *float64 {
	p := piece{s: d.s, w: &d.w, fact: d.piece, skin: &d.skin}
	p.lookAtMoisture()
	if !d.piece.Bare {
		return nil
	}
	r := moistureRule(&p)
	switch r.Verdict {
	case Stop:
		d.say("%s", r.Text)
	case Wait, CantSay:
		d.say("%s The chances below leave that out.", r.Text)
	}
	return p.moisture
}

func (d *drafted) say(format string, args ...any) {
	d.out.Cautions = append(d.out.Cautions, fmt.Sprintf(format, args...))
}

// caution says what the chances rest on.
func (d *drafted) caution() {
	first, _ := d.w.airC.First()
	if days := (d.w.at - first) / 86400; days < 3 {
		d.say("The log is only %.1f days long: the forecast is rough until it has seen three days.", days)
	}
	if d.skin.modelled {
		d.say("%s", d.skin.source())
	}
	if d.w.noHPa != "" && d.piece.Bare {
		d.say("No barometer: outgassing is judged by temperature alone.")
	}
	if d.input.Hours.EndMin <= d.input.Hours.StartMin {
		d.say("No working hours are set: steps may come at night.")
	}
	if d.s.Limits.UnventedBurner {
		d.say("An unvented burner adds water and carbon dioxide to the air: it makes blush likelier than the margin tells. Vent it, and hang up a carbon monoxide alarm.")
	}
	d.say("A plan is a forecast, not a promise: look at the verdict and try the coat with a gloved finger before each step. The maker's sheet decides.")
}

// drums gives how each member's drums differ from their sheets, for each of the input's systems, and the error of the surface that the members
// carry: what touches have taught is in both. Kinds of coat of which touches have taught nothing apart share one system.
func (d *drafted) drums(taught *drums) (all [][]cure.SweepDrum, film []float64) {
	in := &d.input
	n := len(d.w.draws)
	all, film = make([][]cure.SweepDrum, n), make([]float64, n)
	for i := range film {
		film[i] = d.w.draws[i].surface * float64(d.skin.u)
	}
	place := make([]int64, len(in.Systems))
	var systems []plan.System
	for id, of := range d.kinds {
		spread := taught.forNext(of.key, of.kind)
		column := make([]cure.SweepDrum, n)
		for i := range column {
			m := spread.Member(d.w.draws[i].taught())
			column[i] = cure.SweepDrum{Speed: math.Exp(m.LnSpeed), EnergyKJ: m.Energy, Later: [4]float64(m.Shift[:4])}
			if id == 0 && d.skin.alone { // what touches say of the heat model is not said of a probe
				film[i] = m.FilmK
			}
		}
		place[id] = -1
		for k := range systems {
			if systems[k].Sweep == in.Systems[id].Sweep && sameColumn(all, k, column) {
				place[id] = int64(k)
			}
		}
		if place[id] < 0 {
			place[id] = int64(len(systems))
			systems = append(systems, in.Systems[id])
			for i := range all {
				all[i] = append(all[i], column[i])
			}
		}
	}
	in.Systems = systems
	for i := range in.Steps {
		if s := &in.Steps[i]; s.Coat {
			s.System = place[s.System]
		}
	}
	return all, film
}

func sameColumn(all [][]cure.SweepDrum, k int, column []cure.SweepDrum) bool {
	for i := range all {
		if all[i][k] != column[i] {
			return false
		}
	}
	return true
}

// coatBeneath gives the marks of the newest coat on the piece in every member, where it still decides what may follow.
func (d *drafted) coatBeneath(taught *drums) error {
	var newest *Coat
	for i := range d.s.Coats {
		c := &d.s.Coats[i]
		if c.Piece == d.piece.ID && c.speaks(d.s.At) && (newest == nil || c.Started > newest.Started) {
			newest = c
		}
	}
	if newest == nil {
		return nil
	}
	model, err := taught.model(&newest.System)
	if err != nil {
		return cantPlan("the coat beneath, %s, can't be computed: %s", newest.Kind, err)
	}
	fit, of := taught.forCoat(&d.w, &d.skin, newest)
	beneath := fit.Spread(of)
	courses, err := solve(&d.w, &d.skin, newest, model, &beneath)
	if err != nil {
		return cantPlan("the coat beneath, %s, can't be told: %s", newest.Kind, err)
	}
	for i := range courses {
		d.input.Beneath = append(d.input.Beneath, marksOfCourse(&courses[i], float64(d.input.Origin)))
	}
	d.openFirst(newest)
	return nil
}

// marksOfCourse gives a course's marks in seconds from an origin.
func marksOfCourse(c *learn.Run, origin float64) cure.SweepMarks {
	at := func(t float64, ok bool) float64 {
		if !ok {
			return cure.Never
		}
		return t - origin
	}
	return cure.SweepMarks{TackOpens: at(c.MarkAt(cure.TackOpens)), TackCloses: at(c.MarkAt(cure.TackCloses)), RecoatCloses: at(c.MarkAt(cure.RecoatCloses)),
		Firm: at(c.MarkAt(cure.Firm)), Gel: at(c.GelAt())}
}
