package advisor

import (
	"fmt"
	"math"

	"tackline/advisor/batch"
	"tackline/advisor/cure"
	"tackline/advisor/learn"
	"tackline/advisor/units"
)

const (
	// DefaultResinLowestC is the lowest temperature at which resin should stand, C: below it is thick, pumps give a wrong ratio, and it may
	// grow crystals. Common practice, no source; the maker's sheet decides.
	DefaultResinLowestC = 15.0
	// HotToTouchC is the surface temperature from which a minute's touch burns the skin, C. ISO 13732-1, 51 C for a minute; from memory.
	HotToTouchC = 51.0
	// coldAgainC is where a batch that has set has given its heat away, C. Ours.
	coldAgainC = 40.0
	// endingLead is how long before the earliest end of its working time a batch is told to be ending, min, and the share of that time that it
	// takes at most. Ours.
	endingLead, endingShare = 5.0, 0.25
	// guessedResinU is what the resin's temperature may be off where nobody measured it, K: from the probe where the drums stand, and from the
	// room's air. Assumed.
	guessedResinU, roomResinU = 2.0, 4.0
	// forgotten is after how long, min, a batch is no longer computed: long set, or it would have been noticed.
	forgotten = 24 * 60.0
	// tenth is the standard normal at which 10 % lie outside.
	tenth = 1.2815515655446004
)

// Batch is a mixed pot or tray that was not ended.
type Batch struct {
	ID      int64
	System  cure.System
	Drum    string        // that it was taken from, as people name it; "" where nobody said
	Mixed   units.Instant // when the two parts met
	MassG   float64       // mixed, g; 0 where only Strokes are known
	Strokes float64       // of each pump
	ResinC  *float64      // when mixed, C; nil where not measured
	Stays   []BatchStay   // vessels, by time; the first from Mixed on
}

// BatchStay is a vessel that a batch stands in from a time on.
type BatchStay struct {
	From   units.Instant
	Vessel batch.Vessel // a diameter or floor of 0 is not known: the sheet's pot, else 80 mm; 600 cm2
}

// Phases of a batch.
const (
	BatchGood   = "good"      // it can be worked
	BatchEnding = "ending"    // its working time ends soon, or may have ended
	BatchPast   = "past"      // it no longer works
	BatchHazard = "hazard"    // past, and standing where it may get hot: heat, fume, fire
	BatchBlind  = "can't say" // see CantSay
)

// BatchAdvice is how long a batch lasts, and whether it becomes dangerous.
type BatchAdvice struct {
	Batch      int64         `json:"batch_id"`
	System     string        `json:"system"`
	Mixed      units.Instant `json:"mixed"`
	MassG      float64       `json:"mass_g"`
	Vessel     string        `json:"vessel"`      // "pot" or "tray", that it stands in now
	DiameterMM *float64      `json:"diameter_mm"` // of a pot, as used
	TrayCM2    *float64      `json:"tray_cm2"`    // of a tray, as used
	DepthMM    *float64      `json:"depth_mm"`
	ResinC     Figure        `json:"resin_c"` // when mixed
	ResinFrom  string        `json:"resin_from"`
	RoomC      Figure        `json:"room_c"`
	Conversion *float64      `json:"conversion"` // now
	TempC      *float64      `json:"temp_c"`     // of the batch now, computed; null over 150 C
	Working    Moment        `json:"working_ends"`
	Gel        Moment        `json:"gels"`
	PeakC      *float64      `json:"peak_c"` // null with runaway: the rate law ends at 150 C
	PeakAt     units.Instant `json:"peak_at"`
	Runaway    bool          `json:"runaway"`      // left standing it passes 150 C: smoke, charring, fire
	HotAt      units.Instant `json:"hot_at"`       // when it passes 150 C
	MayRunAway bool          `json:"may_run_away"` // it does if it is faster or warmer than likely
	Phase      string        `json:"phase"`
	CantSay    string        `json:"cant_say"` // "" or why no time is given
	Reasons    []Reason      `json:"reasons"`
	Text       string        `json:"text"` // complete in itself
}

