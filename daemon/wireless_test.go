package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	paho3 "github.com/eclipse/paho.mqtt.golang"
	"github.com/stretchr/testify/require"

	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/store"
	"tackline/dashboard"
	"tackline/sensors"
	"tackline/sensors/mqtt/mqtttest"
)

// yardAt is when the clock of these tests begins: a set one, that runs as fast as real time.
var yardAt = time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)

// yard is a running daemon with wireless probes.
type yard struct {
	*Daemon
	t *testing.T
}

func newYard(t *testing.T, broker string) *yard {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "north.token"), []byte("north-0123456789-abc\n"), 0o600))
	text := fmt.Sprintf(`[shed]
name = "Yard (invented)"
zone = "UTC"
data = %q
listen = "127.0.0.1:0"
[mqtt]
broker = %q
[[mqtt.topic]]
filter = "yard/+/climate"
node_level = 2
temp_c = "/t"
rh_pct = "/rh"
time = "/time"
[[probe]]
name = "bow"
kind = "mqtt"
place = "air"
[[probe]]
name = "north"
kind = "push"
place = "outdoors"
token_file = "north.token"
`, filepath.Join(dir, "data"), broker)
	path := filepath.Join(dir, "tackline.toml")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	c, err := config.Load(path)
	require.NoError(t, err)
	ticking, err := clock.NewScaled(yardAt.UnixMilli(), 1)
	require.NoError(t, err)
	d, err := New(Options{Config: c, Clock: ticking})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.Run(ctx) }()
	t.Cleanup(func() { cancel(); require.NoError(t, <-ended) })
	return &yard{d, t}
}

// call makes a request to the daemon and gives the status and the answer.
func (y *yard) call(method, path, token string, body any) (int, map[string]any) {
	y.t.Helper()
	b, err := json.Marshal(body)
	require.NoError(y.t, err)
	r, err := http.NewRequest(method, "http://"+y.Addr()+path, bytes.NewReader(b))
	require.NoError(y.t, err)
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Content-Type", "application/json")
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	res, err := http.DefaultClient.Do(r)
	require.NoError(y.t, err)
	defer res.Body.Close()
	out := map[string]any{}
	require.NoError(y.t, json.NewDecoder(io.LimitReader(res.Body, 1<<20)).Decode(&out))
	return res.StatusCode, out
}

func (y *yard) bind(node, probe string) (int, map[string]any) {
	return y.call("POST", "/api/v1/commands/bind-node", "", map[string]any{"who": "Wren", "key": node + probe, "payload": map[string]string{"node": node, "probe": probe}})
}

// nodes gives what is known of each node, by its name.
func (y *yard) nodes() map[string]map[string]any {
	_, out := y.call("GET", "/api/v1/nodes", "", nil)
	all := map[string]map[string]any{}
	for _, n := range out["nodes"].([]any) {
		m := n.(map[string]any)
		all[m["node"].(string)] = m
	}
	return all
}

func (y *yard) eventually(what string, ok func() bool) {
	y.t.Helper()
	require.Eventually(y.t, ok, 20*time.Second, 10*time.Millisecond, what)
}

// rows gives the readings of a probe's temperature, whatever their time.
func (y *yard) rows(probe string) []store.Row {
	var all []store.Row
	require.NoError(y.t, y.store.Raw(y.t.Context(), probe, sensors.Temperature, 0, yardAt.AddDate(1, 0, 0).UnixMilli(), func(r store.Row) error {
		all = append(all, r)
		return nil
	}))
	return all
}

