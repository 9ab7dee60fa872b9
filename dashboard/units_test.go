package dashboard

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var (
	tags = regexp.MustCompile(`<[^>]*>`)
	svgs = regexp.MustCompile(`(?s)<svg.*?</svg>`)
)

var yankee = Shows{Fahrenheit: true, Ounces: true, SquareFeet: true, Inches: true, InchesHg: true}

// TestUnits holds the conversions against NIST Special Publication 811 (2008), appendix B.8 and B.9: 1 oz = 28.34952 g, 1 ft2 = 0.09290304 m2,
// 1 inHg (conventional) = 33.86389 hPa, 1 oz/yd2 = 33.90575 g/m2, C = (F - 32)/1.8, and a difference of 1 F = 0.5555556 K.
func TestUnits(t *testing.T) {
	for _, c := range []struct {
		unit, other string
		v, want     float64
	}{{"C", "F", 0, 32}, {"C", "F", 100, 212}, {"C", "F", -40, -40}, {"K", "F", 0.5555556, 1}, {"K/h", "F/h", 0.5555556, 1}, {"g", "oz", 28.34952, 1}, {"m2", "ft²", 0.09290304, 1}, {"m²", "ft²", 0.09290304, 1},
		{"hPa", "inHg", 33.86389, 1}, {"g/m2", "oz/yd²", 33.90575, 1}, {"%", "%", 71, 71}, {"min", "min", 5, 5}, {"mm", "in", 25.4, 1}, {"m", "ft", 0.3048, 1}, {"cm²", "in²", 6.4516, 1}, {"m2/h", "ft²/h", 0.09290304, 1}} {
		got, unit := yankee.Value(c.v, c.unit)
		require.Equal(t, c.other, unit)
		require.InDelta(t, c.want, got, 1e-6*max(1, c.want), c.unit)
		same, unit := Shows{}.Value(c.v, c.unit)
		require.Equal(t, c.v, same)
		require.Equal(t, c.unit, unit)
	}
}

func TestNumbersAsAPersonWantsThem(t *testing.T) {
	comma := Shows{Comma: true}
	for _, c := range []struct {
		s                Shows
		text, unit, want string
	}{{yankee, "13.8", "C", "56.8"}, {yankee, "\u22125.0", "C", "23.0"}, {yankee, "250", "g", "8.8"}, {yankee, "1013", "hPa", "29.91"}, {yankee, "71", "%", "71"}, {yankee, "12 + 5", "", "12 + 5"},
		{yankee, "unknown", "C", "unknown"}, {comma, "13.8", "C", "13,8"}, {comma, "71", "%", "71"}, {comma, "12 + 5", "", "12 + 5"}, {Shows{Fahrenheit: true, Comma: true}, "13.8", "C", "56,8"}} {
		require.Equal(t, c.want, c.s.num(c.text, c.unit), "%+v %s", c.s, c.text)
	}
	require.Equal(t, "0.9", yankee.spread("0.5", "C"), "an uncertainty is a difference")
	require.Equal(t, "53,6", Shows{Fahrenheit: true, Comma: true}.entry(12.0, "C"))
	require.Equal(t, "0.25", yankee.entry(6.35, "mm"))
	require.Equal(t, "9 mm", yankee.entry(9.0, "mm"), "what inches would make another number of stays as it is kept")
	require.Equal(t, "6,5", comma.entry(ptr(6.5), "mm"))
	require.Empty(t, yankee.entry(0.0, "mm"), "not known")
	require.Equal(t, "32", yankee.entry(ptr(0), "C"))
}

