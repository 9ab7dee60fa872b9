package assess

import (
	"flag"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/advisor/plan"
	"tackline/advisor/units"
	"tackline/daemon/alert"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// kind is one thing that a phone may hear of, and what its text must say to be complete in itself.
type kind struct {
	what     string // in the words of the README
	key      string
	severity alert.Severity
	event    bool     // told once; else it has an end that is told
	where    string   // whom or what it is about
	until    []string // times of day: until when, or from when
	limit    []string // number against limit; none where there is none
	deed     string   // what to do
	link     string
}

// everything is an advice in which all that a shed can suffer holds at once: minutes are from the likely opening of the tack window.
func everything(minutes float64) advisor.Advice {
	opens := units.Instant(float64(noon) / 1000)
	a := coatAdvice(opens)
	a.At = opens.Add(units.Second(60 * minutes))
	num := func(v float64) *float64 { return &v }
	ratio, stalled := 1.004, advisor.Reason{Rule: "stalled", Text: "Hard, not cured: the film has gone glassy at 6.0 C with 71 % of the reaction done. Warmth restarts it; cold alone will not finish it."}
	lag := advisor.Reason{Rule: "lag", Text: "it takes 3.1 times the time of the 4 other touched coats of its drum: look at the ratio and at the mixing."}
	c := &a.Coats[0]
	c.Stalled, c.GasRatio, c.GasSure, c.Lag, c.Reasons = true, &ratio, &ratio, &advisor.Lag{Times: 3.1, Others: 4}, []advisor.Reason{stalled, lag}
	c.MarginAhead = &advisor.Ahead{At: a.At + 7200, MarginK: 2.9, UK: 0.7}
	a.Pieces = []advisor.PieceAdvice{{MarginK: advisor.Figure{Value: num(3.2), U: num(0.7)}}}
	cold, blind := *c, *c
	cold.Coat, cold.Name, cold.PieceName, cold.BelowLowest = 8, "fill on keel batten", "keel batten", true
	cold.CantSay = "the surface is at 4.2 C, below this system's lowest of 8.0 C: no time can be given"
	blind.Coat, blind.Name, blind.PieceName, blind.CantSay = 9, "glue on stringer", "stringer", "air temperature: stale since 11:20"
	a.Coats = append(a.Coats, cold, blind)
	a.Notices = []advisor.Reason{{Rule: "resin", Value: num(9), Limit: num(15), Source: "common practice, no source",
		Text: "The resin stands at 9.0 C, below its storage temperature of 15.0 C: warm it before mixing, or pumps give a wrong ratio; look for crystals."}}
	a.Shed.ResinC = advisor.Figure{Value: num(9)}
	working := advisor.Moment{Early: opens.Add(900), Likely: opens.Add(1200), Late: opens.Add(1500)}
	b := advisor.BatchAdvice{Batch: 5, System: "medium", Mixed: opens, MassG: 300, Vessel: "pot", Working: working, PeakC: num(180), MayRunAway: true, HotAt: opens.Add(2400),
		Phase: advisor.BatchEnding, Reasons: a.Notices, Text: "Batch 5 is past its working time and still stands in a pot: pour it out flat on sand or into a tray out of doors, and keep out of its fumes."}
	a.Batches = []advisor.BatchAdvice{b}
	if minutes >= 20 {
		a.Batches[0].Phase = advisor.BatchHazard
	}
	dark := b
	dark.Batch, dark.Phase, dark.CantSay, dark.Text = 6, advisor.BatchBlind, "air temperature: stale", "No time can be given for batch 6: no present air temperature. Go by its feel: warm or thick is too late."
	a.Batches = append(a.Batches, dark)
	return a
}

// TestEveryKindIsToldWhole: each thing that a phone may hear of has its severity, and a text that says by itself what it is, where, until when, which number
// stands against which limit and what to do, with a link to the coat that it is about.
func TestEveryKindIsToldWhole(t *testing.T) {
	coat, cold, blind := "/coats#coat-7", "/coats#coat-8", "/coats#coat-9"
	kinds := []kind{
		{"tack window soon", "coat/7/tack_soon", alert.Notice, true, "bedding on foredeck", []string{"12:00", "11:55", "12:05"}, nil, "Get fabric, roller and resin ready", coat},
		{"tack window open; the recoat window opens with it", "coat/7/tack_open", alert.Warning, true, "bedding on foredeck", []string{"12:00", "12:55", "13:55"}, nil, "Try it with a gloved finger", coat},
		{"tack window closing", "coat/7/tack_closing", alert.Warning, true, "bedding on foredeck", []string{"12:55", "13:00"}, nil, "lay fabric or coat before then", coat},
		{"tack window closed", "coat/7/tack_closed", alert.Notice, true, "bedding on foredeck", []string{"13:00", "13:55"}, nil, "the next coat still bonds until its own window closes", coat},
		{"recoat window closing", "coat/7/recoat_closing", alert.Warning, true, "bedding on foredeck", []string{"13:55", "14:00"}, nil, "put the next coat on before then", coat},
		{"recoat window closed", "coat/7/recoat_closed", alert.Notice, true, "bedding on foredeck", []string{"14:00"}, nil, "wash with water, dry, abrade", coat},
		{"batch: working time ending", "batch/5/ending", alert.Warning, true, "Batch 5 (300 g of medium, in a pot)", []string{"12:15", "12:20"}, nil, "Spread it now or pour it out flat", "/"},
		{"batch: past its time", "batch/5/past", alert.Warning, true, "Batch 5 (300 g of medium, in a pot)", []string{"12:20"}, nil, "Do not spread it", "/"},
		{"batch: heat and fume", "batch/5/hazard", alert.Critical, false, "Batch 5", []string{"12:40"}, []string{"150 C"}, "pour it out flat", "/"},
		{"batch: resin too cold", "batch/5/cold", alert.Notice, true, "resin", nil, []string{"9.0 C", "15.0 C"}, "warm it", "/"},
		{"batch: can't say", "batch/6/blind", alert.Warning, false, "batch 6", nil, nil, "Go by its feel", "/"},
		{"margin falling, by fact", "coat/7/margin_now", alert.Critical, false, "bedding on foredeck", []string{"14:05"}, []string{"3.2 K less 0.7 K", "limit 3.0 K"}, "Warm the piece or dry the air now", coat},
		{"margin falling, by forecast", "coat/7/margin_ahead", alert.Warning, false, "bedding on foredeck", []string{":"}, []string{"2.9 K less 0.7 K", "limit 3.0 K"}, "Plan heat or drying for then", coat},
		{"surface below the system's lowest", "coat/8/lowest", alert.Warning, false, "keel batten", nil, []string{"4.2 C", "8.0 C"}, "Warm the piece", cold},
		{"timber about to gas, or gassing", "coat/7/gas", alert.Warning, false, "bedding on foredeck", []string{"before the coat gels"}, []string{"0.4 %", "limit 0.2 %"}, "Take sun, lamp and heater off it", coat},
		{"coat stalled by cold", "coat/7/stalled", alert.Warning, false, "bedding on foredeck", nil, []string{"6.0 C", "71 %"}, "Warm the piece", coat},
		{"coat far behind its drum", "coat/7/lag", alert.Warning, false, "bedding on foredeck", nil, []string{"3.1 times"}, "look at the ratio", coat},
		{"no time can be given", "coat/9/blind", alert.Warning, false, "glue on stringer", nil, nil, "See to the probe", blind},
		{"resin too cold", "resin/cold", alert.Notice, false, "resin", nil, []string{"9.0 C", "15.0 C"}, "warm it before mixing", "/"},
	}
	told := map[string]alert.Condition{}
	for _, minutes := range []float64{-5, 1, 25, 50, 65, 112, 125} {
		for _, c := range Conditions(everything(minutes), advisor.DefaultLimits(), time.UTC) {
			if _, before := told[c.Key]; c.Active && !before {
				told[c.Key] = c
			}
		}
	}
	var text strings.Builder
	for _, k := range kinds {
		c, ok := told[k.key]
		require.True(t, ok, k.what)
		whole(t, k.what, c)
		require.Equal(t, k.severity, c.Severity, k.what)
		require.Equal(t, k.event, c.Event, k.what)
		require.Equal(t, k.link, c.Link, k.what)
		all := c.Title + "\n" + c.Body // the title names the coat as it is called
		for _, part := range append(append([]string{k.where, k.deed}, k.until...), k.limit...) {
			require.Contains(t, all, part, k.what)
		}
		write(&text, k.what, c)
		delete(told, k.key)
	}
	for key := range told { // the same kinds of the other coats
		require.Regexp(t, `^(coat/[89]|batch/6)/`, key, "a kind that is not in the table: add it")
	}
	ten := units.InstantOf(time.Date(2026, 1, 15, 10, 0, 0, 0, time.UTC))
	p := advisor.Plan{Piece: 3, Name: "foredeck"}
	p.Starts = []plan.Start{{At: ten, Chance: 0.9, Why: "The margin is at its lowest, 3.6 K, at 17:00.", Steps: []plan.StepTime{{Step: "seal", Likely: ten}}}}
	best := BestStart(p, time.Date(2026, 1, 14, 18, 0, 0, 0, time.UTC), time.Date(2026, 1, 14, 21, 0, 0, 0, time.UTC), time.UTC)
	require.Equal(t, alert.Notice, best.Severity)
	whole(t, "best start tomorrow", best)
	write(&text, "best start tomorrow", best)
	golden(t, "testdata/told.txt", text.String())
}

// whole checks what every text must be: a title of one line, a body of whole sentences, no hole of a number that was not known, and an end that is told of
// what lasts.
func whole(t *testing.T, what string, c alert.Condition) {
	t.Helper()
	require.NotEmpty(t, c.Title, what)
	require.Less(t, len(c.Title), 80, what)
	require.NotContains(t, c.Title, "\n", what)
	require.Regexp(t, `^[A-Z0-9].*[.]$`, c.Body, what)
	require.NotRegexp(t, regexp.MustCompile(`%!|NaN|<nil>|\(\)| {2}|: \.|\.\.`), c.Title+c.Body+c.Cleared, what)
	require.NotEmpty(t, c.Link, what)
	if !c.Event {
		require.Regexp(t, `^[A-Z0-9].*[.]$`, c.Cleared, "%s: safe again", what)
	}
}

func write(b *strings.Builder, what string, c alert.Condition) {
	fmt.Fprintf(b, "%s\n  %s: %s\n  %s\n  %s\n", what, c.Severity, c.Title, c.Body, c.Link)
	if c.Cleared != "" {
		fmt.Fprintf(b, "  over: %s\n", c.Cleared)
	}
}

func golden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
}
