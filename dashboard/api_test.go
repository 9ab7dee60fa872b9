package dashboard

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor/units"
)

func post(h http.Handler, path, body string, head ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:8090"+path, strings.NewReader(body))
	r.Header.Set("Content-Type", "application/json")
	for i := 0; i+1 < len(head); i += 2 {
		r.Header.Set(head[i], head[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func decode(t *testing.T, w *httptest.ResponseRecorder) map[string]any {
	t.Helper()
	var out map[string]any
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &out), w.Body.String())
	return out
}

func TestNowHasTheFieldsOfTheCommand(t *testing.T) {
	h := handler(t, newFake(scene()), nil)
	w := get(h, "/api/v1/now")
	require.Equal(t, "application/json", w.Header().Get("Content-Type"))
	var now struct {
		ServerTime time.Time `json:"server_time"`
		Stale      bool      `json:"stale"`
		Pieces     []struct {
			Piece, Verdict string
			Reasons        []struct {
				Rule, Verdict, Unit, Source, Text string
				Value, Limit                      *float64
			}
		}
		Coats []struct {
			State   string
			Windows []struct {
				Window        string
				Opens, Closes struct{ Early, Likely, Late *time.Time }
			}
		}
		Probes []struct {
			Probe string
			Last  []struct {
				Quantity, Status string
				Usable           bool
				AgeS             float64 `json:"age_s"`
			}
		}
	}
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &now))
	require.True(t, now.ServerTime.Equal(sceneNow))
	require.False(t, now.Stale)
	require.Equal(t, "wait", now.Pieces[0].Verdict)
	require.Nil(t, now.Pieces[0].Reasons[0].Limit, "unknown is null, never 0")
	require.InDelta(t, 3, *now.Pieces[0].Reasons[1].Limit, 0)
	require.Equal(t, "14:27", now.Coats[0].Windows[0].Opens.Likely.In(sceneZone).Format("15:04"))
	require.Equal(t, "saturated", now.Probes[2].Last[1].Status)
	require.False(t, now.Probes[2].Last[1].Usable)
	require.InDelta(t, 20, now.Probes[0].Last[0].AgeS, 1e-9)

	empty := get(handler(t, scenes()["empty"], nil), "/api/v1/now").Body.String()
	require.Contains(t, empty, `"pieces":[]`)
	require.Contains(t, empty, `"probes":[]`)

	stale := get(handler(t, scenes()["stale"], nil), "/api/v1/now")
	require.NoError(t, json.Unmarshal(stale.Body.Bytes(), &now))
	require.True(t, now.Stale)
	require.Equal(t, "can't say", now.Pieces[0].Verdict)
	require.Contains(t, stale.Body.String(), `"air_c":{"value":null,"u":null}`)
}

func TestCommandsByAPI(t *testing.T) {
	f := newFake(scene())
	h := handler(t, f, nil)
	w := post(h, "/api/v1/coats", `{"key":"a","piece":1,"kind":"seal","system":"medium","at":"2026-01-14T12:30:00+01:00","amount_g":250,"resin_c":"18,5","vessel":"pot","who":"Ida","lot":"R12/H9"}`)
	require.Equal(t, http.StatusCreated, w.Code, w.Body.String())
	require.Equal(t, false, decode(t, w)["repeated"])
	w = post(h, "/api/v1/coats", `{"key":"a","piece":1,"kind":"seal","system":"medium"}`)
	require.Equal(t, http.StatusOK, w.Code)
	require.Equal(t, true, decode(t, w)["repeated"])
	require.Equal(t, http.StatusCreated, post(h, "/api/v1/coats/7/touches", `{"state":"tacky","witness":true}`, "Idempotency-Key", "b").Code)
	require.Equal(t, http.StatusOK, post(h, "/api/v1/coats/7/touches", `{"state":"tacky","witness":true}`, "Idempotency-Key", "b").Code)
	require.Equal(t, http.StatusCreated, post(h, "/api/v1/coats/7/end", `{}`).Code)
	require.Equal(t, http.StatusCreated, post(h, "/api/v1/alerts/31/acknowledge", `{"who":"Ida"}`).Code)
	require.Equal(t, http.StatusCreated, post(h, "/api/v1/alerts/32/acknowledge", `{"again_min":"60"}`).Code)
	require.Equal(t, http.StatusUnprocessableEntity, post(h, "/api/v1/alerts/32/acknowledge", `{"again_min":"soon"}`).Code)
	require.Equal(t, []string{`start 1 seal medium at 2026-01-14T11:30:00Z, 250 g, 18.5 C, "pot", who "Ida", lot "R12/H9"`,
		"touch 7 tacky witness true", "end 7", "acknowledge 31", "acknowledge 32 1h0m0s"}, f.done())
}

