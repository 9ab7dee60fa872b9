package dashboard

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// shedName is a name that the browser finds this machine by: no page is secure there on plain http.
const shedName = "osier-slip.test"

// boardName is that of this machine, as its neighbours ask for it.
var boardName = func() string {
	name, _ := os.Hostname()
	name, _, _ = strings.Cut(strings.ToLower(name), ".")
	return name + ".local"
}()

// browser is one tab of a headless Chromium, with everything that it complained of and every address that it asked for.
type browser struct {
	ctx context.Context

	mu       sync.Mutex
	trouble  []string
	requests []string
}

// openBrowser starts Chromium or skips the test where there is none; with TACKLINE_REQUIRE=1 its absence is a failure.
func openBrowser(t *testing.T, more ...chromedp.ExecAllocatorOption) *browser {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("TACKLINE_REQUIRE") == "1" {
			require.NoError(t, err, "the browser tests need chromium")
		}
		t.Skip("no chromium here")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-component-update", true), chromedp.Flag("host-resolver-rules", "MAP "+shedName+" 127.0.0.1, MAP "+boardName+" 127.0.0.1"))
	options = append(options, more...)
	alloc, stop := chromedp.NewExecAllocator(t.Context(), options...)
	t.Cleanup(stop)
	ctx, closeTab := chromedp.NewContext(alloc)
	t.Cleanup(closeTab)
	b := &browser{ctx: ctx}
	require.NoError(t, chromedp.Do(ctx)) // the first call starts the browser and must have no deadline
	require.NoError(t, chromedp.Listen(ctx, b.listen))
	return b
}

func (b *browser) listen(ev any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch ev := ev.(type) {
	case *runtime.EventExceptionThrown:
		b.trouble = append(b.trouble, fmt.Sprintf("exception: %+v", ev.ExceptionDetails))
	case *runtime.EventConsoleAPICalled:
		b.trouble = append(b.trouble, fmt.Sprintf("console: %s", ev.Type))
	case *log.EventEntryAdded:
		b.trouble = append(b.trouble, fmt.Sprintf("log: %s %s", ev.Entry.Text, deref(ev.Entry.URL)))
	case *network.EventRequestWillBeSent:
		b.requests = append(b.requests, ev.Request.URL)
	}
}

func deref(v any) string { return fmt.Sprint(v) }

func (b *browser) do(t *testing.T, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 20*time.Second)
	defer cancel()
	require.NoError(t, chromedp.Do(ctx, steps...))
}

func eval[T any](t *testing.T, b *browser, script string) T {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 20*time.Second)
	defer cancel()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](script))
	require.NoError(t, err, script)
	return v
}

// until waits for a condition of the page. Nothing is timed: the deadline only ends a test that would never end. A page that is left just then has no answer yet.
func (b *browser) until(t *testing.T, what, script string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, 60*time.Second)
	defer cancel()
	for {
		holds, err := chromedp.Run(ctx, chromedp.Evaluate[bool]("!!("+script+")"))
		if err == nil && holds {
			return
		}
		if ctx.Err() != nil {
			require.Fail(t, "never happened", "%s (%v); the page says:\n%.600s\n%q", what, err, eval[string](t, b, "document.body.innerText"), b.trouble)
		}
		time.Sleep(40 * time.Millisecond)
	}
}

func (b *browser) tap(t *testing.T, selector string) {
	t.Helper()
	b.do(t, chromedp.ScrollIntoView(chromedp.CSS(selector)), chromedp.Tap(chromedp.CSS(selector)))
}

// quiet fails on anything in the console and on any request to another host.
func (b *browser) quiet(t *testing.T, host string) {
	t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	require.Empty(t, b.trouble)
	require.NotEmpty(t, b.requests)
	for _, r := range b.requests {
		if strings.HasPrefix(r, "data:") {
			continue // pictures that the browser draws its own date field with
		}
		u, err := url.Parse(r)
		require.NoError(t, err)
		require.Equal(t, host, u.Host, r)
	}
}

