package daemon

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/access"
	"tackline/daemon/backup"
	"tackline/daemon/jobbook"
	"tackline/dashboard"
)

// stranger is a phone on the shed's network. It keeps its cookie as a browser does.
type stranger struct {
	t      *testing.T
	d      *Daemon
	addr   string
	cookie *http.Cookie
	shows  *http.Cookie
}

// ask makes a request as it comes in from the network: through everything that a request of a phone goes through.
func (s *stranger) ask(method, path string, body any, head ...string) *httptest.ResponseRecorder {
	s.t.Helper()
	var in *bytes.Reader
	kind := "application/json"
	switch b := body.(type) {
	case nil:
		in = bytes.NewReader(nil)
	case url.Values:
		in, kind = bytes.NewReader([]byte(b.Encode())), "application/x-www-form-urlencoded"
	default:
		enc, err := json.Marshal(b)
		require.NoError(s.t, err)
		in = bytes.NewReader(enc)
	}
	ctx, cancel := context.WithTimeout(s.t.Context(), 20*time.Second)
	defer cancel()
	r := httptest.NewRequestWithContext(ctx, method, "http://192.0.2.2:8417"+path, in)
	r.RemoteAddr = s.addr + ":50000"
	if body != nil {
		r.Header.Set("Content-Type", kind)
	}
	if s.cookie != nil {
		r.AddCookie(s.cookie)
	}
	if s.shows != nil {
		r.AddCookie(s.shows)
	}
	for i := 0; i+1 < len(head); i += 2 {
		r.Header.Set(head[i], head[i+1])
		if head[i] == "Host" {
			r.Host = head[i+1]
		}
	}
	w := httptest.NewRecorder()
	s.d.server.Handler.ServeHTTP(w, r)
	for _, c := range w.Result().Cookies() {
		if c.Name == showsCookie {
			s.shows = c
			continue
		}
		s.cookie = c
		if c.MaxAge < 0 {
			s.cookie = nil
		}
	}
	return w
}

// paired lets a phone in as the board does.
func paired(t *testing.T, d *Daemon, addr, may string) *stranger {
	t.Helper()
	s := &stranger{t: t, d: d, addr: addr}
	code, err := d.door.phones.Offer(access.Offer{May: may})
	require.NoError(t, err)
	w := s.ask("POST", "/pair", url.Values{"code": {code}, "phone": {may + " phone"}, "name": {"Wren"}})
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	require.NotNil(t, s.cookie)
	return s
}

// table is what each role may do, as it is told to people. It is written down here once more, by hand.
var table = map[string][]dashboard.Role{
	"stranger, reading paired": {dashboard.Open, dashboard.Token},
	"stranger":                 {dashboard.Open, dashboard.Token, dashboard.Read},
	"read":                     {dashboard.Open, dashboard.Token, dashboard.Read},
	"write":                    {dashboard.Open, dashboard.Token, dashboard.Read, dashboard.Write},
	"admin":                    {dashboard.Open, dashboard.Token, dashboard.Read, dashboard.Write, dashboard.Admin},
}

// mustBe are the roles of routes that may never become weaker.
var mustBe = map[string]dashboard.Role{"POST /api/v1/pairings": dashboard.Admin, "POST /api/v1/phones/{id}/revoke": dashboard.Admin, "POST /api/v1/push": dashboard.Token,
	"POST /api/v1/commands/{kind}": dashboard.Write, "POST /api/v1/photos": dashboard.Write, "POST /api/v1/clock": dashboard.Write, "GET /metrics": dashboard.Read}

