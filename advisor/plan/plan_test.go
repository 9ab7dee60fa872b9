package plan

import (
	"cmp"
	"encoding/json"
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/cure"
	"tackline/advisor/units"
)

func office() WorkingHours { return WorkingHours{StartMin: 8 * 60, EndMin: 18 * 60, Days: allDays()} }

// TestAFairDay: in mild dry weather with time enough there is a start in which all is kept, and its steps come in their order and hours.
func TestAFairDay(t *testing.T) {
	in := fair().input(t)
	in.Hours = office()
	p, err := Make(in)
	require.NoError(t, err)
	require.Len(t, p.Starts, 192)
	require.NotEmpty(t, p.Best)
	require.Empty(t, p.Nothing)
	top := p.Best[0]
	require.Equal(t, p.Starts[0], top)
	require.Equal(t, 1.0, top.Chance)
	require.Zero(t, top.Nights)
	last := units.Instant(0)
	for _, s := range top.Steps {
		require.LessOrEqual(t, s.Early, s.Likely)
		require.LessOrEqual(t, s.Likely, s.Late)
		require.GreaterOrEqual(t, s.Likely, last)
		last = s.Likely
		h := s.Likely.Time().Hour()
		require.True(t, h >= 8 && h < 18, s.Step)
	}
	require.Greater(t, top.HoursInShed, 2.4) // the work alone is two and a half hours
	t.Logf("%s: %s", top.At.Time(), top.Why)
	for _, o := range p.Others {
		t.Logf("%s to %s, %.0f %%: %s: %s", o.From.Time().Format("Mon 15:04"), o.To.Time().Format("Mon 15:04"), 100*o.Chance, o.Weakest, o.Why)
	}
}

// TestWeakestRule: for each rule a case in which it alone is not kept, and it is the one that is named.
func TestWeakestRule(t *testing.T) {
	damp := fair()
	damp.rh = 90
	falling := fair()
	falling.pressureSlope = -3
	cases := []struct {
		rule Rule
		step string
		w    weather
		set  func(*Input)
	}{
		{Margin, "bedding", damp, func(in *Input) { in.Systems[0].HighestSurfaceRHPct = 0 }},
		{SurfaceRH, "bedding", fair(), func(in *Input) { in.Systems[0].HighestSurfaceRHPct, in.Limits.MarginK = 35, 0 }},
		{Lowest, "bedding", fair(), func(in *Input) { in.Systems[0].LowestC = 25 }},
		{Outgassing, "seal", falling, func(in *Input) { in.Steps = []Task{{Name: "seal", Coat: true, OnTimber: true}} }},
		{Moisture, "seal", fair(), func(in *Input) {
			wet := 16.1
			in.Limits.MoisturePct, in.Limits.MoistureStopPct, in.Limits.GasGrowth = &wet, 16, 1
			in.Steps = []Task{{Name: "seal", Coat: true, OnTimber: true}}
		}},
		{Window, "bedding", fair(), func(in *Input) {
			in.Steps[0].Wait = Recoat
			for range in.Members {
				in.Beneath = append(in.Beneath, cure.SweepMarks{TackOpens: -7200, TackCloses: -3600, RecoatCloses: -60, Firm: 3600, Gel: 0})
			}
		}},
		{Window, "fabric", fair(), func(in *Input) { in.Steps[0].WorkMin = 600 }}, // still laying it when it no longer takes the fabric
		{Hours, "bedding", fair(), func(in *Input) { in.Hours = WorkingHours{StartMin: 60, EndMin: 2 * 60, Days: allDays()} }},
		{Batch, "bedding", fair(), func(in *Input) { in.Steps[0].UseMin, in.Steps[0].Pot = 20, []Pot{{10, 25}, {30, 12}} }},
		{Horizon, "bedding", fair(), func(in *Input) {
			in.Starts = 17
			for i := range in.Members {
				m := &in.Members[i]
				m.AirC, m.SurfaceC, m.VapourPa, m.PressureHPa = m.AirC[:24], m.SurfaceC[:24], m.VapourPa[:24], m.PressureHPa[:24]
			}
		}},
	}
	for _, c := range cases {
		t.Run(string(c.rule)+" "+c.step, func(t *testing.T) {
			in := c.w.input(t)
			c.set(&in)
			r, err := run(&in)
			require.NoError(t, err)
			s := r.start(16, make([]float64, r.nMembers)) // at ten
			require.Equal(t, c.rule, s.Weakest, s.Why)
			require.Equal(t, c.step, s.WeakestStep)
			require.Zero(t, s.Chance)
			require.NotEmpty(t, s.Why)
			t.Log(s.Why)
		})
	}
}

