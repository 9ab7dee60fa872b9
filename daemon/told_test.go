package daemon

import (
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/daemon/poll"
	"tackline/sensors"
)

// TestEveryFaultIsToldWhole: of each fault of the shed itself the severity, and a text that says by itself what it is, where, which number stands against
// which limit where there is one, what it means and what to do. What is told of coats and batches is held by assess.
func TestEveryFaultIsToldWhole(t *testing.T) {
	d := still(t, "[[probe]]\nname = \"bow\"\nkind = \"shed\"\nplace = \"air\"\n[[probe.calibration]]\ndate = 2023-01-01\ntemp_c = \"0.2K\"\nby = \"ice water\"\n"+
		"[mirror]\nurl = \"http://127.0.0.1:9\"\nbucket = \"sheds\"\n[[alert]]\nname = \"my phone\"\nkind = \"webhook\"\nurl = \"http://127.0.0.1:9/x\"\n")
	for _, part := range []string{"store", "assess"} {
		d.errs.set(part, errors.New("no space left on device"))
	}
	d.loop.room.low, d.loop.room.free, d.loop.room.least = true, 80e6, 100e6
	_, err := d.alerts.outbox.Try(t.Context(), alert.Message{ID: "x"}, d.now())
	require.NoError(t, err)
	stamp := d.clock.Now()
	stamp.State = clock.Unsynced
	told := map[string]alert.Condition{}
	for _, c := range d.conditions(stamp) {
		told[c.Key] = c
	}
	stamp.State = d.clock.Now().State
	for _, c := range d.calibrationConditions(t.Context(), stamp) {
		told[c.Key] = c
	}
	sick := d.poller.States()[0]
	sick.Presence, sick.Latest = poll.Present, []poll.Latest{{Quantity: sensors.Humidity, Value: 100, Status: sensors.HeaterOn}, {Quantity: sensors.Temperature, Value: 8.1, Status: sensors.OK}}
	wrong := d.wrongProbe(sick, time.Hour)
	told[wrong.Key] = wrong
	var text strings.Builder
	for _, k := range []struct {
		what, key string
		severity  alert.Severity
		active    bool
		says      []string
	}{
		{"probe silent", "probe/bow", alert.Warning, true, []string{"bow (air)", "never seen", "plug and cable"}},
		{"probe wrong", "probe/a/wrong", alert.Warning, true, []string{"a (air)", "rh_pct reads 100", "kept and not used", "wet, touched or broken"}},
		{"clock not set", "clock", alert.Warning, true, []string{"dated later", "time server", "phone"}},
		{"store faults", "part/store", alert.Critical, true, []string{"card", "lost when the power goes", "Make room", "no space left"}},
		{"disk faults", "disk", alert.Warning, true, []string{"80 MB", "100 MB", "Make room"}},
		{"no advice", "part/assess", alert.Critical, true, []string{"hand-held meter", "maker's sheet"}},
		{"mirror faults", "part/mirror", alert.Notice, false, []string{"for a day", "Nothing is lost", "See to the server"}},
		{"mirror refused", "part/mirror/refused", alert.Warning, false, []string{"InfluxDB refuses", "kept here", "token, organisation and bucket"}},
		{"mirror keeps less", "part/mirror/old", alert.Notice, false, []string{"older than the server keeps", "longer retention"}},
		{"mirror refuses points", "part/mirror/points", alert.Notice, false, []string{"another type", "bucket of its own"}},
		{"calibration due", "calibration/bow", alert.Notice, true, []string{"bow", "1 Jan 2023", "tackline probe calibrate"}},
		{"a way out fails", "way/my phone", alert.Warning, true, []string{"my phone", "1 tries", "never", "refused", "tackline alert try"}},
	} {
		c, ok := told[k.key]
		require.True(t, ok, k.what)
		require.Equal(t, k.severity, c.Severity, k.what)
		require.Equal(t, k.active, c.Active, k.what)
		for _, s := range k.says {
			require.Contains(t, c.Title+"\n"+c.Body, s, k.what)
		}
		require.Less(t, len(c.Title), 80, k.what)
		require.NotEmpty(t, c.Link, k.what)
		if !c.Event {
			require.Regexp(t, `^[A-Z].*[.]$`, c.Cleared, "%s: safe again", k.what)
		}
		if k.active { // else it has no cause to name
			require.NotRegexp(t, regexp.MustCompile(`%!|NaN|<nil>|\(\)| {2}|: \.`), c.Title+c.Body+c.Cleared, k.what)
		}
		fmt.Fprintf(&text, "%s: %s\n  %s\n  %s\n", k.what, c.Severity, c.Title, c.Body)
	}
	t.Log("\n" + text.String())
}

