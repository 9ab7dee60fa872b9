package advisor

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/cure"
	"tackline/advisor/sequence"
	"tackline/advisor/units"
)

func p64(v float64) *float64 { return &v }

// fit is a piece about which every rule is content: bare, dry, warm, cooling.
func fit() *piece {
	system := medium()
	s := &Situation{At: units.InstantOf(afternoon), Zone: time.UTC, ClockSet: true, Limits: DefaultLimits(),
		Hours: Hours{StartMin: 8 * 60, EndMin: 18 * 60, Days: [7]bool{true, true, true, true, true, true, true}}}
	s.Limits.StaleAfter = 1800
	s.Climate.AirC.LastSeen, s.Climate.RHPct.LastSeen = s.At-60, s.At-60
	at := s.At
	return &piece{s: s, w: &weather{at: float64(at)}, fact: &Piece{ID: 1, Name: "foredeck", Bare: true}, skin: &skin{now: 16, u: 0.5}, kind: Seal, system: &system,
		margin: p64(6), marginU: 0.7, surfaceRH: p64(60), moisture: p64(11), moistureFrom: "meter",
		gas:   &gas{likely: 1, high: 1, end: 0.99, cause: "Timber cooling."},
		ahead: ahead{margin: p64(5), marginAt: at + 7200, surfaceRH: p64(65), lowest: p64(14), lowestAt: at + 7200, tackOpens: at + 1800, recoatCloses: at + 9000},
		next:  sequence.Next{Work: sequence.Seal, Ready: sequence.Yes}, legs: []leg{{"next coat", at + 1800, at + 9000, s.workingMinutes(at+1800, at+9000)}}}
}

func TestAFitPieceIsClear(t *testing.T) {
	for _, r := range rules() {
		reason := r(fit())
		require.Equalf(t, Clear, reason.Verdict, "%s: %s", reason.Rule, reason.Text)
		require.NotEmpty(t, reason.Text)
		require.NotEmpty(t, reason.Source, reason.Rule)
	}
}