// resinLowest gives the limit of the resin's temperature and where it comes from.
func (l Limits) resinLowest() (float64, string) {
	if l.ResinLowestC == 0 {
		return DefaultResinLowestC, "common practice, no source; the maker's sheet decides"
	}
	return float64(l.ResinLowestC), l.ResinSource
}

// adviseBatch says how long a running batch lasts: by its sheet, or by what touches have taught of its drum where that leaves less time. A drum
// that seems slow is given no more, since a pot that is believed to last is the one that is left standing.
func adviseBatch(s *Situation, w *weather, d *drums, b *Batch) BatchAdvice {
	out := BatchAdvice{Batch: b.ID, System: b.System.Name, Mixed: b.Mixed, MassG: b.massG(), Reasons: []Reason{}}
	if n := len(b.Stays); n > 0 {
		out.Vessel = string(b.Stays[n-1].Vessel.Shape)
	}
	resin, resinU := b.resin(s, w, &out)
	out.cold(s, b)
	since := float64(s.At-b.Mixed) / 60
	switch {
	case len(b.Stays) == 0:
		return out.blind("nobody said what it stands in")
	case since > forgotten:
		out.Phase = BatchPast
		out.Text = fmt.Sprintf("Batch %d was mixed over a day ago: it has set. End it in the job book.", b.ID)
		return out
	case w.noAir != "":
		return out.blind(w.noAir)
	}
	model, err := cure.New(b.System)
	if err != nil {
		return out.blind("this system can't be computed: " + err.Error())
	}
	out.RoomC = figure(w.airNow, float64(w.airU))
	run := func(model cure.Model, resinBy, roomBy float64) (batch.Life, batch.Reached, error) {
		life, begun, err := batch.LifeAlong(model, batch.Batch{MassG: out.MassG, ResinC: resin + resinBy}, b.stays(w, since, roomBy))
		if err != nil {
			return life, batch.Reached{}, err
		}
		return life, begun[len(begun)-1], nil
	}
	likely, now, err := run(model, 0, 0)
	if err != nil {
		return out.blind(err.Error())
	}
	speed := learn.DefaultPrior().Speed
	others := []cure.Model{model.Scaled(math.Exp(tenth * speed)), model.Scaled(math.Exp(-tenth * speed))}
	drum := d.of(drumKey{b.System.Name, b.Drum})
	if drum != nil {
		taught := d.forNext(drumKey{b.System.Name, b.Drum}, Fill)
		fast := drawn(&taught, model, 0, 0)
		quick, quickNow, err := run(fast, 0, 0)
		if err != nil {
			return out.blind(err.Error())
		}
		if shorter(quick.WorkingMin, likely.WorkingMin) {
			out.byDrum(drum, &likely, &quick)
			others = []cure.Model{drawn(&taught, model, tenth, 0), drawn(&taught, model, -tenth, 0), drawn(&taught, model, 0, tenth), drawn(&taught, model, 0, -tenth)}
			likely, now, model = quick, quickNow, fast
		} else {
			out.byDrum(drum, &likely, nil)
		}
	}
	band := spread{likely: likely}
	try := func(model cure.Model, resinBy, roomBy float64, fast bool) error {
		life, _, err := run(model, resinBy, roomBy)
		if err == nil {
			band.add(life, fast)
			out.MayRunAway = out.MayRunAway || life.Runaway
		}
		return err
	}
	for i, m := range others {
		if err := try(m, 0, 0, i%2 == 0); err != nil {
			return out.blind(err.Error())
		}
	}
	for _, by := range [][2]float64{{resinU, 0}, {0, math.Max(float64(w.airU), 0.5)}} {
		for _, sign := range []float64{1, -1} {
			if err := try(model, sign*tenth*by[0], sign*tenth*by[1], sign > 0); err != nil {
				return out.blind(err.Error())
			}
		}
	}
	out.fill(b, likely, now, &band)
	out.judge(s.At)
	return out
}