// TestAuthorisationOverEveryRoute walks the table of routes for every kind of visitor. A new route is in it by itself; one that changes something
// and is open to readers fails.
func TestAuthorisationOverEveryRoute(t *testing.T) {
	d := onLoopback(t).d
	seen := map[string]bool{}
	who := map[string]*stranger{"stranger": {t: t, d: d, addr: "198.51.100.1"}, "stranger, reading paired": {t: t, d: d, addr: "198.51.100.2"}}
	for i, may := range []string{"read", "write", "admin"} {
		who[may] = paired(t, d, fmt.Sprintf("198.51.100.%d", 10+i), may)
	}
	d.door.requests, d.door.entries = access.NewLimiter(1e6, 1e6), access.NewLimiter(1e6, 1e6)
	for name, s := range who {
		d.o.Config.Access.ReadingPaired = name == "stranger, reading paired"
		for _, r := range d.page.Routes() {
			pattern := r.Method + " " + r.Path
			seen[pattern] = true
			if want, ok := mustBe[pattern]; ok {
				require.Equal(t, want, r.Role, pattern)
			}
			if r.Method != http.MethodGet && !slices.Contains([]string{"POST /pair", "POST /leave", "POST /settings/shows"}, pattern) {
				require.NotContains(t, []dashboard.Role{dashboard.Open, dashboard.Read}, r.Role, "%s changes something", pattern)
			}
			allowed := slices.Contains(table[name], r.Role)
			if allowed && (r.Path == "/events" || r.Path == "/leave" || strings.HasSuffix(r.Path, "/try")) {
				continue // does not end, ends the visitor, rings
			}
			path := strings.NewReplacer("{$}", "", "{id}", "999999", "{kind}", "note", "{class}", "hat", "{file}", "999999.csv", "{name}", "none", "{token}", "none", "{code}", "none").Replace(r.Path)
			w := s.ask(r.Method, path, map[bool]any{true: map[string]any{}}[r.Method == http.MethodPost])
			if r.Path == "/seen/{token}" || r.Path == pushPath { // they check their own token
				require.Contains(t, []int{http.StatusForbidden, http.StatusUnauthorized, http.StatusNotFound}, w.Code, pattern)
				continue
			}
			require.Equal(t, !allowed, w.Code == http.StatusUnauthorized || w.Code == http.StatusForbidden, "%s as %s: %d %.200s", pattern, name, w.Code, w.Body)
		}
	}
	for pattern := range mustBe {
		require.True(t, seen[pattern], "%s is gone", pattern)
	}
	facts, err := d.book.State(t.Context())
	require.NoError(t, err)
	require.Empty(t, facts.Notes, "nothing was kept of what was refused")
}

