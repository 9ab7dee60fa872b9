package assess

import (
	"context"
	"fmt"
	"math"

	"tackline/advisor"
	"tackline/advisor/air"
	"tackline/advisor/trace"
	"tackline/advisor/units"
	"tackline/daemon/alert"
	"tackline/daemon/jobbook"
	"tackline/sensors"
)

const (
	// crossOver is how long, in s, two probes must contradict each other before it is said; crossLeast is how many minutes of it must be known. Ours.
	crossOver  = 2 * 3600
	crossLeast = 60
	// apart is what the air of one shed may differ by from end to end: K and %. Ours.
	apartK   = 1.5
	apartPct = 6
	// warmBy is from how much warmer than its neighbour a probe is taken to be heated by its own board, where both tell the same dew point. Ours.
	warmBy = 1.0
)

// together gives what two channels said in the same minutes.
func together(a, b trace.Trace) (x, y []float64) {
	for i, j := 0, 0; i < len(a.At) && j < len(b.At); {
		switch {
		case a.At[i] < b.At[j]:
			i++
		case a.At[i] > b.At[j]:
			j++
		default:
			x, y = append(x, a.V[i]), append(y, b.V[j])
			i, j = i+1, j+1
		}
	}
	return x, y
}

// contradict gives the mean by which x is above y, and whether that is more than their doubt (three times u) and their places allow, throughout: nineteen
// minutes of twenty on the same side of that limit. Too few minutes contradict nothing.
func contradict(x, y []float64, u, allowed float64) (mean float64, yes bool) {
	n := len(x)
	if n < crossLeast {
		return 0, false
	}
	limit, over, under := 3*u+allowed, 0, 0
	for i := range x {
		d := x[i] - y[i]
		mean += d / float64(n)
		if d > limit {
			over++
		}
		if d < -limit {
			under++
		}
	}
	return mean, 20*max(over, under) >= 19*n
}

// heated tells whether the first of two probes in one air is warmed by its own board: it is warmer throughout, and both tell the same dew point. Warmth of its own
// makes a probe read too warm and too dry, but not too damp: the vapour is the same.
func heated(t1, rh1, t2, rh2 []float64, uK float64) bool {
	n := min(len(t1), len(rh1), len(t2), len(rh2))
	if n < crossLeast {
		return false
	}
	same, warm := 0, 0
	for i := range n {
		d1, err1 := air.DewPoint(units.Celsius(t1[i]), units.Percent(rh1[i]))
		d2, err2 := air.DewPoint(units.Celsius(t2[i]), units.Percent(rh2[i]))
		if err1 == nil && err2 == nil && math.Abs(float64(d1-d2)) <= 0.5+uK {
			same++
		}
		if t1[i]-t2[i] >= warmBy {
			warm++
		}
	}
	return 20*same >= 19*n && 20*warm >= 19*n
}

// dripping gives for how many minutes a surface has stood below the dew point of the air, less its doubt, throughout.
func dripping(surface, t, rh trace.Trace, u float64) int64 {
	s1, ts := together(surface, t)
	s2, rhs := together(surface, rh)
	n := min(len(s1), len(s2), len(ts), len(rhs))
	below := int64(0)
	for i := range n {
		k := n - 1 - i // from the newest back
		m, err := air.Margin(units.Celsius(s1[len(s1)-n+k]), units.Celsius(ts[len(ts)-n+k]), units.Percent(rhs[len(rhs)-n+k]))
		if err != nil || float64(m) >= -u {
			break
		}
		below++
	}
	return below
}