func TestSentencesAsAPersonWantsThem(t *testing.T) {
	for _, c := range [][2]string{
		{"Surface 4.6 K over the dew point, 3.9 K less its uncertainty, and at least 3.1 K until 23:00.", "Surface 8.3 F over the dew point, 7.0 F less its uncertainty, and at least 5.6 F until 23:00."},
		{"limit 3 K, ISO 8502-4 practice", "limit 5 F, ISO 8502-4 practice"},
		{"Hold the shed at 18 C from 08:00 to 16:00.", "Hold the shed at 64 F from 08:00 to 16:00."},
		{"between 12 and 16 C", "between 54 and 61 F"},
		{"12 C to 16 C", "54 F to 61 F"},
		{"from \u22125 to 3.5 C", "from 23 to 38.3 F"},
		{"2 x 250 g, 6 m² at 6.0 m2/h, 200 g/m²", "2 x 8.8 oz, 65 ft² at 64.6 ft²/h, 5.9 oz/yd²"},
		{"Drum C4, coat 3, 72 %, 4 Coats, 9 mm", "Drum C4, coat 3, 72 %, 4 Coats, 0.35 in"},
		{"falling by 2 hPa", "falling by 0.06 inHg"},
		{"Timber still warming, 0.8 K/h", "Timber still warming, 1.4 F/h"},
	} {
		require.Equal(t, c[1], yankee.Say(c[0]))
		require.Equal(t, c[0], Shows{}.Say(c[0]))
	}
	require.Equal(t, "56,8 F, 0,5 mm, at 14:27, ISO 8502-4", Shows{Fahrenheit: true, Comma: true}.Say("13.8 C, 0.5 mm, at 14:27, ISO 8502-4"))
}

// TestPagesInUnits: with other units no number of ours is left on a page of the shed, and the API has it all the same.
func TestPagesInUnits(t *testing.T) {
	s := yankee
	s.Comma = true
	h := handler(t, newFake(scene()), func(o *Options) {
		o.Visitor = func(*http.Request) Visitor { return Visitor{May: Admin, Shows: s} }
	})
	for _, path := range []string{"/", "/coats", "/history?days=31", "/mix?area=64,6&kind=wet-out&fabric=5,9&layers=2&filler=2&system=medium", "/coats/new"} {
		body := get(h, path).Body.String()
		text := strings.ReplaceAll(body[strings.Index(body, "<main"):], "tray and film at 22 C", "") // a source is quoted as it was written
		require.NotRegexp(t, `\d[ \x{a0}](C|K|hPa|g|m²|m2)([^\w²/]|$)`, tags.ReplaceAllString(svgs.ReplaceAllString(text, ""), " "), path)
	}
	require.Contains(t, get(h, "/").Body.String(), `<span class="num">56,8</span> <span class="u">±0,9</span> F`)
	require.Contains(t, get(h, "/coats/new").Body.String(), `name="in.resin_c" value="F"`)
	require.Contains(t, get(h, "/mix?area=64.58&kind=seal&system=medium").Body.String(), "65 ft²")
	require.Contains(t, get(h, "/api/v1/now").Body.String(), `"surface_c":{"value":13.8`)
	plain := get(handler(t, newFake(scene()), nil), "/").Body.String()
	require.Contains(t, plain, `<span class="num">13.8</span> <span class="u">±0.5</span> C`)
}

// What is tried in the plan is typed in a person's units too; one that is typed with it stands.
func TestWhatIfInHerUnits(t *testing.T) {
	q := url.Values{"deed": {"hold"}, "value": {"64"}, "from": {"08:00"}, "to": {"16:00"}}
	require.Equal(t, "hold=64F 08:00-16:00", typed(q, yankee))
	require.Equal(t, "hold=64C 08:00-16:00", typed(q, Shows{}))
	require.Equal(t, "tent=5K", typed(url.Values{"deed": {"tent"}, "value": {"5K"}}, yankee))
}

func BenchmarkShedPageInUnits(b *testing.B) {
	h, err := New(Options{Source: newFake(scene()), Visitor: func(*http.Request) Visitor { return Visitor{May: Admin, Shows: yankee} }})
	require.NoError(b, err)
	for b.Loop() {
		get(h, "/", "Accept-Encoding", "gzip")
	}
}
