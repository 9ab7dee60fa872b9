package dashboard

import (
	"context"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// aether carries a phone's connections to a server, and can let those that there are go silent, as a radio does while a phone sleeps: nobody is told.
type aether struct {
	net.Listener
	mu     sync.Mutex
	silent chan struct{}
	ends   []net.Conn
}

func carry(t *testing.T, to string) *aether {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	a := &aether{Listener: l, silent: make(chan struct{})}
	var all sync.WaitGroup
	all.Go(func() {
		for {
			from, err := l.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", to)
			if err != nil {
				from.Close()
				continue
			}
			a.mu.Lock()
			silent := a.silent
			a.ends = append(a.ends, from, far)
			a.mu.Unlock()
			for _, way := range [][2]net.Conn{{from, far}, {far, from}} {
				all.Go(func() { pass(way[0], way[1], silent) })
			}
		}
	})
	t.Cleanup(func() {
		l.Close()
		a.mu.Lock()
		for _, c := range a.ends {
			c.Close()
		}
		a.mu.Unlock()
		all.Wait()
	})
	return a
}

// pass carries bytes one way; in silence they are taken and lost.
func pass(from, to net.Conn, silent <-chan struct{}) {
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		select {
		case <-silent:
			_, _ = io.Copy(io.Discard, from)
			return
		default:
		}
		if _, wrong := to.Write(buf[:n]); err != nil || wrong != nil {
			from.Close()
			to.Close()
			return
		}
	}
}

// hush lets every connection that there is go silent; new ones are carried.
func (a *aether) hush() {
	a.mu.Lock()
	defer a.mu.Unlock()
	close(a.silent)
	a.silent = make(chan struct{})
}

// asleep is a page on a phone, reached by name on plain http through the aether.
func asleep(t *testing.T) (*browser, *fake, *away, *aether) {
	b, f := openBrowser(t), newFake(scene())
	s := serve(t, handler(t, f, func(o *Options) { o.Beat = 200 * time.Millisecond }))
	a := carry(t, strings.TrimPrefix(s.URL, "http://"))
	_, port, err := net.SplitHostPort(a.Addr().String())
	require.NoError(t, err)
	b.phone(t, "http://"+net.JoinHostPort(shedName, port)+"/coats")
	require.False(t, eval[bool](t, b, "isSecureContext"))
	b.until(t, "the first beat", `performance.getEntriesByType("resource").some((r) => r.name.endsWith("/events")) || document.readyState === "complete"`)
	return b, f, s, a
}

// lifecycle freezes the page, as a phone does with what is not looked at, and wakes it.
func (b *browser) lifecycle(t *testing.T, state page.SetWebLifecycleStateState) {
	t.Helper()
	b.do(t, chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, page.SetWebLifecycleState, page.SetWebLifecycleStateParams{State: state})
		return err
	}))
}

// offline takes the phone's network away, and gives it back.
func (b *browser) offline(t *testing.T, off bool) {
	t.Helper()
	b.do(t, chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		c := []*network.Conditions{{Offline: off, DownloadThroughput: -1, UploadThroughput: -1}}
		if _, err := cdp.Call(ctx, target, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{MatchedNetworkConditions: c}); err != nil {
			return err
		}
		_, err := cdp.Call(ctx, target, network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: off, DownloadThroughput: -1, UploadThroughput: -1})
		return err
	}))
}

const (
	gone = `!document.querySelector("#link").hidden`
	live = `document.querySelector("#link").hidden`
)

func says(words string) string {
	return `document.querySelector(".shed").textContent.includes("` + words + `")`
}

// A stream that dies in silence is found out by the beats that don't come: the page says so, and comes to what is true by another.
func TestBrowserStreamDiesInSilence(t *testing.T) {
	b, f, _, a := asleep(t)
	eval[bool](t, b, `(new MutationObserver(() => { window.said ||= `+gone+`; }).observe(document.querySelector("#link"), { attributes: true }), true)`)
	a.hush()
	f.change(func(v *View) { v.Shed = "Long shed, west bay" })
	b.until(t, "what is true now", live+" && "+says("west bay"))
	require.True(t, eval[bool](t, b, "!!window.said"), "and until then it was said to be old")
}

// A page that was frozen for long, while its network was away and the daemon was started anew, shows what is true when it is woken, and what was
// entered before goes out once.
func TestBrowserWakesFromFrozen(t *testing.T) {
	b, f, s, a := asleep(t)
	b.offline(t, true)
	a.hush() // the browser lets a stream go on that there is
	b.until(t, "the page says that it is not live", gone)
	b.tap(t, "#coat-7 [value=tacky]")
	b.until(t, "the waiting entry", `document.querySelector("#queue").textContent.includes("waits in this page")`)
	b.lifecycle(t, page.SetWebLifecycleStateStateFrozen)
	s.off.Store(true)
	s.CloseClientConnections()
	f.change(func(v *View) { v.Shed = "Long shed, west bay" })
	time.Sleep(12 * time.Second) // longer than the page bears silence
	s.off.Store(false)
	b.offline(t, false)
	require.Empty(t, f.done())
	b.lifecycle(t, page.SetWebLifecycleStateStateActive)
	b.until(t, "what is true now", live+" && "+says("west bay"))
	b.until(t, "the entry", `document.querySelector("#coat-7").textContent.includes("Last: tacky")`)
	b.until(t, "nothing waits", `sessionStorage.getItem("waiting") === "[]"`)
	require.Equal(t, []string{"touch 7 tacky witness false"}, f.done())
}

// A phone that slept for hours with its steady clock standing still wakes where there is no shed: within a second everything is as old as it is, and
// what is too old is struck out. Then the shed is there again.
func TestBrowserWakesFromDeepSleep(t *testing.T) {
	b, f, s, a := asleep(t)
	b.phone(t, strings.TrimSuffix(eval[string](t, b, "location.href"), "/coats")+"/")
	require.Zero(t, eval[int64](t, b, `document.querySelectorAll(".reading.old").length - document.querySelectorAll(".reading.old [data-age-of='`+unix(sceneNow.Add(-191*time.Minute))+`']").length`),
		"but for the one that has not answered for hours")
	s.off.Store(true)
	a.hush()
	eval[bool](t, b, `((real) => { Date.now = () => real() + 3 * 3600e3; return true; })(Date.now)`)
	b.until(t, "all that was measured is old", `document.querySelector("main.stale") && [...document.querySelectorAll(".reading")].every((r) => !r.querySelector("[data-age-of]") || r.matches(".old"))`)
	require.True(t, eval[bool](t, b, gone), "and said to be so")
	require.Equal(t, "line-through", eval[string](t, b, `getComputedStyle(document.querySelector(".reading.old .val")).textDecorationLine`))
	require.True(t, eval[bool](t, b, `[...document.querySelectorAll(".reading .age")].some((e) => e.textContent.includes("3 h 00 min"))`))
	f.change(func(v *View) { v.Shed = "Long shed, west bay" })
	s.off.Store(false)
	b.until(t, "what is true now", live+" && "+says("west bay")+` && !document.querySelector("main.stale")`)
}
