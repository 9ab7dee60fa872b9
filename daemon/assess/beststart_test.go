package assess

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/advisor/plan"
	"tackline/advisor/units"
)

// TestBestStart: the day after is meant, by the shed's own midnight, and what has no chance is said to have none.
func TestBestStart(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Lisbon")
	require.NoError(t, err)
	at := func(day, h int) units.Instant { return units.InstantOf(time.Date(2026, 3, day, h, 0, 0, 0, zone)) }
	now := time.Date(2026, 3, 28, 18, 0, 0, 0, zone) // the clocks go forward in the night
	start := func(day, h int, chance float64) plan.Start {
		return plan.Start{At: at(day, h), Chance: chance, Why: "Because.", Steps: []plan.StepTime{{Step: "seal", Likely: at(day, h)}, {Step: "bedding", Likely: at(day, h+2)}, {Step: "fill"}}}
	}
	p := advisor.Plan{Piece: 3, Name: "foredeck"}
	p.Starts = []plan.Start{start(28, 19, 1), start(30, 9, 0.98), start(29, 10, 0.9), start(29, 9, 0.4)}
	p.Best = p.Starts[:3]
	c := BestStart(p, now, now.Add(time.Hour), zone)
	require.Equal(t, "piece/3/start/2026-03-29", c.Key)
	require.True(t, c.Active && c.Event && !c.Unknown)
	require.Equal(t, "Best start tomorrow: foredeck 10:00", c.Title)
	require.Contains(t, c.Body, "90 % of the forecast's members. Because. Likely: seal 10:00, bedding 12:00, fill not within the forecast.")

	p.Starts = []plan.Start{start(30, 9, 0.98), start(29, 9, 0.4)}
	p.Best = p.Starts[:1]
	c = BestStart(p, now, now.Add(time.Hour), zone)
	require.Equal(t, "No start fits tomorrow: foredeck", c.Title)
	require.Contains(t, c.Body, "09:00, holds in only 40 %")
	require.Contains(t, c.Body, "The next that does: Mon 09:00.")

	p.Best, p.Nothing = nil, "Nothing in the next 48 h."
	require.Equal(t, "Nothing in the next 48 h.", BestStart(p, now, now.Add(time.Hour), zone).Body)

	p.CantSay = "no present humidity"
	c = BestStart(p, now, now.Add(time.Hour), nil)
	require.True(t, c.Unknown)
	require.False(t, c.Active)
}