func TestBadCommandsSayWhatIsWrongAndChangeNothing(t *testing.T) {
	f := newFake(scene())
	h := handler(t, f, nil)
	start := func(more string) string { return `{"piece":1,"kind":"seal","system":"medium"` + more + `}` }
	for _, c := range []struct {
		name, path, body, field, says string
		status                        int
	}{
		{"no JSON", "/api/v1/coats", `{"piece":`, "", "not understood", 400},
		{"two objects", "/api/v1/coats", `{}{}`, "", "more after", 400},
		{"unknown field", "/api/v1/coats", start(`,"amount":250`), "amount", "amount_g", 422},
		{"nested", "/api/v1/coats", start(`,"who":{"a":1}`), "who", "a text", 422},
		{"no piece", "/api/v1/coats", `{"piece":77,"kind":"seal","system":"medium"}`, "piece", "choose a piece", 422},
		{"no kind", "/api/v1/coats", `{"piece":1,"kind":"paint","system":"medium"}`, "kind", "kinds of coat", 422},
		{"no system", "/api/v1/coats", `{"piece":1,"kind":"seal","system":"other"}`, "system", "resin system", 422},
		{"no number", "/api/v1/coats", start(`,"amount_g":"a lot"`), "amount_g", "number", 422},
		{"NaN", "/api/v1/coats", start(`,"amount_g":"NaN"`), "amount_g", "number", 422},
		{"nothing mixed", "/api/v1/coats", start(`,"amount_g":0`), "amount_g", "more than 0 g", 422},
		{"hot resin", "/api/v1/coats", start(`,"resin_c":180`), "resin_c", "-20 to 80", 422},
		{"vessel", "/api/v1/coats", start(`,"vessel":"hat"`), "vessel", "pot or tray", 422},
		{"future", "/api/v1/coats", start(`,"at":"2026-01-14T15:06:00+01:00"`), "at", "it is 14:06", 422},
		{"no time", "/api/v1/coats", start(`,"at":"8:30 AM"`), "at", "2026-01-14T14:06", 422},
		{"long name", "/api/v1/coats", start(`,"who":"` + strings.Repeat("x", 81) + `"`), "who", "80 letters", 422},
		{"state", "/api/v1/coats/7/touches", `{"state":"gooey"}`, "state", "tacky", 422},
		{"no such coat", "/api/v1/coats/404/touches", `{"state":"wet"}`, "", "no coat 404", 404},
		{"no number of a coat", "/api/v1/coats/seven/end", `{}`, "", `no "seven"`, 404},
		{"too long", "/api/v1/coats", `{"who":"` + strings.Repeat("x", 20000) + `"}`, "", "16 kB", 413},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := post(h, c.path, c.body)
			require.Equal(t, c.status, w.Code, w.Body.String())
			require.Equal(t, "application/problem+json", w.Header().Get("Content-Type"))
			p := decode(t, w)
			require.EqualValues(t, c.status, p["status"])
			require.Contains(t, p["detail"], c.says)
			if c.field != "" {
				require.Equal(t, c.field, p["field"])
			}
		})
	}
	require.Empty(t, f.done())
	require.Equal(t, http.StatusUnsupportedMediaType, post(h, "/api/v1/coats", "<a/>", "Content-Type", "text/xml").Code)
	require.Equal(t, http.StatusForbidden, post(handler(t, f, func(o *Options) { o.Commands = nil }), "/api/v1/coats", `{}`).Code)
	f.refuse = errors.New("store: disk full at /var/lib")
	w := post(h, "/api/v1/coats", start(""))
	require.Equal(t, http.StatusInternalServerError, w.Code)
	require.NotContains(t, w.Body.String(), "/var/lib", "the cause is for the log")
}

