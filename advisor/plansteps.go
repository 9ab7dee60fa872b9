package advisor

import (
	"maps"
	"math"
	"slices"
	"strings"

	"tackline/advisor/batch"
	"tackline/advisor/cure"
	"tackline/advisor/plan"
	"tackline/advisor/sequence"
	"tackline/advisor/trace"
)

// pace is how much area a builder alone covers in an hour, m2/h, and how long a step takes of which no area is known, min. Common practice,
// no source; a floor of a quarter of an hour is for getting ready.
var pace = map[sequence.Work]float64{
	sequence.Seal: 10, sequence.Bedding: 10, sequence.LayFabric: 8, sequence.FurtherFabric: 8, sequence.WetOut: 5, sequence.Fill: 10, sequence.PeelPlyOn: 8,
	sequence.Fairing: 3, sequence.Glue: 3, sequence.Finish: 8, sequence.Wash: 8, sequence.Scuff: 4, sequence.Abrade: 2,
}

const (
	workAtLeastMin, workUnknownMin = 15.0, 45.0
	usualPace                      = 6.0  // m2/h, of work that is not listed
	potDiameterMM                  = 80.0 // of a pot of which the sheet says nothing
)

// task is what of a step the what-ifs need again.
type task struct {
	step   sequence.Step
	system cure.System
	model  cure.Model

	batches int64
	batchG  float64
}

// steps turns the rest of the sequence into the plan's tasks. The plan goes as far as one step must follow another in time: what waits until
// a coat is hard is another day's start.
func (d *drafted) steps(req PlanRequest, swap string) error {
	left := req.Steps
	if len(left) == 0 && len(d.piece.Steps) > 0 {
		if left = sequence.Remaining(d.piece.Steps, factsOf(d.s, &d.w, &d.skin, d.piece, nil)); len(left) == 0 {
			return cantPlan("the planned sequence of %s is through: plan another, or name what comes next", d.piece.Name)
		}
	}
	if len(left) == 0 {
		left = []sequence.Step{d.nextAlone()}
		d.say("No sequence is set for this piece: only its next coat, %s, is planned.", left[0].Work)
	}
	bare := d.piece.Bare
	var fabric float64
	known := map[string]*cure.Sweep{}
	system := d.piece.NextSystem
	if swap != "" {
		other, ok := req.Systems[swap]
		if !ok {
			return cantPlan("no resin system is called %q: there are %s", swap, strings.Join(slices.Sorted(maps.Keys(req.Systems)), ", "))
		}
		system = &other
	}
	for i, step := range left {
		if step.System != "" && swap == "" {
			sys, ok := d.s.Systems[step.System]
			if !ok {
				sys, ok = req.Systems[step.System]
			}
			if !ok {
				return cantPlan("the system %q of the %s is not known", step.System, step.Work)
			}
			system = &sys
		}
		if i > 0 && !step.Wait.Timed() && step.Wait != sequence.Nothing {
			d.say("The plan goes up to the %s: the next step, %s, waits until the coat is hard, and is a start of its own.", left[i-1].Work, step.Work)
			break
		}
		t := plan.Task{Name: string(step.Work), Wait: waitOf(step.Wait), AfterMin: step.WaitMin, WorkMin: d.workMinutes(step.Work)}
		if i == 0 {
			t.AfterMin, d.firstWait = 0, step.Wait
		}
		var kept task
		if step.Work == sequence.LayFabric || step.Work == sequence.FurtherFabric {
			fabric = step.FabricGM2
		}
		if step.Work.Coats() {
			if system == nil {
				return cantPlan("no resin system is chosen for the %s on %s: name one for the step, or start a coat with it", step.Work, d.piece.Name)
			}
			if err := d.coatTask(&t, &kept, step, *system, fabric, bare, known); err != nil {
				return err
			}
			fabric, bare = 0, false
		}
		d.input.Steps = append(d.input.Steps, t)
		d.tasks = append(d.tasks, kept)
	}
	if d.piece.AreaM2 <= 0 {
		d.say("The area of %s is not known: each step is taken as %.0f min, and batches are not judged.", d.piece.Name, workUnknownMin)
	}
	return nil
}

