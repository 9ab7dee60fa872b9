package dashboard

import (
	"html"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// ours finds a number of ours with its unit, and one that stands by itself behind a comma, as in "Thickness, mm".
var ours = regexp.MustCompile(`(\d[ \x{a0}]|[,:] |\bin |many \|)(°?C|K|hPa|g|g/m²|m²|m2|m²/h|mm|cm²)([^\w²/³]|$)`)

// TestEveryPageInHerUnits: whoever sees numbers in other units finds none of ours on any page, in no drawing, no readout and no form.
func TestEveryPageInHerUnits(t *testing.T) {
	v := bookScene()
	h := handler(t, newFake(v), func(o *Options) {
		o.Books, o.Planner, o.Bench, o.Settings = book{}, &invented{made: inventedPlan()}, inventedBench(), &fakeSettings{view: inventedSettings()}
		o.Visitor = func(*http.Request) Visitor {
			return Visitor{May: Admin, Phone: 1, Person: 5, Name: "Wren", Shows: yankee}
		}
	})
	said := regexp.MustCompile(`(?s)(aria-label|data-read|alt|placeholder)="([^"]*)"`)
	for _, p := range append(everyPage(), aPage{"which", "/probes/which?from=bench~14.00"}, aPage{"whole plan", "/plan?whole=1"}, aPage{"whole what-if", "/plan?whole=1&piece=1&what_if=tent%3D5K"}) {
		path := strings.Replace(p.path, "area=6&", "area=65&", 1)
		body := get(h, path).Body.String()
		body = body[strings.Index(body, "<main"):]
		var text strings.Builder
		for _, m := range said.FindAllStringSubmatch(body, -1) {
			text.WriteString(m[2] + "\n")
		}
		text.WriteString(tags.ReplaceAllString(body, " "))
		plain := strings.Join(strings.Fields(html.UnescapeString(text.String())), " ")
		for _, quoted := range []string{"tray and film at 22 C", "have C, g, m², mm and hPa"} { // a source as it was written; what the records have
			plain = strings.ReplaceAll(plain, quoted, "")
		}
		for _, m := range ours.FindAllStringIndex(plain, -1) {
			assert.Fail(t, "in our units", "%s: ...%s...", p.name, plain[max(0, m[0]-60):min(len(plain), m[1]+40)])
		}
	}
}

// The yard's page goes with nobody: whoever starts it says how it tells numbers.
func TestYardInOtherUnits(t *testing.T) {
	view := yardScene()
	for i := range view.Sheds {
		for k := range view.Sheds[i].Pieces {
			view.Sheds[i].Pieces[k].Text = "Surface 4.6 K over the dew point."
		}
	}
	h, err := NewYard(YardOptions{Source: &fakeYard{v: view}, Shows: yankee})
	require.NoError(t, err)
	body := get(h, "/").Body.String()
	require.NotRegexp(t, `\d[ \x{a0}]°?(C|K)\b`, body)
	require.Regexp(t, `\d\x{a0}°F`, body)
	require.Contains(t, body, "Surface 8.3 F over the dew point.")
}
