package daemon

import (
	"bytes"
	"fmt"
	"html"
	"image"
	"image/png"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/sequence"
	"tackline/daemon/jobbook"
)

// A form of the page is a command of the job book: by the script, and by a plain form without it.
func TestFormsAreKept(t *testing.T) {
	s := onLoopback(t)
	form := func(path string, fields url.Values) *http.Response {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, s.base+path, strings.NewReader(fields.Encode()))
		require.NoError(t, err)
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		req.Header.Set("Sec-Fetch-Site", "same-origin")
		stay := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		res, err := stay.Do(req)
		require.NoError(t, err)
		t.Cleanup(func() { res.Body.Close() })
		return res
	}
	job := url.Values{"key": {"form-1"}, "who": {"Wren"}, "name": {"Sandpiper's dinghy"}, "note": {""}}
	require.Equal(t, http.StatusCreated, form("/api/v1/commands/add-job", job).StatusCode)
	require.Equal(t, http.StatusOK, form("/api/v1/commands/add-job", job).StatusCode, "the same key is obeyed once")
	require.Equal(t, http.StatusUnprocessableEntity, form("/api/v1/commands/add-job", url.Values{"begins": {"noon"}}).StatusCode)
	require.Equal(t, http.StatusUnprocessableEntity, form("/api/v1/commands/add-job", url.Values{"hue": {"blue"}}).StatusCode)

	plain := url.Values{"key": {"form-2"}, "name": {"Second dinghy"}, "back": {"/book?job=2#jobs"}}
	res := form("/do/add-job", plain)
	require.Equal(t, http.StatusSeeOther, res.StatusCode)
	require.Equal(t, "/book?job=2#jobs", res.Header.Get("Location"))
	for _, evil := range []string{"https://elsewhere.example/", "//elsewhere.example", `/\elsewhere.example`, "javascript:1"} {
		plain.Set("back", evil)
		require.Equal(t, "/", form("/do/add-job", plain).Header.Get("Location"), evil)
	}
	require.Equal(t, http.StatusUnprocessableEntity, form("/do/add-job", url.Values{"name": {""}}).StatusCode)

	// A step that says nothing of its wait gets the one that is usual for its work.
	facts, err := s.d.book.State(t.Context())
	require.NoError(t, err)
	piece := facts.Pieces[2]
	require.Equal(t, http.StatusCreated, form("/api/v1/commands/set-steps", url.Values{"key": {"form-3"}, "piece": {fmt.Sprint(piece.ID)}, "saw_rev": {fmt.Sprint(piece.Rev)},
		"steps.0.work": {"fill"}, "steps.0.count": {"2"}, "steps.1.work": {""}, "steps.1.wait": {""}, "steps": {""}}).StatusCode)
	// The second phone that saw the piece before is told what was changed since.
	res = form("/api/v1/commands/set-steps", url.Values{"key": {"form-4"}, "piece": {fmt.Sprint(piece.ID)}, "saw_rev": {fmt.Sprint(piece.Rev)}, "steps": {""}})
	require.Equal(t, http.StatusConflict, res.StatusCode)
	body, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	require.Contains(t, string(body), "changed since you saw it")
	require.Contains(t, string(body), "fill")

	facts, err = s.d.book.State(t.Context())
	require.NoError(t, err)
	count := map[string]int{}
	for _, j := range facts.Jobs {
		count[j.Name]++
	}
	require.Equal(t, 1, count["Sandpiper's dinghy"])
	require.Equal(t, 1, count["Second dinghy"])
	set, _ := facts.Piece(piece.ID)
	require.Len(t, set.Steps, 1)
	require.Equal(t, sequence.Usual(sequence.Fill).Wait, set.Steps[0].Wait)

	for _, path := range []string{"/book", "/book/jobs/2", fmt.Sprintf("/book/pieces/%d", piece.ID), fmt.Sprintf("/book/past/piece/%d", piece.ID), "/book/past/job/2"} {
		res, err := http.Get(s.base + path)
		require.NoError(t, err)
		b, err := io.ReadAll(res.Body)
		res.Body.Close()
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, res.StatusCode, path)
		for _, no := range []string{"[did_", "[mark_", "[need_", "[wait_", "map[", "%!"} {
			require.NotContains(t, string(b), no, path)
		}
	}
}

