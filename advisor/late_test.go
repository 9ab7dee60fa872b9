package advisor

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/cure"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// without gives a trace less the samples between two times before the moment, in hours.
func without(t trace.Trace, at, from, to float64) trace.Trace {
	out := trace.Trace{MaxGap: t.MaxGap}
	for i, x := range t.At {
		if back := (at - x) / 3600; back > from || back < to {
			out.At, out.V = append(out.At, x), append(out.V, t.V[i])
		}
	}
	return out
}

// TestLateRestartedOrGappyDataWiden: a coat of nine hours under a log that begins late, that has a hole, that has both: times grow wider for the time
// that they lie ahead, the whole log's answer lies inside, and the advice says how much is missing.
func TestLateRestartedOrGappyDataWiden(t *testing.T) {
	s := situation(6, 16, 3, 50)
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 9*3600}}
	at := float64(s.At)
	full := s.Climate
	whole := Advise(s).Coats[0]
	require.Zero(t, whole.GapMinutes)
	for name, holes := range map[string][][2]float64{
		"began late":             {{1000, 5}},
		"was restarted":          {{7, 3}},
		"began late, restarted":  {{1000, 7}, {4, 2}},
		"came in bits and bobs":  {{8.5, 7}, {6, 5}, {4, 3}, {2, 1}},
		"stood until just now":   {{8, 0.2}},
		"whole, to the last bit": nil,
	} {
		s.Climate = full
		missing := 0.0
		for _, h := range holes {
			s.Climate.AirC.Trace, s.Climate.RHPct.Trace = without(s.Climate.AirC.Trace, at, h[0], h[1]), without(s.Climate.RHPct.Trace, at, h[0], h[1])
			missing += 60 * (min(h[0], 9) - h[1])
		}
		c := Advise(s).Coats[0]
		require.Empty(t, c.CantSay, name)
		require.InDelta(t, missing, c.GapMinutes, 25*float64(len(holes)), name)
		for _, m := range []cure.Mark{cure.TackOpens, cure.TackCloses, cure.Firm, cure.Sandable} {
			a, b := whole.Marks[m].When, c.Marks[m].When
			wider := float64(b.Late-b.Early) / float64(b.Likely-c.Started) / (float64(a.Late-a.Early) / float64(a.Likely-c.Started))
			require.Greater(t, wider, 0.9, "%s: %v", name, m) // a bound rests on two of 47 members: what a short hole adds is less than what they jump
			if m == cure.Sandable && len(holes) > 0 {
				require.Greater(t, wider, 1.02, "%s: the last mark has every hole before it", name)
			}
			require.LessOrEqual(t, b.Early, a.Likely, "%s: %v", name, m)
			require.GreaterOrEqual(t, b.Late, a.Likely, "%s: %v", name, m)
		}
	}
}

// TestNoPresentNoTime: where the present is not known there is no time at all, whatever was known before and whatever touches have taught.
func TestNoPresentNoTime(t *testing.T) {
	s := situation(6, 16, 3, 50)
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 9*3600, Touches: []Touch{{At: s.At - 3600, State: StateGreen}}}}
	s.Earlier = earlier(&s, 3, touchesOf(t, 1.2, cure.TackCloses)...)
	s.Climate.AirC.Problem = "stale, last seen 3 h ago"
	c := Advise(s).Coats[0]
	require.Contains(t, c.CantSay, "stale")
	require.Empty(t, c.Marks)
	for _, w := range c.Windows {
		require.Equal(t, Window{Window: w.Window, Phase: "can't say"}, w)
	}
}

// TestATouchEnteredLateCountsFromItsTime: a finding of an hour ago that is typed in now says what one typed in then says.
func TestATouchEnteredLateCountsFromItsTime(t *testing.T) {
	s := situation(6, 16, 1, 50)
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 3*3600,
		Touches: []Touch{{At: s.At - 7200, State: StateTacky}, {At: s.At - 3600, State: StateTacky}}}}
	a := Advise(s).Coats[0]
	c := &s.Coats[0]
	c.Touches[0], c.Touches[1] = c.Touches[1], c.Touches[0]
	require.Equal(t, a.Marks, Advise(s).Coats[0].Marks, "in whatever order they came")
	c.Touches = append(c.Touches, Touch{At: c.Started - units.Instant(60), State: StateSandable})
	require.Equal(t, a.Marks, Advise(s).Coats[0].Marks, "one from before the coat says nothing of it")
}