// drawn gives the model of a taught drum, so many standard normals off in speed and in what of its activation energy is not told by that.
func drawn(taught *learn.Spread, model cure.Model, speed, energy float64) cure.Model {
	m := taught.Member([learn.Draws]float64{speed, energy})
	return m.Model(model)
}

// shorter tells whether a is the shorter of two times in min; nil is never.
func shorter(a, b *float64) bool { return a != nil && (b == nil || *a < *b) }

// byDrum says what touches on coats of the batch's drum change in its clock; quick is nil where they change nothing.
func (a *BatchAdvice) byDrum(drum *DrumAdvice, sheet, quick *batch.Life) {
	speed := drum.Speed
	r := Reason{Rule: "drum", Verdict: Clear, Value: &speed, Unit: "times its sheet", Source: "touches"}
	switch {
	case quick == nil:
		r.Text = drum.Text + " This batch keeps the clock of its sheet: no time is given away in a pot."
	case sheet.WorkingMin == nil:
		r.Text = fmt.Sprintf("%s By that this batch can be worked for %.0f min from mixing.", drum.Text, *quick.WorkingMin)
	default:
		r.Text = fmt.Sprintf("%s By that this batch can be worked for %.0f min from mixing, not the %.0f min of its sheet.", drum.Text, *quick.WorkingMin, *sheet.WorkingMin)
	}
	a.Reasons = append(a.Reasons, r)
}

func (b *Batch) massG() float64 {
	if b.MassG > 0 {
		return b.MassG
	}
	p := b.System.PumpUsed()
	return b.Strokes * (p.ResinML + p.HardenerML) * b.System.DensityKgM3 / 1000
}

// resin gives the temperature of the resin when it was mixed, and how far it may be off.
func (b *Batch) resin(s *Situation, w *weather, out *BatchAdvice) (c, u float64) {
	at := float64(b.Mixed)
	if b.ResinC != nil {
		c, u, out.ResinFrom = *b.ResinC, 0.5, "measured"
	} else if v, ok := s.Climate.ResinC.Trace.Value(at); ok {
		c, u, out.ResinFrom = v, math.Hypot(s.Climate.ResinC.U, guessedResinU), "the probe where the drums stand"
	} else if v, ok := w.airC.Value(at); ok {
		c, u, out.ResinFrom = v, roomResinU, "the room's air; measure it for a narrower time"
	} else if w.noAir == "" {
		c, u, out.ResinFrom = w.airNow, roomResinU, "the room's air now; measure it for a narrower time"
	} else {
		return 0, 0
	}
	out.ResinC = figure(c, u)
	return c, u
}

// stays gives the batch's vessels with the room as it was, and from now on as it is now. The last begins now.
func (b *Batch) stays(w *weather, since, roomBy float64) []batch.Stay {
	var out []batch.Stay
	room := func(from, to float64) float64 {
		if v, ok := w.airC.Value(float64(b.Mixed) + 30*(from+to)); ok {
			return v + roomBy
		}
		return w.airNow + roomBy
	}
	vessel, k := b.vessel(0), 0
	for from := 0.0; from < since; {
		to := from + 15
		if from >= 120 {
			to = from + 60
		}
		for k+1 < len(b.Stays) && b.min(k+1) <= from {
			k++
			vessel = b.vessel(k)
		}
		if k+1 < len(b.Stays) {
			to = math.Min(to, b.min(k+1))
		}
		to = math.Min(to, since)
		out = append(out, batch.Stay{FromMin: from, Vessel: vessel, RoomC: room(from, to)})
		from = to
	}
	return append(out, batch.Stay{FromMin: since, Vessel: b.vessel(len(b.Stays) - 1), RoomC: w.airNow + roomBy})
}

// min gives the minutes after mixing at which a stay begins.
func (b *Batch) min(stay int) float64 { return float64(b.Stays[stay].From-b.Mixed) / 60 }