// What somebody types in her units is kept in ours once, is shown to her again digit by digit, and stays what it is when the form is sent again
// untouched; what is refused is said in her units.
func TestWhatIsTypedInOtherUnitsComesBack(t *testing.T) {
	s := onLoopback(t)
	wren := paired(t, s.d, "198.51.100.30", "write")
	person := numberOf(wren.ask("GET", "/settings", nil).Body.String(), `name="person" value="`)
	require.Equal(t, http.StatusSeeOther, wren.ask("POST", "/do/set-units", url.Values{"person": {person}, "saw_rev": {"1"}, "temperature": {"F"}, "mass": {"oz"}, "area": {"ft2"}, "length": {"in"}, "pressure": {"inHg"}}).Code)
	facts := func() *jobbook.State {
		f, err := s.d.book.State(t.Context())
		require.NoError(t, err)
		return f
	}
	id := facts().Pieces[0].ID
	page := "/book/pieces/" + fmt.Sprint(id)
	send := func(path, action string, typed url.Values) *httptest.ResponseRecorder {
		form := filled(t, wren.ask("GET", path, nil).Body.String(), action)
		for name, v := range typed {
			form[name] = v
		}
		return wren.ask("POST", action, form)
	}
	w := send(page, "/do/edit-piece", url.Values{"thickness_mm": {"0.375"}, "area_m2": {"23.4"}})
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	kept, _ := facts().Piece(id)
	require.Equal(t, 9.525, kept.ThicknessMM, "3/8 inch by definition: 25.4 mm an inch")
	require.InDelta(t, 2.17393114, kept.AreaM2, 1e-8, "0.09290304 m2 a square foot: NIST SP 811, B.8")
	for range 2 { // and again, untouched
		form := filled(t, wren.ask("GET", page, nil).Body.String(), "/do/edit-piece")
		require.Equal(t, []string{"0.375", "23.4"}, []string{form.Get("thickness_mm"), form.Get("area_m2")})
		require.Equal(t, http.StatusSeeOther, send(page, "/do/edit-piece", nil).Code)
	}
	again, _ := facts().Piece(id)
	require.Equal(t, [2]float64{kept.ThicknessMM, kept.AreaM2}, [2]float64{again.ThicknessMM, again.AreaM2})
	w = send(page, "/do/edit-piece", url.Values{"thickness_mm": {"50in"}})
	require.Equal(t, http.StatusUnprocessableEntity, w.Code)
	require.Contains(t, w.Body.String(), "50.00 in is outside 0.00 to 39.37 in")

	// A drum is entered, used, counted anew and corrected.
	require.Equal(t, http.StatusSeeOther, send("/book", "/do/add-stock", url.Values{"name": {"drum"}, "what": {"resin"}, "amount": {"85"}}).Code)
	drum := facts().Stock[len(facts().Stock)-1]
	require.Equal(t, "g", drum.Unit)
	require.InDelta(t, 85*28.349523125, drum.Left, 1e-5)
	use := url.Values{"stock": {fmt.Sprint(drum.ID)}, "amount": {"5"}, "unit": {"oz"}}
	require.Equal(t, http.StatusSeeOther, wren.ask("POST", "/do/use-stock", use).Code)
	require.Contains(t, wren.ask("GET", "/book", nil).Body.String(), "80.0 oz left")
	require.Equal(t, http.StatusSeeOther, send("/book", "/do/edit-stock", url.Values{"stock": {fmt.Sprint(drum.ID)}, "saw_rev": {"1"}, "name": {"drum by the stove"}, "what": {"resin"}, "lot": {"R-7"}, "left": {""}}).Code)
	drum, _ = facts().StockItem(drum.ID)
	require.Equal(t, "drum by the stove R-7", drum.Name+" "+drum.Lot)
	require.InDelta(t, 80*28.349523125, drum.Left, 1e-5, "an empty count is none")
	require.Equal(t, http.StatusSeeOther, send("/book", "/do/edit-stock", url.Values{"stock": {fmt.Sprint(drum.ID)}, "saw_rev": {"2"}, "name": {drum.Name}, "what": {"resin"}, "left": {"2kg"}}).Code)
	drum, _ = facts().StockItem(drum.ID)
	require.Equal(t, 2000.0, drum.Left)
	require.Equal(t, http.StatusUnprocessableEntity, wren.ask("POST", "/do/use-stock", url.Values{"stock": {fmt.Sprint(drum.ID)}, "amount": {"1,250"}, "unit": {"g"}}).Code, "1250 or 1.25?")
}