// TestPairingAPhone goes the whole way, from the code on the board to a command in the phone's name, and back to a stranger.
func TestPairingAPhone(t *testing.T) {
	s := onLoopback(t)
	d := s.d
	wren := s.made("add-person", object{"name": "Wren", "start_min": 480, "end_min": 1020, "days": []bool{false, true, true, true, true, true, false}})
	offer := s.ask("POST", "/api/v1/pairings", object{"phone": "Wren's phone", "person": "wren"})
	require.Equal(t, http.StatusOK, offer.status, string(offer.body))
	link := offer.json(t)["links"].([]any)[0].(string)
	require.Regexp(t, `^http://127\.0\.0\.1:\d+/pair/[0-9A-Z]{12}$`, link)
	require.Contains(t, offer.json(t)["note"], "this board alone")
	require.Equal(t, http.StatusUnprocessableEntity, s.ask("POST", "/api/v1/pairings", object{"person": "Nobody"}).status)
	require.Equal(t, http.StatusUnprocessableEntity, s.ask("POST", "/api/v1/pairings", object{"may": "fly"}).status)
	u, err := url.Parse(link)
	require.NoError(t, err)
	code := strings.TrimPrefix(u.Path, "/pair/")

	phone := &stranger{t: t, d: d, addr: "198.51.100.7"}
	w := phone.ask("POST", "/api/v1/commands/note", object{"payload": object{"text": "by a stranger"}})
	require.Equal(t, http.StatusUnauthorized, w.Code)
	require.Contains(t, w.Body.String(), "tackline pair")
	require.NotContains(t, phone.ask("GET", "/coats", nil).Body.String(), `<form method="post" action="/coats`, "no forms for those who may not")

	// Whatever looks at the link uses nothing up, and gets no cookie.
	for _, method := range []string{"GET", "HEAD", "GET"} {
		w = phone.ask(method, u.Path, nil)
		require.Equal(t, http.StatusOK, w.Code)
		require.Empty(t, w.Result().Cookies())
		require.Equal(t, "same-origin", w.Header().Get("Referrer-Policy"))
		require.Equal(t, "no-store", w.Header().Get("Cache-Control"))
	}
	require.Contains(t, w.Body.String(), "Wren")
	require.NotContains(t, w.Body.String(), "<script", "the page with the code runs nothing")
	w = phone.ask("POST", "/pair", url.Values{"code": {code}, "phone": {""}})
	require.Equal(t, http.StatusUnprocessableEntity, w.Code, "a phone has a name")
	require.Contains(t, w.Body.String(), "1 to 40 letters")

	// A page elsewhere that sends the form, or a cookie that was planted before, come to nothing.
	form := url.Values{"code": {code}, "phone": {"Wren's phone"}}
	require.Equal(t, http.StatusForbidden, phone.ask("POST", "/pair", form, "Origin", "http://evil.example").Code)
	require.Equal(t, http.StatusForbidden, phone.ask("POST", "/pair", form, "Sec-Fetch-Site", "cross-site").Code)
	phone.cookie = &http.Cookie{Name: plainCookie, Value: "planted"}
	w = phone.ask("POST", "/pair", form, "Origin", "http://192.0.2.2:8417", "Sec-Fetch-Site", "same-origin")
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	require.Equal(t, "/", w.Header().Get("Location"), "away from the code")
	c := w.Result().Cookies()[0]
	require.NotEqual(t, "planted", c.Value)
	require.True(t, c.HttpOnly)
	require.Equal(t, http.SameSiteLaxMode, c.SameSite)
	require.Equal(t, "/", c.Path)
	require.Empty(t, c.Domain)
	require.Equal(t, http.StatusUnauthorized, (&stranger{t: t, d: d, addr: "198.51.100.8", cookie: &http.Cookie{Name: plainCookie, Value: "planted"}}).ask("POST", "/api/v1/commands/note", object{"payload": object{"text": "x"}}).Code)
	require.Equal(t, http.StatusNotFound, (&stranger{t: t, d: d, addr: "198.51.100.8"}).ask("GET", u.Path, nil).Code, "used up")

	// What comes from the phone is said by its person, whatever it says.
	w = phone.ask("POST", "/api/v1/commands/note", object{"who": "Somebody Else", "payload": object{"text": "by the phone"}})
	require.Equal(t, http.StatusCreated, w.Code, w.Body.String())
	require.Equal(t, http.StatusSeeOther, phone.ask("POST", "/do/note", url.Values{"who": {"Somebody Else"}, "text": {"by a form"}}).Code)
	require.Equal(t, http.StatusCreated, phone.ask("POST", "/api/v1/coats", object{"piece": 4, "kind": "seal", "system": "medium", "who": "Somebody Else"}).Code)
	facts, err := d.book.State(t.Context())
	require.NoError(t, err)
	require.Len(t, facts.Notes, 2)
	for _, n := range facts.Notes {
		require.Equal(t, "Wren", n.Who)
	}
	require.Equal(t, "Wren", facts.Coats[len(facts.Coats)-1].Who)
	require.Contains(t, phone.ask("GET", "/coats", nil).Body.String(), `<form method="post" action="/coats`)
	require.Equal(t, http.StatusForbidden, phone.ask("POST", "/api/v1/pairings", object{}).Code, "it writes, and lets nobody in")
	require.Equal(t, http.StatusForbidden, phone.ask("POST", "/api/v1/commands/note", object{"payload": object{"text": "x"}}, "Origin", "http://evil.example").Code, "a page elsewhere does not write by its cookie")

	list := s.ask("GET", "/api/v1/phones", nil).json(t)["phones"].([]any)
	require.Len(t, list, 1)
	require.Equal(t, object{"id": 1., "name": "Wren's phone", "person": float64(wren), "who": "Wren", "may": "write", "this": false}, keys(list[0].(object), "paired", "seen"))
	require.Contains(t, phone.ask("GET", "/api/v1/phones", nil).Body.String(), `"this":true`)

	// No file, log, list or page tells the token.
	for _, name := range []string{phonesFile, "jobbook.db", "jobbook.db-wal", "readings.db"} {
		b, err := os.ReadFile(filepath.Join(d.o.Config.Shed.Data, name))
		if err == nil {
			require.NotContains(t, string(b), c.Value, name)
		}
	}
	require.NotContains(t, string(s.ask("GET", "/api/v1/book", nil).body), c.Value)

	require.Equal(t, http.StatusNotFound, s.ask("POST", "/api/v1/phones/99/revoke", object{}).status)
	require.Equal(t, http.StatusOK, s.ask("POST", "/api/v1/phones/1/revoke", object{}).status)
	require.Equal(t, http.StatusUnauthorized, phone.ask("POST", "/api/v1/commands/note", object{"payload": object{"text": "lost"}}).Code, "a lost phone can do nothing more")

	other := paired(t, d, "198.51.100.9", "write")
	require.Equal(t, http.StatusSeeOther, other.ask("POST", "/leave", url.Values{}).Code)
	require.Nil(t, other.cookie)
	require.Empty(t, d.door.phones.List())
}

func keys(o object, without ...string) object {
	for _, k := range without {
		delete(o, k)
	}
	return o
}

