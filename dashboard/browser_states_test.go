package dashboard

import (
	"html"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// Every drawing on every page is an image with a name and says in words what it shows, with its numbers.
func TestEveryDrawingSaysItInWords(t *testing.T) {
	s := wholeScene(t, bookScene())
	seen := map[string]bool{}
	for _, p := range everyPage() {
		body := get(s.Config.Handler, p.path, "X-Part", "main").Body.String()
		for _, svg := range regexp.MustCompile(`(?s)<svg [^>]*class="chart".*?</svg>`).FindAllString(body, -1) {
			m := regexp.MustCompile(`(?s)role="img" aria-labelledby="(\S+) (\S+)".*<title id="(\S+)">([^<]+)</title>\s*<desc id="(\S+)">([^<]+)</desc>`).FindStringSubmatch(svg)
			require.NotNil(t, m, "%s: %.300s", p.name, svg)
			require.Equal(t, m[1], m[3], p.name)
			require.Equal(t, m[2], m[5], p.name)
			require.Regexp(t, `\d`, html.UnescapeString(m[6]), "%s: %s", p.name, m[4])
			require.Equal(t, 1, strings.Count(body, `id="`+m[1]+`"`), p.name)
			seen[p.name] = true
		}
	}
	for _, name := range []string{"shed", "coats", "plan", "history"} {
		require.True(t, seen[name], name)
	}
}

// A drawing has the ink of its page by day, dim and printed.
func TestBrowserDrawingsFollowTheLight(t *testing.T) {
	b := openBrowser(t)
	s := wholeScene(t, bookScene())
	for _, path := range []string{"/", "/coats", "/history?days=31"} {
		b.do(t, chromedp.EmulateViewport(390, 844), chromedp.Navigate(s.URL+path))
		inks := map[string]bool{}
		for _, scheme := range []string{"light", "dark", "print"} {
			b.light(t, scheme)
			require.Empty(t, eval[[]string](t, b, `(() => {
				const probe = document.body.appendChild(document.createElement("i")), of = (name) => {
					probe.style.color = "var(--" + name + ")";
					return getComputedStyle(probe).color;
				}, wrong = [];
				for (const [what, how, name] of [["path.ink", "stroke", "ink"], ["text.ink", "fill", "ink"], ["path.faint", "stroke", "faint"], ["text.faint", "fill", "faint"], ["path.plumb", "stroke", "plumb"],
					[".water", "fill", "water"], [".shallow", "fill", "shallow"]])
					for (const el of document.querySelectorAll("svg.chart " + what))
						if (getComputedStyle(el)[how] !== of(name)) wrong.push(what + " is " + getComputedStyle(el)[how]);
				probe.remove();
				return wrong;
			})()`), "%s %s", path, scheme)
			inks[eval[string](t, b, `getComputedStyle(document.querySelector("svg.chart path.ink")).stroke`)] = true
		}
		require.Len(t, inks, 3, path)
	}
}

// Where the link is lost every page says so, takes away nothing that it showed, and is as before when the link is back.
func TestBrowserEveryPageSaysThatTheLinkIsLost(t *testing.T) {
	b := openBrowser(t)
	view := bookScene()
	h := handler(t, newFake(view), func(o *Options) {
		o.Beat = 200 * time.Millisecond
		o.Books, o.Planner, o.Bench, o.Settings = book{}, &invented{made: inventedPlan()}, inventedBench(), &fakeSettings{view: inventedSettings()}
	})
	s := serve(t, h)
	base := strings.Replace(s.URL, "127.0.0.1", shedName, 1)
	for _, p := range everyPage() {
		if p.name == "pair" {
			continue // it is left at once
		}
		b.phone(t, base+p.path)
		b.settled(t)
		const text = `document.querySelector("main .title, main h1, main .shed").textContent`
		before := eval[string](t, b, text)
		s.off.Store(true)
		s.CloseClientConnections()
		b.until(t, p.name+" says that it is not live", gone)
		require.Contains(t, eval[string](t, b, `document.querySelector("#link").textContent`), "No link to the shed since", p.name)
		require.Equal(t, before, eval[string](t, b, text), p.name)
		s.off.Store(false)
		b.until(t, p.name+" is live again", live)
	}
}
