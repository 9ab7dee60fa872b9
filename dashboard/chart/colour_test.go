package chart

import (
	"fmt"
	"math"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// watcher is a Pen that remembers how things were drawn.
type watcher struct {
	strokes map[string]map[Ink]bool // inks by width and dash
	words   map[Ink][]string
}

func (w *watcher) Lines(lines [][]Pt, s Stroke) {
	key := fmt.Sprint(s.Width, s.Dash)
	if w.strokes[key] == nil {
		w.strokes[key] = map[Ink]bool{}
	}
	w.strokes[key][s.Ink] = true
}
func (w *watcher) Area([]Pt, Wash) {}
func (w *watcher) Text(_ Pt, text string, f Face) {
	w.words[f.Ink] = append(w.words[f.Ink], text)
}

// Nothing is told by colour alone (WCAG 2.2, 1.4.1): the plumb line of the present is drawn as no other line is and has its word beside it, no two series of
// one drawing are drawn alike, each has its name in the drawing, and the washes are told apart in greys.
func TestChartsAreReadWithoutColour(t *testing.T) {
	history := &HistoryChart{Title: "t", From: 1000, To: 91000, Unit: "C", W: 720, H: 300}
	for i := range 4 {
		history.Lines = append(history.Lines, Line{Label: "probe " + strconv.Itoa(i), Samples: []Sample{{2000, float64(i)}, {80000, float64(i + 3)}}})
	}
	for name, d := range map[string]Drawing{"margin": margin(), "conditions": conditions(), "history": history, "tide": tide()} {
		w := watcher{strokes: map[string]map[Ink]bool{}, words: map[Ink][]string{}}
		d.Draw(&w)
		for how, inks := range w.strokes {
			require.False(t, inks[Plumb] && len(inks) > 1, "%s: the present is drawn as another line is, %s", name, how)
			if inks[Plumb] {
				require.NotEmpty(t, w.words[Plumb], "%s: the present has no word", name)
			}
		}
		for _, l := range history.Lines {
			if name == "history" {
				require.Contains(t, w.words[Navy], l.Label)
			}
		}
	}
	for i, a := range strokes() {
		for _, b := range strokes()[:i] {
			require.NotEqual(t, fmt.Sprint(a.Dash), fmt.Sprint(b.Dash), "two series of one drawing")
		}
	}
	grey := func(hex string) float64 { // relative luminance, WCAG 2.2, of sRGB
		l := 0.0
		for i, share := range []float64{0.2126, 0.7152, 0.0722} {
			v, err := strconv.ParseUint(hex[1+2*i:3+2*i], 16, 8)
			require.NoError(t, err)
			x := float64(v) / 255
			if x <= 0.04045 {
				x /= 12.92
			} else {
				x = math.Pow((x+0.055)/1.055, 2.4)
			}
			l += share * x
		}
		return l
	}
	order := []Wash{Paper, Shallow, Water, Solid}
	for i := range order[1:] {
		require.Greater(t, grey(washColour[order[i]]), 1.1*grey(washColour[order[i+1]]), "%s against %s", washClass[order[i]], washClass[order[i+1]])
	}
}
