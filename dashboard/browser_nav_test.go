package dashboard

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// where tells what of the navigation can be seen: which page is marked as the current one, what is not wholly on the screen, and what would have to
// be scrolled to sideways.
const where = `(() => {
	const out = {here: [], hidden: [], wide: document.documentElement.scrollWidth, foot: 0}, edge = document.documentElement.clientWidth;
	for (const a of document.querySelectorAll(".foot nav a")) {
		const r = a.getBoundingClientRect(), text = document.createRange();
		text.selectNodeContents(a);
		const t = text.getBoundingClientRect(), at = a.textContent;
		if (a.getAttribute("aria-current") === "page") out.here.push(a.getAttribute("href"));
		if (r.left < 0 || r.right > edge + .5 || r.top < 0 || r.bottom > innerHeight + .5 || document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2) !== a) out.hidden.push(at);
		if (t.left < r.left - 1 || t.right > r.right + 1 || t.bottom > r.bottom + 1) out.hidden.push(at + " is " + t.width + " in " + r.width);
		if (r.width < 48 || r.height < 48) out.hidden.push(at + " is too small");
	}
	out.foot = Math.max(...[...document.querySelectorAll(".foot,.foot nav,.foot ul")].map((e) => e.scrollWidth));
	return out;
})()`

// TestNavigationShowsWherePeopleAre: on every page each of the eight pages can be tapped and the current one is marked, on the narrowest phone as on a
// bench's screen, and also where the phone is set to text of twice the size (WCAG 2.2, 1.4.4); nothing is scrolled to sideways.
func TestNavigationShowsWherePeopleAre(t *testing.T) {
	b := openBrowser(t)
	s := wholeScene(t, bookScene())
	base := strings.Replace(s.URL, "127.0.0.1", shedName, 1)
	for _, text := range []int64{100, 200} {
		for _, size := range [][2]int64{{320, 568}, {360, 640}, {390, 844}, {430, 932}, {844, 390}, {1280, 800}} {
			b.do(t, chromedp.EmulateViewport(size[0], size[1]))
			for _, p := range everyPage() {
				b.do(t, chromedp.Navigate(base+p.path))
				b.settled(t)
				eval[bool](t, b, fmt.Sprintf(`(document.documentElement.style.fontSize = "%d%%", true)`, text))
				got := eval[struct {
					Here, Hidden []string
					Wide, Foot   int64
				}](t, b, where)
				at := fmt.Sprintf("%s at %d and text of %d %%", p.path, size[0], text)
				if p.name == "pair" { // it is none of the eight
					got.Here = append(got.Here, "/pair")
				}
				require.Len(t, got.Here, 1, at)
				first := "/" + strings.SplitN(strings.FieldsFunc(p.path+"?", func(r rune) bool { return r == '?' })[0], "/", 3)[1]
				require.Equal(t, first, got.Here[0], at)
				require.Empty(t, got.Hidden, at)
				require.LessOrEqual(t, got.Foot, size[0], at)
				if text == 100 {
					require.LessOrEqual(t, got.Wide, size[0], at)
				}
				if p.name == "mix" {
					b.shoot(t, fmt.Sprintf("nav-%d-%d.png", size[0], text))
				}
			}
		}
	}
}
