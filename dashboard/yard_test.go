package dashboard

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"tackline/advisor"
)

// fakeYard is an invented yard.
type fakeYard struct {
	mu  sync.Mutex
	v   YardView
	err error
}

func (f *fakeYard) Yard(context.Context) (YardView, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.v, f.err
}

func yardScene() YardView {
	in := func(min int) time.Time { return sceneNow.Add(time.Duration(min) * time.Minute) }
	air := func(c, rh float64) []YardValue {
		return []YardValue{{Quantity: "temp_c", Value: c}, {Quantity: "rh_pct", Value: rh}}
	}
	return YardView{At: sceneNow, ReadAt: sceneNow, Sheds: []YardShed{
		{Name: "Boat store <east>", Seen: in(-1), Air: air(-0.4, 83)},
		{Name: "Creek shed", Seen: sceneNow.Add(-20 * time.Second), Air: air(14.5, 61), Mute: []YardProbe{{Name: "hull skin", Seen: in(-300)}}, Pieces: []YardPiece{
			{Name: "foredeck", Verdict: advisor.Clear, Told: advisor.Clear, At: in(-1), Text: "The surface is 4.1 K above the dew point, u 0.7 K.", Windows: []YardWindow{
				{Window: "tack", Opens: in(-10), ClosesEarly: in(20), Closes: in(40), Open: true}, {Window: "recoat", Opens: in(-10), Closes: in(240), Open: true}}},
			{Name: "port topside", Verdict: advisor.Wait, Told: advisor.Wait, At: in(-1), Text: "Timber still warming: air would come out.", Windows: []YardWindow{
				{Window: "tack", Opens: in(45), ClosesEarly: in(80), Closes: in(120)}}}}},
		{Name: "Lower slip", Seen: in(-3 * 1440), Silent: true, Air: air(3, 90), Pieces: []YardPiece{
			{Name: "keel", Verdict: advisor.CantSay, Told: advisor.Clear, At: in(-3 * 1440), Old: true, Text: "The surface is 5 K above the dew point."},
			{Name: "stem", Verdict: advisor.Stop, Told: advisor.Stop, At: in(-3 * 1440), Old: true}}},
		{Name: "Sail loft", Seen: in(180), Ahead: true, Air: air(9, 70), Pieces: []YardPiece{{Name: "mast", Verdict: advisor.CantSay, Told: advisor.Wait, At: in(180), Old: true}}},
		{Name: "Tar shed", Pieces: []YardPiece{{Name: "skiff", Verdict: advisor.CantSay, Told: advisor.Clear, At: in(-90), Old: true}}},
	}}
}

func yardScenes() map[string]*fakeYard {
	trouble := errors.New("InfluxDB at http://127.0.0.1:8086 can't be reached or did not answer as it should: is it running, is the address right?")
	stale := yardScene()
	stale.ReadAt = sceneNow.Add(-11 * time.Minute)
	return map[string]*fakeYard{
		"full":        {v: yardScene()},
		"empty":       {v: YardView{At: sceneNow, ReadAt: sceneNow}},
		"unreachable": {v: YardView{At: sceneNow}, err: trouble},
		"stale":       {v: stale, err: trouble},
	}
}

func yardHandler(t testing.TB, f *fakeYard) http.Handler {
	t.Helper()
	h, err := NewYard(YardOptions{Source: f, Name: "Osier Slip (invented)", Zone: sceneZone, Hosts: []string{"yard.example"}})
	require.NoError(t, err)
	return h
}

func TestYardPageInEveryState(t *testing.T) {
	for name, f := range yardScenes() {
		t.Run(name, func(t *testing.T) {
			w := get(yardHandler(t, f), "/")
			require.Equal(t, map[bool]int{false: http.StatusOK, true: http.StatusServiceUnavailable}[name == "unreachable"], w.Code)
			body := w.Body.String()
			for _, no := range []string{"<style", " style=", "onclick", "javascript:", "[yard_", "ZgotmplZ", "%!", "title=\"", "<east>"} {
				require.NotContains(t, body, no)
			}
			golden(t, "yard-"+name+".html", flat(body))
		})
	}
}

func TestYardIsForReadingAndKeepsToItself(t *testing.T) {
	h := yardHandler(t, yardScenes()["full"])
	w := get(h, "/")
	for name, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin", "Cache-Control": "no-store"} {
		require.Equal(t, want, w.Header().Get(name))
	}
	require.Contains(t, w.Header().Get("Content-Security-Policy"), "default-src 'self'")
	require.NotContains(t, w.Body.String(), "<form")
	require.Equal(t, http.StatusNotFound, get(h, "/coats").Code)
	r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1/", nil)
	post := httptest.NewRecorder()
	h.ServeHTTP(post, r)
	require.Equal(t, http.StatusMethodNotAllowed, post.Code)
	foreign := httptest.NewRecorder()
	h.ServeHTTP(foreign, httptest.NewRequest(http.MethodGet, "http://evil.example/", nil))
	require.Equal(t, http.StatusMisdirectedRequest, foreign.Code)
	require.Equal(t, http.StatusOK, get(h, "/healthz").Code)
	require.Equal(t, http.StatusServiceUnavailable, get(yardHandler(t, yardScenes()["unreachable"]), "/readyz").Code)
	_, err := NewYard(YardOptions{})
	require.ErrorContains(t, err, "no Source")
}

func TestYardNeverShowsTheOldAsGood(t *testing.T) {
	body := get(yardHandler(t, yardScenes()["full"]), "/").Body.String()
	require.Contains(t, body, "said clear at", "what the silent shed said last, with its time")
	require.NotContains(t, body, "5 K above", "and not its reasons")
	require.Contains(t, body, "Sheds: 5. Silent: 1. Pieces clear to coat: 1. Windows open: 2.")
	require.Contains(t, get(yardHandler(t, yardScenes()["stale"]), "/").Body.String(), `class="stale"`)
}

// In a real browser, on a phone's screen: no trouble, no foreign host, targets large enough, and old where the server is gone.
func TestYardInABrowser(t *testing.T) {
	f := yardScenes()["full"]
	f.v.At = time.Now()
	srv := httptest.NewServer(yardHandler(t, f))
	defer srv.Close()
	b := openBrowser(t)
	b.do(t, chromedp.EmulateViewport(360, 640), chromedp.Navigate(srv.URL+"/"))
	f.mu.Lock()
	f.v.Sheds = f.v.Sheds[:2]
	f.mu.Unlock()
	eval[bool](t, b, `document.dispatchEvent(new Event("visibilitychange"))`)
	b.until(t, "the page renews itself", `document.querySelectorAll(".mooring").length === 2`)
	small := eval[string](t, b, `[...document.querySelectorAll("main a")].filter((a) => { const r = a.getBoundingClientRect(); return r.height < 48 || r.width < 48; }).map((a) => a.outerHTML).join("\n")`)
	require.Empty(t, small, "targets under 48 px")
	require.LessOrEqual(t, eval[float64](t, b, `document.documentElement.scrollWidth`), 360.0, "nothing runs off the side")
	b.quiet(t, srv.Listener.Addr().String())
	srv.Close()
	eval[bool](t, b, `document.dispatchEvent(new Event("visibilitychange"))`)
	b.until(t, "the page says that its link is lost", `!document.getElementById("link").hidden`)
}