// vessel gives a stay's vessel with what is not known filled in.
func (b *Batch) vessel(stay int) batch.Vessel {
	v := b.Stays[stay].Vessel
	if v.Shape == batch.Pot && v.DiameterMM == 0 {
		v.DiameterMM = 80
		if b.System.Pot != nil {
			v.DiameterMM = b.System.Pot.DiameterMM
		}
	}
	if v.Shape == batch.Tray && v.AreaCM2 == 0 {
		v.AreaCM2 = 600
	}
	return v
}

// spread gathers how far each unknown moves the times, as squares of ln(time).
type spread struct {
	likely                   batch.Life
	workingFast, workingSlow float64
	gelFast, gelSlow         float64
	workingNever, gelNever   bool // a slow one never gets there
}

func (s *spread) add(l batch.Life, fast bool) {
	part := func(v, to *float64, fastSum, slowSum *float64, never *bool) {
		switch {
		case v == nil:
			*never = true
		case to == nil:
			if !fast {
				*never = true
			}
		default:
			d := math.Log(math.Max(*to, 1e-3) / math.Max(*v, 1e-3))
			if d < 0 {
				*fastSum += d * d
			} else {
				*slowSum += d * d
			}
		}
	}
	part(s.likely.WorkingMin, l.WorkingMin, &s.workingFast, &s.workingSlow, &s.workingNever)
	part(s.likely.GelMin, l.GelMin, &s.gelFast, &s.gelSlow, &s.gelNever)
}

// moment gives a time with its bounds; what is not reached stays unknown.
func moment(mixed units.Instant, likely *float64, fast, slow float64, never bool) Moment {
	if likely == nil {
		return Moment{}
	}
	at := func(f float64) units.Instant { return mixed.Add(units.Second(60 * *likely * f)) }
	m := Moment{Early: at(math.Exp(-math.Sqrt(fast))), Likely: at(1)}
	if !never {
		m.Late = at(math.Exp(math.Sqrt(slow)))
	}
	return m
}

func (a *BatchAdvice) fill(b *Batch, l batch.Life, now batch.Reached, s *spread) {
	v := b.vessel(len(b.Stays) - 1)
	if v.Shape == batch.Pot {
		a.DiameterMM = &v.DiameterMM
	} else {
		a.TrayCM2 = &v.AreaCM2
	}
	a.DepthMM, a.Conversion = &l.DepthMM, &now.Conversion
	if now.TempC < cure.RateEndsC {
		a.TempC = &now.TempC
	}
	a.Working = moment(b.Mixed, l.WorkingMin, s.workingFast, s.workingSlow, s.workingNever)
	a.Gel = moment(b.Mixed, l.GelMin, s.gelFast, s.gelSlow, s.gelNever)
	a.PeakAt = b.Mixed.Add(units.Second(60 * l.PeakMin))
	if a.Runaway = l.Runaway; a.Runaway {
		a.HotAt = b.Mixed.Add(units.Second(60 * *l.HotMin))
		a.MayRunAway = true
	} else {
		a.PeakC = &l.PeakC
	}
}

// judge gives the phase and says it.
func (a *BatchAdvice) judge(now units.Instant) {
	early := float64(a.Working.Early)
	lead := 60 * math.Min(endingLead, endingShare*(early-float64(a.Mixed))/60)
	switch {
	case !a.Working.Likely.Known():
		a.Phase = BatchGood
	case now >= a.Working.Likely:
		a.Phase = BatchPast
		if a.dangerous(now) {
			a.Phase = BatchHazard
		}
	case float64(now) >= early-lead:
		a.Phase = BatchEnding
	default:
		a.Phase = BatchGood
	}
	a.Text = a.say(now)
}

