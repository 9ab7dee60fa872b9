package push

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
	"tackline/sensors/nodes"
)

const (
	bowToken = "canary-bow-0123456789"
	farToken = "canary-far-0123456789"
)

type stand struct {
	t   *testing.T
	hub *nodes.Hub
	h   *Handler
	now time.Time
}

func newStand(t *testing.T) *stand {
	s := &stand{t: t, now: time.Date(2026, 1, 14, 6, 30, 0, 0, time.UTC)}
	s.hub = nodes.New(func() time.Time { return s.now })
	s.hub.Bind(map[string]string{NodeOf("bow"): "bow", "push:77": "stern"})
	var err error
	s.h, err = New(Options{Credentials: []Credential{{bowToken, "bow"}, {farToken, ""}}, Sink: s.hub, Now: func() time.Time { return s.now }})
	require.NoError(t, err)
	return s
}

func (s *stand) post(token, body string) (int, string, Answer) {
	r := httptest.NewRequest(http.MethodPost, "/api/v1/push", strings.NewReader(body))
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	w := httptest.NewRecorder()
	s.h.ServeHTTP(w, r)
	var a Answer
	if w.Code == http.StatusAccepted {
		require.NoError(s.t, json.Unmarshal(w.Body.Bytes(), &a))
		return w.Code, "", a
	}
	require.Equal(s.t, "application/problem+json", w.Header().Get("Content-Type"))
	var p struct {
		Type, Title, Detail string
		Status              int
	}
	require.NoError(s.t, json.Unmarshal(w.Body.Bytes(), &p))
	require.Equal(s.t, w.Code, p.Status)
	require.NotContains(s.t, w.Body.String(), "canary")
	return w.Code, p.Detail, a
}

func (s *stand) read(probe string) []sensors.Reading {
	got, err := s.hub.Probe(probe, time.Hour).Read(s.t.Context())
	require.NoError(s.t, err)
	return got
}

func TestABatchIsTakenAtItsOwnTimes(t *testing.T) {
	s := newStand(t)
	s.hub.Probe("bow", time.Hour)
	code, _, a := s.post(bowToken, `{"readings":[{"at":"2026-01-11T07:30:00+01:00","temp_c":4.5,"rh_pct":88},{"age_s":60,"temp_c":5,"moisture_pct":null},{"temp_c":6}]}`)
	require.Equal(t, http.StatusAccepted, code)
	require.Equal(t, Answer{Taken: 4}, a)
	require.Equal(t, []sensors.Reading{
		{Quantity: sensors.Temperature, Value: 4.5, At: time.Date(2026, 1, 11, 6, 30, 0, 0, time.UTC)},
		{Quantity: sensors.Humidity, Value: 88, At: time.Date(2026, 1, 11, 6, 30, 0, 0, time.UTC)},
		{Quantity: sensors.Temperature, Value: 5, Age: time.Minute},
		{Quantity: sensors.Temperature, Value: 6},
	}, s.read("bow"))
	code, _, a = s.post(bowToken, `{"pressure_hpa":1003.2,"at":"2026-01-14T08:00:00Z"}`)
	require.Equal(t, http.StatusAccepted, code)
	require.Equal(t, Answer{Taken: 1, Future: 1}, a)
	require.Len(t, s.read("bow"), 1, "the poller flags what is of a time to come")
}

func TestWhatIsGoodOfABatchIsKept(t *testing.T) {
	s := newStand(t)
	s.hub.Probe("bow", time.Hour)
	code, _, a := s.post(bowToken, `{"readings":[{"temp_c":4},{"tempc":4},{"temp_c":"warm"},{"at":"yesterday","temp_c":1},{"at":"1970-01-01T00:00:07Z","temp_c":1},{},
		{"age_s":-4,"temp_c":1},{"age_s":4,"at":"2026-01-14T06:00:00Z","temp_c":1},{"temp_c":1e9},{"node":"x","temp_c":1},7,{"temp_c":5}]}`)
	require.Equal(t, http.StatusAccepted, code)
	require.Equal(t, int64(2), a.Taken)
	require.Len(t, s.read("bow"), 2)
	require.Len(t, a.Refused, 10)
	for i, want := range []string{"unknown field \\\"tempc\\\"", "cannot unmarshal string", "no time: want RFC 3339", "is the node's clock set", "no quantity", "want 0 to", "want one of them", "cannot be", "a gateway has its own", "cannot unmarshal number"} {
		require.Equal(t, int64(i+1), a.Refused[i].Index)
		require.Contains(t, a.Refused[i].Detail, strings.ReplaceAll(want, `\"`, `"`))
	}
}

