package chart

import (
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// What the finger reads is what the line shows: where a sample is drawn, its own value stands in the read-out.
func TestReadoutSaysWhatIsDrawn(t *testing.T) {
	zone := time.FixedZone("EET", 7200)
	c := &HistoryChart{Title: "t", From: 1000, To: 91000, Unit: "C", MaxGap: 7200, Zone: zone, W: 358, H: 200,
		Lines: []Line{{Label: "bench | wall", Samples: []Sample{{1000, -3.25}, {4600, 4}, {40000, 5.04}}}, {Label: "dew point", Samples: []Sample{{8200, 1}}}}}
	svg := string(SVG(c, "x"))
	require.Contains(t, svg, `data-axis="40.0 348.0 1000 91000 7200"`)
	i := strings.Index(svg, `data-read="`) + len(`data-read="`)
	lines := strings.Split(svg[i:i+strings.IndexByte(svg[i:], '"')], "\n")
	require.Equal(t, []string{"bench   wall|C|7200|0,-3.2 3600,4.0 39000,5.0", "dew point|C|7200|7200,1.0"}, lines)
	require.NotContains(t, string(SVG(&HistoryChart{W: 10, H: 10}, "y")), "data-axis", "where there is nothing there is nothing to read")

	tide := &TideChart{Started: 0, Opens: Moment{60, 100, 200}, Now: 50, W: 300, H: 100}
	require.Contains(t, string(SVG(tide, "z")), `data-read=""`, "the height of a tide is drawn, not measured: only the time is told")
}

// A winter has far more samples than a finger can point at: the page stays small.
func TestReadoutIsShort(t *testing.T) {
	var s []Sample
	for i := range 20000 {
		s = append(s, Sample{float64(i * 600), float64(i % 17)})
	}
	c := &MarginChart{Past: s, Now: 1, Unit: "K", W: 358, H: 200}
	attr := readAttributes(c)
	require.Less(t, len(attr), 16*mostRead)
	require.Greater(t, strings.Count(attr, " "), 100, strconv.Itoa(len(attr)))
}
