package plan

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"tackline/advisor/units"
)

const (
	// MoreLikely is the chance from which a start is offered as one. Ours.
	MoreLikely = 0.5
	// Sure is what "by forecast" asks of the members elsewhere too.
	Sure = 0.9
	// few is how many starts are held out as the best, and apart how far, s, one is from the next.
	few   = 3
	apart = 3600.0
	// stays is the wait between two steps for which she stays in the shed, min. Ours.
	stays = 120.0
)

// Result is a plan: every start, and what to make of them.
type Result struct {
	Members int64    `json:"members"`
	Steps   []string `json:"steps"`   // names, in order
	Starts  []Start  `json:"starts"`  // all, best first
	Best    []Start  `json:"best"`    // the first few that are an hour apart and more likely than not
	Others  []Others `json:"others"`  // why the rest is worse, by stretches of time
	Nothing string   `json:"nothing"` // "" or that no start is more likely than not
	Changes []Change `json:"changes"` // where Nothing: what would have to change
}

// Start is one start.
type Start struct {
	At          units.Instant `json:"at"`
	Chance      float64       `json:"chance"`       // share of the members in which every rule is kept, 0..1
	Weakest     Rule          `json:"weakest"`      // the rule not kept in most members; where all are kept, the closest to its limit
	WeakestStep string        `json:"weakest_step"` // the step at which
	Why         string        `json:"why"`          // that in a sentence
	Steps       []StepTime    `json:"steps"`
	HoursInShed float64       `json:"hours_in_shed"` // work, and waits of up to two hours between
	Nights      int64         `json:"nights"`        // nights (22 to 6) in which a step would be done
	Rules       []RuleShare   `json:"rules"`         // those that are not kept in all members

	inHours bool // the first step is
}

// StepTime is when a step comes: 10, 50 and 90 % of the members; null where fewer have it at all.
type StepTime struct {
	Step   string        `json:"step"`
	Early  units.Instant `json:"early"`
	Likely units.Instant `json:"likely"`
	Late   units.Instant `json:"late"`
}

// RuleShare is how many of the members keep a rule, as far as the sequence goes in them.
type RuleShare struct {
	Rule Rule    `json:"rule"`
	Kept float64 `json:"kept"` // 0..1
}

// Others is a stretch of starts that are worse than the best, for one reason.
type Others struct {
	From    units.Instant `json:"from"` // first start of it
	To      units.Instant `json:"to"`   // last start of it
	Chance  float64       `json:"chance"`
	Weakest Rule          `json:"weakest"`
	Why     string        `json:"why"`
}

// Make makes a plan. The same input gives the same bytes. ErrNotEnough where there is nothing to plan or nothing to plan with.
func Make(in Input) (Result, error) {
	out, err := rank(&in)
	if err != nil {
		return Result{}, err
	}
	switch {
	case out.Nothing == "":
	case in.tooWet():
		out.Nothing += " The timber must dry first: warm, dry, moving air brings it down, in days, not hours."
	default:
		if out.Changes = changes(&in); len(out.Changes) == 0 {
			out.Nothing += " Nothing that was tried, up to 15 K warmer, half of the water out of the air or work at any hour, would make one likely."
		} else {
			out.Nothing += fmt.Sprintf(" What would do: %s.", orOf(out.Changes))
		}
	}
	return out, nil
}

// tooWet tells whether a coat on bare timber is planned that it is too wet for.
func (in *Input) tooWet() bool {
	wet := in.Limits.MoisturePct
	return wet != nil && *wet > in.Limits.MoistureStopPct && slices.ContainsFunc(in.Steps, func(t Task) bool { return t.OnTimber })
}

func orOf(changes []Change) string {
	parts := make([]string, len(changes))
	for i, c := range changes {
		parts[i] = c.Text
	}
	return strings.Join(parts, "; or ")
}

// rank is Make without looking for changes.
func rank(in *Input) (Result, error) {
	r, err := run(in)
	if err != nil {
		return Result{}, err
	}
	out := Result{Members: r.nMembers, Starts: make([]Start, in.Starts), Best: []Start{}, Changes: []Change{}}
	for i := range in.Steps {
		out.Steps = append(out.Steps, in.Steps[i].Name)
	}
	sorted := make([]float64, r.nMembers)
	for j := range in.Starts {
		out.Starts[j] = r.start(j, sorted)
	}
	out.Others = r.others(out.Starts)
	sort.SliceStable(out.Starts, func(a, b int) bool { return better(&out.Starts[a], &out.Starts[b]) })
	out.Best = best(out.Starts)
	if len(out.Best) == 0 {
		out.Nothing = r.nothing(&out.Starts[0])
	}
	return out, nil
}

// better orders starts: the likelier, then fewer nights, then fewer hours, to a quarter of an hour, then the earlier.
func better(a, b *Start) bool {
	switch {
	case a.Chance != b.Chance:
		return a.Chance > b.Chance
	case a.inHours != b.inHours:
		return a.inHours
	case a.Nights != b.Nights:
		return a.Nights < b.Nights
	}
	x, y := math.Round(4*a.HoursInShed), math.Round(4*b.HoursInShed)
	if a.Chance > 0 && x != y {
		return x < y
	}
	return a.At < b.At
}

