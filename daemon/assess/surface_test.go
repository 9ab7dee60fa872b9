package assess

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/daemon/jobbook"
	"tackline/sensors"
)

// skins is an invented store of three probes, read each minute until a time of their own.
type skins map[string]struct {
	value float64
	until int64
}

func (s skins) Minutes(_ context.Context, probe string, _ sensors.Quantity, from, to int64) ([]Minute, error) {
	var out []Minute
	for at := from / minuteMs * minuteMs; at < min(to, s[probe].until); at += minuteMs {
		if at >= noon-6*3_600_000 {
			out = append(out, Minute{Start: at, Mean: s[probe].value})
		}
	}
	return out, nil
}

func (s skins) Newest(_ context.Context, probe string, _ sensors.Quantity) (Newest, error) {
	return Newest{At: s[probe].until}, nil
}

// A piece keeps what probes told of it for as long as they were on it: one that was moved to another piece, one that was taped on beside it.
func TestSurfaceKeepsTheProbesThatWereOnIt(t *testing.T) {
	const hour = int64(3_600_000)
	store := skins{"left": {14, noon}, "right": {16, noon}, "dead": {18, noon - hour}}
	u := map[sensors.Quantity]float64{sensors.Temperature: 0.3}
	probe := func(name string) Probe {
		return Probe{Name: name, Place: sensors.Surface, Quantities: []sensors.Quantity{sensors.Temperature}, U: u, Calibrated: true, StaleAfter: 5 * time.Minute}
	}
	a := New(Options{Readings: store, Facts: emptyBook{}, Zone: time.UTC, Limits: advisor.DefaultLimits(), Probes: []Probe{probe("left"), probe("right"), probe("dead")}})
	piece := jobbook.Piece{Head: jobbook.Head{ID: 4}, PieceData: jobbook.PieceData{Name: "port topside"}}
	on := func(name string, piece, from, until int64) jobbook.Placement {
		return jobbook.Placement{Probe: name, Piece: piece, Place: "surface", From: jobbook.When{MS: from}, Until: until}
	}
	surface := func(p ...jobbook.Placement) advisor.Channel {
		c, err := a.surface(t.Context(), &jobbook.State{Placements: p}, &piece, noon)
		require.NoError(t, err)
		require.NoError(t, c.Trace.Check())
		return c
	}
	value := func(c advisor.Channel, hours float64) float64 {
		v, ok := c.Trace.Value(float64(noon)/1000 - 3600*hours)
		require.True(t, ok)
		return v
	}
	// Moved away an hour ago: nothing tells the present, and what was told stays.
	c := surface(on("left", 4, noon-4*hour, noon-hour), on("left", 5, noon-hour, 0))
	require.Contains(t, c.Problem, "no probe is taped")
	require.InDelta(t, 14, value(c, 2), 1e-9)
	last, _, _ := c.Trace.Last()
	require.InDelta(t, float64(noon-hour)/1000, last, 60)
	// One after the other.
	c = surface(on("left", 4, noon-4*hour, noon-2*hour), on("right", 4, noon-2*hour, 0))
	require.Empty(t, c.Problem)
	require.Equal(t, "right", c.Probe)
	require.InDelta(t, 14, value(c, 3), 1e-9)
	require.InDelta(t, 16, value(c, 1), 1e-9)
	// A second one beside the first, and dead since: the first speaks again.
	c = surface(on("left", 4, noon-4*hour, 0), on("dead", 4, noon-3*hour, 0))
	require.Empty(t, c.Problem)
	require.Equal(t, "left", c.Probe)
	require.InDelta(t, 14, value(c, 2), 1e-9)
	// The later one where both are well; neither where there was none.
	c = surface(on("left", 4, noon-4*hour, 0), on("right", 4, noon-3*hour, 0))
	require.Equal(t, "right", c.Probe)
	require.InDelta(t, 14, value(c, 3.5), 1e-9)
	require.InDelta(t, 16, value(c, 2.5), 1e-9)
	c = surface(on("left", 5, noon-4*hour, 0))
	require.Contains(t, c.Problem, "no probe is taped")
	require.Zero(t, c.Trace.Len())
	c = surface(on("left", 4, noon-4*hour, noon-hour), on("lost", 4, noon-hour, 0))
	require.Contains(t, c.Problem, "not in the config")
	require.InDelta(t, 14, value(c, 2), 1e-9)
}