// TestAWayThatFailsIsToldByTheOthers: after an hour, once, and that it works again; when each way last worked and last failed outlives a restart.
func TestAWayThatFailsIsToldByTheOthers(t *testing.T) {
	got := make(chan string, 100)
	up := false
	mux := http.NewServeMux()
	mux.HandleFunc("/good", func(_ http.ResponseWriter, r *http.Request) {
		body := make([]byte, 4096)
		n, _ := r.Body.Read(body)
		_, title, _ := strings.Cut(string(body[:n]), `"title":"`)
		title, _, _ = strings.Cut(title, `"`)
		got <- title
	})
	mux.HandleFunc("/sick", func(w http.ResponseWriter, _ *http.Request) {
		if !up {
			w.WriteHeader(http.StatusServiceUnavailable)
		}
	})
	server := httptest.NewServer(mux)
	defer server.Close()
	dir := t.TempDir()
	open := func() *Daemon {
		t.Helper()
		c, err := config.Parse([]byte(fmt.Sprintf("format = 1\n[shed]\nname = \"Osier Slip (invented)\"\nzone = \"UTC\"\ndata = %q\nlisten = \"127.0.0.1:0\"\n"+
			"[clock]\nspeed = \"free\"\nstart = 2026-01-14T08:00:00Z\n[[probe]]\nname = \"a\"\nkind = \"shed\"\nplace = \"air\"\n"+
			"[[alert]]\nname = \"good\"\nkind = \"webhook\"\nurl = \"%s/good\"\n[[alert]]\nname = \"sick\"\nkind = \"webhook\"\nurl = \"%s/sick\"\nmin = \"critical\"\n",
			filepath.Join(dir, "data"), server.URL, server.URL)), "ways")
		require.NoError(t, err)
		d, err := New(Options{Config: c})
		require.NoError(t, err)
		return d
	}
	d := open()
	stamp := d.clock.Now()
	minute := func(n int64, more ...alert.Condition) {
		t.Helper()
		for range n {
			stamp.Mono += 60_000
			stamp.Wall += 60_000
			_, err := d.alerts.decide(t.Context(), append(d.failingWays(), more...), stamp)
			require.NoError(t, err)
		}
	}
	critical := alert.Condition{Key: "x", Severity: alert.Critical, Active: true, Title: "Damp", Body: "b.", Link: "/"}
	minute(2, critical)
	require.Equal(t, "Damp", <-got)
	minute(62, critical)
	var titles []string
	for len(got) > 0 {
		titles = append(titles, <-got)
	}
	require.Contains(t, titles, "Alerts do not get out: sick")
	was := d.alerts.outbox.Status()
	require.NotZero(t, was[1].LastFail)
	require.NoError(t, d.Stop())

	d = open()
	defer func() { require.NoError(t, d.Stop()) }()
	now := d.alerts.outbox.Status()
	require.Equal(t, was[1].LastFail, now[1].LastFail)
	require.Equal(t, was[0].LastOK, now[0].LastOK)
	up = true
	minute(40, critical)
	titles = nil
	for len(got) > 0 {
		titles = append(titles, <-got)
	}
	require.Contains(t, titles, "Over: Alerts do not get out: sick")
}

// TestTheBannerAnswersAndTakesBack: by plain forms, without the script: seen, again in an hour, and what was said is taken back.
func TestTheBannerAnswersAndTakesBack(t *testing.T) {
	d := still(t, "")
	stamp := d.clock.Now()
	stamp.Mono += 60_000
	_, err := d.alerts.decide(t.Context(), []alert.Condition{{Key: "coat/1/margin", Severity: alert.Critical, Active: true, Title: "Damp: seal on foredeck", Body: "Warm the piece.", Link: "/coats#coat-1"}}, stamp)
	require.NoError(t, err)
	page := func() string {
		t.Helper()
		w := press(d, http.MethodGet, "/", nil)
		require.Equal(t, http.StatusOK, w.Code)
		return w.Body.String()
	}
	field := func(in, pattern string) string {
		t.Helper()
		m := regexp.MustCompile(pattern).FindStringSubmatch(in)
		require.Len(t, m, 2, pattern)
		return m[1]
	}
	for _, said := range []struct {
		form url.Values
		text string
	}{{url.Values{}, "seen by shed"}, {url.Values{"again_min": {"60"}}, "silent until 09:"}} {
		html := page()
		require.Contains(t, html, "Damp: seal on foredeck")
		require.Contains(t, html, "Critical")
		require.Contains(t, html, "Warm the piece.")
		require.Contains(t, html, `href="/coats#coat-1"`)
		said.form.Set("key", field(html, `name="key" value="([^"]+)"`))
		require.Equal(t, http.StatusSeeOther, press(d, http.MethodPost, field(html, `action="(/alerts/[^"]+)"`), said.form).Code)
		html = page()
		require.Contains(t, html, said.text)
		require.NotContains(t, html, "I have seen it")
		w := press(d, http.MethodPost, "/do/undo", url.Values{"seq": {field(html, `name="seq" value="(\d+)"`)}, "key": {field(html, `name="key" value="([^"]+)"`)}, "back": {"/"}})
		require.Equal(t, http.StatusSeeOther, w.Code, w.Body.String())
		require.Contains(t, page(), "I have seen it")
	}
}