func TestANodeIsHeardBoundAndRebound(t *testing.T) {
	b := mqtttest.Start(t, "allow_anonymous true")
	y := newYard(t, b.URL())
	y.eventually("the broker", func() bool { return y.wireless.mqtt.State().Connected })
	node := paho3.NewClient(paho3.NewClientOptions().AddBroker(b.URL()).SetClientID("gateway"))
	require.True(t, node.Connect().WaitTimeout(10*time.Second))
	t.Cleanup(func() { node.Disconnect(0) })
	say := func(number, payload string) {
		t.Helper()
		require.True(t, node.Publish("yard/"+number+"/climate", 1, false, payload).WaitTimeout(10*time.Second))
	}
	say("a4", `{"t":4.5,"rh":88}`)
	y.eventually("the node is listed", func() bool { return y.nodes()["mqtt:a4"] != nil })
	require.Nil(t, y.nodes()["mqtt:a4"]["probe"], "unassigned")
	require.Empty(t, y.rows("bow"))
	free := func() []any {
		_, out := y.call("GET", "/api/v1/probes", "", nil)
		return out["nodes"].([]any)
	}
	require.Len(t, free(), 1, "the list of probes has what is no probe yet")
	require.Equal(t, "mqtt:a4", free()[0].(map[string]any)["node"])

	shown := func() dashboard.BenchView {
		v, err := probeBench{y.Daemon}.Bench(t.Context())
		require.NoError(t, err)
		require.Len(t, v.Probes, 2)
		return v
	}
	page := shown()
	require.Equal(t, "mqtt:a4", page.Nodes[0].Node)
	require.WithinDuration(t, y.now(), page.Nodes[0].Heard, time.Minute, "by the shed's clock")
	require.True(t, page.Probes[0].Bindable)
	require.False(t, page.Probes[1].Bindable, "it has a token of its own")
	require.Equal(t, "never seen", page.Probes[0].Problem)

	code, answer := y.bind("mqtt:a4", "stern")
	require.Equal(t, http.StatusUnprocessableEntity, code)
	require.Contains(t, answer["detail"], `there are ["bow"]`)
	code, _ = y.bind("mqtt:a4", "bow")
	require.Equal(t, http.StatusCreated, code)
	require.Equal(t, "bow", y.nodes()["mqtt:a4"]["probe"])
	require.Empty(t, free())
	page = shown()
	require.Empty(t, page.Nodes)
	require.Equal(t, "mqtt:a4", page.Probes[0].Node)
	say("a4", `{"t":4.6,"rh":87}`)
	y.eventually("the reading is stored", func() bool { return len(y.rows("bow")) == 1 })
	row := y.rows("bow")[0]
	require.InDelta(t, 4.6, row.Value, 1e-9)
	require.Equal(t, sensors.OK, row.Status)
	require.WithinDuration(t, yardAt, time.UnixMilli(row.At), time.Minute, "at the time it came")

	// A new battery, a new number: the probe's history goes on, and the journal says so.
	say("c1", `{"t":4.7}`)
	y.eventually("the new one is listed", func() bool { return y.nodes()["mqtt:c1"] != nil })
	code, answer = y.bind("mqtt:c1", "bow")
	require.Equal(t, http.StatusCreated, code)
	require.Equal(t, []any{`"bow" was node mqtt:a4 until now: its history goes on with mqtt:c1`}, answer["notes"])
	say("a4", `{"t":99}`)
	say("c1", `{"t":4.8}`)
	y.eventually("it is stored", func() bool { return len(y.rows("bow")) == 2 })
	require.InDelta(t, 4.8, y.rows("bow")[1].Value, 1e-9)
	require.Nil(t, y.nodes()["mqtt:a4"]["probe"])
}