// nextAlone is the step that a piece without a plan has before it.
func (d *drafted) nextAlone() sequence.Step {
	kind := d.piece.NextKind
	if kind == "" {
		if kind = Fill; d.piece.Bare {
			kind = Seal
		}
	}
	return sequence.Usual(sequence.Work(kind))
}

// coatTask fills in what a step that puts resin on adds.
func (d *drafted) coatTask(t *plan.Task, kept *task, step sequence.Step, system cure.System, fabric float64, bare bool, known map[string]*cure.Sweep) error {
	model, err := cure.New(system)
	if err != nil {
		return cantPlan("system %q can't be computed: %s", system.Name, err)
	}
	if known[system.Name] == nil {
		known[system.Name] = model.NewSweep()
	}
	of := kindOfDrum{drumKey{system: system.Name, drum: d.piece.NextDrum}, Kind(step.Work)}
	id := int64(slices.Index(d.kinds, of))
	if id < 0 {
		id = int64(len(d.kinds))
		d.kinds = append(d.kinds, of)
		d.input.Systems = append(d.input.Systems, plan.System{Name: system.Name, Sweep: known[system.Name], LowestC: system.LowestC,
			HighestSurfaceRHPct: system.HighestSurfaceRHPct})
	}
	t.Coat, t.System, t.OnTimber = true, id, bare
	*kept = task{step: step, system: system, model: model}
	if bare {
		t.Own = d.ownHeat(step, &system, model)
	}
	return d.batches(t, kept, fabric)
}

// waitOf gives the plan's word for a wait. What waits for a hard coat, as the first step, is opened by openFirst.
func waitOf(w sequence.Wait) plan.Wait {
	switch w {
	case sequence.WhileWet:
		return plan.Wet
	case sequence.TackWindow:
		return plan.Tack
	case sequence.RecoatWindow, sequence.Firm, sequence.Sandable, sequence.Cured, sequence.BondByAbrading:
		return plan.Recoat
	}
	return plan.Free
}

// openFirst puts what the first step waits for into the marks of the coat beneath, where that is not one of the plan's own windows: a hard
// coat, or one whose window has closed and that must be washed and abraded first.
func (d *drafted) openFirst(beneath *Coat) {
	if len(d.tasks) == 0 || d.input.Steps[0].Wait == plan.Free {
		return
	}
	closed := 0
	for _, m := range d.input.Beneath {
		if m.RecoatCloses < 0 {
			closed++
		}
	}
	first := d.firstWait
	switch {
	case first == sequence.Firm || first == sequence.Sandable || first == sequence.Cured || first == sequence.BondByAbrading:
	case 2*closed > len(d.input.Beneath):
		d.say("The window of the coat beneath (%s) has closed: the plan starts once that is firm; then wash it with water, let it dry and abrade it; unfilled weave is only scuffed.",
			beneath.Kind)
	default:
		return
	}
	for i := range d.input.Beneath {
		m := &d.input.Beneath[i]
		m.TackOpens, m.RecoatCloses = m.Firm, cure.Never
	}
	d.input.Steps[0].Wait = plan.Recoat
}

// workMinutes is how long a step takes on the piece.
func (d *drafted) workMinutes(w sequence.Work) float64 {
	if d.piece.AreaM2 <= 0 {
		return workUnknownMin
	}
	p, ok := pace[w]
	if !ok {
		p = usualPace
	}
	return math.Max(workAtLeastMin, math.Round(60*d.piece.AreaM2/p))
}

