package dashboard

import (
	"context"
	"errors"
	"html"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

// shelf is a Bench that is invented.
type shelf struct {
	view BenchView
	err  error
	kept []Calibration
}

func (s *shelf) Calibrate(_ context.Context, c Calibration) (Receipt, error) {
	if c.Ice {
		return Receipt{}, &Refusal{Sentence: "not yet: it still drifts by 2.00 K an hour"}
	}
	s.kept = append(s.kept, c)
	return Receipt{ID: 71, Notes: []string{"It showed 17.80 C where 18.00 C is true, and shows 18.00 C now."}}, nil
}

func (s *shelf) Bench(context.Context) (BenchView, error) { return s.view, s.err }

func inventedBench() *shelf {
	v := scene()
	at := func(ago time.Duration) time.Time { return sceneNow.Add(-ago) }
	more := map[string]BenchProbe{
		"bench": {Kind: "sht4x", Interval: 10 * time.Second, Reads: 4030, Raw: ptr(14.6), Calibrations: []BenchCalibration{
			{Quantity: sensors.Temperature, From: at(11 * 24 * time.Hour), Due: at(-354 * 24 * time.Hour), U: ptr(0.12), Text: "ice water: 0.31 C before, 0.00 C after, true 0.00 C"},
			{Quantity: sensors.Humidity, From: at(400 * 24 * time.Hour), Due: at(35 * 24 * time.Hour), Overdue: true, Text: "saturated salt NaCl: 74.80 % before, 75.47 % after, true 75.47 %"}}},
		"foredeck tape":   {Kind: "w1", Interval: 10 * time.Second, Movable: true, Raw: ptr(13.8)},
		"north wall":      {Kind: "mqtt", Bindable: true, Node: "mqtt:a4c138f2", Raw: ptr(14.1)},
		"drums":           {Kind: "sysfs", Interval: time.Minute, Reads: 812, Bad: 191, LastError: "sysfs: probe absent: lm75@1-0048", Raw: ptr(16.4)},
		"under the eaves": {Kind: "mqtt", Bindable: true},
	}
	out := &shelf{}
	for _, p := range v.Probes {
		x := more[p.Name]
		x.Probe = p
		out.view.Probes = append(out.view.Probes, x)
	}
	out.view.Nodes = []FreeNode{{Node: "mqtt:c09b22e1", Heard: at(40 * time.Second), Last: []Last{{Quantity: sensors.Temperature, Value: 3.1, Status: sensors.OK}, {Quantity: sensors.Humidity, Value: 91, Status: sensors.OK}}},
		{Node: "push:<garden>", Problem: "says that it is away"}}
	out.view.Sensors = []FreeSensor{{What: "28-0316a2795678", Config: `kind = "w1", address = "28-0316a2795678"`}}
	return out
}

func TestProbesPageInEveryState(t *testing.T) {
	loose := inventedBench()
	loose.view.Probes[1].Piece = ""
	loose.view.Nodes, loose.view.Sensors = nil, nil
	unbindable := inventedBench()
	for i := range unbindable.view.Probes {
		unbindable.view.Probes[i].Bindable = false
	}
	unbindable.view.Broker = "connection refused"
	stale := inventedBench()
	for i, p := range scenes()["stale"].view.Probes {
		stale.view.Probes[i].Probe = p
	}
	for name, c := range map[string]struct {
		view  View
		shelf *shelf
		alter func(*Options)
		code  int
	}{
		"full":       {scene(), inventedBench(), nil, 200},
		"loose":      {scene(), loose, nil, 200},
		"unbindable": {scene(), unbindable, nil, 200},
		"stale":      {scenes()["stale"].view, stale, nil, 200},
		"no-clock":   {scenes()["no-clock"].view, inventedBench(), nil, 200},
		"no-probe":   {scenes()["no-probe"].view, &shelf{}, nil, 200},
		"reading":    {scene(), inventedBench(), func(o *Options) { o.Commands = nil }, 200},
		"no-bench":   {scene(), nil, nil, 200},
		"error":      {scene(), &shelf{err: errors.New("jobbook: disk I/O error")}, nil, 503},
	} {
		t.Run(name, func(t *testing.T) {
			h := handler(t, newFake(c.view), func(o *Options) {
				if c.shelf != nil {
					o.Bench = c.shelf
				}
				if c.alter != nil {
					c.alter(o)
				}
			})
			w := get(h, "/probes")
			require.Equal(t, c.code, w.Code)
			body := w.Body.String()
			for _, no := range []string{"ZgotmplZ", "%!", "[probe_", "[probes_", "[node", "[which", "<garden>", " style="} {
				require.NotContains(t, body, no)
			}
			if name == "reading" {
				require.NotContains(t, body, "<button")
				require.NotContains(t, body, "/do/")
			}
			golden(t, "probes-"+name+".html", flat(body))
		})
	}
}

// Which one is this? The address has what each showed when it began; the page looks again every two seconds and names the one that moved.
func TestWhichOneIsThis(t *testing.T) {
	s := inventedBench()
	h := handler(t, newFake(scene()), func(o *Options) { o.Bench = s })
	page := get(h, "/probes").Body.String()
	i := strings.Index(page, "/probes/which?")
	require.Positive(t, i)
	address := html.UnescapeString(page[i : i+strings.Index(page[i:], `"`)])
	u, err := url.Parse(address)
	require.NoError(t, err)
	require.Equal(t, []string{"bench~14.60", "drums~16.40", "foredeck tape~13.80", "mqtt:c09b22e1~3.10", "north wall~14.10"}, u.Query()["from"])
	look := func() string {
		w := get(h, address)
		require.Equal(t, http.StatusOK, w.Code)
		require.NotContains(t, w.Body.String(), "ZgotmplZ")
		return w.Body.String()
	}
	first := look()
	require.Contains(t, first, "Warm one in your hand")
	require.Contains(t, first, `data-poll="2"`)
	golden(t, "which-asking.html", flat(first))
	s.view.Probes[1].Raw = ptr(15.9)
	s.view.Probes[4].Raw = ptr(20)
	named := look()
	require.Contains(t, named, `<b class="big">foredeck tape</b>`)
	require.Contains(t, named, "came since", "one that was plugged in meanwhile is listed as new, and is no rise")
	golden(t, "which-found.html", flat(named))
	s.view.Probes[0].Raw = ptr(16)
	require.NotContains(t, look(), `class="big"`, "two rose: the sun came in, or a door was shut")
	s.view.Probes[0].Raw = ptr(14.6)
	s.view.Probes[1].Raw = ptr(13.8)
	s.view.Nodes[0].Last[0].Value = 6
	require.Contains(t, look(), "Say which probe it is")
	s.view = BenchView{}
	golden(t, "which-none.html", flat(look()))
	address = "/probes/which?from=bench~warm&from=~3&from=x&from=" + url.QueryEscape("<b>~1e99")
	s.view = inventedBench().view
	require.Contains(t, look(), "came since", "what cannot be read is as if it had not been said")
}

// Without the script a node is bound by a plain form, which comes back to this page.
func TestANodeIsBoundByAPlainForm(t *testing.T) {
	var got []Entry
	h := handler(t, newFake(scene()), func(o *Options) {
		o.Bench = inventedBench()
		o.Entries = entering(func(e Entry) (Receipt, error) {
			got = append(got, e)
			return Receipt{ID: 1}, nil
		})
	})
	form := url.Values{"key": {"k1"}, "back": {"/probes"}, "node": {"mqtt:c09b22e1"}, "probe": {"under the eaves"}}
	r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:8090/do/bind-node", strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	require.Equal(t, http.StatusSeeOther, w.Code)
	require.Equal(t, "/probes", w.Header().Get("Location"))
	require.Equal(t, []Entry{{Kind: "bind-node", Key: "k1", Fields: url.Values{"node": {"mqtt:c09b22e1"}, "probe": {"under the eaves"}}}}, got)
}

type entering func(Entry) (Receipt, error)

func (f entering) Enter(_ context.Context, e Entry) (Receipt, error) { return f(e) }
