package dashboard

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// aPage is one page in the state in which it is looked at.
type aPage struct{ name, path string }

func everyPage() []aPage {
	return []aPage{{"shed", "/"}, {"coats", "/coats"}, {"new", "/coats/new"}, {"plan", "/plan"}, {"what-if", "/plan?piece=1&what_if=tent%3D5K"}, {"book", "/book"}, {"job", "/book/jobs/1"},
		{"piece", "/book/pieces/1"}, {"sequence", "/book/pieces/2?from=wet+method"}, {"past", "/book/past/piece/1"},
		{"mix", "/mix?area=6&kind=wet-out&fabric=200&layers=2&filler=2&system=medium"}, {"history", "/history?days=31"}, {"probes", "/probes"}, {"calibrate", "/probes/calibrate?probe=bench"}, {"reference", "/probes/calibrate?probe=bench&way=reference"}, {"salt", "/probes/calibrate?probe=bench&way=salt"}, {"which", "/probes/which?from=bench~9"},
		{"settings", "/settings"}, {"pair", "/pair/ABCD"}}
}

// wholeScene serves every page over what is invented.
func wholeScene(t *testing.T, view View) *away {
	t.Helper()
	var photo bytes.Buffer
	pic := image.NewGray(image.Rect(0, 0, 400, 300))
	for i := range pic.Pix {
		pic.Pix[i] = uint8(90 + 60*math.Sin(float64(i%400)/17))
	}
	require.NoError(t, png.Encode(&photo, pic))
	return serve(t, handler(t, newFake(view), func(o *Options) {
		o.Books, o.Planner, o.Bench, o.Settings = book{}, &invented{made: inventedPlan()}, inventedBench(), &fakeSettings{view: inventedSettings()}
		o.Pairing = fakePairing{[]PersonChoice{{5, "Wren"}, {6, "Ida"}}}
		o.Further = []Route{{Method: "GET", Path: "/api/v1/photos/{id}/image", Role: Read, Media: "image/png", Handle: func(w http.ResponseWriter, r *http.Request) {
			Send(w, r, http.StatusOK, "image/png", photo.Bytes())
		}}}
	}))
}

// axeSource finds axe-core where deploy/check has npm put it; without it the test is skipped, or fails with TACKLINE_REQUIRE=1.
func axeSource(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile("../deploy/reference/page/node_modules/axe-core/axe.min.js")
	if err != nil {
		if os.Getenv("TACKLINE_REQUIRE") == "1" {
			require.NoError(t, err, "npm ci in deploy/reference/page")
		}
		t.Skip("no axe-core here: npm ci in deploy/reference/page")
	}
	return string(b)
}

// axe gives the violations of the page that is open, by all or some only of axe-core's rules of WCAG 2.0 to 2.2 A and AA and its best practices.
func (b *browser) axe(t *testing.T, source, only string) []string {
	t.Helper()
	if !eval[bool](t, b, "!!window.axe") {
		eval[bool](t, b, source+";true")
	}
	ctx, cancel := context.WithTimeout(b.ctx, 60*time.Second)
	defer cancel()
	got, err := chromedp.Run(ctx, chromedp.Evaluate[string](`axe.run(document, {`+only+`resultTypes: ["violations"]}).then((r) => JSON.stringify(
		r.violations.map((v) => v.id + ": " + v.help + ": " + v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160)).join(" | "))))`, chromedp.EvalAwaitPromise))
	require.NoError(t, err)
	var out []string
	require.NoError(t, json.Unmarshal([]byte(got), &out))
	return out
}

// light sets the colours that the page is asked for: light, dark, or print as the medium.
func (b *browser) light(t *testing.T, scheme string) {
	t.Helper()
	p := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}
	if scheme == "print" {
		p = emulation.SetEmulatedMediaParams{Media: "print"}
	}
	b.do(t, chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, p)
		return err
	}))
}

// settled waits until what comes after the page is there.
func (b *browser) settled(t *testing.T) {
	b.until(t, "the whole page", `!document.querySelector("[data-fetch]") && document.readyState === "complete"`)
}

// Every page, on a phone and on a bench's screen: nothing in the console, nothing from elsewhere, targets for a glove, no violation of axe-core,
// in daylight and dim, and the looks of it as they were last approved. It is reached by a name, on plain http, as a phone in a shed does: that
// is no secure context, and localhost would be one.
func TestEveryPageInABrowser(t *testing.T) {
	axe := axeSource(t)
	b := openBrowser(t)
	s := wholeScene(t, bookScene())
	base := strings.Replace(s.URL, "127.0.0.1", shedName, 1)
	for _, size := range [][2]int64{{390, 844}, {1280, 800}} {
		touch := []chromedp.EmulateViewportOption{}
		if size[0] == 390 {
			touch = append(touch, chromedp.EmulateMobile, chromedp.EmulatePortrait, chromedp.EmulateTouch)
		}
		b.do(t, chromedp.EmulateViewport(size[0], size[1], touch...))
		for _, p := range everyPage() {
			b.light(t, "light")
			b.do(t, chromedp.Navigate(base+p.path))
			b.settled(t)
			require.False(t, eval[bool](t, b, "isSecureContext"))
			assert.Empty(t, eval[[]string](t, b, smallTargets), "%s at %d", p.name, size[0])
			name := fmt.Sprintf("%s-%d.png", p.name, size[0])
			b.approved(t, name)
			b.shoot(t, name)
			assert.Empty(t, b.axe(t, axe, ""), "%s at %d", p.name, size[0])
			b.light(t, "dark")
			if size[0] == 390 && (p.name == "shed" || p.name == "coats") {
				b.approved(t, p.name+"-dim.png")
				b.shoot(t, p.name+"-dim.png")
			}
			assert.Empty(t, b.axe(t, axe, ""), "%s at %d, dim", p.name, size[0])
			b.light(t, "print")
			assert.Empty(t, b.axe(t, axe, ""), "%s at %d, printed", p.name, size[0])
		}
	}
	b.light(t, "print")
	require.Equal(t, "none", eval[string](t, b, `getComputedStyle(document.querySelector(".foot")).display`))
	require.Equal(t, "rgb(255, 255, 255)", eval[string](t, b, `getComputedStyle(document.body).backgroundColor`))
	b.quiet(t, strings.TrimPrefix(base, "http://"))
}

