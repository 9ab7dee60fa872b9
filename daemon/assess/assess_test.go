package assess

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/advisor/units"
	"tackline/daemon/alert"
	"tackline/daemon/jobbook"
	"tackline/sensors"
)

// log is an invented store: a reading each minute of one probe up to a time, the newest of which may be flagged.
type log struct {
	from, to int64
	status   sensors.Status
	asked    int64   // minutes read
	late     float64 // is added to the mean of every minute: readings came late
}

func (l *log) Minutes(_ context.Context, probe string, _ sensors.Quantity, from, to int64) ([]Minute, error) {
	var out []Minute
	for at := max(from, l.from) / minuteMs * minuteMs; at < min(to, l.to); at += minuteMs {
		if probe == "bench" && at >= l.from {
			out = append(out, Minute{Start: at, Mean: 15 + l.late})
		}
	}
	l.asked += int64(len(out))
	return out, nil
}

func (l *log) Newest(_ context.Context, probe string, _ sensors.Quantity) (Newest, error) {
	if probe != "bench" {
		return Newest{}, nil
	}
	return Newest{At: l.to, Status: l.status}, nil
}

type emptyBook struct{}

func (emptyBook) State(context.Context) (*jobbook.State, error) { return &jobbook.State{}, nil }

func (emptyBook) Frozen(context.Context, int64) (jobbook.Frozen, error) {
	return jobbook.Frozen{}, jobbook.ErrNotFound
}

const noon = int64(1_768_392_000_000) // 2026-01-14 12:00 UTC

func assessor(l *log) *Assessor {
	u := map[sensors.Quantity]float64{sensors.Temperature: 0.3, sensors.Humidity: 2}
	return New(Options{Readings: l, Facts: emptyBook{}, Zone: time.UTC, Limits: advisor.DefaultLimits(), Probes: []Probe{
		{Name: "gone", Place: sensors.Air, Quantities: []sensors.Quantity{sensors.Temperature}, U: u, Calibrated: true, StaleAfter: 3 * time.Minute},
		{Name: "bench", Place: sensors.Air, Quantities: []sensors.Quantity{sensors.Temperature, sensors.Humidity}, U: u, StaleAfter: 3 * time.Minute},
	}})
}

func TestAFreshProbeSpeaksBeforeADeadOne(t *testing.T) {
	s, err := assessor(&log{from: noon - 3_600_000, to: noon}).Situation(t.Context(), noon+10_000, true)
	require.NoError(t, err)
	require.Equal(t, "bench", s.Climate.AirC.Probe)
	require.Empty(t, s.Climate.AirC.Problem)
	require.InDelta(t, 0.45, s.Climate.AirC.U, 1e-12, "uncalibrated: half as much again")
	require.Equal(t, 60, s.Climate.AirC.Trace.Len(), "whole minutes only")
	require.Equal(t, units.Second(180), s.Limits.StaleAfter)
	require.NotEmpty(t, s.Climate.PressureHPa.Problem)
}

func TestStaleFlaggedAndNeverSeenAreNamed(t *testing.T) {
	stale, err := assessor(&log{from: noon - 3_600_000, to: noon - 300_000}).Situation(t.Context(), noon, true)
	require.NoError(t, err)
	require.Contains(t, stale.Climate.RHPct.Problem, "stale")
	wet, err := assessor(&log{from: noon - 3_600_000, to: noon - 60_000, status: sensors.Saturated}).Situation(t.Context(), noon, true)
	require.NoError(t, err)
	require.Empty(t, wet.Climate.RHPct.Problem, "the readings before it are fresh enough for the minute")
	require.Equal(t, "its newest reading is flagged saturated", problem(units.Instant(float64(noon-240_000)/1000), Newest{At: noon - 60_000, Status: sensors.Saturated}, noon, 3*time.Minute))
	require.Equal(t, "never seen", problem(0, Newest{}, noon, time.Minute))
	require.Equal(t, "no reading that may be used", problem(0, Newest{At: noon - 900_000, Status: sensors.Spike}, noon, time.Minute))
	require.Empty(t, problem(units.Instant(float64(noon)/1000-60), Newest{At: noon}, noon, time.Minute), "exactly as old as may be")
}

// A situation that was given out stays as it was, whatever is read for the next one: a plan may still be thinking about it.
func TestASituationStaysAsItWas(t *testing.T) {
	l := &log{from: noon - 86_400_000, to: noon}
	a := assessor(l)
	first, err := a.Situation(t.Context(), noon, true)
	require.NoError(t, err)
	was := slices.Clone(first.Climate.AirC.Trace.V)
	l.late, l.to = 1, l.to+3*minuteMs
	second, err := a.Situation(t.Context(), noon+3*minuteMs, true)
	require.NoError(t, err)
	require.Equal(t, was, first.Climate.AirC.Trace.V)
	v := second.Climate.AirC.Trace.V
	require.InDelta(t, 16, v[len(v)-1], 1e-12)
	require.InDelta(t, 16, v[len(v)-10], 1e-12, "late readings of a quarter of an hour change what was read")
	require.Len(t, v, len(was)+3)
	l.to -= 5 * minuteMs // minutes that are gone: a correction took their readings away
	third, err := a.Situation(t.Context(), noon+4*minuteMs, true)
	require.NoError(t, err)
	require.Less(t, third.Climate.AirC.Trace.Len(), len(v))
	require.Len(t, second.Climate.AirC.Trace.V, len(v))
}

