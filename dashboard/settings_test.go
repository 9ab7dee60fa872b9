package dashboard

import (
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"github.com/stretchr/testify/require"
)

// fakeSettings is an invented shed's settings.
type fakeSettings struct {
	view SettingsView
	err  error
	done []string
}

func (f *fakeSettings) Settings(context.Context) (SettingsView, error) { return f.view, f.err }

func (f *fakeSettings) Revoke(_ context.Context, id int64) error {
	if id != 2 {
		return fmt.Errorf("phone %d: %w", id, ErrNotFound)
	}
	f.done = append(f.done, "revoke 2")
	return nil
}

func (f *fakeSettings) Pass(_ context.Context, o PhoneOffer) (PhonePass, error) {
	if o.Person == 77 {
		return PhonePass{}, &Refusal{Field: "person", Sentence: "nobody has the number 77"}
	}
	f.done = append(f.done, fmt.Sprintf("pass %+v", o))
	return PhonePass{Code: "ABCD-EFGH-JKLM", Links: []string{"http://192.0.2.7:8417/pair/ABCDEFGHJKLM"}, GoodFor: 10 * time.Minute}, nil
}

func (f *fakeSettings) ShowAs(_ http.ResponseWriter, _ *http.Request, person int64) {
	f.done = append(f.done, fmt.Sprint("show as ", person))
}

func inventedSettings() SettingsView {
	return SettingsView{
		Limits: []ShedLimit{{Name: "margin_k", Value: 3, Unit: "K", Source: "ISO 8502-4 practice"}, {Name: "moisture_good_pct", Value: 12, Unit: "%", Source: "common practice for epoxy on timber, no source"},
			{Name: "resin_lowest_c", Value: 16, Unit: "C", Source: "own choice, set by Wren", Saw: 44}},
		Ways:   []SettingWay{{Name: "phone", Kind: "ntfy", Min: "warning", Quiet: &SettingQuiet{FromMin: 22 * 60, ToMin: 390, Passes: "critical"}}, {Name: "log", Kind: "log"}},
		People: []SettingPerson{{ID: 5, Rev: 2, Name: "Wren", StartMin: 450, EndMin: 1020, Shows: Shows{Fahrenheit: true}}, {ID: 6, Rev: 1, Name: "Ida", StartMin: 480, EndMin: 1080}},
		Phones: []SettingPhone{{ID: 1, Name: "Wren's phone", Who: "Wren", May: "admin", Seen: sceneNow.Add(-time.Minute)}, {ID: 2, Name: "shed tablet", Who: "Ida", May: "write"}},
	}
}

func TestSettingsInEveryState(t *testing.T) {
	noClock := scene()
	noClock.ClockSet = false
	for name, c := range map[string]struct {
		f *fake
		s *fakeSettings
		v Visitor
	}{
		"full":     {newFake(scene()), &fakeSettings{view: inventedSettings()}, Visitor{May: Admin, Phone: 1, Person: 5, Name: "Wren", Shows: Shows{Fahrenheit: true}}},
		"reader":   {newFake(scene()), &fakeSettings{view: inventedSettings()}, Visitor{May: Read}},
		"empty":    {newFake(View{At: sceneNow, Zone: sceneZone, Shed: "Long shed, Hollin Creek", ClockSet: true}), &fakeSettings{view: SettingsView{ReadingPaired: true}}, Visitor{May: Admin, Local: true}},
		"no-clock": {newFake(noClock), &fakeSettings{view: inventedSettings()}, Visitor{May: Write, Phone: 2, Person: 6, Name: "Ida"}},
		"error":    {newFake(scene()), &fakeSettings{err: errors.New("gone")}, Visitor{May: Admin}},
	} {
		t.Run(name, func(t *testing.T) {
			h := handler(t, c.f, func(o *Options) { o.Settings, o.Visitor = c.s, func(*http.Request) Visitor { return c.v } })
			w := get(h, "/settings")
			require.Equal(t, map[bool]int{true: http.StatusServiceUnavailable, false: http.StatusOK}[name == "error"], w.Code)
			for _, no := range []string{"<style", " style=", "ZgotmplZ", "%!", "[settings_", "[limit_", "[may_", "[shows_"} {
				require.NotContains(t, w.Body.String(), no)
			}
			golden(t, "settings-"+name+".html", flat(w.Body.String()))
		})
	}
}

func TestSettingsAreDone(t *testing.T) {
	s := &fakeSettings{view: inventedSettings()}
	v := Visitor{May: Admin, Name: "Wren"}
	h := handler(t, newFake(scene()), func(o *Options) { o.Settings, o.Visitor = s, func(*http.Request) Visitor { return v } })
	post := func(path string, form url.Values) int {
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:8090"+path, strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w.Code
	}
	require.Equal(t, http.StatusSeeOther, post("/settings/phones/2/revoke", nil))
	require.Equal(t, http.StatusNotFound, post("/settings/phones/9/revoke", nil))
	require.Equal(t, http.StatusSeeOther, post("/settings/shows", url.Values{"person": {"6"}}))
	require.Equal(t, []string{"revoke 2", "show as 6"}, s.done)
	v.May = Write
	require.Equal(t, http.StatusUnauthorized, post("/settings/phones/2/revoke", nil), "not who only writes")
	require.Equal(t, http.StatusUnauthorized, post("/settings/pair", nil))
}