func TestLocalTimesWhereTheClockChanges(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no zone data here")
	}
	at := func(s string, now time.Time) (time.Time, error) { return localTime(s, berlin, now) }
	_, err = at("2026-03-29T02:30", time.Date(2026, 3, 29, 12, 0, 0, 0, berlin))
	require.ErrorIs(t, err, errNoSuchTime)
	// 02:30 comes twice on 25 October 2026: at 00:30 and at 01:30 UTC.
	got, err := at("2026-10-25T02:30", time.Date(2026, 10, 25, 0, 45, 0, 0, time.UTC))
	require.NoError(t, err)
	require.Equal(t, "00:30", got.UTC().Format("15:04"), "the second is still to come")
	got, err = at("2026-10-25T02:30", time.Date(2026, 10, 25, 8, 0, 0, 0, time.UTC))
	require.NoError(t, err)
	require.Equal(t, "01:30", got.UTC().Format("15:04"))
}

func TestReadingsAndCoats(t *testing.T) {
	h := handler(t, newFake(scene()), nil)
	w := get(h, "/api/v1/readings?probe=bench&quantity=temp_c&from=2026-01-14T00:00:00Z&to=2026-01-14T02:00:00Z&points=10")
	require.Equal(t, http.StatusOK, w.Code)
	require.Contains(t, w.Body.String(), `{"at":"2026-01-14T00:00:00Z","min":13.9,"mean":14.2,"max":14.6,"count":60}`)
	for query, field := range map[string]string{"quantity=temp_c": "probe", "probe=bench&quantity=temp_f": "quantity", "probe=bench&quantity=temp_c&from=x": "from",
		"probe=bench&quantity=temp_c&to=yesterday": "to", "probe=bench&quantity=temp_c&points=0": "points", "probe=bench&quantity=temp_c&from=2027-01-01T00:00:00Z": "from"} {
		w = get(h, "/api/v1/readings?"+query)
		require.Equal(t, http.StatusUnprocessableEntity, w.Code, query)
		require.Equal(t, field, decode(t, w)["field"], query)
	}
	require.Equal(t, http.StatusNotFound, get(h, "/api/v1/readings?probe=none&quantity=temp_c").Code)
	coats := decode(t, get(h, "/api/v1/coats"))["coats"].([]any)
	require.Len(t, coats, 4)
	require.NotNil(t, coats[0].(map[string]any)["advice"])
	require.Nil(t, coats[2].(map[string]any)["advice"])
	require.NotNil(t, coats[2].(map[string]any)["ended"])
}

func TestRecordsAreServed(t *testing.T) {
	h := handler(t, newFake(scene()), nil)
	w := get(h, "/api/v1/records/1.html")
	require.Equal(t, http.StatusOK, w.Code)
	require.Contains(t, w.Header().Get("Content-Security-Policy"), "style-src 'sha256-")
	require.NotContains(t, w.Header().Get("Content-Security-Policy"), "unsafe")
	w = get(h, "/api/v1/records/1.csv?sep=;&decimal=,&bom=1")
	require.Equal(t, http.StatusOK, w.Code)
	require.Contains(t, w.Header().Get("Content-Disposition"), "record-1.csv")
	require.True(t, strings.HasPrefix(w.Body.String(), "\ufeff#;job;Lapwing"))
	require.Equal(t, http.StatusUnprocessableEntity, get(h, "/api/v1/records/1.csv?sep=x").Code)
	require.Equal(t, http.StatusNotFound, get(h, "/api/v1/records/2.html").Code)
	require.Equal(t, http.StatusNotFound, get(h, "/api/v1/records/1.exe").Code)
	require.Equal(t, http.StatusUnprocessableEntity, get(h, "/api/v1/records/1.html?workshop=no+such").Code)
}

