package advisor

import (
	"encoding/json"
	"fmt"
	"math"
	"sort"

	"tackline/advisor/cure"
	"tackline/advisor/learn"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// mostTeachers is how many coats with findings, the newest ones, teach a drum: what an older one could add is little, and a board is slow.
const mostTeachers = 12

// disagreeFrom is by how much findings must have been blurred more for them to be said to contradict each other.
const disagreeFrom = 1.5

// drumKey names one drum of one system. Coats whose drum is not known share one without a name.
type drumKey struct{ system, drum string }

// teacher is one coat that was touched.
type teacher struct {
	id      int64
	started units.Instant
	coat    learn.Coat
}

// drums is what the findings of a situation teach.
type drums struct {
	prior    learn.Prior
	models   map[string]cure.Model
	teachers map[drumKey][]teacher  // newest first
	fits     map[drumKey]*learn.Fit // of all teachers of a drum, for the next coat from it
}

// learned gathers the coats that were touched: those that ended by what was kept of them, those that run by the present surface of their piece.
func learned(s *Situation, w *weather, skinOf func(*Piece) *skin) *drums {
	d := &drums{prior: learn.DefaultPrior(), models: map[string]cure.Model{}, teachers: map[drumKey][]teacher{}, fits: map[drumKey]*learn.Fit{}}
	kept := map[int64]bool{}
	for _, e := range newest(s, kept) {
		film := filmOf{past: e.SurfaceC, from: float64(e.Started), to: float64(s.At), u: d.beside(e.U, e.Modelled), modelled: e.Modelled}
		if end, _, ok := e.SurfaceC.Last(); ok {
			film.to = math.Min(film.to, end)
		}
		d.add(drumKey{e.System.Name, e.Drum}, e.Coat, e.Kind, &e.System, e.Started, e.Touches, film)
	}
	for i := range s.Coats {
		c := &s.Coats[i]
		if kept[c.ID] || !c.speaks(s.At) || len(c.Touches) == 0 {
			continue
		}
		if k := skinOf(s.pieceOf(c.Piece)); k.missing == "" {
			d.add(c.key(), c.ID, c.Kind, &c.System, c.Started, c.Touches, d.film(w, k, c))
		}
	}
	for _, all := range d.teachers {
		sort.SliceStable(all, func(a, b int) bool { return all[a].started > all[b].started })
	}
	return d
}

// newest gives the ended coats that teach, the newest few of each drum, and notes all that are kept.
func newest(s *Situation, kept map[int64]bool) []*Earlier {
	var all []*Earlier
	for i := range s.Earlier {
		kept[s.Earlier[i].Coat] = true
		if e := &s.Earlier[i]; e.Started <= s.At && len(looksOf(e.Touches, e.Started)) > 0 {
			all = append(all, e)
		}
	}
	sort.SliceStable(all, func(a, b int) bool { return all[a].Started > all[b].Started })
	n := map[drumKey]int64{}
	out := all[:0]
	for _, e := range all {
		key := drumKey{e.System.Name, e.Drum}
		if n[key]++; n[key] <= mostTeachers {
			out = append(out, e)
		}
	}
	return out
}

func (c *Coat) key() drumKey { return drumKey{c.System.Name, c.Drum} }

// model gives a system's model, made once however many coats have it.
func (d *drums) model(s *cure.System) (cure.Model, error) {
	raw, err := json.Marshal(s)
	if err != nil {
		return cure.Model{}, fmt.Errorf("advisor: system %s: %w", s.Name, err)
	}
	if m, ok := d.models[string(raw)]; ok {
		return m, nil
	}
	m, err := cure.New(*s)
	if err == nil {
		d.models[string(raw)] = m
	}
	return m, err
}

// filmOf is the temperature of a coat's film over [from, to], C, and how well it is known.
type filmOf struct {
	past     trace.Trace
	ahead    trace.Trace // after to; empty for none
	from, to float64
	u        float64 // K, beside the error of the shed's heat model
	modelled bool    // computed, with nothing of a probe left in it
}

// beside gives what is left of a surface's uncertainty beside the error that all computed surfaces of a shed share, K.
func (d *drums) beside(u float64, modelled bool) float64 {
	if !modelled {
		return u
	}
	return math.Sqrt(math.Max(0, u*u-d.prior.Surface*d.prior.Surface))
}

// film gives that of a coat whose piece is still watched, with the likely future after now.
func (d *drums) film(w *weather, k *skin, c *Coat) filmOf {
	f := filmOf{past: k.past, from: float64(c.Started), to: w.at, u: d.beside(float64(k.u), k.alone), modelled: k.alone}
	if w.noAir == "" && w.noFuture == "" {
		f.ahead = k.surfaceAhead(w.future.Trace(w.future.Likely.AirC), w.at, likelyMember)
	}
	return f
}

// line gives the film without gaps; share says where in a gap it lay, as in bridge.
func (f *filmOf) line(share float64) trace.Trace {
	t := bridge(f.past.Slice(f.from-knotSeconds, f.to).Knots(knotSeconds, knotWithin), f.from, f.to, share)
	if f.ahead.Len() > 0 {
		t = t.Concat(f.ahead)
	}
	t.MaxGap = 0
	return t
}

// add takes a coat in that was touched. One that can't be computed teaches nothing: a broken system or log says so where it is shown.
func (d *drums) add(key drumKey, id int64, kind Kind, system *cure.System, started units.Instant, touches []Touch, film filmOf) {
	looks := looksOf(touches, started)
	if len(looks) == 0 {
		return
	}
	model, err := d.model(system)
	if err != nil {
		return
	}
	c := learn.Coat{Kind: string(kind), Looks: looks, Modelled: film.modelled, FilmU: film.u}
	line := film.line(0.5)
	if line.Len() == 0 {
		return
	}
	if c.Response, err = learn.Respond(model, line, film.from); err != nil {
		return
	}
	if len(film.past.Gaps(film.from, film.to)) > 0 {
		if c.BlurLn, err = learn.Blur(model, film.line(0), film.line(1), film.from); err != nil {
			return
		}
	}
	d.teachers[key] = append(d.teachers[key], teacher{id: id, started: started, coat: c})
}

// looksOf turns touches into statements about marks. Green and set dent alike under a thumb: a finger that finds a coat green says that fabric no
// longer sinks in and that it is not yet firm, and nothing of whether the next coat would still bond.
func looksOf(touches []Touch, started units.Instant) []learn.Look {
	var out []learn.Look
	for _, t := range touches {
		if t.Forgotten || t.At <= started {
			continue
		}
		l := learn.Look{After: float64(t.At - started), Past: learn.None, NotYet: learn.None, Witness: t.Witness}
		switch t.State {
		case StateWet:
			l.NotYet = cure.TackOpens
		case StateTacky:
			l.Past, l.NotYet = cure.TackOpens, cure.TackCloses
		case StateGreen:
			l.Past, l.NotYet = cure.TackCloses, cure.Firm
		case StateSet:
			l.Past, l.NotYet = cure.RecoatCloses, cure.Firm
		case StateFirm:
			l.Past, l.NotYet = cure.Firm, cure.Sandable
		default:
			l.Past = cure.Sandable
		}
		out = append(out, l)
	}
	return out
}

// forCoat fits a coat's drum with the coat itself as the one that is asked about.
func (d *drums) forCoat(w *weather, k *skin, c *Coat) (*learn.Fit, int64) {
	film := d.film(w, k, c)
	now := learn.Coat{Kind: string(c.Kind), Modelled: film.modelled, FilmU: film.u}
	var all []learn.Coat
	for _, t := range d.teachers[c.key()] {
		if t.id == c.ID {
			now.Response, now.Looks, now.BlurLn = t.coat.Response, t.coat.Looks, t.coat.BlurLn
		} else if len(all) < mostTeachers {
			all = append(all, t.coat)
		}
	}
	now.Now = true
	all = append(all, now)
	return learn.New(d.prior, all), int64(len(all) - 1)
}

// forNext gives the spread of a coat that is yet to go on, of a drum.
func (d *drums) forNext(key drumKey, kind Kind) learn.Spread {
	fit := d.fits[key]
	if fit == nil {
		var all []learn.Coat
		for _, t := range d.teachers[key][:min(mostTeachers, len(d.teachers[key]))] {
			all = append(all, t.coat)
		}
		for _, k := range Kinds() { // all kinds have a place, so that one fit serves every next coat
			all = append(all, learn.Coat{Kind: string(k), Modelled: true})
		}
		fit = learn.New(d.prior, all)
		d.fits[key] = fit
	}
	return fit.Spread(fit.Of(string(kind)))
}

// advise says of each drum that was touched how it runs against its sheet, sorted by system and drum.
func (d *drums) advise() []DrumAdvice {
	keys := make([]drumKey, 0, len(d.teachers))
	for k := range d.teachers {
		keys = append(keys, k)
	}
	sort.Slice(keys, func(a, b int) bool {
		if keys[a].system != keys[b].system {
			return keys[a].system < keys[b].system
		}
		return keys[a].drum < keys[b].drum
	})
	out := []DrumAdvice{}
	for _, k := range keys {
		if a := d.of(k); a != nil {
			out = append(out, *a)
		}
	}
	return out
}

// of says how one drum runs; nil where no touch says anything of it.
func (d *drums) of(k drumKey) *DrumAdvice {
	if len(d.teachers[k]) == 0 {
		return nil
	}
	d.forNext(k, Fill)
	sum, ok := d.fits[k].Drum()
	if !ok {
		return nil
	}
	a := DrumAdvice{System: k.system, Drum: k.drum, Coats: sum.Coats, Touches: sum.Looks, Speed: sum.Ratio, SpeedLow: sum.Low, SpeedHigh: sum.High,
		EnergyAboveKJMol: sum.Energy, EnergyUKJMol: sum.EnergyU, Disagree: sum.Scale > disagreeFrom}
	a.Text = a.sentence()
	return &a
}

// reason says of a coat what its windows owe to touches.
func (a *DrumAdvice) reason() Reason {
	speed := a.Speed
	return Reason{Rule: "drum", Verdict: Clear, Value: &speed, Unit: "times its sheet", Source: "touches", Text: a.Text}
}

// sentence says how the drum runs, in words.
func (a *DrumAdvice) sentence() string {
	name := "This drum of " + a.System
	if a.Drum != "" {
		name = fmt.Sprintf("Drum %s of %s", a.Drum, a.System)
	}
	band := fmt.Sprintf("%s to %s", percent(a.SpeedLow), percent(a.SpeedHigh))
	text := fmt.Sprintf("%s runs as its sheet says", name)
	switch p := math.Round(100 * math.Abs(a.Speed-1)); {
	case p >= 1 && a.Speed < 1:
		text = fmt.Sprintf("%s runs %.0f %% slower than its sheet", name, p)
	case p >= 1:
		text = fmt.Sprintf("%s runs %.0f %% faster than its sheet", name, p)
	}
	text += fmt.Sprintf(" (eight of ten: %s), by %s on %s.", band, count(a.Touches, "touch", "touches"), count(a.Coats, "coat", "coats"))
	if a.Disagree {
		text += " The touches contradict each other: all are kept, and the windows are the wider for it."
	}
	return text
}

// percent gives a ratio as a signed difference from 1.
func percent(ratio float64) string { return fmt.Sprintf("%+.0f %%", 100*(ratio-1)) }

func count(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