// TestWhoIsNotLetIn: what reaches the loopback address and is not the board itself writes nothing.
func TestWhoIsNotLetIn(t *testing.T) {
	s := onLoopback(t)
	note := object{"payload": object{"text": "x"}}
	require.Equal(t, http.StatusCreated, s.ask("POST", "/api/v1/commands/note", note).status, "the command line")
	for _, head := range [][]string{{"X-Forwarded-For", "127.0.0.1"}, {"Forwarded", "for=127.0.0.1"}, {"Via", "1.1 box"}} {
		require.Equal(t, http.StatusUnauthorized, s.ask("POST", "/api/v1/commands/note", note, head...).status, "%v", head)
	}
	require.Equal(t, http.StatusForbidden, s.ask("POST", "/api/v1/commands/note", note, "Origin", "https://evil.example").status)
	local := func(host string, head ...string) int {
		r := httptest.NewRequest("POST", "/api/v1/commands/note", strings.NewReader(`{"payload":{"text":"y"}}`))
		r.RemoteAddr, r.Host = "127.0.0.1:50000", host
		r.Header.Set("Content-Type", "application/json")
		for i := 0; i+1 < len(head); i += 2 {
			r.Header.Set(head[i], head[i+1])
		}
		w := httptest.NewRecorder()
		s.d.server.Handler.ServeHTTP(w, r)
		return w.Code
	}
	require.Equal(t, http.StatusMisdirectedRequest, local("evil.example"), "a name that was pointed at this address")
	require.Equal(t, http.StatusMisdirectedRequest, local("evil.example:8417", "Origin", "http://evil.example:8417"))
	name, err := os.Hostname()
	require.NoError(t, err)
	require.Equal(t, http.StatusUnauthorized, local(strings.Split(name, ".")[0]+".local"), "the board's own name is answered to")

	key, err := os.ReadFile(filepath.Join(s.d.o.Config.Shed.Data, access.KeyFile))
	require.NoError(t, err)
	bearer := []string{"Authorization", "Bearer " + strings.TrimSpace(string(key))}
	s.d.o.Config.Access.LocalKey = true
	require.Equal(t, http.StatusUnauthorized, local("127.0.0.1:8417"), "others on this board")
	require.Equal(t, http.StatusCreated, local("127.0.0.1:8417", bearer...))
	require.Equal(t, http.StatusCreated, (&stranger{t: t, d: s.d, addr: "198.51.100.3"}).ask("POST", "/api/v1/commands/note", note, bearer...).Code)
}

// TestGuessing: codes can't be tried out, and whoever tries keeps nobody else from pairing.
func TestGuessing(t *testing.T) {
	d := onLoopback(t).d
	bad, slow := &stranger{t: t, d: d, addr: "198.51.100.66"}, 0
	for range 40 {
		w := bad.ask("GET", "/pair/000000000000", nil)
		require.Contains(t, []int{http.StatusNotFound, http.StatusTooManyRequests}, w.Code)
		if w.Code == http.StatusTooManyRequests {
			slow++
			require.NotEmpty(t, w.Header().Get("Retry-After"))
		}
	}
	require.Greater(t, slow, 20)
	paired(t, d, "198.51.100.67", "write")
	flood := 0
	for range 200 {
		if bad.ask("POST", "/api/v1/commands/note", object{}).Code == http.StatusTooManyRequests {
			flood++
		}
	}
	require.Greater(t, flood, 100)
	require.Equal(t, http.StatusOK, (&stranger{t: t, d: d, addr: "198.51.100.68"}).ask("GET", "/", nil).Code)
}

// TestASessionOutlivesARestart, and a backup brings no phone back.
func TestASessionOutlivesARestart(t *testing.T) {
	folder := t.TempDir()
	run := func() (*Daemon, func()) {
		d, err := NewDemo(t.Context(), DemoOptions{Seed: 1, Speed: 60, Folder: folder, Listen: "127.0.0.1:0"})
		require.NoError(t, err)
		return d, func() { require.NoError(t, d.Stop()) }
	}
	d, stop := run()
	phone := paired(t, d, "198.51.100.7", "write")
	stop()
	require.NoError(t, os.Remove(filepath.Join(folder, "readings.db")))
	require.NoError(t, os.Remove(filepath.Join(folder, "jobbook.db")))
	d, stop = run()
	defer stop()
	phone.d = d
	require.Equal(t, http.StatusCreated, phone.ask("POST", "/api/v1/commands/note", object{"payload": object{"text": "still I"}}).Code)
}