// A phone that pairs others shows a code, and a drawing of it that a camera reads; the code stands in no address of the page.
func TestPairingAnotherPhone(t *testing.T) {
	s := &fakeSettings{view: inventedSettings()}
	h := handler(t, newFake(scene()), func(o *Options) {
		o.Settings, o.Visitor = s, func(*http.Request) Visitor { return Visitor{May: Admin, Phone: 1, Person: 5, Name: "Wren"} }
	})
	post := func(form url.Values) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodPost, "http://"+shedName+":8417/settings/pair", strings.NewReader(form.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	w := post(url.Values{"phone": {"tablet"}, "person": {"6"}, "may": {"read"}})
	require.Equal(t, http.StatusOK, w.Code)
	require.Equal(t, "no-store", w.Header().Get("Cache-Control"))
	require.Equal(t, []string{"pass {Phone:tablet Person:6 May:read Via:Wren}"}, s.done)
	body := w.Body.String()
	require.Contains(t, body, "ABCD-EFGH-JKLM")
	require.NotContains(t, body, "/pair/ABCDEFGHJKLM", "in the drawing alone")
	require.Equal(t, "http://"+shedName+":8417/pair/ABCDEFGHJKLM", readQR(t, body), "by the way that this phone came")
	golden(t, "pass.html", flat(body))
	require.Equal(t, http.StatusUnprocessableEntity, post(url.Values{"person": {"77"}}).Code)
	require.Equal(t, http.StatusUnprocessableEntity, post(url.Values{"person": {"Ida"}}).Code)
}

// readQR reads the code that is drawn on a page, by an implementation of others.
func readQR(t *testing.T, page string) string {
	t.Helper()
	_, svg, ok := strings.Cut(page, `<svg class="qr"`)
	require.True(t, ok)
	var size int
	_, box, _ := strings.Cut(svg, `viewBox="0 0 `)
	_, err := fmt.Sscan(box, &size)
	require.NoError(t, err)
	const by = 4
	pic := image.NewGray(image.Rect(0, 0, size*by, size*by))
	for i := range pic.Pix {
		pic.Pix[i] = 255
	}
	_, d, _ := strings.Cut(svg, `fill="#000" d="`)
	for _, run := range regexp.MustCompile(`M(\d+) (\d+)h(\d+)v1`).FindAllStringSubmatch(d, -1) {
		n := [3]int{}
		for i := range n {
			n[i], err = strconv.Atoi(run[i+1])
			require.NoError(t, err)
		}
		for y := n[1] * by; y < (n[1]+1)*by; y++ {
			for x := n[0] * by; x < (n[0]+n[2])*by; x++ {
				pic.SetGray(x, y, color.Gray{})
			}
		}
	}
	bits, err := gozxing.NewBinaryBitmapFromImage(pic)
	require.NoError(t, err)
	got, err := qrcode.NewQRCodeReader().Decode(bits, nil)
	require.NoError(t, err)
	return got.GetText()
}

// fakePairing knows one code.
type fakePairing struct{ people []PersonChoice }

func (f fakePairing) Offered(_ *http.Request, code string) (Offered, error) {
	if code != "ABCD" {
		return Offered{}, ErrCode
	}
	return Offered{Shed: "Long shed, Hollin Creek", Phone: "Android phone", People: f.people}, nil
}
func (fakePairing) Pair(_ http.ResponseWriter, _ *http.Request, p PairRequest) error {
	if p.Code != "ABCD" {
		return ErrSlowly
	}
	return nil
}
func (fakePairing) Leave(http.ResponseWriter, *http.Request) error { return nil }

func TestPairingPage(t *testing.T) {
	for name, c := range map[string]struct {
		path   string
		people []PersonChoice
		status int
	}{"full": {"/pair/ABCD", []PersonChoice{{5, "Wren"}, {6, "Ida"}}, 200}, "nobody": {"/pair?code=ABCD", nil, 200}, "unknown": {"/pair/XYZ", nil, 404}, "type": {"/pair", nil, 200}} {
		h := handler(t, newFake(scene()), func(o *Options) {
			o.Pairing, o.Visitor = fakePairing{c.people}, func(*http.Request) Visitor { return Visitor{} }
		})
		w := get(h, c.path)
		require.Equal(t, c.status, w.Code, name)
		require.Equal(t, "same-origin", w.Header().Get("Referrer-Policy"), "the code goes nowhere else")
		golden(t, "pair-"+name+".html", flat(w.Body.String()))
	}
}

// TestBrowserPairsAndSets goes the way of a new phone by touch: the page with the code, then units, without one complaint of the console.
func TestBrowserPairsAndSets(t *testing.T) {
	b := openBrowser(t)
	settings := &fakeSettings{view: inventedSettings()}
	h := handler(t, newFake(scene()), func(o *Options) {
		o.Pairing, o.Settings = fakePairing{[]PersonChoice{{5, "Wren"}}}, settings
		o.Visitor = func(*http.Request) Visitor { return Visitor{May: Admin, Phone: 1, Person: 5, Name: "Wren"} }
	})
	s := serve(t, h)
	b.phone(t, s.URL+"/pair/ABCD")
	require.Empty(t, eval[[]string](t, b, smallTargets))
	b.tap(t, "button.main")
	b.until(t, "the shed", `location.pathname === "/"`)
	b.phone(t, s.URL+"/settings")
	require.Empty(t, eval[[]string](t, b, smallTargets))
	b.tap(t, "#pair-another > summary")
	require.Empty(t, eval[[]string](t, b, smallTargets))
	b.shoot(t, "settings-pair-390.png")
	b.tap(t, "#pair-another button.main")
	b.until(t, "the code", `document.querySelector(".qr")`)
	require.Equal(t, "/settings/pair", eval[string](t, b, `location.pathname + location.search`))
	require.Empty(t, eval[[]string](t, b, smallTargets))
	b.shoot(t, "pass-390.png")
	b.quiet(t, strings.TrimPrefix(s.URL, "http://"))
}

func (b *browser) phone(t *testing.T, address string) {
	t.Helper()
	b.do(t, chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulatePortrait, chromedp.EmulateTouch), chromedp.Navigate(address))
}
