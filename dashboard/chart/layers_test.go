package chart

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func laminate() *LayersChart {
	return &LayersChart{Title: "Layers of port topside", Desc: "From the timber outward: plywood, seal, fabric.", W: 500, Layers: []Layer{
		{Kind: Timber, Label: "plywood, 9 mm"}, {Kind: Film, Label: "coat 1, seal, medium, 130 g/m²"}, {Kind: Fabric, Label: "fabric, 200 g/m²"},
		{Kind: Film, Label: "coat 2, wet-out"}, {Kind: PeelPly, Label: "peel ply, comes off"}, {Kind: Film, Label: "fill", Planned: true}}}
}

func TestLayers(t *testing.T) {
	svg := SVG(laminate(), "l1")
	wellFormed(t, svg)
	s := string(svg)
	for _, want := range []string{"plywood, 9 mm", "coat 1, seal", "fabric, 200", "coat 2, wet-out", "peel ply", "fill (planned)"} {
		at := strings.Index(s, want)
		require.Positive(t, at, want)
	}
	require.Equal(t, 2, strings.Count(s, `class="water"`), "a planned coat is an outline alone")
	wellFormed(t, SVG(&LayersChart{W: 300}, "l2"))
}