// CrossChecks says which probes contradict each other, or what people said. s is the situation of the moment (Unix ms).
func (a *Assessor) CrossChecks(ctx context.Context, s *advisor.Situation, now int64) ([]alert.Condition, error) {
	facts, err := a.o.Facts.State(ctx)
	if err != nil {
		return nil, fmt.Errorf("assess: facts: %w", err)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	var out []alert.Condition
	for i, p := range a.o.Probes {
		for _, q := range a.o.Probes[i+1:] {
			if p.Place != q.Place || p.Place == sensors.Surface || p.Place == sensors.Timber {
				continue // of surfaces and timber each has its own
			}
			c, err := a.pair(ctx, facts, p, q, now)
			if err != nil {
				return nil, err
			}
			out = append(out, c...)
		}
	}
	for i := range s.Pieces {
		if p := &s.Pieces[i]; p.SurfaceC.Probe != "" {
			out = append(out, wet(p, s, now))
		}
	}
	return out, nil
}

// pair compares two probes of one place.
func (a *Assessor) pair(ctx context.Context, facts *jobbook.State, p, q Probe, now int64) ([]alert.Condition, error) {
	one, two := map[sensors.Quantity]advisor.Channel{}, map[sensors.Quantity]advisor.Channel{}
	for _, k := range []sensors.Quantity{sensors.Temperature, sensors.Humidity} {
		if !has(p.Quantities, k) || !has(q.Quantities, k) {
			continue
		}
		var err error
		if one[k], err = a.channel(ctx, facts, p, k, now, now-crossOver*1000, now); err != nil {
			return nil, err
		}
		if two[k], err = a.channel(ctx, facts, q, k, now, now-crossOver*1000, now); err != nil {
			return nil, err
		}
	}
	var out []alert.Condition
	t1, t2 := together(one[sensors.Temperature].Trace, two[sensors.Temperature].Trace)
	rh1, rh2 := together(one[sensors.Humidity].Trace, two[sensors.Humidity].Trace)
	uK := math.Hypot(one[sensors.Temperature].U, two[sensors.Temperature].U)
	hot := ""
	switch {
	case heated(t1, rh1, t2, rh2, uK):
		hot = p.Name
	case heated(t2, rh2, t1, rh1, uK):
		hot = q.Name
	}
	key := "agree/" + p.Name + "/" + q.Name + "/"
	out = append(out, alert.Condition{Key: key + "heated", Cause: key, Severity: alert.Notice, Active: hot != "", Unknown: len(t1) < crossLeast || len(rh1) < crossLeast, Link: "/",
		Title: "Warmed by its own board: " + hot, Cleared: p.Name + " and " + q.Name + " agree again.",
		Body: fmt.Sprintf("%s reads warmer and drier than its neighbour, and both tell the same dew point: it is heated by the board that it sits on, or by sun. Hang it a cable's length from the board, out of the sun.", hot)})
	for _, k := range []struct {
		q       sensors.Quantity
		x, y    []float64
		allowed float64
		unit    string
	}{{sensors.Temperature, t1, t2, apartK, "K"}, {sensors.Humidity, rh1, rh2, apartPct, "%"}} {
		d, yes := contradict(k.x, k.y, math.Hypot(one[k.q].U, two[k.q].U), k.allowed)
		out = append(out, alert.Condition{Key: key + k.q.String(), Cause: key, Severity: alert.Notice, Active: yes && hot == "", Unknown: len(k.x) < crossLeast, Link: "/",
			Title: fmt.Sprintf("Probes disagree: %s and %s", p.Name, q.Name), Cleared: p.Name + " and " + q.Name + " agree again.",
			Body: fmt.Sprintf("For two hours %s has read %.1f %s %s %s (%s, both in place %s). One of them is wrong, or sits in sun, draught or damp. Hang them together, then calibrate the one that is off.",
				p.Name, math.Abs(d), k.unit, side(d), q.Name, k.q, p.Place)})
	}
	return out, nil
}

func side(d float64) string {
	if d < 0 {
		return "below"
	}
	return "above"
}

// wet says of a piece whose surface reads below the dew point for hours: it must be wet, and where people found it dry a probe is wrong.
func wet(p *advisor.Piece, s *advisor.Situation, now int64) alert.Condition {
	from := float64(now)/1000 - 2*crossOver
	recent := func(c advisor.Channel) trace.Trace { return c.Trace.Slice(from, float64(now)/1000) }
	u := math.Hypot(p.SurfaceC.U, s.Climate.AirC.U)
	minutes := dripping(recent(p.SurfaceC), recent(s.Climate.AirC), recent(s.Climate.RHPct), u)
	said := "Feel it: is it wet? If it is dry, a probe is wrong: look whether the one on the surface has come off, and compare the others."
	for _, m := range p.Meter {
		if float64(m.At) >= from && m.Pct <= 16 {
			said = fmt.Sprintf("Yet the meter said %.0f %% within these hours: a probe is wrong. Look whether the one on the surface has come off, and compare the others.", float64(m.Pct))
		}
	}
	return alert.Condition{Key: fmt.Sprintf("wet/%d", p.ID), Severity: alert.Notice, Link: "/", Active: minutes >= crossOver/60,
		Unknown: p.SurfaceC.Problem != "" || s.Climate.AirC.Problem != "" || s.Climate.RHPct.Problem != "",
		Title:   "Below the dew point for hours: " + p.Name, Cleared: p.Name + " reads above the dew point again.",
		Body: fmt.Sprintf("The surface of %s has read below the dew point for %.1f h. %s", p.Name, float64(minutes)/60, said)}
}
