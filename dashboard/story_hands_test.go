package dashboard_test

import (
	"fmt"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"tackline/dashboard"
)

// shown finds the first element with these words that is on the page to be seen.
func shown(selector, words string) string {
	return fmt.Sprintf(`[...document.querySelectorAll(%q)].find((x) => x.textContent.trim().includes(%q) && x.getClientRects().length)`, selector, words)
}

// finger acts by touch alone.
type finger struct{ dashboard.Browser }

func (f finger) pair(t *testing.T, shed, code string) {
	f.Do(t, chromedp.Navigate(shed+"/pair/"+code))
}

// on taps where a thing stands at that moment: the page may be made anew at any.
func (f finger) on(t *testing.T, selector, words string) {
	t.Helper()
	find := shown(selector, words)
	f.Until(t, words, find)
	x, y := f.Place(t, find)
	f.Do(t, chromedp.TapXY(x, y))
}

func (f finger) pick(t *testing.T, selector, words string) { t.Helper(); f.on(t, selector, words) }

func (f finger) write(t *testing.T, selector, text string) {
	t.Helper()
	f.on(t, selector, "")
	f.Until(t, selector, fmt.Sprintf(`document.activeElement.matches(%q)`, selector))
	f.Do(t, chromedp.KeyEvent(text))
}

// keys act by the keyboard alone: whatever has the focus can be seen to have it.
type keys struct{ dashboard.Browser }

func (k keys) press(t *testing.T, what string) { t.Helper(); k.Do(t, chromedp.KeyEvent(what)) }

// pair types the code, as at a bench, where nothing can be scanned; the first stop of every page leads to its content.
func (k keys) pair(t *testing.T, shed, code string) {
	k.Do(t, chromedp.Navigate(shed+"/pair"))
	k.press(t, "\t")
	require.True(t, k.Bool(t, `document.activeElement.matches(".skip")`))
	k.press(t, "\r")
	k.press(t, "\t")
	require.True(t, k.Bool(t, `document.activeElement.matches("#code")`), "past what is the same on every page")
	k.press(t, code)
	k.press(t, "\r") // in a field it sends the form
	k.Until(t, "the code", `document.querySelector("#name")`)
}

// to goes from stop to stop until the one is reached for which a condition of el holds.
func (k keys) to(t *testing.T, what, holds string) {
	t.Helper()
	for range 400 {
		k.press(t, "\t")
		if k.Bool(t, `((el) => `+holds+`)(document.activeElement)`) {
			require.True(t, k.Bool(t, `[document.activeElement, document.activeElement.closest("label")].some((el) => el && getComputedStyle(el).outlineStyle !== "none")`),
				"%s has the focus and does not show it", what)
			k.inSight(t, what)
			return
		}
	}
	require.Fail(t, "the keyboard does not reach it", what)
}

// inSight holds that what has the focus is neither off the screen nor beneath what is fixed to its edges (WCAG 2.2, 2.4.11).
func (k keys) inSight(t *testing.T, what string) {
	t.Helper()
	require.True(t, k.Bool(t, `((el) => {
		const r = el.getBoundingClientRect(), at = document.elementFromPoint(r.left + Math.min(r.width, innerWidth - r.left) / 2, r.top + r.height / 2);
		return at && (el.contains(at) || at.contains(el));
	})(document.activeElement)`), "%s has the focus and is hidden", what)
}

func (k keys) on(t *testing.T, selector, words string) {
	t.Helper()
	k.Until(t, words, shown(selector, words))
	k.to(t, selector+" "+words, fmt.Sprintf(`el.matches(%q) && el.textContent.includes(%q)`, selector, words))
	k.press(t, "\r")
}

// pick goes to the group of choices, which is one stop, and with the arrows to the one that is wanted.
func (k keys) pick(t *testing.T, selector, words string) {
	t.Helper()
	k.Until(t, words, shown(selector, words))
	k.to(t, selector+" "+words, fmt.Sprintf(`el.type === "radio" && el.name === (%s).querySelector("input").name`, shown(selector, words)))
	k.press(t, " ")
	for range 30 {
		if k.Bool(t, fmt.Sprintf(`document.activeElement.checked && document.activeElement === (%s).querySelector("input")`, shown(selector, words))) {
			return
		}
		k.press(t, kb.ArrowDown)
	}
	require.Fail(t, "the arrows do not reach it", "%s %q", selector, words)
}

func (k keys) write(t *testing.T, selector, text string) {
	t.Helper()
	k.Until(t, selector, shown(selector, ""))
	k.to(t, selector, fmt.Sprintf(`el.matches(%q)`, selector))
	k.press(t, text)
}