func TestGuards(t *testing.T) {
	h := handler(t, newFake(scene()), func(o *Options) { o.Hosts = []string{"shed.local"} })
	ask := func(method, host string, head ...string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, "http://"+host+"/", nil)
		if method == http.MethodPost {
			r = httptest.NewRequest(method, "http://"+host+"/coats/7/touches", strings.NewReader("state=wet"))
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		}
		for i := 0; i+1 < len(head); i += 2 {
			r.Header.Set(head[i], head[i+1])
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	for host, want := range map[string]int{"shed.local": 200, "SHED.local:8090": 200, "192.168.1.7:8090": 200, "[fe80::1]:8090": 200, "localhost": 200,
		"evil.example": 421, "shed.local.evil.example": 421} {
		require.Equal(t, want, ask(http.MethodGet, host).Code, host)
	}
	require.Equal(t, http.StatusForbidden, ask(http.MethodPost, "shed.local", "Sec-Fetch-Site", "cross-site").Code)
	require.Equal(t, http.StatusForbidden, ask(http.MethodPost, "shed.local", "Origin", "http://evil.example").Code)
	require.Equal(t, http.StatusSeeOther, ask(http.MethodPost, "shed.local", "Origin", "http://shed.local").Code)
	require.Equal(t, http.StatusSeeOther, ask(http.MethodPost, "shed.local", "Sec-Fetch-Site", "same-origin").Code)
	head := ask(http.MethodGet, "shed.local").Header()
	require.Contains(t, head.Get("Content-Security-Policy"), "default-src 'self'")
	require.Equal(t, "nosniff", head.Get("X-Content-Type-Options"))

	require.Equal(t, http.StatusNotFound, get(h, "/tides").Code)
	require.Contains(t, get(h, "/tides").Body.String(), "There is no such page")
	w := get(h, "/api/v1/nothing")
	require.Equal(t, http.StatusNotFound, w.Code)
	require.Equal(t, "application/problem+json", w.Header().Get("Content-Type"))
	w = post(h, "/api/v1/now", "{}")
	require.Equal(t, http.StatusMethodNotAllowed, w.Code)
	require.Contains(t, w.Header().Get("Allow"), "GET")
}

func TestHealth(t *testing.T) {
	h := handler(t, newFake(scene()), func(o *Options) {
		o.Live = func(context.Context) error { return nil }
		o.Ready = func(context.Context) error { return errors.New("no reading for 9 min") }
	})
	require.Equal(t, http.StatusOK, get(h, "/healthz").Code)
	w := get(h, "/readyz")
	require.Equal(t, http.StatusServiceUnavailable, w.Code)
	require.Contains(t, w.Body.String(), "no reading for 9 min")
	require.Equal(t, http.StatusOK, get(handler(t, newFake(scene()), nil), "/readyz").Code)
	_, err := New(Options{})
	require.ErrorContains(t, err, "Source")
	_, err = New(Options{Source: newFake(scene()), Language: "xx"})
	require.ErrorContains(t, err, "xx")
}

func TestEventsBeatAndChangeAndEnd(t *testing.T) {
	f := newFake(scene())
	h := handler(t, f, func(o *Options) { o.Beat, o.Phones = time.Hour, 1 })
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	r, err := http.Get(s.URL + "/events")
	require.NoError(t, err)
	defer r.Body.Close()
	require.Equal(t, "text/event-stream", r.Header.Get("Content-Type"))
	lines := bufio.NewScanner(r.Body)
	next := func() string {
		for lines.Scan() {
			if name, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
				return name
			}
		}
		return "end"
	}
	require.Equal(t, "beat", next())
	f.change(func(v *View) { v.Shed = "another" })
	require.Equal(t, "change", next())

	second, err := http.Get(s.URL + "/events")
	require.NoError(t, err)
	require.NoError(t, second.Body.Close())
	require.Equal(t, http.StatusServiceUnavailable, second.StatusCode, "the one slot is taken")

	h.Close()
	h.Close()
	require.Equal(t, "end", next())
	require.Eventually(t, func() bool { f.mu.Lock(); defer f.mu.Unlock(); return len(f.subs) == 0 }, 10*time.Second, 5*time.Millisecond, "the source is let go")
}

func TestAdviceJustYoungEnoughIsNotStale(t *testing.T) {
	h := handler(t, newFake(scene()), nil)
	v := scene()
	v.Advice.At = units.InstantOf(sceneNow.Add(-2 * time.Hour))
	_, stale := h.honest(v)
	require.False(t, stale)
	v.Advice.At--
	_, stale = h.honest(v)
	require.True(t, stale)
}