// TestBoundaries holds each rule's verdict, value, limit, unit and source at its limit. Limits: 3 K, ISO 8502-4 practice; 12 and 16 %, FAA AC
// 43.13-1B 1-29 g; the system's own, invented; the others are ours.
func TestBoundaries(t *testing.T) {
	cases := []struct {
		name         string
		rule         rule
		set          func(*piece)
		want         Verdict
		value, limit *float64
		unit         string
	}{
		{"margin 2.99 now", marginRule, func(p *piece) { p.margin, p.marginU = p64(3.69), 0.70 }, Stop, p64(2.99), p64(3), "K"},
		{"margin 3.00 now", marginRule, func(p *piece) { p.margin, p.marginU, p.ahead.margin = p64(3.75), 0.75, p64(3.75) }, Clear, p64(3), p64(3), "K"},
		{"margin 2.99 ahead", marginRule, func(p *piece) { p.marginU, p.ahead.margin = 0.5, p64(3.49) }, Wait, p64(5.5), p64(3), "K"},
		{"margin unknown", marginRule, func(p *piece) { p.margin, p.noMargin = nil, "humidity: stale" }, CantSay, nil, p64(3), "K"},
		{"margin ahead unknown", marginRule, func(p *piece) { p.ahead.margin, p.noAhead = nil, "no log" }, CantSay, p64(5.3), p64(3), "K"},
		{"surface 84.9 %", surfaceRHRule, func(p *piece) { p.surfaceRH, p.ahead.surfaceRH = p64(84.9), p64(84.9) }, Clear, p64(84.9), p64(85), "%"},
		{"surface 85.0 %", surfaceRHRule, func(p *piece) { p.surfaceRH = p64(85) }, Stop, p64(85), p64(85), "%"},
		{"surface 85.0 % ahead", surfaceRHRule, func(p *piece) { p.ahead.surfaceRH = p64(85) }, Wait, p64(60), p64(85), "%"},
		{"surface humidity unknown", surfaceRHRule, func(p *piece) { p.surfaceRH, p.noMargin = nil, "x" }, CantSay, nil, p64(85), "%"},
		{"no system", surfaceRHRule, func(p *piece) { p.system = nil }, CantSay, nil, nil, "%"},
		{"surface 9.9 C", lowestRule, func(p *piece) { p.skin.now = 9.9 }, Stop, p64(9.9), p64(10), "C"},
		{"surface 10.0 C", lowestRule, func(p *piece) { p.skin.now, p.ahead.lowest = 10, p64(10) }, Clear, p64(10), p64(10), "C"},
		{"surface 9.9 C ahead", lowestRule, func(p *piece) { p.ahead.lowest = p64(9.9) }, Wait, p64(16), p64(10), "C"},
		{"surface unknown", lowestRule, func(p *piece) { p.skin.missing = "air: stale" }, CantSay, nil, p64(10), "C"},
		{"timber 12.0 %", moistureRule, func(p *piece) { p.moisture = p64(12) }, Clear, p64(12), p64(12), "%"},
		{"timber 12.1 %", moistureRule, func(p *piece) { p.moisture = p64(12.1) }, Wait, p64(12.1), p64(12), "%"},
		{"timber 16.0 %", moistureRule, func(p *piece) { p.moisture = p64(16) }, Wait, p64(16), p64(12), "%"},
		{"timber 16.1 %", moistureRule, func(p *piece) { p.moisture = p64(16.1) }, Stop, p64(16.1), p64(16), "%"},
		{"timber unknown", moistureRule, func(p *piece) { p.moisture, p.noMoisture = nil, "no meter" }, CantSay, nil, p64(12), "%"},
		{"timber unknown, coated", moistureRule, func(p *piece) { p.moisture, p.fact.Bare = nil, false }, Clear, nil, nil, "%"},
		{"gas grows by 0.0005", outgassingRule, func(p *piece) { p.gas.high = 1.0005 - 1e-12 }, Clear, p64(0.05), p64(0.05), "%"},
		{"gas grows by 0.0006", outgassingRule, func(p *piece) { p.gas.high = 1.0006 }, Wait, p64(0.06), p64(0.05), "%"},
		{"gas unknown", outgassingRule, func(p *piece) { p.gas, p.noGas = nil, "x" }, CantSay, nil, p64(0.05), "%"},
		{"beneath is wet", windowRule, func(p *piece) { p.over(-1, 0) }, Wait, p64(30), p64(0), "min"},
		{"beneath is tacky", windowRule, func(p *piece) { p.over(40, 0) }, Clear, p64(200), p64(0), "min"},
		{"beneath is green", windowRule, func(p *piece) { p.over(220, 0) }, Clear, p64(20), p64(0), "min"},
		{"beneath is set", windowRule, func(p *piece) { p.over(265, 0) }, Wait, p64(-5), p64(0), "min"},
		{"beneath is sandable", windowRule, func(p *piece) { p.over(800, 0) }, Wait, p64(-540), p64(0), "min"},
		{"beneath can't be told", windowRule, func(p *piece) { p.over(40, 1) }, CantSay, nil, nil, ""},
		{"beneath is closing", windowRule, func(p *piece) { p.over(245, 0) }, Wait, p64(-5), p64(0), "min"},
		{"beneath is sandable, washed, dry and abraded", windowRule, func(p *piece) { p.over(800, 2) }, Clear, nil, nil, ""},
		{"the plan says to wash", windowRule, func(p *piece) { p.over(800, 3) }, Wait, p64(-390), p64(0), "min"},
		{"the plan is through", windowRule, func(p *piece) { p.through = true }, Clear, nil, nil, ""},
		{"window in hours", hoursRule, func(*piece) {}, Clear, p64(120), p64(1), "min"},
		{"window at night", hoursRule, func(p *piece) { p.leg(0, 5*3600, 8*3600) }, Wait, p64(0), p64(1), "min"},
		{"window with a minute of the day", hoursRule, func(p *piece) { p.leg(0, 4*3600-60, 8*3600) }, Clear, p64(1), p64(1), "min"},
		{"a later window at night", hoursRule, func(p *piece) { p.leg(2, 12*3600, 15*3600) }, Wait, p64(0), p64(1), "min"},
		{"nothing follows", hoursRule, func(p *piece) { p.legs = nil }, Clear, nil, nil, ""},
		{"what follows can't be told", hoursRule, func(p *piece) { p.legs, p.noAhead = nil, "no log" }, CantSay, nil, nil, ""},
		{"a system of the plan is not known", hoursRule, func(p *piece) { p.legs, p.legsEnd = nil, "not known" }, CantSay, nil, nil, ""},
		{"clock not set", hoursRule, func(p *piece) { p.s.ClockSet = false }, CantSay, nil, nil, ""},
		{"fresh to the second", trustRule, func(p *piece) { p.s.Climate.AirC.LastSeen = p.s.At - 1800 }, Clear, p64(1800), p64(1800), "s"},
		{"stale by a second", trustRule, func(p *piece) { p.s.Climate.RHPct.LastSeen = p.s.At - 1801 }, CantSay, p64(1801), p64(1800), "s"},
		{"no air", trustRule, func(p *piece) { p.w.noAir = "air temperature: stale" }, CantSay, p64(60), p64(1800), "s"},
		{"no humidity", trustRule, func(p *piece) { p.w.noRH = "humidity: saturated" }, CantSay, p64(60), p64(1800), "s"},
		{"bare and no moisture", trustRule, func(p *piece) { p.moisture = nil }, CantSay, p64(60), p64(1800), "s"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			p := fit()
			c.set(p)
			r := c.rule(p)
			require.Equal(t, c.want, r.Verdict, r.Text)
			require.Equal(t, c.unit, r.Unit)
			near(t, c.value, r.Value)
			near(t, c.limit, r.Limit)
			require.NotEmpty(t, r.Text)
		})
	}
}

