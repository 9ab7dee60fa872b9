package dashboard

import (
	"context"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"
)

// held is a shelf whose probes a test warms while the page looks.
type held struct {
	mu sync.Mutex
	shelf
}

func (s *held) Bench(ctx context.Context) (BenchView, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.shelf.Bench(ctx)
}

// TestBrowserNamesTheWarmedProbe: one tap, a probe in the hand, and the page names it by itself; every target is large enough for a glove, and nothing is wider
// than a phone.
func TestBrowserNamesTheWarmedProbe(t *testing.T) {
	b := openBrowser(t)
	bench := &held{shelf: *inventedBench()}
	s := serve(t, handler(t, newFake(scene()), func(o *Options) { o.Bench = bench }))
	b.do(t, chromedp.EmulateViewport(390, 844), chromedp.Navigate(s.URL+"/probes"))
	b.shoot(t, "probes-full-390.png")
	if bad := eval[[]string](t, b, smallTargets); len(bad) > 0 {
		t.Errorf("%q", bad)
	}
	if wide := eval[bool](t, b, `document.documentElement.scrollWidth > document.documentElement.clientWidth`); wide {
		t.Error("the page is wider than the phone")
	}
	eval[bool](t, b, `(document.querySelector('a[href^="/probes/which"]').scrollIntoView({block: "center"}), true)`) // above the bar at the bottom
	b.do(t, chromedp.Tap(chromedp.CSS(`a[href^="/probes/which"]`)))
	b.until(t, "the page that asks", `document.querySelector("main[data-poll]") && document.body.innerText.includes("Warm one in your hand")`)
	bench.mu.Lock()
	bench.view.Probes[1].Raw = ptr(16.3)
	bench.mu.Unlock()
	b.until(t, "the name of the one that was warmed", `[...document.querySelectorAll(".named .big")].some((e) => e.textContent === "foredeck tape")`)
	b.shoot(t, "which-found-390.png")
	if bad := eval[[]string](t, b, smallTargets); len(bad) > 0 {
		t.Errorf("%q", bad)
	}
	b.quiet(t, strings.TrimPrefix(s.URL, "http://"))
}
