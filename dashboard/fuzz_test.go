package dashboard

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// FuzzBody sends bodies of every kind to the commands of the page and of the API: they are kept or refused by a problem, and never a failure of ours.
func FuzzBody(f *testing.F) {
	paths := []string{"/api/v1/coats", "/api/v1/coats/7/touches", "/api/v1/coats/7/end", "/api/v1/alerts/31/acknowledge", "/coats"}
	kinds := []string{"application/json", "application/x-www-form-urlencoded", "text/plain", "multipart/form-data"}
	f.Add(uint8(0), uint8(0), `{"piece":1,"kind":"seal","system":"medium","at":"2026-01-14T13:00:00Z","amount_g":250,"vessel":"tray"}`)
	f.Add(uint8(1), uint8(0), `{"state":"tacky","witness":true,"at":null}`)
	f.Add(uint8(4), uint8(1), "piece=1&kind=seal&system=medium&at=2026-01-14T14:00&amount_g=2,5")
	f.Add(uint8(2), uint8(0), `{"at":"9999999-01-01"}{}`)
	h := handler(f, newFake(scene()), func(o *Options) { o.Bench = inventedBench() })
	f.Fuzz(func(t *testing.T, path, kind uint8, body string) {
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:8090"+paths[int(path)%len(paths)], strings.NewReader(body))
		r.Header.Set("Content-Type", kinds[int(kind)%len(kinds)])
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		require.Less(t, w.Code, 500, w.Body.String())
	})
}

// FuzzQuery asks the pages that work something out of their address.
func FuzzQuery(f *testing.F) {
	paths := []string{"/mix", "/plan", "/history", "/probes/which", "/api/v1/readings", "/api/v1/coats"}
	f.Add(uint8(0), "area=6&kind=wet-out&fabric=200&layers=2&filler=2&system=medium")
	f.Add(uint8(1), "piece=1&deed=tent&value=5&from=08:00&to=16:00")
	f.Add(uint8(2), "days=31&probe=bench")
	f.Add(uint8(3), "from=bench~14.60&from=~3&from=x~1e99")
	f.Add(uint8(4), "probe=bench&quantity=temp_c&from=2026-01-13T14:00:00Z&points=5000")
	h := handler(f, newFake(scene()), func(o *Options) { o.Bench, o.Planner = inventedBench(), &invented{made: inventedPlan()} })
	f.Fuzz(func(t *testing.T, path uint8, query string) {
		r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1:8090"+paths[int(path)%len(paths)], nil)
		r.URL.RawQuery = query
		r.Header.Set("X-Part", "main")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		require.Less(t, w.Code, 500, w.Body.String())
		require.NotContains(t, w.Body.String(), "ZgotmplZ")
	})
}