func near(t *testing.T, want, got *float64) {
	t.Helper()
	if want == nil {
		require.Nil(t, got)
		return
	}
	require.NotNil(t, got)
	require.InDelta(t, *want, *got, 1e-9)
}

// over puts the piece over a coat of invented times, now minutes after it went on: tacky at 30, bonds to 240 (early) and 260 (likely), firm at
// 400, sandable at 700. How 1 hides its standing; 2 has it washed, dry and abraded; 3 has the plan wash it next.
func (p *piece) over(now float64, how int64) {
	if now < 0 {
		now = 0
	}
	at := func(m float64) sequence.Moment {
		x := p.s.At + units.Instant(60*(m-now))
		return sequence.Moment{Early: x - 1200, Likely: x, Late: x + 600}
	}
	state := StateWet
	for _, m := range []struct {
		from  float64
		state State
	}{{30, StateTacky}, {120, StateGreen}, {260, StateSet}, {400, StateFirm}, {700, StateSandable}} {
		if now >= m.from {
			state = m.state
		}
	}
	c := sequence.Coat{ID: 9, Work: sequence.Fill, Started: p.s.At - units.Instant(60*now), Standing: sequence.Standing{State: string(state), TackOpens: at(30), TackCloses: at(120),
		RecoatCloses: at(260), Firm: at(400), Sandable: at(700)}}
	f := sequence.Facts{At: p.s.At, Coats: []sequence.Coat{c}}
	step := sequence.Usual(sequence.Fill)
	switch how {
	case 1:
		f.Coats[0].Standing = sequence.Standing{Why: "stale"}
	case 2:
		f.Deeds = []sequence.Deed{{Work: sequence.Wash, At: p.s.At - 5400, DryMin: p64(80)}, {Work: sequence.Abrade, At: p.s.At - 60}}
	case 3:
		step = sequence.Usual(sequence.Wash)
	}
	p.next = f.Ask(step)
}

// leg replaces what follows by equal steps of which the last falls into [from, to) seconds from now.
func (p *piece) leg(before int, from, to units.Instant) {
	first := p.legs[0]
	p.legs = nil
	for range before {
		p.legs = append(p.legs, first)
	}
	from, to = p.s.At+from, p.s.At+to
	p.legs = append(p.legs, leg{"fill", from, to, p.s.workingMinutes(from, to)})
}

func TestSourcesOfLimits(t *testing.T) {
	p := fit()
	require.Contains(t, marginRule(p).Source, "ISO 8502-4")
	require.Contains(t, moistureRule(p).Source, "AC 43.13-1B")
	require.Equal(t, p.system.Name, lowestRule(p).Source)
	require.Equal(t, p.system.Name, surfaceRHRule(p).Source)
}