func TestGatewayAndStrangers(t *testing.T) {
	s := newStand(t)
	s.hub.Probe("stern", time.Hour)
	code, _, a := s.post(farToken, `{"node":"77","readings":[{"temp_c":4},{"node":"81","temp_c":9}]}`)
	require.Equal(t, http.StatusAccepted, code)
	require.Equal(t, Answer{Taken: 1, Unassigned: []string{"push:81"}}, a)
	require.InDelta(t, 4, s.read("stern")[0].Value, 0)
	code, detail, _ := s.post(farToken, `{"temp_c":4}`)
	require.Equal(t, http.StatusUnprocessableEntity, code)
	require.Contains(t, detail, "want the number of the node")
}

func TestRefusals(t *testing.T) {
	s := newStand(t)
	s.hub.Probe("bow", time.Hour)
	for _, token := range []string{"", "canary", bowToken + "x", bowToken[1:]} {
		code, _, _ := s.post(token, `{"temp_c":4}`)
		require.Equal(t, http.StatusUnauthorized, code, "%q", token)
	}
	for body, want := range map[string]int{`{`: 400, `[]`: 400, `{"readings":[]}`: 400, `{"readings":[{"temp_c":1}],"x":1}`: 400, `{}`: 422, `{"readings":7}`: 400,
		`{"temp_c":4}` + strings.Repeat(" ", MaxBody): 413, `{"readings":[` + strings.Repeat(`{},`, MaxBatch) + `{}]}`: 400} {
		code, _, _ := s.post(bowToken, body)
		require.Equal(t, want, code, "%.40s", body)
	}
	w := httptest.NewRecorder()
	s.h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/api/v1/push", nil))
	require.Equal(t, http.StatusMethodNotAllowed, w.Code)
	require.Equal(t, "POST", w.Header().Get("Allow"))
}

func TestMoreThanIsTakenIsToComeAgain(t *testing.T) {
	s := newStand(t)
	s.hub.Probe("bow", time.Hour)
	var b strings.Builder
	for i := range 2000 {
		fmt.Fprintf(&b, `,{"age_s":%d,"temp_c":5,"rh_pct":80,"pressure_hpa":1000}`, i)
	}
	body := `{"readings":[` + b.String()[1:] + `]}`
	code, _, a := s.post(bowToken, body)
	require.Equal(t, http.StatusAccepted, code)
	require.Equal(t, int64(6000), a.Taken)
	code, detail, _ := s.post(bowToken, body)
	require.Equal(t, http.StatusServiceUnavailable, code)
	require.Contains(t, detail, "send the batch again later")
	for range 24 {
		s.read("bow")
	}
	s.now = s.now.Add(20 * time.Minute)
	code, _, _ = s.post(bowToken, body)
	require.Equal(t, http.StatusAccepted, code)
}

func TestTokensThatMayNotBe(t *testing.T) {
	hub := nodes.New(nil)
	_, err := New(Options{Sink: hub, Credentials: []Credential{{"canary-short", "bow"}}})
	require.ErrorContains(t, err, "could be guessed")
	require.NotContains(t, err.Error(), "canary")
	_, err = New(Options{Sink: hub, Credentials: []Credential{{bowToken, "bow"}, {bowToken, "stern"}}})
	require.ErrorContains(t, err, "each needs its own")
	require.NotContains(t, err.Error(), "canary")
	_, err = New(Options{})
	require.Error(t, err)
}

func FuzzBody(f *testing.F) {
	f.Add([]byte(`{"readings":[{"at":"2026-01-11T07:30:00+01:00","temp_c":4.5,"rh_pct":88},{"age_s":60,"temp_c":5}]}`))
	f.Add([]byte(`{"node":"a","temp_c":1}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		all, errs, err := items(body)
		if err != nil {
			return
		}
		require.Len(t, errs, len(all))
		for _, it := range all {
			got, err := it.readings()
			if err != nil {
				require.Empty(t, got)
			}
		}
	})
}
