package advisor

import (
	"fmt"
	"math"

	"tackline/advisor/air"
	"tackline/advisor/cure"
	"tackline/advisor/learn"
	"tackline/advisor/sequence"
	"tackline/advisor/timber"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// piece is what the rules may know of a piece: present numbers and the futures' bounds. A nil number is unknown, and the no... beside it
// says why.
type piece struct {
	s        *Situation
	w        *weather
	drums    *drums
	fact     *Piece
	skin     *skin
	kind     Kind
	system   *cure.System
	noSystem string
	next     sequence.Next // the step that comes next, by the plan or, without one, by what a next coat would ask for
	planned  bool          // there is a plan
	through  bool          // and all of it is done
	legs     []leg         // the timed steps that would follow a coat put on now
	legsEnd  string        // "" or why no more of them can be told

	margin       *float64
	marginU      float64
	noMargin     string
	surfaceRH    *float64
	moisture     *float64
	moistureFrom string
	noMoisture   string
	gas          *gas
	noGas        string
	ahead        ahead
	noAhead      string
	rise         trace.Trace // of the timber by the coat's own reaction, K
}

// ahead is what the futures say of a coat that is put on now: the 10 % bound of the lowest margin and temperature, the 90 % bound of the
// highest humidity, and when the next coat would have to follow.
type ahead struct {
	margin, surfaceRH, lowest *float64
	marginAt, lowestAt        units.Instant
	tackOpens, recoatCloses   units.Instant // likely, early
	gel                       []float64     // per member, Unix seconds
}

// advisePiece gives the verdict on a piece with all rules' reasons, worst first.
func advisePiece(s *Situation, w *weather, d *drums, fact *Piece, k *skin, facts *sequence.Facts) PieceAdvice {
	seen := sequence.Look(fact.Steps, *facts)
	p := look(s, w, d, fact, k, facts, &seen)
	out := PieceAdvice{Piece: fact.ID, Name: fact.Name, Bare: fact.Bare, Verdict: Clear, SurfaceModelled: p.skin.modelled, FilmLimitGM2: filmLimit(fact.Lie, p.kind),
		Next: seen.Next, Steps: seen.Places, Means: seen.Means}
	for _, level := range []Verdict{Stop, CantSay, Wait, Clear} {
		for _, r := range rules() {
			if reason := r(p); reason.Verdict == level {
				out.Reasons = append(out.Reasons, reason)
				out.Verdict = out.Verdict.Worse(level)
			}
		}
	}
	if p.skin.missing == "" {
		out.SurfaceC = figure(p.skin.now, float64(p.skin.u))
	}
	if p.margin != nil {
		out.MarginK = figure(*p.margin, p.marginU)
		out.SurfaceRHPct = Figure{Value: p.surfaceRH}
	}
	if w.noAir == "" && w.noRH == "" {
		if emc, err := timber.EMC(units.Celsius(w.airNow), units.Percent(w.rhNow)); err == nil {
			v := float64(emc)
			out.EMCPct = Figure{Value: &v}
		}
	}
	if p.gas != nil {
		out.GasMLM2 = p.gas.mlPerM2
		out.GasRatio, out.GasDirection = &p.gas.likely, p.gas.direction(s.Limits.GasGrowth)
	}
	out.MarginTrend = marginTrend(w, p.skin)
	return out
}

// look gathers what the rules need of a piece.
func look(s *Situation, w *weather, d *drums, fact *Piece, k *skin, facts *sequence.Facts, seen *sequence.Outlook) *piece {
	p := &piece{s: s, w: w, drums: d, fact: fact, skin: k, kind: fact.NextKind, system: fact.NextSystem, planned: len(fact.Steps) > 0, through: seen.Through}
	if p.kind == "" {
		p.kind = Fill
		if fact.Bare {
			p.kind = Seal
		}
	}
	left := sequence.Remaining(fact.Steps, *facts)
	p.lookAtStep(left, facts, seen)
	p.lookAtMargin()
	p.lookAtMoisture()
	p.lookAhead(left)
	p.lookAtGas()
	return p
}

func (p *piece) lookAtMargin() {
	switch {
	case p.w.noAir != "":
		p.noMargin = p.w.noAir
	case p.w.noRH != "":
		p.noMargin = p.w.noRH
	case p.skin.missing != "":
		p.noMargin = p.skin.missing
	}
	if p.noMargin != "" {
		return
	}
	t, rh, surface := units.Celsius(p.w.airNow), units.Percent(p.w.rhNow), units.Celsius(p.skin.now)
	m, err := air.Margin(surface, t, rh)
	if err != nil {
		p.noMargin = err.Error()
		return
	}
	wet, err := air.SurfaceRH(t, rh, surface)
	if err != nil {
		p.noMargin = err.Error()
		return
	}
	v, h := float64(m), float64(wet)
	p.margin, p.surfaceRH, p.marginU = &v, &h, marginU(p.w, p.skin)
}

// marginU is the standard uncertainty of the margin, K, from those of air, humidity and surface.
func marginU(w *weather, k *skin) float64 {
	if w.noAir != "" || w.noRH != "" {
		return float64(k.u)
	}
	u, err := air.MarginU(units.Celsius(w.airNow), units.Percent(w.rhNow), w.airU, units.Percent(w.rhU), k.u)
	if err != nil {
		return float64(k.u)
	}
	return float64(u)
}

// lookAtMoisture asks the panel's diffusion from the log, corrected by readings of a meter.
func (p *piece) lookAtMoisture() {
	if !p.fact.Bare {
		return
	}
	panel := timber.Panel{Thickness: p.fact.ThicknessM, Density12: p.fact.DensityKgM3, BackSealed: p.fact.BackSealed}
	if panel.Thickness <= 0 {
		panel.Thickness = defaultPly
	}
	if panel.Density12 <= 0 {
		panel.Density12 = defaultDensity
	}
	readings := make([]timber.MeterReading, 0, len(p.fact.Meter))
	for _, m := range p.fact.Meter {
		readings = append(readings, timber.MeterReading{At: float64(m.At), Percent: m.Pct, U: meterU})
	}
	m, err := panel.MoistureAt(p.w.at, p.w.airC.Thin(moistureStep), p.w.rh.Thin(moistureStep), readings)
	switch {
	case err != nil:
		p.noMoisture = err.Error()
	case !m.Known && m.LogShare == 0:
		p.noMoisture = "no log and no reading of a moisture meter"
	case !m.Known:
		p.noMoisture = fmt.Sprintf("the log is too short to tell it (%.0f %% of what it takes) and no meter was read", 100*m.LogShare)
	default:
		v := float64(m.Mean)
		p.moisture, p.moistureFrom = &v, m.From
	}
}

// lookAhead lets a coat that is put on now cure along every member.
func (p *piece) lookAhead(left []sequence.Step) {
	switch {
	case p.system == nil:
		p.noAhead = orNone(p.noSystem)
	case p.w.noAir != "":
		p.noAhead = p.w.noAir
	case p.w.noFuture != "":
		p.noAhead = p.w.noFuture
	case p.skin.missing != "":
		p.noAhead = p.skin.missing
	}
	if p.noAhead != "" {
		return
	}
	model, err := p.drums.model(p.system)
	if err != nil {
		p.noAhead = "the system can't be computed: " + err.Error()
		return
	}
	f := futures{from: p.w.at}
	spread := p.drums.forNext(drumKey{p.system.Name, p.fact.NextDrum}, p.kind)
	for i, m := range p.skin.ahead {
		member := spread.Member(p.w.draws[i].taught())
		member.FilmK = 0 // rules subtract the error of the surface as u
		course, err := member.Run(model, m.film, p.w.at, p.w.at+Horizon)
		if err != nil {
			p.noAhead = err.Error()
			return
		}
		f.add(&m, &course)
	}
	p.ahead = f.bounds()
	p.follow(left, &f)
	if p.fact.Bare {
		until := math.Min(p.w.at+Horizon, math.Max(p.w.at+2*float64(panelStep), quantile(f.gel, even(len(f.gel)), 0.5)))
		likely, err := model.Course(p.skin.surfaceAhead(p.w.future.Trace(p.w.future.Likely.AirC), p.w.at, likelyMember), p.w.at, p.w.at+Horizon)
		if err == nil {
			p.rise = reactionRise(p.skin.panel, p.system, p.kind, &likely, p.skin.now, p.w.at, until)
		}
	}
}

// futures collects the members' extremes.
type futures struct {
	from                                     float64
	margin, marginAt, wet, low, lowAt        []float64
	tackOpens, tackCloses, recoatCloses, gel []float64
}

func (f *futures) add(m *path, course *learn.Run) {
	end := func(mark cure.Mark) float64 {
		if at, ok := course.MarkAt(mark); ok {
			return at
		}
		return f.from + Horizon
	}
	green, firm := end(cure.RecoatCloses), end(cure.Firm)
	if v, at, ok := lowest(m.vapour.At, f.from, green, m.margin); ok {
		f.margin, f.marginAt = append(f.margin, v), append(f.marginAt, at)
	}
	if v, _, ok := lowest(m.vapour.At, f.from, green, m.dryness); ok {
		f.wet = append(f.wet, 100-v)
	}
	if v, at, ok := lowest(m.film.At, f.from, firm, m.film.Value); ok {
		f.low, f.lowAt = append(f.low, v), append(f.lowAt, at)
	}
	mark := func(k cure.Mark) float64 {
		if at, ok := course.MarkAt(k); ok {
			return at
		}
		return never
	}
	f.tackOpens, f.tackCloses = append(f.tackOpens, mark(cure.TackOpens)), append(f.tackCloses, mark(cure.TackCloses))
	f.recoatCloses = append(f.recoatCloses, mark(cure.RecoatCloses))
	gel, ok := course.GelAt()
	if !ok {
		gel = f.from + Horizon
	}
	f.gel = append(f.gel, gel)
}

func (f *futures) bounds() ahead {
	a := ahead{gel: f.gel}
	if n := len(f.margin); n > 0 {
		v := quantile(f.margin, even(n), 1-inNineOfTen)
		a.margin, a.marginAt = &v, units.Instant(f.marginAt[nearest(f.margin, v)])
		wet := quantile(f.wet, even(n), inNineOfTen)
		a.surfaceRH = &wet
	}
	if n := len(f.low); n > 0 {
		v := quantile(f.low, even(n), 1-inNineOfTen)
		a.lowest, a.lowestAt = &v, units.Instant(f.lowAt[nearest(f.low, v)])
	}
	a.tackOpens = reached(quantile(f.tackOpens, even(members), 0.5))
	a.recoatCloses = reached(quantile(f.recoatCloses, even(members), 0.1))
	return a
}

func nearest(values []float64, v float64) int {
	best := 0
	for i, x := range values {
		if math.Abs(x-v) < math.Abs(values[best]-v) {
			best = i
		}
	}
	return best
}

// dryness is 100 less the relative humidity at the surface on the member's path, so that its lowest is the dampest.
func (p *path) dryness(at float64) (float64, bool) {
	e, s, t, ok := p.at(at)
	if !ok {
		return 0, false
	}
	wet, err := air.SurfaceRHOfVapour(units.Celsius(t), units.Pascal(e), units.Celsius(s))
	if err != nil {
		return 0, false
	}
	return 100 - float64(wet), true
}

// lookAtGas follows the pore gas of bare timber along every member until gel.
func (p *piece) lookAtGas() {
	switch {
	case !p.fact.Bare:
		return
	case p.noAhead != "":
		p.noGas = p.noAhead
		return
	}
	p.gas, p.noGas = breathe(p.s, p.w, p.skin, p.moisture, p.ahead.gel, p.rise)
	if p.gas != nil {
		p.gas.mlPerM2 = mostGas(p.fact, p.gas.likely, p.moisture)
	}
}

// marginHolds tells whether rule 1 is met to the end of green: only then is drawing-in praised.
func (p *piece) marginHolds() bool { return marginRule(p).Verdict == Clear }