// TestWorseNeverHelps: for each rule, the others' inputs held, a worse input never gives a better verdict.
func TestWorseNeverHelps(t *testing.T) {
	worsen := []struct {
		name string
		rule rule
		set  func(*piece, float64) // bigger is worse
		from float64
		to   float64
	}{
		{"smaller margin", marginRule, func(p *piece, x float64) { p.margin = p64(-x) }, -15, 5},
		{"smaller margin ahead", marginRule, func(p *piece, x float64) { p.ahead.margin = p64(-x) }, -15, 5},
		{"larger doubt", marginRule, func(p *piece, x float64) { p.marginU = x }, 0, 6},
		{"higher surface humidity", surfaceRHRule, func(p *piece, x float64) { p.surfaceRH = p64(x) }, 0, 130},
		{"higher surface humidity ahead", surfaceRHRule, func(p *piece, x float64) { p.ahead.surfaceRH = p64(x) }, 0, 130},
		{"lower surface temperature", lowestRule, func(p *piece, x float64) { p.skin.now = -x }, -30, 20},
		{"lower surface temperature ahead", lowestRule, func(p *piece, x float64) { p.ahead.lowest = p64(-x) }, -30, 20},
		{"wetter timber", moistureRule, func(p *piece, x float64) { p.moisture = p64(x) }, 0, 30},
		{"larger gas growth", outgassingRule, func(p *piece, x float64) { p.gas.high = 1 + x; p.gas.likely = 1 + x/2 }, 0, 0.2},
		{"later after the coat beneath", windowRule, func(p *piece, x float64) { p.over(x, 0) }, 30, 3000},
		{"a window later in the evening", hoursRule, func(p *piece, x float64) { p.leg(0, units.Instant(x), units.Instant(x)+3600) }, 0, 12 * 3600},
		{"older data", trustRule, func(p *piece, x float64) { p.s.Climate.AirC.LastSeen = p.s.At - units.Instant(x) }, 0, 1e5},
	}
	for _, w := range worsen {
		t.Run(w.name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				a := rapid.Float64Range(w.from, w.to).Draw(t, "better")
				b := rapid.Float64Range(a, w.to).Draw(t, "worse")
				good, bad := fit(), fit()
				w.set(good, a)
				w.set(bad, b)
				require.GreaterOrEqual(t, w.rule(bad).Verdict.Severity(), w.rule(good).Verdict.Severity())
			})
		})
	}
}

// TestMissingInputIsNeverClear: whatever the shed is like, a missing required input never gives clear.
func TestMissingInputIsNeverClear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := situation(rapid.Float64Range(0.2, 4).Draw(t, "days"), rapid.Float64Range(2, 25).Draw(t, "mean"), rapid.Float64Range(0, 6).Draw(t, "swing"),
			rapid.Float64Range(20, 95).Draw(t, "rh"))
		problem := rapid.SampledFrom([]string{"stale", "never seen", "its newest reading is flagged saturated"}).Draw(t, "problem")
		which := rapid.SampledFrom([]string{"air", "rh", "moisture"}).Draw(t, "which")
		switch which {
		case "air":
			s.Climate.AirC.Problem = problem
		case "rh":
			s.Climate.RHPct.Problem = problem
		case "moisture":
			s.Pieces[0].Meter = nil
			s.Pieces = s.Pieces[:1]
		}
		for _, p := range Advise(s).Pieces {
			if which == "moisture" && p.Reasons[0].Rule != "trust" && p.Verdict == CantSay {
				continue
			}
			require.NotEqual(t, Clear, p.Verdict, p.Name)
		}
	})
}

// TestPraiseOnlyWhileTheMarginHolds: timber that draws resin in is called a good time to seal only if rule 1 holds to the end of green.
func TestPraiseOnlyWhileTheMarginHolds(t *testing.T) {
	p := fit()
	require.Contains(t, outgassingRule(p).Text, "good time to seal")
	p.ahead.margin = p64(2)
	r := outgassingRule(p)
	require.Equal(t, Clear, r.Verdict)
	require.NotContains(t, r.Text, "good time")
}

