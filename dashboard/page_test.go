package dashboard

import (
	"bufio"
	"context"
	"encoding/json"
	"flag"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
)

var update = flag.Bool("update", false, "write the golden files anew")

func get(h http.Handler, path string, head ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8090"+path, nil)
	for i := 0; i+1 < len(head); i += 2 {
		r.Header.Set(head[i], head[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err, "run the test with -update to make it")
	require.Equal(t, string(want), got)
}

func TestPagesInEveryState(t *testing.T) {
	plans := map[string]advisor.Plan{"no-clock": {CantSay: "the clock is not set, and a plan is made of times of day: set it, or give the board a network"},
		"no-probe": {CantSay: "no present air temperature: see to the probe"}} // as the planner says it
	for name, f := range scenes() {
		for page, path := range map[string]string{"shed": "/", "coats": "/coats", "new": "/coats/new", "history": "/history?days=31", "mix": "/mix?area=6&kind=wet-out&fabric=200&layers=2&filler=2&system=medium",
			"plan": "/plan?piece=1", "book": "/book"} {
			if name == "cold" && page != "shed" && page != "coats" || page == "new" && (name == "stale" || name == "no-probe") || (page == "plan" || page == "book") && (name == "full" || name == "empty") {
				continue // says nothing that another state does not; full and empty of plan and book have tests of their own
			}
			t.Run(name+"/"+page, func(t *testing.T) {
				var head []string
				if page == "plan" && name != "error" {
					head = []string{"X-Part", "main"}
				}
				w := get(handler(t, f, func(o *Options) {
					made, ok := plans[name]
					if !ok {
						made = inventedPlan()
					}
					o.Planner = &invented{made: made}
					if page == "book" {
						o.Books = book{}
					}
				}), path, head...)
				want := http.StatusOK
				if name == "error" {
					want = http.StatusServiceUnavailable
				}
				require.Equal(t, want, w.Code)
				body := w.Body.String()
				// The policy forbids scripts and styles in the page; a page that has them would lose them in silence.
				for _, no := range []string{"<style", " style=", "onclick", "javascript:", "[nav_", "ZgotmplZ", "%!", "title=\""} {
					require.NotContains(t, body, no)
				}
				require.NotRegexp(t, regexp.MustCompile(`<script(?: [^>]*)?>[^<]`), body)
				require.NotRegexp(t, regexp.MustCompile(`(?:src|href|action)="(?:https?:)?//`), body, "nothing from another host")
				golden(t, page+"-"+name+".html", flat(body))
			})
		}
	}
}

func TestOnlyTheMainPartIsSentToTheScript(t *testing.T) {
	w := get(handler(t, newFake(scene()), nil), "/coats", "X-Part", "main")
	require.True(t, strings.HasPrefix(w.Body.String(), "<main "), w.Body.String()[:80])
	require.NotContains(t, w.Body.String(), "<html")
}

func TestStaleAdviceIsNeverShownAsGood(t *testing.T) {
	h := handler(t, scenes()["stale"], nil)
	body := get(h, "/").Body.String()
	require.NotContains(t, body, "<h2>clear</h2>")
	require.NotContains(t, body, "<h2>wait</h2>")
	require.Contains(t, body, "3 h 00 min old")
	require.Contains(t, body, `class="reading old"`)
	require.Contains(t, body, "<h2>stop</h2>", "damp timber is still a stop")
	require.NotContains(t, body, "Timber still warming", "what was true three hours ago is not said as if it were now")
	require.NotContains(t, body, ">4.6<")
	coats := get(h, "/coats").Body.String()
	require.NotContains(t, coats, "data-until")
	require.NotContains(t, coats, "wet now")
}

func TestFlaggedReadingsAreShownStruckOutWithTheirReason(t *testing.T) {
	body := get(handler(t, newFake(scene()), nil), "/").Body.String()
	require.Contains(t, body, "<s>100 %</s>")
	require.Contains(t, body, "humidity at its rail")
	require.Contains(t, body, "never seen")
}

func TestReadingOnlyPageHasNoForms(t *testing.T) {
	h := handler(t, newFake(scene()), func(o *Options) { o.Commands = nil })
	for _, path := range []string{"/", "/coats", "/coats/new"} {
		body := get(h, path).Body.String()
		require.NotContains(t, body, "<button", path)
	}
}

func TestHeroNamesTheNumberToActOn(t *testing.T) {
	body := get(handler(t, newFake(scene()), nil), "/coats").Body.String()
	require.Contains(t, body, "fabric can go in from 14:27, in", "the likely opening")
	require.Contains(t, body, ">21 min<")
	require.Contains(t, body, "next coat by 14:53, within", "the EARLY closing")
	require.Contains(t, body, ">47 min<")
	cold := get(handler(t, scenes()["cold"], nil), "/coats").Body.String()
	require.Contains(t, cold, "no time is given")
	require.Contains(t, cold, "Hard because it is cold")
	require.Contains(t, cold, "wash with water")
}

// The budget of a first visit is 60 kB compressed: the page with all that it asks for, photos of the job aside, and what comes after the page too.
func TestFirstLoadIsSmall(t *testing.T) {
	h := handler(t, newFake(bookScene()), func(o *Options) {
		o.Books, o.Planner, o.Bench, o.Settings = book{}, &invented{made: inventedPlan()}, inventedBench(), &fakeSettings{view: inventedSettings()}
		o.Pairing = fakePairing{[]PersonChoice{{5, "Wren"}}}
	})
	for _, p := range everyPage() {
		page := get(h, p.path, "Accept-Encoding", "gzip")
		require.Equal(t, "gzip", page.Header().Get("Content-Encoding"))
		total, plain := page.Body.Len(), get(h, p.path).Body.String()
		if strings.Contains(plain, "data-fetch") {
			total += get(h, p.path, "Accept-Encoding", "gzip", "X-Part", "main").Body.Len()
		}
		for _, m := range regexp.MustCompile(`"(/static/[^"]+)"`).FindAllStringSubmatch(plain, -1) {
			w := get(h, m[1], "Accept-Encoding", "gzip")
			require.Equal(t, http.StatusOK, w.Code)
			require.Contains(t, w.Header().Get("Cache-Control"), "immutable")
			again := get(h, m[1], "If-None-Match", w.Header().Get("ETag"))
			require.Equal(t, http.StatusNotModified, again.Code)
			total += w.Body.Len()
		}
		t.Logf("first load of %s: %d bytes compressed", p.name, total)
		require.Less(t, total, 60000, p.name)
	}
}

// Where the way is trusted a phone can put the page on its home screen: by W3C Web Application Manifest, with a name, a start within the shed and an icon.
func TestItCanStandOnTheHomeScreen(t *testing.T) {
	h := handler(t, newFake(scene()), nil)
	link := regexp.MustCompile(`<link rel="manifest" href="([^"]+)">`).FindStringSubmatch(get(h, "/").Body.String())
	require.Len(t, link, 2)
	w := get(h, link[1])
	require.Equal(t, "application/manifest+json", w.Header().Get("Content-Type"))
	var m struct {
		Name, Display string
		StartURL      string `json:"start_url"`
		Icons         []struct{ Src, Type string }
	}
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &m))
	require.Equal(t, "tackline", m.Name)
	require.Equal(t, "standalone", m.Display)
	require.Equal(t, http.StatusOK, get(h, m.StartURL).Code)
	require.Len(t, m.Icons, 3)
	for _, i := range m.Icons {
		require.Equal(t, i.Type, get(h, "/static/"+i.Src).Header().Get("Content-Type"))
	}
}