// A photo comes by a plain form too, and stands with its coat on Coats and on the page of its piece.
func TestAPhotoByAPlainForm(t *testing.T) {
	s := onLoopback(t)
	facts, err := s.d.book.State(t.Context())
	require.NoError(t, err)
	coat := facts.Coats[0]
	var pic, body bytes.Buffer
	require.NoError(t, png.Encode(&pic, image.NewGray(image.Rect(0, 0, 40, 30))))
	send := func(key string, data []byte) *http.Response {
		body.Reset()
		m := multipart.NewWriter(&body)
		for name, v := range map[string]string{"key": key, "coat": fmt.Sprint(coat.ID), "caption": "a run by the stem", "back": "/coats"} {
			require.NoError(t, m.WriteField(name, v))
		}
		if data != nil {
			f, err := m.CreateFormFile("photo", "IMG_1.png")
			require.NoError(t, err)
			_, err = f.Write(data)
			require.NoError(t, err)
		}
		require.NoError(t, m.Close())
		stay := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		res, err := stay.Post(s.base+"/photos", m.FormDataContentType(), &body)
		require.NoError(t, err)
		t.Cleanup(func() { res.Body.Close() })
		return res
	}
	for range 2 { // the same key is obeyed once
		res := send("photo-1", pic.Bytes())
		require.Equal(t, http.StatusSeeOther, res.StatusCode)
		require.Equal(t, "/coats", res.Header.Get("Location"))
	}
	s.made("note", object{"coat": coat.ID, "text": "Roller left lint."})
	for _, path := range []string{"/coats", fmt.Sprintf("/book/pieces/%d", coat.Piece)} {
		res, err := http.Get(s.base + path)
		require.NoError(t, err)
		b, err := io.ReadAll(res.Body)
		res.Body.Close()
		require.NoError(t, err)
		page := string(b)
		require.Equal(t, 1, strings.Count(page, `alt="a run by the stem"`), path)
		require.Contains(t, page, "Roller left lint.", path)
	}
	require.Equal(t, http.StatusUnprocessableEntity, send("photo-2", nil).StatusCode, "no photo")
	require.Equal(t, http.StatusUnprocessableEntity, send("photo-3", []byte("GIF89a")).StatusCode, "no PNG or JPEG")
	require.Equal(t, http.StatusUnprocessableEntity, send("photo-4", make([]byte, 10<<20)).StatusCode, "larger than is kept")
}

var (
	inputs  = regexp.MustCompile(`<input ([^>]*)>|<select [^>]*name="([^"]+)">(.*?)</select>|<textarea [^>]*name="([^"]+)"[^>]*>(.*?)</textarea>`)
	options = regexp.MustCompile(`<option(?: value="([^"]*)")?( selected)?>([^<]*)`)
	attrs   = regexp.MustCompile(`([a-z-]+)(?:="([^"]*)")?`)
)

// filled gives what a browser sends of the first form with an action, untouched.
func filled(t *testing.T, page, action string) url.Values {
	t.Helper()
	_, form, ok := strings.Cut(page, `action="`+action+`"`)
	require.True(t, ok, action)
	form, _, _ = strings.Cut(form, "</form>")
	out := url.Values{}
	for _, m := range inputs.FindAllStringSubmatch(form, -1) {
		switch {
		case m[2] != "":
			all := options.FindAllStringSubmatch(m[3], -1)
			for i, o := range all {
				if i == 0 || o[2] != "" {
					out.Set(m[2], html.UnescapeString(o[3]))
					if strings.Contains(o[0], ` value="`) {
						out.Set(m[2], html.UnescapeString(o[1]))
					}
				}
			}
		case m[4] != "":
			out.Set(m[4], html.UnescapeString(m[5]))
		default:
			a := map[string]string{}
			for _, x := range attrs.FindAllStringSubmatch(m[1], -1) {
				a[x[1]] = html.UnescapeString(x[2])
				if x[1] == "checked" {
					a["checked"] = "yes"
				}
			}
			if box := a["type"] == "checkbox" || a["type"] == "radio"; a["name"] != "" && (!box || a["checked"] == "yes") {
				out.Add(a["name"], a["value"])
			}
		}
	}
	return out
}