// TestTheAirMisleads: the two cases that fool people. The air falls while the timber, which lags, still warms; and the temperature is steady
// while the barometer falls.
func TestTheAirMisleads(t *testing.T) {
	s := situation(4, 16, 0, 50)
	at := float64(s.At)
	a := &s.Climate.AirC.Trace
	for i := range a.At { // a cold night, forty minutes of heating, and the last ten minutes with the door open
		back := at - a.At[i]
		switch {
		case back <= 600:
			a.V[i] = 24 - 1.5*(600-back)/600
		case back <= 2400:
			a.V[i] = 24
		default:
			a.V[i] = 12
		}
	}
	s.Pieces = s.Pieces[:1]
	s.Pieces[0].ThicknessM, s.Pieces[0].BackSealed = 0.045, true
	p := Advise(s).Pieces[0]
	require.Equal(t, "out", p.GasDirection)
	reason := reasonOf(p, "outgassing")
	require.Equal(t, Wait, reason.Verdict)
	require.Contains(t, reason.Text, "The air is cooling, but the timber still warms")

	s = situation(4, 16, 0, 50)
	b := &s.Climate.PressureHPa.Trace
	for i := range b.At { // a front passes each day at this time: the log knows how it goes on
		day := (at - b.At[i]) / 86400
		phase := day - float64(int64(day))
		b.V[i] = 1013 - 12*fall(phase)
	}
	p = Advise(s).Pieces[0]
	require.Equal(t, "out", p.GasDirection, reasonOf(p, "outgassing").Text)
	require.Contains(t, reasonOf(p, "outgassing").Text, "barometer fell")
}

// fall is a day of a barometer by its age in days: it falls for six hours either side of now, and climbs back slowly.
func fall(age float64) float64 {
	switch {
	case age <= 0.25:
		return 0.5 - 2*age
	case age >= 0.75:
		return 1 - 2*(age-0.75)
	}
	return 2 * (age - 0.25)
}

func reasonOf(p PieceAdvice, rule string) Reason {
	for _, r := range p.Reasons {
		if r.Rule == rule {
			return r
		}
	}
	return Reason{}
}

func TestWorstRuleWins(t *testing.T) {
	require.Equal(t, Stop, Clear.Worse(Wait).Worse(CantSay).Worse(Stop))
	require.Equal(t, CantSay, Wait.Worse(CantSay).Worse(Clear))
	require.Len(t, rules(), 8)
}

func TestBelowLowestGivesNoTime(t *testing.T) {
	s := situation(4, 7, 0.5, 60)
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 3600}}
	c := Advise(s).Coats[0]
	require.True(t, c.BelowLowest)
	require.NotEmpty(t, c.CantSay)
	require.Empty(t, c.Marks)
	for _, w := range c.Windows {
		require.False(t, w.Opens.Likely.Known() || w.Closes.Likely.Known())
	}
	require.Equal(t, "some", c.Blush, c.BlushWhy) // an hour below the lowest
}

func TestTouchesMoveTheWindows(t *testing.T) {
	s := situation(4, 16, 0, 50)
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 2400}}
	free := Advise(s).Coats[0]
	require.Equal(t, StateTacky, free.State)
	s.Coats[0].Touches = []Touch{{At: s.At - 60, State: StateWet}}
	slow := Advise(s).Coats[0]
	require.Greater(t, float64(slow.Marks[cure.RecoatCloses].When.Likely), float64(free.Marks[cure.RecoatCloses].When.Likely), "still wet late: this drum is slow")
	s.Coats[0].Touches = []Touch{{At: s.At - 60, State: StateGreen}}
	fast := Advise(s).Coats[0]
	require.Equal(t, StateGreen, fast.State)
	require.Less(t, float64(fast.Marks[cure.RecoatCloses].When.Likely), float64(free.Marks[cure.RecoatCloses].When.Likely))
}

func TestAGapWidens(t *testing.T) {
	s := situation(4, 16, 2, 50)
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 9*3600}}
	whole := Advise(s).Coats[0].Marks[cure.Sandable].When
	at := float64(s.At)
	a := &s.Climate.AirC.Trace
	var keepAt, keepV []float64
	for i := range a.At {
		if back := at - a.At[i]; back > 8.5*3600 || back < 0.5*3600 {
			keepAt, keepV = append(keepAt, a.At[i]), append(keepV, a.V[i])
		}
	}
	a.At, a.V = keepAt, keepV
	c := Advise(s).Coats[0]
	require.InDelta(t, 480, c.GapMinutes, 15)
	holed := c.Marks[cure.Sandable].When
	require.Greater(t, float64(holed.Late-holed.Early), float64(whole.Late-whole.Early))
}
