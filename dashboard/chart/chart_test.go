package chart

import (
	"encoding/xml"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "write the golden files anew")

// An invented afternoon, 2026-01-14 at 14:06 in Long shed, Hollin Creek.
const now = 1768395960.0

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, got, 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err, "run the test with -update to make it")
	require.Equal(t, string(want), string(got))
}

// wellFormed reads the whole drawing as XML and refuses whatever a strict content security policy would.
func wellFormed(t *testing.T, svg []byte) {
	t.Helper()
	dec := xml.NewDecoder(strings.NewReader(string(svg)))
	for {
		tok, err := dec.Token()
		if err == io.EOF {
			return
		}
		require.NoError(t, err)
		el, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		require.NotContains(t, []string{"style", "script", "image", "use"}, el.Name.Local)
		for _, a := range el.Attr {
			require.NotEqual(t, "style", a.Name.Local)
			require.NotContains(t, a.Value, "NaN")
			require.NotContains(t, a.Value, "Inf")
		}
	}
}

func TestTicksHaveFourAtLeastOnRoundValues(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		lo := rapid.Float64Range(-200, 200).Draw(rt, "lo")
		hi := lo + rapid.Float64Range(0.05, 2000).Draw(rt, "width")
		ticks := Ticks(lo, hi)
		require.GreaterOrEqual(rt, len(ticks), 4)
		require.LessOrEqual(rt, len(ticks), 10)
		for _, k := range ticks {
			require.GreaterOrEqual(rt, k.At, lo-1e-6)
			require.LessOrEqual(rt, k.At, hi+1e-6)
			require.NotContains(rt, k.Label, "e")
		}
	})
	var labels []string
	for _, k := range Ticks(-1.2, 6.4) {
		labels = append(labels, k.Label)
	}
	require.Equal(t, []string{"0", "2", "4", "6"}, labels)
	require.Empty(t, Ticks(3, 3))
}

func TestTimeTicksStandAtRoundLocalTimes(t *testing.T) {
	zones := map[string]*time.Location{"utc": time.UTC, "quarters": time.FixedZone("+05:45", 20700)}
	if berlin, err := time.LoadLocation("Europe/Berlin"); err == nil {
		zones["clock changes"] = berlin
	}
	for name, z := range zones {
		t.Run(name, func(t *testing.T) {
			from := float64(time.Date(2026, 3, 28, 17, 20, 0, 0, z).Unix()) // the night of the 29th has one hour less in most of Europe
			for _, hours := range []float64{0.5, 2, 7, 24, 48, 30 * 24} {
				ticks := TimeTicks(from, from+hours*3600, z, 7)
				require.NotEmpty(t, ticks)
				require.LessOrEqual(t, len(ticks), 7)
				for _, k := range ticks {
					at := time.Unix(int64(k.At), 0).In(z)
					require.Zero(t, at.Minute()%5)
					if hours > 12 {
						require.Zero(t, at.Minute())
						require.Zero(t, at.Hour()%3, "%v over %v h", at, hours)
					}
					require.Equal(t, k.Major, at.Hour() == 0 && at.Minute() == 0)
				}
			}
		})
	}
}

func TestDecimateKeepsExtremesAndEnds(t *testing.T) {
	var s []Sample
	for i := range 5000 {
		v := math.Sin(float64(i) / 300)
		if i == 2718 {
			v = 9 // one blip
		}
		s = append(s, Sample{float64(i), v})
	}
	got := Decimate(s, 0, 5000, 100)
	require.LessOrEqual(t, len(got), 400)
	require.Equal(t, s[0], got[0])
	require.Equal(t, s[4999], got[len(got)-1])
	require.Contains(t, got, Sample{2718, 9})
	for i := 1; i < len(got); i++ {
		require.Greater(t, got[i].At, got[i-1].At)
	}
}

