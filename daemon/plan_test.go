package daemon

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor/sequence"
	"tackline/daemon/alert"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/dashboard"
)

// TestBestStartOfTheNextDay runs an invented shed into an evening: at the hour that is set a piece with a planned sequence has one message, none
// before, and no other after.
func TestBestStartOfTheNextDay(t *testing.T) {
	text := fmt.Sprintf(`format = 1
[shed]
name = "Invented"
zone = "Europe/Lisbon"
data = %q
listen = "127.0.0.1:0"
[clock]
speed = "free"
start = 2026-01-14T14:20:00Z
[plan]
tell_at = "18:00"
[[probe]]
name = "air"
kind = "shed"
place = "air"
seed = 3
interval = "5min"
[[alert]]
name = "log"
kind = "log"
`, t.TempDir())
	c, err := config.Parse([]byte(text), "invented")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var told []alert.Message
	var d *Daemon
	end := time.Date(2026, 1, 14, 19, 0, 0, 0, time.UTC)
	d, err = New(Options{Config: c, Observe: func(m Moment) {
		for _, x := range m.Told {
			if strings.HasPrefix(x.Key, "piece/") {
				told = append(told, x)
			}
		}
		if m.At.After(end) {
			cancel()
		}
	}})
	require.NoError(t, err)
	_, err = d.planner.Plan(t.Context(), dashboard.PlanQuery{})
	require.ErrorContains(t, err, "nothing was assessed yet")
	piece := addPiece(t, d, 0)
	template, ok := sequence.TemplateOf("bare timber")
	require.True(t, ok)
	facts, err := d.book.State(t.Context())
	require.NoError(t, err)
	_, err = d.Do(t.Context(), "", "Wren", jobbook.SetSteps{Piece: piece, Saw: facts.Pieces[0].Rev, Steps: jobbook.Planned(template.Steps)})
	require.NoError(t, err)
	require.NoError(t, d.Run(ctx))
	require.Len(t, told, 1)
	require.Equal(t, fmt.Sprintf("piece/%d/start/2026-01-15", piece), told[0].Key)
	require.Equal(t, 18, told[0].At.In(c.Shed.Zone).Hour())
	require.Contains(t, told[0].Title, "foredeck")
	require.NotEmpty(t, told[0].Body)
	t.Logf("%s: %s", told[0].Title, told[0].Body)
}

// TestPlansAreKeptForAMoment: what one phone has asked for is not worked out again for the next.
func TestPlansAreKeptForAMoment(t *testing.T) {
	d, err := NewDemo(t.Context(), DemoOptions{Seed: 2, Speed: 1, Folder: t.TempDir(), Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	defer func() { cancel(); require.NoError(t, <-done) }()
	require.Eventually(t, func() bool { return d.latest.Load() != nil }, time.Minute, 50*time.Millisecond)
	same := false
	for try := 0; try < 10 && !same; try++ { // the shed goes on meanwhile: only within one moment and one state of the book are they the same
		a, err := d.planner.Plan(t.Context(), dashboard.PlanQuery{Piece: "foredeck", Every: 4})
		require.NoError(t, err)
		require.Empty(t, a.CantSay)
		b, err := d.planner.Plan(t.Context(), dashboard.PlanQuery{Piece: fmt.Sprint(a.Piece), Every: 4})
		require.NoError(t, err)
		same = &a.Starts[0] == &b.Starts[0]
	}
	require.True(t, same)
	_, err = d.planner.Plan(t.Context(), dashboard.PlanQuery{Piece: "rudder"})
	require.ErrorIs(t, err, dashboard.ErrNotFound)
}

// TestAPlanKnowsWhatWasJustEntered: steps that are set a moment before a plan is asked for are in it, though nothing has been assessed since.
func TestAPlanKnowsWhatWasJustEntered(t *testing.T) {
	d, err := NewDemo(t.Context(), DemoOptions{Seed: 3, Speed: 1, Folder: t.TempDir(), Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	defer func() { cancel(); require.NoError(t, <-done) }()
	require.Eventually(t, func() bool { return d.latest.Load() != nil }, time.Minute, 50*time.Millisecond)
	template, ok := sequence.TemplateOf("bare timber")
	require.True(t, ok)
	piece := addPiece(t, d, 0)
	facts, err := d.book.State(t.Context())
	require.NoError(t, err)
	p, ok := facts.Piece(piece)
	require.True(t, ok)
	_, err = d.Do(t.Context(), "", "Wren", jobbook.SetSteps{Piece: piece, Saw: p.Rev, Steps: jobbook.Planned(template.Steps)})
	require.NoError(t, err)
	made, err := d.planner.Plan(t.Context(), dashboard.PlanQuery{Piece: fmt.Sprint(piece), Every: 24})
	require.NoError(t, err)
	require.Empty(t, made.CantSay)
	for _, c := range made.Cautions {
		require.NotContains(t, c, "No sequence is set")
	}
}
