package dashboard

import (
	"image"
	"image/png"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// A photo of a coat that is taken while the shed is away waits in the open page and goes out once; a page that was left says that it is gone.
func TestBrowserPhotoWhileTheShedIsAway(t *testing.T) {
	b := openBrowser(t)
	var photos atomic.Int64
	var query atomic.Value
	var full atomic.Bool
	s := serve(t, handler(t, newFake(scene()), func(o *Options) {
		o.Books = book{}
		o.Further = []Route{{Method: "POST", Path: "/api/v1/photos", Role: Write, Most: 8 << 20, Handle: func(w http.ResponseWriter, r *http.Request) {
			if full.Load() {
				Send(w, r, http.StatusServiceUnavailable, "application/json", []byte(`{}`))
				return
			}
			if _, _, err := image.DecodeConfig(r.Body); err == nil {
				photos.Add(1)
				query.Store(r.URL.RawQuery)
			}
			_, _ = io.Copy(io.Discard, r.Body)
			Send(w, r, http.StatusCreated, "application/json", []byte(`{}`))
		}}, {Method: "GET", Path: "/api/v1/photos/{id}/image", Role: Read, Handle: func(w http.ResponseWriter, r *http.Request) {
			_ = png.Encode(w, image.NewGray(image.Rect(0, 0, 4, 3)))
		}}}
	}))
	file := filepath.Join(t.TempDir(), "run.png")
	f, err := os.Create(file)
	require.NoError(t, err)
	require.NoError(t, png.Encode(f, image.NewGray(image.Rect(0, 0, 40, 30))))
	require.NoError(t, f.Close())
	add := func() {
		b.tap(t, "#photo-coat-7 > summary")
		b.do(t, chromedp.SetUploadFiles(chromedp.CSS("#photo-file-coat-7"), []string{file}))
		b.tap(t, "#photo-coat-7 button")
	}
	b.phone(t, s.URL+"/coats")
	require.Contains(t, eval[string](t, b, `document.querySelector("#coat-7").textContent`), "Roller left lint by the stem.")
	require.Empty(t, eval[[]string](t, b, smallTargets))
	s.off.Store(true)
	s.CloseClientConnections()
	add()
	b.until(t, "what waits", `document.querySelector("#queue").textContent.includes("gone if you leave this page")`)
	s.off.Store(false)
	b.until(t, "it goes out", `document.querySelector("#queue").textContent === "Kept."`)
	require.EqualValues(t, 1, photos.Load())
	require.Contains(t, query.Load(), "coat=7")

	full.Store(true)
	b.phone(t, s.URL+"/coats")
	add()
	b.until(t, "what waits again", `document.querySelector("#queue").textContent.includes("gone if you leave this page")`)
	require.Equal(t, "1", eval[string](t, b, `sessionStorage.getItem("photos")`))
	full.Store(false)
	b.until(t, "it goes out", `document.querySelector("#queue").textContent === "Kept."`)
	require.Equal(t, "0", eval[string](t, b, `sessionStorage.getItem("photos")`))
	eval[bool](t, b, `(sessionStorage.setItem("photos", 1), true)`) // as a page leaves it that was closed
	b.phone(t, s.URL+"/coats")
	b.until(t, "the loss", `document.querySelector("#queue").textContent.includes("Take them again")`)
	require.EqualValues(t, 2, photos.Load())
}