// A gateway that was cut off for three days sends what it kept, mixed with what is new, and sends it twice.
func TestABacklogIsStoredAtItsOwnTimesAndIsNeverTheNewest(t *testing.T) {
	y := newYard(t, "mqtt://127.0.0.1:9") // nobody there: the others are not held up by it
	token := "north-0123456789-abc"
	code, answer := y.call("POST", "/api/v1/push", "not-the-token-0123", map[string]any{"temp_c": 1})
	require.Equal(t, http.StatusUnauthorized, code)
	require.Equal(t, "Unauthorized", answer["title"])
	code, answer = y.call("POST", "/api/v1/push", token, map[string]any{"at": yardAt.Add(-2 * time.Minute).Format(time.RFC3339), "temp_c": 3})
	require.Equal(t, http.StatusAccepted, code)
	require.InDelta(t, 1, answer["taken"], 0)
	y.eventually("it is stored", func() bool { return len(y.rows("north")) == 1 })

	var batch []map[string]any
	for i := range 72 {
		batch = append(batch, map[string]any{"at": yardAt.Add(-time.Duration(72-i) * time.Hour).Format(time.RFC3339), "temp_c": 5 + 0.01*float64(i)})
	}
	batch = append(batch, map[string]any{"at": yardAt.Add(-time.Minute).Format(time.RFC3339), "temp_c": 3.1})
	for range 2 {
		code, _ = y.call("POST", "/api/v1/push", token, map[string]any{"readings": batch})
		require.Equal(t, http.StatusAccepted, code)
		y.eventually("all are stored, each once", func() bool { return len(y.rows("north")) == 74 && y.wireless.hub.Waiting("north") == 0 })
	}
	rows := y.rows("north")
	for i := range 72 {
		require.Equal(t, yardAt.Add(-time.Duration(72-i)*time.Hour).UnixMilli(), rows[i].At)
		require.Equal(t, sensors.Late, rows[i].Status)
		require.Equal(t, store.ClockSource, rows[i].Clock)
	}
	n, err := y.store.Latest(t.Context(), "north", sensors.Temperature)
	require.NoError(t, err)
	require.InDelta(t, 3.1, n.Any.Value, 1e-9, "the newest is the newest by its own time")
	minutes, err := y.store.Minutes(t.Context(), "north", sensors.Temperature, yardAt.Add(-72*time.Hour).UnixMilli(), yardAt.Add(-70*time.Hour).UnixMilli())
	require.NoError(t, err)
	require.Len(t, minutes, 2, "what is derived has them")

	code, answer = y.call("POST", "/api/v1/push", token, map[string]any{"at": yardAt.Add(3 * time.Hour).Format(time.RFC3339), "temp_c": 9})
	require.Equal(t, http.StatusAccepted, code)
	require.InDelta(t, 1, answer["future"], 0)
	y.eventually("it is kept", func() bool { return len(y.rows("north")) == 75 })
	require.Equal(t, sensors.Future, y.rows("north")[74].Status)
	n, err = y.store.Latest(t.Context(), "north", sensors.Temperature)
	require.NoError(t, err)
	require.InDelta(t, 3.1, n.Usable.Value, 1e-9, "and never used")
}

func TestWhatAHandReadsIsUsedKeptAndShown(t *testing.T) {
	y := newYard(t, "mqtt://127.0.0.1:9")
	code, _ := y.call("POST", "/api/v1/commands/hand-reading", "", map[string]any{"who": "Wren", "key": "h1",
		"payload": map[string]any{"quantity": "temp_c", "value": 14.5, "wet_c": 12, "place": "air", "instrument": "whirling hygrometer"}})
	require.Equal(t, http.StatusCreated, code)
	y.eventually("advice rests on it", func() bool { m := y.latest.Load(); return m != nil && m.Situation.Climate.RHPct.ByHand })
	require.InDelta(t, 14.5, *y.latest.Load().Advice.Shed.AirC.Value, 1e-9)
	rows := y.rows("by hand, air")
	require.Len(t, rows, 1)
	require.Equal(t, sensors.ByHand, rows[0].Status)
	view, err := (source{y.Daemon}).Now(t.Context())
	require.NoError(t, err)
	line := view.Probes[len(view.Probes)-1]
	require.Equal(t, "by hand, air", line.Name)
	require.Len(t, line.Last, 2)
	require.InDelta(t, 75, line.Last[1].Value, 1)
	require.Empty(t, line.Problem)
	_, out := y.call("GET", "/api/v1/now", "", nil)
	b, err := json.Marshal(out)
	require.NoError(t, err)
	require.Contains(t, string(b), "by hand")
	require.NoError(t, y.bringHand(t.Context()))
	require.Len(t, y.rows("by hand, air"), 1, "what is there is not brought in again")
}