// Twenty phones at once: each has its stream, each hears of a change, and each gets its page.
func TestTwentyPhonesAtOnce(t *testing.T) {
	f := newFake(scene())
	s := serve(t, handler(t, f, func(o *Options) { o.Beat = time.Hour }))
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	var open, all sync.WaitGroup
	var heard atomic.Int64
	open.Add(20)
	for range 20 {
		all.Go(func() {
			req, err := http.NewRequestWithContext(ctx, http.MethodGet, s.URL+"/events", nil)
			if err != nil {
				return
			}
			res, err := http.DefaultClient.Do(req)
			open.Done()
			if err != nil {
				return
			}
			defer res.Body.Close()
			for lines := bufio.NewScanner(res.Body); lines.Scan(); {
				if lines.Text() != "event: change" {
					continue
				}
				page, err := http.Get(s.URL + "/coats")
				if err != nil {
					return
				}
				defer page.Body.Close()
				if body, err := io.ReadAll(page.Body); err == nil && strings.Contains(string(body), "west bay") {
					heard.Add(1)
				}
				return
			}
		})
	}
	open.Wait()
	require.Eventually(t, func() bool { f.mu.Lock(); defer f.mu.Unlock(); return len(f.subs) == 20 }, time.Minute, 5*time.Millisecond)
	f.change(func(v *View) { v.Shed = "Long shed, west bay" })
	all.Wait()
	require.EqualValues(t, 20, heard.Load())
}

func TestCatalogueHasEveryTextAndNoOther(t *testing.T) {
	tx, err := loadTexts("en")
	require.NoError(t, err)
	var code strings.Builder
	for _, glob := range []string{"*.go", "templates/*.html"} {
		files, err := filepath.Glob(glob)
		require.NoError(t, err)
		for _, f := range files {
			if strings.HasSuffix(f, "_test.go") {
				continue
			}
			b, err := os.ReadFile(f)
			require.NoError(t, err)
			code.Write(b)
		}
	}
	src := code.String()
	for _, m := range regexp.MustCompile(`tx\.get\("([a-zA-Z_]+)"`).FindAllStringSubmatch(src, -1) {
		if !strings.HasSuffix(m[1], "_") {
			require.Contains(t, tx, m[1])
		}
	}
	for _, m := range regexp.MustCompile(`\bt "([a-zA-Z_]+)"`).FindAllStringSubmatch(src, -1) {
		require.Contains(t, tx, m[1])
	}
	made := regexp.MustCompile(`^(verdict|state|did|mark|wait|weekday|lie|faces|sealed|need|deed|deed_about|burner|kind|kind_about|calibrate_by|calibrate_about|status|place|gas|blush|vessel|mix_consistency|history|yard_window|severity|batch_in|shows|limit|may)_`)
	for key := range tx {
		if !made.MatchString(key) {
			require.Contains(t, src, `"`+key+`"`, "no page says %s any more", key)
		}
	}
	_, err = loadTexts("xx")
	require.ErrorContains(t, err, `"xx"`)
}

func BenchmarkShedPage(b *testing.B) {
	h, err := New(Options{Source: newFake(scene())})
	require.NoError(b, err)
	for b.Loop() {
		get(h, "/", "Accept-Encoding", "gzip")
	}
}
