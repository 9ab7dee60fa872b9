package daemon

import (
	"fmt"
	"html"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestUnitsGoWithThePerson: what a person chooses holds on her phones and nobody else's; the API, the book and the times of the shed stay as they are.
func TestUnitsGoWithThePerson(t *testing.T) {
	s := onLoopback(t)
	wren := paired(t, s.d, "198.51.100.20", "write")
	facts, err := s.d.book.State(t.Context())
	require.NoError(t, err)
	require.Equal(t, "Wren", facts.People[0].Name)
	require.Contains(t, wren.ask("GET", "/", nil).Body.String(), "</span> C")
	page := wren.ask("GET", "/settings", nil).Body.String()
	require.Contains(t, page, `action="/do/set-units"`)
	form := url.Values{"person": {"18"}, "saw_rev": {"1"}, "temperature": {"F"}, "mass": {"oz"}, "area": {"ft2"}, "pressure": {"inHg"}, "decimal": {"comma"}, "back": {"/settings"}}
	form.Set("person", numberOf(page, `name="person" value="`))
	w := wren.ask("POST", "/do/set-units", form)
	require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
	body := wren.ask("GET", "/", nil).Body.String()
	require.Contains(t, body, "</span> F")
	require.NotContains(t, body, "</span> C")
	require.Regexp(t, `<span class="num">\d+,\d</span>`, body)
	require.Contains(t, paired(t, s.d, "198.51.100.21", "read").ask("GET", "/", nil).Body.String(), "</span> F", "another phone of hers")
	require.Contains(t, (&stranger{t: t, d: s.d, addr: "198.51.100.22"}).ask("GET", "/", nil).Body.String(), "</span> C", "nobody else")
	require.Contains(t, string(s.ask("GET", "/api/v1/now", nil).body), `"temp_c"`, "the API stays as it is")

	// A browser that goes with nobody may see numbers as somebody does; that gives it no right.
	guest := &stranger{t: t, d: s.d, addr: "198.51.100.23"}
	require.Equal(t, http.StatusSeeOther, guest.ask("POST", "/settings/shows", url.Values{"person": {form.Get("person")}}).Code)
	require.Contains(t, guest.ask("GET", "/", nil).Body.String(), "</span> F")
	require.Equal(t, http.StatusUnauthorized, guest.ask("POST", "/do/note", url.Values{"text": {"x"}}).Code)
	require.Equal(t, http.StatusUnprocessableEntity, wren.ask("POST", "/do/set-units", url.Values{"person": {form.Get("person")}, "saw_rev": {"2"}, "temperature": {"Re"}}).Code)
}

// Whatever the advice says in a simulated shed, no page of somebody with other units has a number of ours. What-ifs are typed, and not of ours.
func TestNoNumberOfOursOnHerPages(t *testing.T) {
	s := onLoopback(t)
	wren := paired(t, s.d, "198.51.100.40", "admin")
	person := numberOf(wren.ask("GET", "/settings", nil).Body.String(), `name="person" value="`)
	require.Equal(t, http.StatusSeeOther, wren.ask("POST", "/do/set-units", url.Values{"person": {person}, "saw_rev": {"1"}, "temperature": {"F"}, "mass": {"oz"}, "area": {"ft2"}, "length": {"in"}, "pressure": {"inHg"}}).Code)
	ours := regexp.MustCompile(`\d[ \x{a0}](°?C|K|hPa|g|g/m²|m²|m2|mm|cm²)([^\w²/³]|$)`)
	// Sources stand as they were written, and what was entered with another unit as it was entered: 9 mm is no whole number of inches.
	as := regexp.MustCompile(`<span class="limit">[^<]*</span>|tray and film at 22 C| value="[^"]*"`)
	facts, err := s.d.book.State(t.Context())
	require.NoError(t, err)
	pages := []string{"/", "/coats", "/coats/new", "/plan?whole=1", "/book", "/mix?area=65&kind=fairing&thickness=0.1&system=medium", "/probes", "/history", "/settings"}
	for _, p := range facts.Pieces {
		pages = append(pages, fmt.Sprintf("/book/pieces/%d", p.ID), fmt.Sprintf("/plan?whole=1&piece=%d", p.ID))
	}
	for _, path := range pages {
		w := wren.ask("GET", path, nil)
		require.Equal(t, http.StatusOK, w.Code, path)
		body := as.ReplaceAllString(w.Body.String(), "")
		for _, at := range ours.FindAllStringIndex(html.UnescapeString(body), -1) {
			plain := html.UnescapeString(body)
			assert.Fail(t, "in our units", "%s: %s", path, plain[max(0, at[0]-80):min(len(plain), at[1]+30)])
		}
	}
}

// A phone that pairs others does so from Settings: the code that it shows pairs one phone, once, as what was chosen.
func TestAPhonePairsAnother(t *testing.T) {
	s := onLoopback(t)
	wren := paired(t, s.d, "198.51.100.50", "admin")
	page := wren.ask("POST", "/settings/pair", url.Values{"phone": {"tablet"}, "may": {"read"}}).Body.String()
	code := regexp.MustCompile(`<b class="title">([A-Z0-9-]+)</b>`).FindStringSubmatch(page)
	require.Len(t, code, 2, page)
	tablet := &stranger{t: t, d: s.d, addr: "198.51.100.51"}
	require.Equal(t, http.StatusSeeOther, tablet.ask("POST", "/pair", url.Values{"code": {code[1]}, "phone": {"tablet"}, "name": {"Ida"}}).Code)
	require.Equal(t, http.StatusForbidden, tablet.ask("POST", "/do/note", url.Values{"text": {"x"}}).Code, "it reads")
	require.Equal(t, http.StatusNotFound, (&stranger{t: t, d: s.d, addr: "198.51.100.52"}).ask("POST", "/pair", url.Values{"code": {code[1]}, "phone": {"x"}, "name": {"Y"}}).Code, "once")
	require.Contains(t, wren.ask("GET", "/settings", nil).Body.String(), "tablet")
	require.Equal(t, http.StatusForbidden, paired(t, s.d, "198.51.100.53", "write").ask("POST", "/settings/pair", url.Values{}).Code)
}

// numberOf gives the number that follows a mark in a page.
func numberOf(page, mark string) string {
	_, rest, _ := strings.Cut(page, mark)
	n, _, _ := strings.Cut(rest, `"`)
	return n
}