// batches divides a coat into batches, and says how long one takes to use, and how long it lasts by the air's temperature, in a pot. None is
// larger than the sheet's own pot, and all are small enough to be used in time in the warmest air of late, where that can be.
func (d *drafted) batches(t *plan.Task, kept *task, fabric float64) error {
	if d.piece.AreaM2 <= 0 {
		return nil
	}
	sys := kept.system
	need := batch.Need{Kind: string(kept.step.Work), AreaM2: d.piece.AreaM2, FabricGM2: fabric, GM2: kept.step.CoverageGM2}
	if (kept.step.Work == sequence.Fairing || kept.step.Work == sequence.Glue) && need.GM2 == 0 {
		return nil // how thick it will be is not known
	}
	if kept.step.Work == sequence.WetOut && fabric == 0 && need.GM2 == 0 {
		need.Kind = string(sequence.Fill) // the fabric's weight is not known: as much as fills its weave
	}
	mix, err := batch.ForCoat(sys, need)
	if err != nil {
		return cantPlan("how much the %s takes can't be told: %s", kept.step.Work, err)
	}
	vessel := batch.Vessel{Shape: batch.Pot, DiameterMM: potDiameterMM}
	if sys.Pot != nil && sys.Pot.DiameterMM > 0 {
		vessel.DiameterMM = sys.Pot.DiameterMM
	}
	spread := t.WorkMin
	for n := mix.Batches; ; n++ {
		lots := float64(n)
		one := batch.Batch{MassG: math.Max(mix.MixedG/lots, batch.LeastG), Vessel: vessel}
		t.UseMin, t.WorkMin = batch.MixingMin+spread/lots, spread+batch.MixingMin*lots
		if t.Pot, err = potTable(kept.model, one); err != nil {
			return cantPlan("how long a batch of the %s lasts can't be told: %s", kept.step.Work, err)
		}
		kept.batches, kept.batchG = n, one.MassG
		if n >= mostBatches || one.MassG < leastBatchG || t.InTime(d.warmest()) {
			return nil
		}
	}
}

const (
	// mostBatches and leastBatchG end the search for a batch that is used in time: smaller ones are mixed too wrongly. Ours.
	mostBatches = 12
	leastBatchG = 50.0
)

// potTable gives how long a batch can be worked, by the air's temperature, the resin as warm as the air.
func potTable(m cure.Model, b batch.Batch) ([]plan.Pot, error) {
	var out []plan.Pot
	for c := 0.0; c <= 40; c += 5 {
		b.RoomC, b.ResinC = c, c
		life, err := batch.LifeOf(m, b)
		if err != nil {
			return nil, err
		}
		if life.WorkingMin != nil {
			out = append(out, plan.Pot{AirC: c, WorkingMin: *life.WorkingMin})
		}
	}
	return out, nil
}

// warmest is the warmest air of the last two days, C: for it batches are made small enough.
func (d *drafted) warmest() float64 {
	recent := d.w.airC.Slice(d.w.at-Horizon, d.w.at)
	v := d.w.airNow
	for _, t := range recent.V {
		v = math.Max(v, t)
	}
	return v
}

// ownHeat gives how a coat's reaction warms the timber, at surfaces as warm as sheds have them.
func (d *drafted) ownHeat(step sequence.Step, system *cure.System, model cure.Model) []plan.Own {
	var out []plan.Own
	for _, c := range [...]float64{6, 13, 20, 27} {
		until := d.w.at + 24*3600
		course, err := model.Course(trace.Trace{At: []float64{d.w.at, until}, V: []float64{c, c}}, d.w.at, until)
		if err != nil {
			continue
		}
		if gel, ok := course.GelAt(); ok {
			until = math.Max(gel, d.w.at+4*plan.Step)
		}
		rise := reactionRise(d.skin.panel, system, Kind(step.Work), &course, c, d.w.at, until)
		if rise.Len() == 0 {
			continue
		}
		own := plan.Own{SurfaceC: c}
		for at := d.w.at; at <= until; at += plan.Step {
			v, ok := rise.Value(math.Max(at, rise.At[0]))
			if !ok {
				break
			}
			own.RiseK = append(own.RiseK, v)
		}
		if len(own.RiseK) > 0 {
			out = append(out, own)
		}
	}
	return out
}