// TestADailyWordThatAllIsWell: at the hour that she chose, once; it says what was looked at, and names what is not well.
func TestADailyWordThatAllIsWell(t *testing.T) {
	d := still(t, "[all_well]\nat = \"08:30\"\n[[alert]]\nname = \"hook\"\nkind = \"webhook\"\nurl = \"http://127.0.0.1:9/x\"\n")
	stamp := d.clock.Now()
	day := func(hour, minute int) []alert.Message {
		t.Helper()
		stamp.Mono += 60_000
		stamp.Wall = time.Date(2026, 1, 14, hour, minute, 0, 0, time.UTC).UnixMilli()
		require.NoError(t, d.clock.Wait(t.Context(), stamp.Wall))
		d.poller.Step(t.Context(), stamp)
		m, err := d.alerts.decide(t.Context(), d.allWell(t.Context(), stamp), stamp)
		require.NoError(t, err)
		return m
	}
	require.Empty(t, day(8, 29))
	told := day(8, 31)
	require.Len(t, told, 1)
	require.Equal(t, "All well: Osier Slip (invented)", told[0].Title)
	for _, part := range []string{"1 of 1 probes answer", "newest reading is of 08:3", "readings are written", "GB are free", "job book opens, 0 coats run"} {
		require.Contains(t, told[0].Body, part)
	}
	require.Empty(t, day(9, 30), "once")
	require.Empty(t, day(11, 31), "its time is over")
	d.errs.set("store", errors.New("no space left on device"))
	_, err := d.alerts.outbox.Try(t.Context(), alert.Message{ID: "x"}, d.now())
	require.NoError(t, err)
	stamp.Wall = time.Date(2026, 1, 15, 9, 0, 0, 0, time.UTC).UnixMilli()
	told, err = d.alerts.decide(t.Context(), d.allWell(t.Context(), stamp), stamp)
	require.NoError(t, err)
	require.Len(t, told, 1)
	require.Equal(t, "Not all well: Osier Slip (invented)", told[0].Title)
	require.Contains(t, told[0].Body, "0 of 1 probes answer")
	require.Contains(t, told[0].Body, "readings are not written")
	require.Contains(t, told[0].Body, "hook does not get through")
	stamp.State = clock.Unsynced
	require.Empty(t, d.allWell(t.Context(), stamp))
}

// TestQuietHoursAreEachWaysOwn: of two phones one sleeps; the lamp beside her bed shows what she has not yet been told of to none but itself.
func TestQuietHoursAreEachWaysOwn(t *testing.T) {
	counts := map[string]int{}
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { counts[r.URL.Path]++ }))
	defer server.Close()
	d := still(t, fmt.Sprintf("[[alert]]\nname = \"wren\"\nkind = \"webhook\"\nurl = \"%s/wren\"\nquiet = { from = \"07:00\", to = \"10:00\" }\n"+
		"[[alert]]\nname = \"jo\"\nkind = \"webhook\"\nurl = \"%s/jo\"\n", server.URL, server.URL))
	stamp := d.clock.Now()
	damp := alert.Condition{Key: "piece/1/margin", Severity: alert.Warning, Active: true, Title: "Margin low", Body: "b.", Link: "/"}
	step := func(by time.Duration) []alert.Message {
		t.Helper()
		stamp.Mono, stamp.Wall = stamp.Mono+by.Milliseconds(), stamp.Wall+by.Milliseconds()
		m, err := d.alerts.decide(t.Context(), []alert.Condition{damp}, stamp)
		require.NoError(t, err)
		return m
	}
	step(time.Minute)
	require.Equal(t, map[string]int{"/jo": 1}, counts)
	require.True(t, d.alerts.standing()[0].Told)
	told, err := d.book.Told(t.Context(), 0, 0, stamp.Wall+1)
	require.NoError(t, err)
	require.Len(t, told, 1)
	_, err = d.Do(t.Context(), "", "Jo", jobbook.Acknowledge{AlertKey: damp.Key})
	require.NoError(t, err)
	step(2 * time.Hour) // her night is over
	require.Equal(t, map[string]int{"/jo": 1, "/wren": 1}, counts, "the digest")
	require.True(t, d.alerts.standing()[0].Acked)
}