// TestNightWindow: a window that opens within the hours of nobody is told as the hours' fault, not the window's.
func TestNightWindow(t *testing.T) {
	in := fair().input(t)
	in.Steps = in.Steps[:2]
	in.Hours = WorkingHours{StartMin: 17 * 60, EndMin: 18 * 60, Days: allDays()}
	r, err := run(&in)
	require.NoError(t, err)
	s := r.start(45, make([]float64, r.nMembers)) // 17:15: tacky after six, gone by next day
	require.Equal(t, Hours, s.Weakest)
	require.Equal(t, "fabric", s.WeakestStep)
	require.Contains(t, s.Why, "in your hours")
}

// TestClosestRule: where all are kept the rule nearest its limit is named.
func TestClosestRule(t *testing.T) {
	in := fair().input(t)
	in.Steps = in.Steps[:1]
	in.Systems[0].LowestC = 14
	r, err := run(&in)
	require.NoError(t, err)
	s := r.start(24, make([]float64, r.nMembers))
	require.Equal(t, 1.0, s.Chance)
	require.Equal(t, Lowest, s.Weakest, s.Why)
}

// TestNightsAndHours counts by hand: work through the night touches it, waits over two hours are not spent in the shed.
func TestNightsAndHours(t *testing.T) {
	in := fair().input(t)
	r := &runner{in: &in}
	at := func(h, m int) units.Instant { return units.InstantOf(time.Date(2026, 1, 14, h, m, 0, 0, time.UTC)) }
	steps := []StepTime{{Likely: at(9, 0)}, {Likely: at(10, 30)}, {Likely: at(15, 0)}, {Likely: at(21, 45)}, {Likely: at(30, 0)}}
	inShed, night := r.presence(steps)
	require.InDelta(t, 2.5+1.0, inShed, 1e-9) // 30 + 20 + 40 + 30 + 30 min of work, and the hour from 09:30 to 10:30
	require.EqualValues(t, 1, night)          // from 21:45 to 22:15; six in the morning is day
}

// TestChangeOfClocks: hours are those of the wall on the days on which clocks go forward and back. Zone rules: the IANA database as Go has it.
func TestChangeOfClocks(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	for _, day := range []time.Time{time.Date(2026, 3, 28, 0, 0, 0, 0, zone), time.Date(2026, 10, 24, 0, 0, 0, 0, zone)} {
		in := Input{Origin: units.InstantOf(day), Zone: zone, Hours: office()}
		s := in.shiftsOf(samples)
		for i, x := range s.all {
			from := units.Instant(float64(in.Origin) + x.from*Step).Time().In(zone)
			to := units.Instant(float64(in.Origin) + x.to*Step).Time().In(zone)
			require.Equal(t, "08:00", from.Format("15:04"))
			require.Equal(t, "18:00", to.Format("15:04"))
			require.Equal(t, day.AddDate(0, 0, i).Day(), from.Day())
		}
	}
}

// TestTooWet: timber that is too wet leaves nothing in two days, and no search for what would help in hours.
func TestTooWet(t *testing.T) {
	in := fair().input(t)
	wet := 18.0
	in.Limits.MoisturePct, in.Limits.MoistureStopPct = &wet, 16
	in.Steps[0].OnTimber = true
	p, err := Make(in)
	require.NoError(t, err)
	require.Empty(t, p.Best)
	require.Empty(t, p.Changes)
	require.Contains(t, p.Nothing, "must dry first")
	in.Steps[0].OnTimber = false // coated already: it no longer decides
	p, err = Make(in)
	require.NoError(t, err)
	require.NotEmpty(t, p.Best)
}

func TestNotEnough(t *testing.T) {
	in := fair().input(t)
	for name, spoil := range map[string]func(*Input){
		"no step":   func(in *Input) { in.Steps = nil },
		"no member": func(in *Input) { in.Members = nil },
		"no system": func(in *Input) { in.Systems = nil },
		"too short": func(in *Input) { in.Starts = 1000 },
	} {
		x := in
		spoil(&x)
		_, err := Make(x)
		require.ErrorIs(t, err, ErrNotEnough, name)
	}
	x := in
	x.Members = append([]Member(nil), in.Members...)
	x.Members[3].AirC = append([]float64(nil), x.Members[3].AirC...)
	x.Members[3].AirC[7] = math.NaN()
	_, err := Make(x)
	require.ErrorContains(t, err, "member 3, sample 7")
	require.False(t, errors.Is(err, ErrNotEnough))
}

