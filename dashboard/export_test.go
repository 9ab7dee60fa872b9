package dashboard

import (
	"testing"

	"github.com/chromedp/chromedp"
)

// Browser lets tests of the whole daemon, which this package may not import, use the same browser.
type Browser struct{ *browser }

// OpenBrowser does as openBrowser.
func OpenBrowser(t *testing.T) Browser { return Browser{openBrowser(t)} }

// Do, Until, Tap, Quiet, Targets and Text do as those of the tests here.
func (b Browser) Do(t *testing.T, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	b.do(t, steps...)
}

// Until waits for a condition of the page.
func (b Browser) Until(t *testing.T, what, script string) { t.Helper(); b.until(t, what, script) }

// Tap taps with a finger.
func (b Browser) Tap(t *testing.T, selector string) { t.Helper(); b.tap(t, selector) }

// Quiet fails on anything in the console and on any request to another host.
func (b Browser) Quiet(t *testing.T, host string) { t.Helper(); b.quiet(t, host) }

// Targets lists what is too small for a glove.
func (b Browser) Targets(t *testing.T) []string {
	t.Helper()
	return eval[[]string](t, b.browser, smallTargets)
}

// Bool evaluates a condition.
func (b Browser) Bool(t *testing.T, script string) bool {
	t.Helper()
	return eval[bool](t, b.browser, "!!("+script+")")
}

// Text evaluates a text.
func (b Browser) Text(t *testing.T, script string) string {
	t.Helper()
	return eval[string](t, b.browser, script)
}

// Settled waits until what comes after the page is there.
func (b Browser) Settled(t *testing.T) { t.Helper(); b.settled(t) }

// BoardName is the name of this machine in its own network, which the browser finds here.
func BoardName() string { return boardName }

// Place brings an element into the middle of the screen, clear of what is fixed to the edges, and tells where it is.
func (b Browser) Place(t *testing.T, find string) (x, y float64) {
	t.Helper()
	at := eval[[]float64](t, b.browser, `(() => { const el = `+find+`; el.scrollIntoView({block: "center"}); const r = el.getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2]; })()`)
	return at[0], at[1]
}