// smallTargets lists what can be tapped and is smaller than a glove needs, or nearer than 8 px to another target.
const smallTargets = `(() => {
	const bad = [], seen = [];
	for (const el of document.querySelectorAll("a,button,summary,input:not([type=hidden]),select,label.choice,label.check")) {
		if (el.matches(".skip") || el.closest("[hidden]") || (el.tagName === "SUMMARY" ? el.parentElement.parentElement : el).closest("details:not([open])")) continue;
		if (el.matches("label.choice input,label.check input")) continue; // the whole label is the target
		const r = el.getBoundingClientRect(), name = el.tagName + " " + (el.textContent || el.name).trim().slice(0, 30);
		if (r.width < 48 || r.height < 48) bad.push(name + " is " + Math.round(r.width) + " x " + Math.round(r.height));
		if (el.matches(".main,.foot nav a") && r.height < 56) bad.push(name + " is a primary of " + Math.round(r.height));
		if (el.closest(".foot nav")) continue; // fixed over the page
		for (const [other, o] of seen) {
			const dx = Math.max(r.left - o.right, o.left - r.right), dy = Math.max(r.top - o.bottom, o.top - r.bottom);
			if (Math.max(dx, dy) < 7.9) bad.push(name + " is " + Math.max(dx, dy).toFixed(1) + " from " + other);
		}
		seen.push([name, r]);
	}
	if (document.documentElement.scrollWidth > innerWidth) bad.push("page is " + document.documentElement.scrollWidth + " wide");
	for (const el of document.querySelectorAll("main p,main td,main th,main li,main button,main a,main label,main small,main span,main summary"))
		if (el.textContent.trim() && parseFloat(getComputedStyle(el).fontSize) < 16) bad.push("small print: " + el.textContent.trim().slice(0, 30));
	return bad;
})()`

// away is a server that can be switched off and on again, at one address.
type away struct {
	*httptest.Server
	off atomic.Bool
}

func serve(t *testing.T, h *Handler) *away {
	t.Helper()
	a := &away{}
	a.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if a.off.Load() {
			panic(http.ErrAbortHandler) // as a daemon that is gone: the connection breaks
		}
		h.ServeHTTP(w, r)
	}))
	t.Cleanup(func() { h.Close(); a.CloseClientConnections(); a.Close() })
	return a
}

func TestBrowserStory(t *testing.T) {
	b := openBrowser(t)
	f := newFake(scene())
	s := serve(t, handler(t, f, func(o *Options) { o.Beat = 200 * time.Millisecond }))
	base := strings.Replace(s.URL, "127.0.0.1", shedName, 1) // as a phone has it: no secure context
	host := strings.TrimPrefix(base, "http://")
	b.phone(t, base)
	require.False(t, eval[bool](t, b, "isSecureContext"))
	require.Empty(t, eval[[]string](t, b, smallTargets))

	// A change in the shed reaches the page without a touch.
	f.change(func(v *View) { v.Shed = "Long shed, Hollin Creek, west bay" })
	b.until(t, "live update", `document.querySelector(".shed").textContent.includes("west bay")`)

	// A coat is started: two taps and the defaults, then one number by keyboard.
	b.tap(t, "#piece-1 a.button")
	b.until(t, "the form", `document.querySelector("form.new")`)
	require.Empty(t, eval[[]string](t, b, smallTargets))
	require.Equal(t, "1 seal medium", eval[string](t, b, `["piece","kind","system"].map(n => document.querySelector("[name=" + n + "]:checked").value).join(" ")`))
	b.do(t, chromedp.SendKeys(chromedp.CSS("#amount"), "250,5"))
	b.tap(t, "label.choice:has([value=tray])")
	b.tap(t, "form.new button.main")
	b.until(t, "the coat on the page", `document.querySelector("#coat-99")`)
	require.Len(t, f.done(), 1)
	require.Contains(t, f.done()[0], "start 1 seal medium at 2026-01-14T13:0")
	require.Contains(t, f.done()[0], `250.5 g, - C, "tray"`)

	// A touch is recorded with one tap.
	require.Empty(t, eval[[]string](t, b, smallTargets))
	b.tap(t, "#coat-7 [value=tacky]")
	b.until(t, "the touch on the page", `document.querySelector("#coat-7").textContent.includes("Last: tacky at 14:06")`)
	require.Equal(t, "touch 7 tacky witness false", f.done()[1])
	b.quiet(t, host)

	// The daemon goes away: the page says so, keeps the tap, and sends it once when the daemon is back.
	s.off.Store(true)
	s.CloseClientConnections()
	b.until(t, "the banner", `!document.querySelector("#link").hidden`)
	b.tap(t, "#coat-7 [value=green]")
	b.until(t, "the waiting entry", `document.querySelector("#queue").textContent.includes("waits in this page")`)
	require.Len(t, f.done(), 2)
	s.off.Store(false)
	b.until(t, "the banner gone", `document.querySelector("#link").hidden`)
	b.until(t, "the late touch on the page", `document.querySelector("#coat-7").textContent.includes("Last: green")`)
	require.Equal(t, []string{"touch 7 green witness false"}, f.done()[2:])
	require.Equal(t, "[]", eval[string](t, b, `sessionStorage.getItem("waiting")`))

	// A refusal is said, and not tried again.
	f.mu.Lock()
	f.refuse = &Refusal{Field: "state", Sentence: "this coat has ended"}
	f.mu.Unlock()
	b.tap(t, "#coat-7 [value=firm]")
	b.until(t, "the refusal", `document.querySelector("#queue").textContent.includes("this coat has ended")`)
	require.Len(t, f.done(), 3)
}