func TestGapsAreLeftOpen(t *testing.T) {
	f := frame{left: 0, right: 100, top: 0, bottom: 100, from: 0, to: 100, lo: 0, hi: 1}
	lines := f.polylines([]Sample{{0, 0.1}, {10, 0.2}, {50, 0.3}, {60, 0.4}, {95, 0.5}}, 20, 1000)
	require.Len(t, lines, 3)
	require.Len(t, lines[0], 2)
	require.Len(t, lines[2], 2, "a lone sample is still seen")
	require.Len(t, f.polylines([]Sample{{0, 0.1}, {50, 0.3}}, 0, 1000), 1)
}

func TestThinningMakesNoGapsAndClosesNone(t *testing.T) {
	f := frame{left: 0, right: 100, top: 0, bottom: 100, from: 0, to: 120000, lo: -1, hi: 1}
	var s []Sample
	for at := 0.0; at < 120000; at += 60 {
		if at < 60000 || at > 60300 { // one hole of six minutes in two thousand
			s = append(s, Sample{at, math.Sin(at / 9000)})
		}
	}
	lines := f.polylines(s, 90, 40)
	require.Len(t, lines, 2)
	require.Less(t, len(lines[0])+len(lines[1]), 200)
	require.InDelta(t, f.x(59940), lines[0][len(lines[0])-1].X, 1e-9)
	require.InDelta(t, f.x(60360), lines[1][0].X, 1e-9)
}

func TestHatchStaysInside(t *testing.T) {
	box := []Pt{{10, 10}, {50, 10}, {50, 30}, {10, 30}}
	strokes := hatch(box, 6)
	require.Greater(t, len(strokes), 6)
	for _, s := range strokes {
		for _, q := range s {
			require.True(t, q.X >= 10-1e-9 && q.X <= 50+1e-9 && q.Y >= 10-1e-9 && q.Y <= 30+1e-9, "%v", q)
		}
	}
}

func tide() *TideChart {
	h := 3600.0
	return &TideChart{
		Title: "Bedding coat on port topside", Desc: "The window opens at 14:27 and closes at 16:37.", Started: now - 54*60,
		Opens: Moment{now + 12*60, now + 21*60, now + 32*60},
		Stretches: []Stretch{
			{"fabric", Moment{now + 2.1*h, now + 2.52*h, now + 3.03*h}},
			{"next coat", Moment{now + 3.57*h, now + 4.15*h, now + 4.93*h}},
		},
		Dots: []Dot{{now - 20*60, "wet"}}, Now: now, NowLabel: "now", W: 358, H: 210,
	}
}

func TestTideCrossesTheLineWhereTheWindowDoes(t *testing.T) {
	c := tide()
	f := c.frame()
	curve := newSmooth(c.knots(f))
	end, ok := c.end()
	require.True(t, ok)
	require.InDelta(t, level, curve.at(c.Opens.Likely), 1e-9)
	require.InDelta(t, level, curve.at(end), 1e-9)
	for at := f.from; at <= f.to; at += 60 {
		switch v := curve.at(at); {
		case at > c.Opens.Likely && at < end:
			require.Greater(t, v, level)
		case at < c.Opens.Likely || at > end:
			require.Less(t, v, level)
		}
	}
}

func TestTideGoldens(t *testing.T) {
	open := tide()
	open.Stretches = []Stretch{{"fabric", Moment{}}, {"next coat", Moment{}}} // no closing in sight
	none := tide()
	none.Opens, none.Stretches = Moment{}, nil
	past := tide()
	past.Now += 9 * 3600
	for name, c := range map[string]*TideChart{"tide.svg": tide(), "tide-open.svg": open, "tide-none.svg": none, "tide-past.svg": past} {
		got := SVG(c, "c1")
		wellFormed(t, got)
		golden(t, name, got)
	}
}