func best(ranked []Start) []Start {
	out := []Start{}
	for i := range ranked {
		s := &ranked[i]
		if s.Chance < MoreLikely || len(out) == few {
			break
		}
		if !slices.ContainsFunc(out, func(o Start) bool { return math.Abs(float64(o.At-s.At)) < apart }) {
			out = append(out, *s)
		}
	}
	return out
}

// start says what has come of start j.
func (r *runner) start(j int64, sorted []float64) Start {
	in := r.in
	s := Start{At: r.instant(float64(j * in.every())), Chance: float64(r.met[j]) / float64(r.nMembers)}
	for i := range r.nSteps {
		s.Steps = append(s.Steps, r.stepTime(j, i, sorted))
	}
	rule, step := r.weakest(j)
	s.Weakest, s.WeakestStep = Rules()[rule], in.Steps[step].Name
	s.inHours = r.cell(j, 0, hours).failed == 0
	s.Rules = []RuleShare{}
	for k, name := range Rules() {
		if failed := r.failed[j*rules+int64(k)]; failed > 0 {
			s.Rules = append(s.Rules, RuleShare{name, 1 - float64(failed)/float64(r.nMembers)})
		}
	}
	s.Why = r.why(j, step, rule)
	s.HoursInShed, s.Nights = r.presence(s.Steps)
	return s
}

func (r *runner) cell(j, step, rule int64) *cell { return &r.cells[(j*r.nSteps+step)*rules+rule] }

// instant gives the time of a place in samples, to the second.
func (r *runner) instant(x float64) units.Instant {
	return units.Instant(math.Round(float64(r.in.Origin) + x*Step))
}

// stepTime gives early, likely and late of a step.
func (r *runner) stepTime(j, step int64, sorted []float64) StepTime {
	out := StepTime{Step: r.in.Steps[step].Name}
	from := (j*r.nSteps + step) * r.nMembers
	have := 0
	for _, x := range r.times[from : from+r.nMembers] {
		if x >= 0 {
			sorted[have] = float64(x)
			have++
		}
	}
	v := sorted[:have]
	slices.Sort(v)
	at := func(p float64) units.Instant {
		x := p*float64(r.nMembers) - 0.5
		i := int64(max(0, math.Floor(x)))
		if have == 0 || x > float64(have-1)+1e-9 {
			return 0 // the step does not come in so many
		}
		if i+1 >= int64(have) {
			return r.instant(v[have-1])
		}
		return r.instant(v[i] + max(0, x-float64(i))*(v[i+1]-v[i]))
	}
	out.Early, out.Likely, out.Late = at(0.1), at(0.5), at(0.9)
	return out
}

// weakest gives the rule that most members do not keep, and the step at which most of those fail; where all are kept, the rule and step with
// the least room. A start out of hours is just that, whatever else is wrong with it.
func (r *runner) weakest(j int64) (rule, step int64) {
	if r.cell(j, 0, hours).failed > 0 {
		return hours, 0
	}
	for k := range int64(rules) {
		if r.failed[j*rules+k] > r.failed[j*rules+rule] {
			rule = k
		}
	}
	if r.failed[j*rules+rule] == 0 {
		least := float32(noRoom)
		for i := range r.nSteps {
			for k := range int64(rules) {
				if c := r.cell(j, i, k); c.room < least {
					rule, step, least = k, i, c.room
				}
			}
		}
		return rule, step
	}
	for i := range r.nSteps {
		if r.cell(j, i, rule).failed > r.cell(j, step, rule).failed {
			step = i
		}
	}
	return rule, step
}

// presence gives the hours in the shed and the nights in which she would work, by the likely times.
func (r *runner) presence(steps []StepTime) (inShed float64, night int64) {
	seen := map[int64]bool{}
	var leaves units.Instant
	for i, s := range steps {
		if !s.Likely.Known() {
			break
		}
		work := r.in.Steps[i].WorkMin
		if leaves.Known() {
			if wait := float64(s.Likely-leaves) / 60; wait > 0 && wait <= stays {
				inShed += wait / 60
			}
		}
		inShed += work / 60
		leaves = s.Likely + units.Instant(60*work)
		nights(s.Likely.Time(), leaves.Time().Add(time.Minute), r.in.zone(), seen)
	}
	return math.Round(100*inShed) / 100, int64(len(seen))
}

// others groups the starts, in order of time, that are worse than the best by more than a tenth, by their weakest rule.
func (r *runner) others(byTime []Start) []Others {
	top := 0.0
	for i := range byTime {
		top = max(top, byTime[i].Chance)
	}
	out := []Others{}
	for i := 0; i < len(byTime); {
		s := &byTime[i]
		n := i + 1
		for n < len(byTime) && byTime[n].Weakest == s.Weakest && byTime[n].WeakestStep == s.WeakestStep &&
			(byTime[n].Chance > 0) == (s.Chance > 0) && worse(&byTime[n], top) == worse(s, top) {
			n++
		}
		if worse(s, top) {
			o := Others{From: s.At, To: byTime[n-1].At, Weakest: s.Weakest, Why: byTime[(i+n-1)/2].Why}
			if s.Weakest == Hours && s.WeakestStep == r.in.Steps[0].Name {
				o.Why = fmt.Sprintf("The %s is not within your hours.", s.WeakestStep)
			}
			for k := i; k < n; k++ {
				o.Chance = max(o.Chance, byTime[k].Chance)
			}
			out = append(out, o)
		}
		i = n
	}
	return out
}

func worse(s *Start, top float64) bool { return s.Chance == 0 || s.Chance < top-0.1 }