// TestHeads: every answer keeps the page to itself.
func TestHeads(t *testing.T) {
	s := onLoopback(t)
	for _, path := range []string{"/", "/coats", "/pair", "/nothing", "/api/v1/now", "/api/v1/nothing", "/static/page.js", "/metrics", "/seen/none", "/api/v1/records/1.html"} {
		res, err := http.Get(s.base + path)
		require.NoError(t, err)
		res.Body.Close()
		h := res.Header
		require.Regexp(t, `^default-src '(self|none)'`, h.Get("Content-Security-Policy"), path)
		require.Contains(t, h.Get("Content-Security-Policy"), "frame-ancestors 'none'", path)
		require.NotContains(t, h.Get("Content-Security-Policy"), "unsafe-eval", path)
		require.Equal(t, "nosniff", h.Get("X-Content-Type-Options"), path)
		require.Regexp(t, `^(same-origin|no-referrer)$`, h.Get("Referrer-Policy"), path)
		require.Equal(t, "same-origin", h.Get("Cross-Origin-Opener-Policy"), path)
		require.Equal(t, "same-origin", h.Get("Cross-Origin-Resource-Policy"), path)
		require.Empty(t, h.Get("Access-Control-Allow-Origin"), path)
		require.Empty(t, h.Get("Server"), path)
	}
}

// TestPathsLeadNowhere: no name in an address is ever a name of a file.
func TestPathsLeadNowhere(t *testing.T) {
	s := onLoopback(t)
	secret := filepath.Join(s.d.o.Config.Shed.Data, access.KeyFile)
	key, err := os.ReadFile(secret)
	require.NoError(t, err)
	for _, path := range []string{"/static/..%2f..%2f", "/static/%2e%2e/", "/api/v1/photos/..%2f/image", "/api/v1/photos/..%2f..%2flocal.key/image", "/api/v1/records/..%2flocal.key", "/api/v1/records/%2fetc%2fpasswd.html",
		"/api/v1/history/..%2f..%2f/1", "/seen/..%2f..%2flocal.key", "/pair/..%2f..%2flocal.key", "/static/" + url.PathEscape(secret), "/static/..\\local.key"} {
		res, err := http.Get(s.base + path)
		require.NoError(t, err)
		var b bytes.Buffer
		_, err = b.ReadFrom(res.Body)
		require.NoError(t, err)
		res.Body.Close()
		require.GreaterOrEqual(t, res.StatusCode, 400, path)
		require.NotContains(t, b.String(), strings.TrimSpace(string(key)), path)
		require.NotContains(t, b.String(), "root:", path)
	}
}

// TestSecretsStayOut: no token, key or list of phones is in a backup, a log, a record or an answer.
func TestSecretsStayOut(t *testing.T) {
	s := onLoopback(t)
	phone := paired(t, s.d, "198.51.100.7", "write")
	data := s.d.o.Config.Shed.Data
	secrets := map[string]string{"token of a phone": phone.cookie.Value}
	key, err := os.ReadFile(filepath.Join(data, access.KeyFile))
	require.NoError(t, err)
	secrets["key of the board"] = strings.TrimSpace(string(key))
	folder, err := backup.Make(t.Context(), data, t.TempDir(), time.Now())
	require.NoError(t, err)
	require.NoFileExists(t, filepath.Join(folder, phonesFile))
	require.NoFileExists(t, filepath.Join(folder, access.KeyFile))
	texts := map[string]string{}
	for _, path := range []string{"/", "/settings", "/coats", "/api/v1/book", "/api/v1/phones", "/api/v1/journal", "/api/v1/now", "/metrics", "/api/v1/records/1.json"} {
		texts[path] = phone.ask("GET", path, nil).Body.String()
	}
	require.NoError(t, filepath.WalkDir(folder, func(path string, e os.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			var b []byte
			if b, err = os.ReadFile(path); err == nil {
				texts[path] = string(b)
			}
		}
		return err
	}))
	for where, text := range texts {
		for what, secret := range secrets {
			require.NotContains(t, text, secret, "%s in %s", what, where)
		}
	}
}

// TestPhotoBombs: a small file that claims to be a huge picture is refused by its head, and nothing of it is unpacked.
func TestPhotoBombs(t *testing.T) {
	s := onLoopback(t)
	bomb := picture(t)
	copy(bomb[16:24], []byte{0, 0, 0xea, 0x60, 0, 0, 0xea, 0x60}) // 60000 x 60000, PNG (third edition, 2025) section 11.2.1
	binary.BigEndian.PutUint32(bomb[29:33], crc32.ChecksumIEEE(bomb[12:29]))
	r := s.ask("POST", "/api/v1/photos?caption=bomb", bomb)
	require.Equal(t, http.StatusUnprocessableEntity, r.status, string(r.body))
	require.Equal(t, http.StatusRequestEntityTooLarge, s.ask("POST", "/api/v1/photos", make([]byte, jobbook.MostPhotoBytes+1)).status)
	require.Equal(t, http.StatusUnprocessableEntity, s.ask("POST", "/api/v1/photos", []byte("<svg onload=alert(1)>")).status)
	require.Empty(t, s.ask("GET", "/api/v1/photos", nil).json(t)["items"])
}