func TestBrowserWithoutScript(t *testing.T) {
	f := newFake(scene())
	h := handler(t, f, nil)
	form := func(path, body string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:8090"+path, strings.NewReader(body))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		r.Header.Set("Origin", "http://127.0.0.1:8090")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	w := form("/coats/7/touches", "key=k1&state=tacky")
	require.Equal(t, http.StatusSeeOther, w.Code)
	require.Equal(t, "/coats", w.Header().Get("Location"))
	require.Equal(t, http.StatusSeeOther, form("/coats/7/touches", "key=k1&state=tacky").Code, "a repeat is no error")
	require.Equal(t, http.StatusSeeOther, form("/coats/7/touches", "key=k1&state=green&witness=1").Code, "another button of the same form is another finding")
	require.Equal(t, []string{"touch 7 tacky witness false", "touch 7 green witness true"}, f.done())
	w = form("/coats", "key=k2&piece=1&kind=seal&system=nothing")
	require.Equal(t, http.StatusUnprocessableEntity, w.Code)
	require.Contains(t, w.Body.String(), "choose a resin system")
	require.Contains(t, get(h, "/coats").Body.String(), `<noscript><meta http-equiv="refresh"`)
}

func TestBrowserTargetsAndWidths(t *testing.T) {
	b := openBrowser(t)
	for name, f := range scenes() {
		s := serve(t, handler(t, f, nil))
		for _, size := range [][2]int64{{360, 640}, {390, 844}, {1280, 800}} {
			for page, path := range map[string]string{"shed": "/", "coats": "/coats", "new": "/coats/new"} {
				if os.Getenv("TACKLINE_SHOTS") == "" && name != "full" {
					continue
				}
				b.do(t, chromedp.EmulateViewport(size[0], size[1]), chromedp.Navigate(s.URL+path))
				b.shoot(t, fmt.Sprintf("%s-%s-%d.png", page, name, size[0]))
				if bad := eval[[]string](t, b, smallTargets); len(bad) > 0 {
					t.Errorf("%s %s at %d: %q", name, page, size[0], bad)
				}
			}
		}
	}
}

// shoot keeps a picture of the whole page for people to look at, where TACKLINE_SHOTS names a folder.
func (b *browser) shoot(t *testing.T, name string) {
	dir := os.Getenv("TACKLINE_SHOTS")
	if dir == "" {
		return
	}
	require.NoError(t, os.MkdirAll(dir, 0o755))
	png, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, name), png, 0o644))
}