func margin() *MarginChart {
	c := &MarginChart{Title: "Margin", Desc: "Falls to 2.6 K at 03:00.", Limit: 3, LimitLabel: "limit 3 K", Now: now, NowLabel: "now", Unit: "K",
		MaxGap: 6000, W: 358, H: 220}
	wave := func(at float64) float64 { return 4.6 + 1.8*math.Sin((at-now)/86400*2*math.Pi+2) }
	for at := now - 86400; at <= now; at += 900 {
		if at > now-52000 && at < now-42000 {
			continue // the probe was away
		}
		c.Past = append(c.Past, Sample{at, wave(at)})
	}
	c.Ahead = append(c.Ahead, c.Past[len(c.Past)-1])
	for at := now + 1800; at <= now+86400; at += 1800 {
		w := 0.3 + (at-now)/86400*1.1
		c.Ahead = append(c.Ahead, Sample{at, wave(at)})
		c.Bands = append(c.Bands, Band{at, wave(at) - w, wave(at) + w})
	}
	return c
}

func TestMarginGoldens(t *testing.T) {
	empty := &MarginChart{Title: "Margin", Desc: "Nothing measured yet.", Now: now, W: 358, H: 220}
	for name, c := range map[string]*MarginChart{"margin.svg": margin(), "margin-empty.svg": empty} {
		got := SVG(c, "m1")
		wellFormed(t, got)
		golden(t, name, got)
	}
	require.Contains(t, string(SVG(margin(), "m1")), `stroke-dasharray="7 4"`, "the forecast is dashed")
}

func conditions() *ConditionsChart {
	c := &ConditionsChart{Title: "Conditions", Desc: "Air 9 to 15 C.", From: now, To: now + 30*3600, UpperUnit: "C", LowerUnit: "% RH", MaxGap: 1200,
		Shades: []Shade{{now + 2*3600, now + 5*3600, "tack"}, {now + 5*3600, now + 9*3600, "recoat"}}, Dots: []Dot{{now + 2.2*3600, "tacky"}}, W: 700, H: 360}
	lines := [4]Line{{Label: "air"}, {Label: "surface"}, {Label: "dew point"}, {Label: "humidity"}}
	for at := c.From; at < c.To; at += 60 {
		if at > now+40000 && at < now+50000 {
			continue
		}
		s := math.Sin((at - now) / 86400 * 2 * math.Pi)
		for i, v := range []float64{12 + 3*s, 11.5 + 2.5*s, 6 + s, 72 - 9*s} {
			lines[i].Samples = append(lines[i].Samples, Sample{at, v})
		}
	}
	c.Upper, c.Lower = lines[:3], lines[3:]
	return c
}

func TestConditionsGolden(t *testing.T) {
	got := SVG(conditions(), "k1")
	wellFormed(t, got)
	golden(t, "conditions.svg", got)
	require.Equal(t, got, SVG(conditions(), "k1"), "same input, same bytes")
}

func TestNothingBreaksOnOddInput(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		at := func(name string) float64 { return now + rapid.Float64Range(-1e6, 1e6).Draw(rt, name) }
		m := func(name string) Moment {
			if rapid.Bool().Draw(rt, name) {
				return Moment{}
			}
			v := at(name + " at")
			return Moment{v - 60, v, v + 60}
		}
		c := &TideChart{Started: at("start"), Opens: m("opens"), Stretches: []Stretch{{"a", m("a")}, {"b", m("b")}}, Now: at("now"), W: 358, H: 200}
		wellFormed(t, SVG(c, "x"))
		k := &MarginChart{Past: []Sample{{at("p"), 1}}, Now: at("mnow"), LimitLabel: "l", W: 358, H: 200}
		wellFormed(t, SVG(k, "y"))
	})
}

// TestWindowOfNoLength has an opening and a closing a microsecond apart, which a step of a sixtieth of their distance cannot tell apart any more.
func TestWindowOfNoLength(t *testing.T) {
	for _, apart := range []float64{1e-7, 3e-7, 1e-6, 1e-5, 1e-3} {
		opens := Moment{now - 60, now, now + 60}
		closes := Moment{now + apart - 60, now + apart, now + apart + 60}
		c := &TideChart{Started: now - 3600, Opens: opens, Stretches: []Stretch{{"a", closes}}, Now: now, W: 358, H: 200}
		wellFormed(t, SVG(c, "x"))
	}
}

func BenchmarkConditions2000(b *testing.B) {
	c := conditions()
	for b.Loop() {
		SVG(c, "k1")
	}
}
