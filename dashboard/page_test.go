package dashboard

import (
	"flag"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
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
	for name, f := range scenes() {
		for page, path := range map[string]string{"shed": "/", "coats": "/coats", "new": "/coats/new", "history": "/history?days=31", "mix": "/mix?area=6&kind=wet-out&fabric=200&layers=2&filler=2&system=medium"} {
			if (page == "new" || page == "mix" || page == "history") && name != "full" && name != "empty" {
				continue
			}
			t.Run(name+"/"+page, func(t *testing.T) {
				w := get(handler(t, f, nil), path)
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

func TestFirstLoadIsSmall(t *testing.T) {
	h := handler(t, newFake(scene()), nil)
	page := get(h, "/", "Accept-Encoding", "gzip")
	require.Equal(t, "gzip", page.Header().Get("Content-Encoding"))
	total := page.Body.Len()
	for _, m := range regexp.MustCompile(`"(/static/[^"]+)"`).FindAllStringSubmatch(get(h, "/").Body.String(), -1) {
		w := get(h, m[1], "Accept-Encoding", "gzip")
		require.Equal(t, http.StatusOK, w.Code)
		require.Contains(t, w.Header().Get("Cache-Control"), "immutable")
		again := get(h, m[1], "If-None-Match", w.Header().Get("ETag"))
		require.Equal(t, http.StatusNotModified, again.Code)
		total += w.Body.Len()
	}
	t.Logf("first load: %d bytes compressed", total)
	require.Less(t, total, 60000)
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
	made := regexp.MustCompile(`^(verdict|state|did|mark|wait|weekday|lie|faces|sealed|need|deed|deed_about|burner|kind|kind_about|status|place|gas|blush|vessel|mix_consistency|history|yard_window|severity|batch_in)_`)
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
