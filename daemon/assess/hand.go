package assess

import (
	"fmt"
	"math"
	"time"

	"tackline/advisor"
	"tackline/advisor/trace"
	"tackline/advisor/units"
	"tackline/daemon/jobbook"
	"tackline/sensors"
)

// byHand is what stands for a probe where a person has read an instrument.
const byHand = "by hand"

// handU is the standard uncertainty of a reading taken by hand, in the unit of the quantity: of a whirling hygrometer read to half a degree, or a
// small meter, in a shed whose air is not everywhere the same. Common practice, no source.
func handU(q sensors.Quantity) float64 {
	switch q {
	case sensors.Humidity:
		return 4
	case sensors.Pressure:
		return 1.5
	}
	return 0.7
}

// HandProbe gives the name under which readings taken by hand are kept: by place, and by piece where they belong to one.
func HandProbe(place sensors.Place, piece int64) string {
	if piece != 0 {
		return fmt.Sprintf("%s, %s %d", byHand, place, piece)
	}
	return fmt.Sprintf("%s, %s", byHand, place)
}

// hand puts readings taken by hand behind what a probe that does not tell the present has told, where the newest is fresh and newer than
// the probe's last. The probe's own log stays, so that a coat keeps its history; a stretch between two readings is a gap only where it is
// longer than a reading by hand is fresh. c is given back where there is none.
func (a *Assessor) hand(facts *jobbook.State, c advisor.Channel, place sensors.Place, piece int64, q sensors.Quantity, now int64) advisor.Channel {
	fresh := a.o.HandFresh
	if fresh == 0 {
		fresh = time.Hour
	}
	last, _, known := c.Trace.Last()
	t := trace.Trace{At: append([]float64(nil), c.Trace.At...), V: append([]float64(nil), c.Trace.V...), MaxGap: math.Max(c.Trace.MaxGap, fresh.Seconds())}
	newest := int64(0)
	for i := range facts.Hand {
		h := &facts.Hand[i]
		v, ok := h.Of(q)
		at := float64(h.When.MS) / 1000
		if !ok || h.When.MS > now || h.When.MS < now-reach || place != "" && h.Place != string(place) || piece != 0 && h.Piece != piece || known && at <= last {
			continue
		}
		if n := len(t.At); n > 0 && t.At[n-1] == at { // of two at once the later entered is the one that was meant
			t.V[n-1] = v
			continue
		}
		t.At, t.V = append(t.At, at), append(t.V, v)
		newest = h.When.MS
	}
	if newest == 0 || now-newest > fresh.Milliseconds() {
		return c
	}
	name := byHand
	if c.Probe != "" {
		name = c.Probe + ", then " + byHand
	}
	return advisor.Channel{Probe: name, ByHand: true, Trace: t, U: handU(q), LastSeen: instant(newest), Excluded: c.Excluded}
}

// perKelvin is by how much of itself saturation pressure grows for a kelvin, at most: 7.5 % at -5 C, by the Magnus form of WMO No. 8.
const perKelvin = 0.075

// widen makes up for a humidity that was read by hand and holds for the air as it was then: where a probe has seen the air change since, u grows by
// as much as the same vapour would show in the air of now.
func widen(s *advisor.Situation) {
	rh, air := &s.Climate.RHPct, &s.Climate.AirC
	if !rh.ByHand || rh.Problem != "" {
		return
	}
	s.Limits.StaleAfter = max(s.Limits.StaleAfter, units.Second(rh.Trace.MaxGap))
	at, v, _ := rh.Trace.Last()
	_, is, ok := air.Trace.Last()
	was, known := air.Trace.Value(at)
	if !ok || !known {
		return // without a temperature there is no verdict; without one of then the hygrometer's own stands in
	}
	rh.U = math.Hypot(rh.U, v*perKelvin*math.Abs(is-was))
}