func TestOnlyWhatIsNewIsReadAgain(t *testing.T) {
	l := &log{from: noon - 86_400_000, to: noon}
	a := assessor(l)
	_, err := a.Situation(t.Context(), noon, true)
	require.NoError(t, err)
	first := l.asked
	l.to += minuteMs
	_, err = a.Situation(t.Context(), noon+minuteMs, true)
	require.NoError(t, err)
	require.Less(t, l.asked-first, int64(50))
	a.Forget()
	_, err = a.Situation(t.Context(), noon+minuteMs, true)
	require.NoError(t, err)
	require.Greater(t, l.asked, 2*first)
}

func coatAdvice(now units.Instant) advisor.Advice {
	m := func(minutes float64) advisor.Moment {
		x := now.Add(units.Second(60 * minutes))
		return advisor.Moment{Early: x - 300, Likely: x, Late: x + 300}
	}
	return advisor.Advice{At: now, Coats: []advisor.CoatAdvice{{Coat: 7, Name: "bedding on foredeck", PieceName: "foredeck", State: advisor.StateWet,
		Windows: []advisor.Window{{Window: "tack", Opens: m(0), Closes: m(60)}, {Window: "recoat", Opens: m(0), Closes: m(120)}}}}}
}

func active(cs []alert.Condition) map[string]bool {
	out := map[string]bool{}
	for _, c := range cs {
		if c.Active {
			out[c.Key] = true
		}
	}
	return out
}

// TestWindowsAreToldByTheirTimes: soon ten minutes before the likely opening, open at it, closing ten minutes before the EARLY close.
func TestWindowsAreToldByTheirTimes(t *testing.T) {
	opens := units.Instant(float64(noon) / 1000)
	for _, c := range []struct {
		minutes float64
		want    []string
	}{
		{-10.1, nil}, {-9.9, []string{"coat/7/tack_soon"}}, {-0.1, []string{"coat/7/tack_soon"}}, {0, []string{"coat/7/tack_open"}}, {29, []string{"coat/7/tack_open"}},
		{31, nil}, {44.9, nil}, {45.1, []string{"coat/7/tack_closing"}}, {60, []string{"coat/7/tack_closed"}}, {105.1, []string{"coat/7/recoat_closing"}},
		{120, []string{"coat/7/recoat_closed"}},
	} {
		a := coatAdvice(opens)
		a.At = opens.Add(units.Second(60 * c.minutes))
		got := active(Conditions(a, advisor.DefaultLimits(), time.UTC))
		require.Len(t, got, len(c.want), "%g min: %v", c.minutes, got)
		for _, k := range c.want {
			require.True(t, got[k], "%g min: %v", c.minutes, got)
		}
	}
}

func TestBlindCoatsNeitherRaiseNorClear(t *testing.T) {
	a := coatAdvice(units.Instant(float64(noon) / 1000))
	a.Coats[0].CantSay = "air temperature: stale"
	a.Coats[0].Windows = []advisor.Window{{Window: "tack", Phase: "can't say"}, {Window: "recoat", Phase: "can't say"}}
	unknown := 0
	for _, c := range Conditions(a, advisor.DefaultLimits(), nil) {
		if c.Key == "coat/7/blind" {
			require.True(t, c.Active)
			continue
		}
		require.False(t, c.Active, c.Key)
		if c.Unknown {
			unknown++
		}
	}
	require.Greater(t, unknown, 5)
}

func TestMarginIsCriticalNowAndAWarningAhead(t *testing.T) {
	a := coatAdvice(units.Instant(float64(noon) / 1000))
	value, u := 3.2, 0.7
	a.Pieces = []advisor.PieceAdvice{{Piece: 0, MarginK: advisor.Figure{Value: &value, U: &u}}}
	a.Coats[0].MarginAhead = &advisor.Ahead{At: a.At + 7200, MarginK: 2, UK: 0.7}
	by := map[string]alert.Condition{}
	for _, c := range Conditions(a, advisor.DefaultLimits(), time.UTC) {
		by[c.Key] = c
	}
	require.True(t, by["coat/7/margin_now"].Active)
	require.Equal(t, alert.Critical, by["coat/7/margin_now"].Severity)
	require.True(t, by["coat/7/margin_ahead"].Active)
	require.Equal(t, alert.Warning, by["coat/7/margin_ahead"].Severity)
	require.Contains(t, by["coat/7/margin_ahead"].Body, "14:00")
	a.Coats[0].State = advisor.StateFirm
	for _, c := range Conditions(a, advisor.DefaultLimits(), time.UTC) {
		require.NotContains(t, active([]alert.Condition{c}), "coat/7/margin_now", "a firm coat no longer minds")
	}
}
