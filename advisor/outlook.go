package advisor

import (
	"fmt"
	"math"
	"sort"
	"time"

	"tackline/advisor/air"
	"tackline/advisor/forecast"
	"tackline/advisor/heat"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

const (
	// Horizon is how far ahead advice looks, in seconds.
	Horizon = 48 * 3600.0
	// modelSurfaceU is the least standard uncertainty of a surface temperature that no probe measures. Assumed.
	modelSurfaceU = units.Diff(1.0)
	// knotSeconds is the spacing to which a steady history is thinned before a law is run along it; where it bends, knots are set closer, so that
	// its mean over five minutes stays within knotWithin, in K: some two seconds of a coat's course.
	knotSeconds = 600.0
	knotWithin  = 0.1
	// neighbours is the longest step of a log in seconds that a line is drawn on from.
	neighbours = 75.0
	// trendReach is how far back and ahead the margin's trend goes, in seconds.
	trendReach = 24 * 3600.0
	// gapWidenKPerH is how far, per hour to the nearer end, a temperature in a gap of the log may have strayed outside the values at
	// the gap's two ends. Assumed: an open shed seldom moves faster than this for long.
	gapWidenKPerH = 1.5
	// meterU is the standard uncertainty of a moisture meter's reading, % of oven-dry mass: 1 to 2 % for a pin meter (common practice, no source).
	meterU = 1.5
	// moistureStep is what the log is thinned to before moisture is run along it, in seconds: it moves in days.
	moistureStep = 3600.0
	// What stands in for an unknown panel when only its thermal response is wanted: 9 mm plywood at 12 %.
	moistureForHeat = units.Percent(12)
	defaultPly      = units.Metre(0.009)
	defaultDensity  = 500.0
)

// weather is the shed's air, past and possible futures, in the form that the rules work with. Times are Unix seconds.
type weather struct {
	at       float64
	airC     trace.Trace
	rh       trace.Trace // %
	vapour   trace.Trace // Pa
	hpa      trace.Trace
	airNow   float64
	airU     units.Diff
	rhNow    float64
	rhU      float64
	noAir    string // "" or why there is no present air temperature
	noRH     string
	noHPa    string
	future   forecast.Ensemble // of air, vapour and barometer together
	noFuture string
	zone     *time.Location
	draws    []draw
	since    float64 // from here on the surfaces are wanted: the oldest coat that still speaks, or a little over a day ago
}

// read builds the weather of a situation. Missing inputs stay missing: what depends on them says so.
func read(s *Situation) weather { return readFor(s, draws(), Horizon) }

// readFor is read with other members and another horizon in seconds.
func readFor(s *Situation, ways []draw, horizon float64) weather {
	w := weather{at: float64(s.At), draws: ways, since: float64(s.At) - trendReach - 6*3600}
	for i := range s.Coats {
		if c := &s.Coats[i]; c.speaks(s.At) {
			w.since = math.Min(w.since, float64(c.Started)-6*3600)
		}
	}
	c := &s.Climate
	w.airC, w.noAir = c.AirC.Trace.Slice(0, w.at), present(&c.AirC, "air temperature")
	w.noRH = present(&c.RHPct, "humidity")
	w.hpa, w.noHPa = c.PressureHPa.Trace.Slice(0, w.at), present(&c.PressureHPa, "barometer")
	w.airU, w.rhU = units.Diff(c.AirC.U), c.RHPct.U
	if w.noAir == "" {
		w.airNow = presently(w.airC, w.at)
	}
	w.rh = c.RHPct.Trace.Slice(0, w.at)
	if w.noRH == "" {
		w.rhNow = math.Min(100, math.Max(0, presently(w.rh, w.at)))
	}
	w.vapour = vapourTrace(w.airC, w.rh)
	w.zone = s.Zone
	w.look(horizon)
	return w
}

// look makes the forecast over a horizon in seconds, of what the present is known of. A barometer that has nothing to say of the future is none.
func (w *weather) look(horizon float64) {
	if w.noAir != "" {
		return
	}
	log := forecast.Log{AirC: steadied(w.airC, w.at)}
	if w.noRH == "" {
		log.VapourPa = w.vapour
	}
	if w.noHPa == "" {
		log.HPa = w.hpa
	}
	var err error
	if w.future, err = forecast.Ahead(log, w.at, forecast.Options{Horizon: horizon, Members: int64(len(w.draws)), Zone: w.zone}); err != nil {
		w.noFuture = err.Error()
		return
	}
	if w.noHPa == "" && len(w.future.Likely.HPa) == 0 {
		w.noHPa = "no barometer reading"
	}
}

// steadied gives a log whose last value is the mean of its last quarter of an hour, for a forecast starts from it: where a thermostat plays, the newest
// reading says in what part of its cycle it is, and nothing of the hours to come. Where that value lies further off than the play of the hours
// before, it is news, and stays; so it does where the air has been going somewhere, for then that mean is of a while ago.
func steadied(t trace.Trace, at float64) trace.Trace {
	const cycle, hours = 900.0, 3 * 3600.0
	n := t.Len()
	late, before := t.Slice(at-cycle, at), t.Slice(at-hours, at-cycle)
	if late.Len() < 3 || before.Len() < late.Len() {
		return t
	}
	middle := mean(late)
	usual, play := mean(before), 0.0
	for _, v := range before.V {
		play = math.Max(play, math.Abs(v-usual))
	}
	if math.Abs(t.V[n-1]-middle) > play || trends(t, at, hours) {
		return t
	}
	out := trace.Trace{At: t.At, V: append([]float64(nil), t.V...), MaxGap: t.MaxGap}
	out.V[n-1] = middle
	return out
}

// trends tells whether the means of a log's last hours, a third of the span each, differ by more than a thermostat's play leaves of them, K.
func trends(t trace.Trace, at, span float64) bool {
	const left = 0.5
	low, high := math.Inf(1), math.Inf(-1)
	for i := range 3 {
		part := t.Slice(at-span*float64(3-i)/3, at-span*float64(2-i)/3)
		if part.Len() == 0 {
			continue
		}
		m := mean(part)
		low, high = math.Min(low, m), math.Max(high, m)
	}
	return high-low > left
}

// present gives "" if the channel tells the present, else why not, in words.
func present(c *Channel, what string) string {
	switch {
	case c.Problem != "":
		return fmt.Sprintf("%s: %s", what, c.Problem)
	case c.Trace.Len() == 0:
		return what + ": no reading yet"
	}
	return ""
}

// presently gives a log's value at the present. The mean of a minute speaks of its middle, so the line through the newest two is drawn on to now,
// where they are neighbours and new: what moves quickly is then told when it is so, not a minute on. Else the newest value stands.
func presently(t trace.Trace, now float64) float64 {
	n := t.Len()
	if n == 0 {
		return 0
	}
	at, v := t.At[n-1], t.V[n-1]
	if n == 1 || now-at > neighbours || at-t.At[n-2] > neighbours {
		return v
	}
	return v + (now-at)*(v-t.V[n-2])/(at-t.At[n-2])
}

// vapourTrace joins air temperature and humidity, at the humidity's times, to vapour pressure in Pa.
func vapourTrace(airC, rh trace.Trace) trace.Trace {
	out := trace.Trace{MaxGap: math.Max(airC.MaxGap, rh.MaxGap)}
	for i, at := range rh.At {
		t, ok := airC.Value(at)
		if !ok {
			continue
		}
		if e, err := air.VapourPressure(units.Celsius(t), units.Percent(rh.V[i])); err == nil && e > 0 {
			out.At = append(out.At, at)
			out.V = append(out.V, float64(e))
		}
	}
	return out
}

// skin is the surface of one piece: its temperature so far, now, and how well that is known.
type skin struct {
	past     trace.Trace // C, gaps left as gaps
	now      float64
	u        units.Diff
	modelled bool    // no probe tells the present
	alone    bool    // and nothing of what one told last is left: it shares the error of all that is computed in this shed
	silent   float64 // s since a probe told, where modelled and one did
	carried  float64 // K that is left of what it differed from the model by
	probe    trace.Trace
	differ   differences // between it and the heat model
	probeU   float64     // K
	modelU   float64     // K
	missing  string      // "" or why the present surface temperature can't be told
	panel    heat.Panel
	depth    heat.Profile     // how warm the panel is through its thickness at the moment, by the model
	onward   onward           // how the surface differs from it from now on
	excess   *forecast.Beside // the same by what the probe's own log has taught; nil: too little of it
	odd      bool             // something is going on that its log has not shown: onward is the line, and the members err about it
	ahead    []path           // the members' courses from now on, without the error of measurement; see paths
}

// surfaceOf gives the skin of a piece: from the probe that is taped to it while that is fresh, else by heat through the panel from the air, with what
// is left of the probe's difference from it.
// Ahead, the same panel is run along each future air, from how warm it is through its thickness now, and the difference goes on.
func surfaceOf(w *weather, p *Piece) skin {
	var k skin
	panel, err := panelOf(p)
	if err != nil {
		k.missing = err.Error()
		return k
	}
	k.panel = panel
	front, _, depth, settled, err := follow(panel, w.airC.Slice(w.since, w.at), w.at)
	if err != nil {
		k.missing = err.Error()
		return k
	}
	probe := p.SurfaceC.Trace.Slice(0, w.at)
	k.probe, k.probeU, k.differ = probe, p.SurfaceC.U, differ(front, probe)
	k.modelU = math.Hypot(float64(modelSurfaceU), float64(w.airU))
	if !settled {
		k.modelU = math.Hypot(k.modelU, unsettledU)
	}
	k.past = k.differ.added(front)
	if probe.Len() > 0 {
		k.past = overlay(k.past, probe)
	}
	switch {
	case present(&p.SurfaceC, "surface probe") == "":
		k.now = presently(probe, w.at)
		k.u = units.Diff(p.SurfaceC.U)
	case w.noAir == "":
		k.carry(w.at)
	default:
		k.missing = w.noAir
	}
	if k.missing == "" {
		k.depth = depth
		if model, ok := depth.At(0); ok {
			k.goOn(float64(model))
			if !k.modelled {
				k.learnExcess(w, probe, k.now-float64(model))
			}
		} else { // nothing is known of the panel: it is as warm throughout
			k.depth = heat.Uniform(units.Celsius(k.now))
		}
		k.ahead = paths(w, &k, w.at)
	}
	return k
}

// overlay gives probe where it has values and base elsewhere. Base samples within a probe's own steps are dropped.
func overlay(base, probe trace.Trace) trace.Trace {
	out := trace.Trace{MaxGap: math.Max(base.MaxGap, probe.MaxGap)}
	j := 0
	push := func(at, v float64) {
		if n := len(out.At); n == 0 || at > out.At[n-1] {
			out.At, out.V = append(out.At, at), append(out.V, v)
		}
	}
	for i, at := range base.At {
		for j < probe.Len() && probe.At[j] <= at {
			push(probe.At[j], probe.V[j])
			j++
		}
		if _, ok := probe.Value(at); !ok {
			push(at, base.V[i])
		}
	}
	for ; j < probe.Len(); j++ {
		push(probe.At[j], probe.V[j])
	}
	return out
}

// path is one member's course of a piece: from the past through the present to the horizon.
type path struct {
	film   trace.Trace // surface, C, no gaps
	airC   trace.Trace // future air, C
	vapour trace.Trace // future vapour pressure, Pa; empty without humidity
	hpa    trace.Trace // future pressure; empty without a barometer
}

// paths gives the members' courses of a surface, without the error of its temperature: windows carry that in their members, rules subtract it
// as u.
func paths(w *weather, k *skin, from float64) []path {
	all := make([]path, len(w.draws))
	past := k.past.Slice(from-knotSeconds, w.at).Knots(knotSeconds, knotWithin)
	for i, d := range w.draws {
		p := &all[i]
		if w.noAir == "" && w.noFuture == "" {
			m := &w.future.Members[d.path]
			p.airC, p.vapour, p.hpa = w.future.Trace(m.AirC), w.future.Trace(m.VapourPa), w.future.Trace(m.HPa)
		}
		bridged := bridge(past, from, w.at, d.gap)
		future := k.surfaceAhead(p.airC, w.at, d.path)
		p.film = bridged.Concat(future)
		p.film.MaxGap = 0
	}
	return all
}

// bridge fills the gaps of a past in [from, to] with values between their bounds: share 0 takes the low one, 1 the high one. The bounds are
// the gap's ends, widened with the time to the nearer end, so that a gap widens every answer that runs through it.
func bridge(past trace.Trace, from, to, share float64) trace.Trace {
	if past.Len() == 0 {
		return past
	}
	out := trace.Trace{}
	push := func(at, v float64) {
		if n := len(out.At); n == 0 || at > out.At[n-1] {
			out.At, out.V = append(out.At, at), append(out.V, v)
		}
	}
	fill := func(a, b, va, vb float64) {
		lo, hi := math.Min(va, vb), math.Max(va, vb)
		for at := a + knotSeconds; at < b; at += knotSeconds {
			wide := gapWidenKPerH * math.Min(at-a, b-at) / 3600
			if math.IsInf(va, 0) {
				wide = gapWidenKPerH * (b - at) / 3600
				lo, hi = vb, vb
			}
			push(at, lo-wide+share*(hi-lo+2*wide))
		}
	}
	if past.At[0] > from {
		push(from, past.V[0]+(2*share-1)*gapWidenKPerH*(past.At[0]-from)/3600)
		fill(from, past.At[0], math.Inf(1), past.V[0])
	}
	for i := range past.At {
		if i > 0 && past.MaxGap > 0 && past.At[i]-past.At[i-1] > past.MaxGap {
			fill(past.At[i-1], past.At[i], past.V[i-1], past.V[i])
		}
		push(past.At[i], past.V[i])
	}
	return out
}

// at gives vapour pressure in Pa, surface and air in C on a member's path at a time.
func (p *path) at(t float64) (vapour, film, airC float64, ok bool) {
	vapour, hasVapour := p.vapour.Value(t)
	film, hasFilm := p.film.Value(t)
	airC, hasAir := p.airC.Value(t)
	return vapour, film, airC, hasVapour && hasFilm && hasAir
}

// margin gives the margin on a member's path at a time, K.
func (p *path) margin(at float64) (float64, bool) {
	e, s, t, ok := p.at(at)
	if !ok {
		return 0, false
	}
	dew, err := air.DewPointOfVapour(units.Celsius(t), units.Pascal(e))
	if err != nil {
		return 0, false
	}
	return s - float64(dew), true
}

// lowest gives the smallest f over the member's samples in [from, to] and when; ok is false if there is none.
func lowest(at []float64, from, to float64, f func(float64) (float64, bool)) (v, when float64, ok bool) {
	i := sort.SearchFloat64s(at, from)
	for ; i < len(at) && at[i] <= to; i++ {
		if x, have := f(at[i]); have && (!ok || x < v) {
			v, when, ok = x, at[i], true
		}
	}
	return v, when, ok
}