// dangerous tells whether a batch that is past its time has heat to come: in a pot always until it has set and is cold again, in a tray where
// it gets hot enough to burn.
func (a *BatchAdvice) dangerous(now units.Instant) bool {
	warm := a.TempC == nil || *a.TempC >= coldAgainC
	ahead := now < a.PeakAt || !a.Gel.Likely.Known() || now < a.Gel.Likely
	if a.Vessel == string(batch.Pot) {
		return warm || ahead
	}
	return a.TempC == nil || *a.TempC >= HotToTouchC || now < a.PeakAt && (a.Runaway || a.PeakC != nil && *a.PeakC >= HotToTouchC)
}

func (a *BatchAdvice) say(now units.Instant) string {
	name := fmt.Sprintf("Batch %d, %.0f g of %s in a %s", a.Batch, a.MassG, a.System, a.Vessel)
	left := func(at units.Instant) float64 { return math.Max(0, float64(at-now)/60) }
	switch a.Phase {
	case BatchHazard:
		heat := "may smoke, crack and catch fire"
		switch {
		case a.PeakC != nil && *a.PeakC < HotToTouchC:
			heat = fmt.Sprintf("by computation it stays near %.0f C, but its middle is hotter, and wrapped or heaped it can still smoke", *a.PeakC)
		case a.PeakC != nil:
			heat = fmt.Sprintf("it gets to about %.0f C and gives off fume; its middle is hotter and can smoke", *a.PeakC)
		}
		return name + " is past its working time and still stands: " + heat + ". Keep your face out of the fume and touch it with gloves only; set it outdoors on " +
			"something that does not burn, away from people, until it is cold. Never bin it warm. The maker's safety sheet decides."
	case BatchPast:
		return name + " is past its working time: what still flows no longer wets out. Do not spread it; let it set and cool, and end it in the job book."
	case BatchEnding:
		return fmt.Sprintf("%s: its working time may end from %.0f min on (likely in %.0f min). Spread it now, or pour it out flat; mix no more than the next one takes.",
			name, left(a.Working.Early), left(a.Working.Likely))
	}
	if !a.Working.Likely.Known() {
		return name + " keeps for longer than can be seen."
	}
	return fmt.Sprintf("%s can be worked for about %.0f min more (%.0f at least).", name, left(a.Working.Likely), left(a.Working.Early))
}

// blind strips every time, and says why and what to do without.
func (a BatchAdvice) blind(why string) BatchAdvice {
	a.Phase, a.CantSay = BatchBlind, why
	a.Text = fmt.Sprintf("Batch %d: no time can be given: %s. Feel the pot through a glove: when it warms, pour it out flat or set it outdoors; never leave it standing.", a.Batch, why)
	return a
}

// cold says that the resin was below its storage temperature.
func (a *BatchAdvice) cold(s *Situation, b *Batch) {
	limit, source := s.Limits.resinLowest()
	if b.ResinC == nil || *b.ResinC >= limit {
		return
	}
	a.Reasons = append(a.Reasons, Reason{Rule: "resin", Verdict: Wait, Value: b.ResinC, Limit: &limit, Unit: "C", Source: source,
		Text: fmt.Sprintf("The resin of batch %d was mixed at %.1f C, below its storage temperature of %.1f C: it is thick, pumps may have given a wrong ratio. "+
			"Warm resin and hardener before the next batch.", b.ID, *b.ResinC, limit)})
}

// adviseResin looks at where the drums stand.
func adviseResin(s *Situation, out *Advice) {
	c := &s.Climate.ResinC
	_, v, ok := c.Trace.Last()
	if c.Problem != "" || !ok {
		return
	}
	out.Shed.ResinC = figure(v, c.U)
	limit, source := s.Limits.resinLowest()
	if v >= limit {
		return
	}
	out.Notices = append(out.Notices, Reason{Rule: "resin", Verdict: Wait, Value: &v, Limit: &limit, Unit: "C", Source: source,
		Text: fmt.Sprintf("The resin stands at %.1f C, below its storage temperature of %.1f C: warm it before mixing, or pumps give a wrong ratio; look for crystals.", v, limit)})
}
