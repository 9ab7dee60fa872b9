package advisor

import (
	"math"
	"sort"

	"tackline/advisor/air"
	"tackline/advisor/sequence"
	"tackline/advisor/units"
)

// ModelVersion names the laws and rules behind an Advice. It changes whenever the same Situation may come out differently.
const ModelVersion = "2026.11.5"

// Recent is how long after its start an ended coat still speaks for the window rule and teaches from the log, in seconds.
const Recent = 10 * 86400

// DefaultLimits gives the shed's limits where the config sets none.
func DefaultLimits() Limits {
	return Limits{
		MarginK: 3, MarginSource: "ISO 8502-4 practice (for paint on steel; a starting point for timber)",
		MoistureGoodPct: 12, MoistureStopPct: 16, MoistureSource: "FAA AC 43.13-1B 1-29 g (8 to 16 %, preferably 10 to 12 %)",
		GasGrowth: 0.0005, StaleAfter: 7200,
	}
}

// Advise concludes everything that can be said of a situation. It is a pure function: the same situation gives the same advice, byte for
// byte. Pieces and coats come out in the order of the situation. Only running coats get an advice of their own; an ended one still speaks
// for the window of the next coat on its piece.
func Advise(s Situation) Advice {
	w := read(&s)
	out := Advice{At: s.At, Model: ModelVersion, Shed: adviseShed(&s, &w), Pieces: []PieceAdvice{}, Coats: []CoatAdvice{}, Batches: []BatchAdvice{}, Notices: notices(&s, &w)}
	told := map[int64]*CoatAdvice{}
	skins := map[int64]*skin{}
	skinOf := func(p *Piece) *skin {
		if skins[p.ID] == nil {
			k := surfaceOf(&w, p)
			skins[p.ID] = &k
		}
		return skins[p.ID]
	}
	d := learned(&s, &w, skinOf)
	for i := range s.Coats {
		c := &s.Coats[i]
		if !c.speaks(s.At) {
			continue
		}
		p := s.pieceOf(c.Piece)
		a := adviseCoat(&s, &w, skinOf(p), d, c, p)
		a.Means = []sequence.Meaning{}
		told[c.ID] = &a
	}
	for i := range s.Pieces {
		p := &s.Pieces[i]
		k := skinOf(p)
		facts := factsOf(&s, &w, k, p, told)
		out.Pieces = append(out.Pieces, advisePiece(&s, &w, d, p, k, &facts))
		shareMeans(out.Pieces[i].Means, told)
	}
	for i := range s.Coats {
		if a := told[s.Coats[i].ID]; a != nil && !s.Coats[i].Ended.Known() {
			out.Coats = append(out.Coats, *a)
		}
	}
	for i := range s.Batches {
		out.Batches = append(out.Batches, adviseBatch(&s, &w, d, &s.Batches[i]))
	}
	adviseResin(&s, &out)
	out.Drums = d.advise()
	return out
}

// speaks tells whether a coat still has a say: it runs, or it is recent enough for the window of the next coat.
func (c *Coat) speaks(now units.Instant) bool {
	return c.Started <= now && (!c.Ended.Known() || float64(now-c.Started) <= Recent)
}

// pieceOf gives the piece of a coat, or an unnamed one of default ply where the situation does not hold it.
func (s *Situation) pieceOf(id int64) *Piece {
	for i := range s.Pieces {
		if s.Pieces[i].ID == id {
			return &s.Pieces[i]
		}
	}
	return &Piece{ID: id}
}

// adviseShed gives the state of the air.
func adviseShed(s *Situation, w *weather) ShedAdvice {
	var out ShedAdvice
	if w.noAir == "" {
		out.AirC = figure(w.airNow, float64(w.airU))
	}
	if w.noRH == "" {
		out.RHPct = figure(w.rhNow, w.rhU)
	}
	if w.noHPa == "" {
		_, v, _ := w.hpa.Last()
		out.PressureHPa = figure(v, s.Climate.PressureHPa.U)
	}
	if w.noAir != "" || w.noRH != "" {
		return out
	}
	t, rh := units.Celsius(w.airNow), units.Percent(w.rhNow)
	if dew, err := air.DewPoint(t, rh); err == nil {
		v := float64(dew)
		out.DewPointC = Figure{Value: &v}
		if u, err := air.DewPointU(t, rh, w.airU, units.Percent(w.rhU)); err == nil {
			x := float64(u)
			out.DewPointC.U = &x
		}
	}
	if g, err := air.AbsoluteHumidity(t, rh); err == nil {
		v := float64(g)
		out.AbsHumidityGM3 = Figure{Value: &v}
	}
	return out
}

// notices says of the inputs what a reader must know: what is missing, and how many flagged readings were left out.
func notices(s *Situation, w *weather) []Reason {
	out := []Reason{}
	add := func(v Verdict, text string) { out = append(out, Reason{Rule: "trust", Verdict: v, Text: text}) }
	if !s.ClockSet {
		add(CantSay, "The clock is not set: readings are kept and will be dated later; times of day can't be told.")
	}
	if w.noAir != "" {
		add(CantSay, "No present "+w.noAir+".")
	}
	if w.noRH != "" {
		add(CantSay, "No present "+w.noRH+".")
	}
	if w.noHPa != "" {
		add(Clear, "No barometer: outgassing is judged by temperature alone.")
	}
	for _, c := range []struct {
		what string
		of   *Channel
	}{{"Air temperature", &s.Climate.AirC}, {"Humidity", &s.Climate.RHPct}, {"Barometer", &s.Climate.PressureHPa}, {"The resin's temperature", &s.Climate.ResinC}} {
		if c.of.ByHand && c.of.Problem == "" {
			add(Clear, c.what+" was read by hand "+span(float64(s.At-c.of.LastSeen))+" ago.")
		}
	}
	excluded := s.Climate.AirC.Excluded + s.Climate.RHPct.Excluded
	if excluded > 0 {
		n := float64(excluded)
		out = append(out, Reason{Rule: "trust", Verdict: Clear, Value: &n, Unit: "readings", Text: "Flagged readings of the air were kept, and left out of this advice."})
	}
	return out
}

// marginTrend gives the margin of the last 24 hours and the forecast of the next 24, each quarter of an hour.
func marginTrend(w *weather, k *skin) []Point {
	const step, reach = 900.0, trendReach
	out := []Point{}
	first := math.Ceil((w.at-reach)/step) * step
	for at := first; at < w.at; at += step {
		e, ok := w.vapour.Value(at)
		if !ok {
			continue
		}
		surface, ok := k.past.Value(at)
		if !ok {
			continue
		}
		t, ok := w.airC.Value(at)
		if !ok {
			continue
		}
		if dew, err := air.DewPointOfVapour(units.Celsius(t), units.Pascal(e)); err == nil {
			out = append(out, Point{At: units.Instant(at), Value: surface - float64(dew)})
		}
	}
	if len(w.future.Likely.VapourPa) == 0 || k.missing != "" {
		return out
	}
	all := k.ahead
	for at := w.at; at <= w.at+reach; at += step {
		v := make([]float64, 0, members)
		for i := range all {
			if m, ok := all[i].margin(at); ok {
				v = append(v, m)
			}
		}
		if len(v) == 0 {
			continue
		}
		sort.Float64s(v)
		lo, hi := quantile(v, even(len(v)), 0.1), quantile(v, even(len(v)), 0.9)
		out = append(out, Point{At: units.Instant(at), Value: quantile(v, even(len(v)), 0.5), P10: &lo, P90: &hi, Forecast: true})
	}
	return out
}