// The record is a page of its own, for screen and paper: that of the golden file, with one of everything, has no violation either.
func TestTheRecordInABrowser(t *testing.T) {
	axe := axeSource(t)
	b := openBrowser(t)
	s := httptest.NewServer(http.FileServerFS(os.DirFS("record/testdata")))
	defer s.Close()
	for _, width := range []int64{390, 1280} {
		b.do(t, chromedp.EmulateViewport(width, 844))
		for _, scheme := range []string{"light", "dark", "print"} {
			b.light(t, scheme)
			b.do(t, chromedp.Navigate(s.URL+"/record.html"))
			assert.Empty(t, b.axe(t, axe, ""), "%s at %d", scheme, width)
			b.shoot(t, fmt.Sprintf("record-%s-%d.png", scheme, width))
		}
	}
}

// TestTheYardInABrowser holds the page of many sheds to axe-core, as the others are.
func TestTheYardInABrowser(t *testing.T) {
	axe := axeSource(t)
	b := openBrowser(t)
	for name, scene := range yardScenes() {
		s := httptest.NewServer(yardHandler(t, scene))
		defer s.Close()
		for _, width := range []int64{390, 1280} {
			b.do(t, chromedp.EmulateViewport(width, 844))
			for _, scheme := range []string{"light", "dark", "print"} {
				b.light(t, scheme)
				b.do(t, chromedp.Navigate(s.URL))
				assert.Empty(t, b.axe(t, axe, ""), "%s, %s at %d", name, scheme, width)
				b.shoot(t, fmt.Sprintf("yard-%s-%s-%d.png", name, scheme, width))
			}
		}
	}
}

// shrink makes a picture a third as large, in greys: what a reader would notice is left, how letters are hinted is not.
func shrink(t *testing.T, raw []byte) *image.Gray {
	t.Helper()
	pic, err := png.Decode(bytes.NewReader(raw))
	require.NoError(t, err)
	const by = 3
	size := pic.Bounds().Size()
	out := image.NewGray(image.Rect(0, 0, size.X/by, size.Y/by))
	for y := range size.Y / by {
		for x := range size.X / by {
			sum := 0
			for i := range by * by {
				sum += int(color.GrayModel.Convert(pic.At(x*by+i%by, y*by+i/by)).(color.Gray).Y)
			}
			out.SetGray(x, y, color.Gray{Y: uint8(sum / (by * by))})
		}
	}
	return out
}

const (
	moved   = 60   // of 255: a place that differs by more is another place
	mayMove = 0.03 // of all places
)

// approved holds what is on the screen against the picture that a person has looked at. -update takes the present one: look at it.
func (b *browser) approved(t *testing.T, name string) {
	t.Helper()
	raw, err := chromedp.Run(b.ctx, chromedp.CaptureScreenshot())
	require.NoError(t, err)
	got, path := shrink(t, raw), filepath.Join("testdata", "looks", name)
	if *update {
		var out bytes.Buffer
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&out, got))
		require.NoError(t, os.WriteFile(path, out.Bytes(), 0o644))
	}
	f, err := os.Open(path)
	require.NoError(t, err, "run the test with -update to make it, and look at it")
	defer f.Close()
	pic, err := png.Decode(f)
	require.NoError(t, err)
	want := pic.(*image.Gray)
	require.Equal(t, want.Bounds(), got.Bounds(), name)
	n := 0
	for i := range got.Pix {
		if math.Abs(float64(got.Pix[i])-float64(want.Pix[i])) > moved {
			n++
		}
	}
	share := float64(n) / float64(len(got.Pix))
	require.LessOrEqual(t, share, mayMove, "%s: %.1f %% of the screen is not as it was approved", name, 100*share)
}

// A chart tells its values under a finger.
func TestBrowserReadsAChart(t *testing.T) {
	b := openBrowser(t)
	s := wholeScene(t, bookScene())
	b.do(t, chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulatePortrait, chromedp.EmulateTouch), chromedp.Navigate(s.URL+"/"))
	tapAt := func(share float64) string {
		at := eval[[]float64](t, b, fmt.Sprintf(`(() => {
			const svg = document.querySelector("#piece-1 svg.chart"), [l, r] = svg.dataset.axis.split(" ").map(Number);
			svg.scrollIntoView({block: "center"});
			const box = svg.getBoundingClientRect(), k = box.width / svg.viewBox.baseVal.width;
			return [box.left + k * (l + (r - l) * %g), box.top + box.height / 2];
		})()`, share))
		b.do(t, chromedp.TapXY(at[0], at[1]))
		b.until(t, "a value", `document.querySelector(".finger")`)
		return eval[string](t, b, `document.querySelector(".finger").textContent`)
	}
	require.Regexp(t, `^Wed 14, 14:\d\d · [45]\.\d K$`, tapAt(0.5), "the present stands in the middle")
	require.Regexp(t, `^Wed 14, 0\d:\d\d · nothing measured$`, tapAt(0.22), "in the night the probe was unplugged")
	b.do(t, chromedp.TapXY(60, 12))
	b.until(t, "no value", `!document.querySelector(".finger")`)
}