// some draws an invented input.
func some(t *rapid.T, tb testing.TB) Input {
	w := weather{mean: rapid.Float64Range(-2, 26).Draw(t, "mean"), swing: rapid.Float64Range(0, 8).Draw(t, "swing"), spread: rapid.Float64Range(0, 4).Draw(t, "spread"),
		rh: rapid.Float64Range(20, 95).Draw(t, "rh"), surfaceLag: rapid.Float64Range(0, 8).Draw(t, "lag"), pressureSlope: rapid.Float64Range(-0.3, 0.3).Draw(t, "slope"), members: 7}
	in := w.input(tb)
	in.Starts, in.Every = 32, 6
	in.Steps[0].OnTimber = rapid.Bool().Draw(t, "timber")
	in.Steps = in.Steps[:rapid.IntRange(1, 5).Draw(t, "steps")]
	if rapid.Bool().Draw(t, "hours") {
		in.Hours = office()
	}
	return in
}

// TestEveryPlan: chances are chances, the ranking is one, a start that is not within hours is never held out, the same input gives the same
// bytes, and the weakest rule is one that is not kept wherever one is not.
func TestEveryPlan(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		in := some(rt, t)
		p, err := rank(&in)
		require.NoError(rt, err)
		again, err := rank(&in)
		require.NoError(rt, err)
		a, err := json.Marshal(p)
		require.NoError(rt, err)
		b, err := json.Marshal(again)
		require.NoError(rt, err)
		require.Equal(rt, string(a), string(b))
		before := 1.0
		for _, s := range p.Starts {
			require.True(rt, s.Chance >= 0 && s.Chance <= before, "%g after %g", s.Chance, before)
			before = s.Chance
			require.Equal(rt, s.Chance < 1, len(s.Rules) > 0)
			for _, r := range s.Rules {
				require.True(rt, r.Kept >= s.Chance-1e-12 && r.Kept < 1)
			}
			if s.Chance < 1 {
				least := slices.MinFunc(s.Rules, func(a, b RuleShare) int { return cmp.Compare(a.Kept, b.Kept) })
				if s.inHours {
					require.Equal(rt, least.Rule, s.Weakest)
				} else {
					require.Equal(rt, Hours, s.Weakest)
				}
			}
			if in.Hours.EndMin > 0 {
				if h := s.At.Time().Hour(); h < 8 || h >= 18 {
					require.Zero(rt, s.Chance)
				}
			}
		}
		require.Equal(rt, len(p.Best) == 0, p.Nothing != "")
	})
}

// TestDrierNeverHurts: less vapour and nothing else changed never lowers a chance.
func TestDrierNeverHurts(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		in := some(rt, t)
		factor := rapid.Float64Range(0.3, 1).Draw(rt, "vapour")
		wet, err := run(&in)
		require.NoError(rt, err)
		in.AW = 0.5 // the timber's own
		for i := range in.Members {
			v := append([]float64(nil), in.Members[i].VapourPa...)
			for k := range v {
				v[k] *= factor
			}
			in.Members[i].VapourPa = v
		}
		dry, err := run(&in)
		require.NoError(rt, err)
		for j := range wet.met {
			require.GreaterOrEqual(rt, dry.met[j], wet.met[j])
		}
	})
}

// TestWarmerNeverHurts: for one coat, in air that is warmer by the same everywhere at the same vapour, the margin, the humidity at the surface
// and the lowest temperature are kept in no fewer members: it is over sooner, and drier meanwhile. Of a sequence that does not hold, since it
// moves the windows about.
func TestWarmerNeverHurts(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		in := some(rt, t)
		in.Steps = in.Steps[:1]
		by := rapid.Float64Range(0, 8).Draw(rt, "warmer")
		cold, err := run(&in)
		require.NoError(rt, err)
		for i := range in.Members {
			m := &in.Members[i]
			s := append([]float64(nil), m.SurfaceC...)
			for k := range s {
				s[k] += by
			}
			m.SurfaceC = s
		}
		warm, err := run(&in)
		require.NoError(rt, err)
		for j := range in.Starts {
			for _, rule := range []int64{margin, surfaceRH, lowest} {
				require.LessOrEqual(rt, warm.failed[j*rules+rule], cold.failed[j*rules+rule])
			}
		}
	})
}
