package matrix_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/alert/alerttest"
	"tackline/daemon/alert/matrix"
)

func TestConformance(t *testing.T) {
	alerttest.HTTP{Checked: true, Secret: alerttest.Canary, Good: `{"event_id":"$x"}`, New: func(t *testing.T, server, secret string) alert.Way {
		w, err := matrix.New(matrix.Config{Server: server, Token: secret, Room: "!r:m.example"})
		require.NoError(t, err)
		return w
	}}.Run(t)
}

// capture is a server that keeps the last request.
func capture(t *testing.T, request **http.Request, body *string) string {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		data, _ := io.ReadAll(r.Body)
		*request, *body = r, string(data)
		_, _ = io.WriteString(w, `{"event_id":"$x"}`)
	}))
	t.Cleanup(server.Close)
	return server.URL
}

func TestWhatIsSent(t *testing.T) {
	var r *http.Request
	var body string
	w, err := matrix.New(matrix.Config{Server: capture(t, &r, &body), Token: "t", Room: "!r:m.example"})
	require.NoError(t, err)
	m := alerttest.Message()
	require.NoError(t, w.Send(t.Context(), m))
	require.Equal(t, http.MethodPut, r.Method)
	require.Regexp(t, `^/_matrix/client/v3/rooms/(!|%21)r(:|%3A)m\.example/send/m\.room\.message/[0-9a-f]{32}$`, r.RequestURI)
	require.Equal(t, "Bearer t", r.Header.Get("Authorization"))
	var got map[string]any
	require.NoError(t, json.Unmarshal([]byte(body), &got))
	require.Equal(t, map[string]any{"msgtype": "m.text", "body": m.Title + "\n" + m.Body + "\n" + m.Link}, got)
	first := r.RequestURI
	require.NoError(t, w.Send(t.Context(), m))
	require.Equal(t, first, r.RequestURI, "the same transaction: it appears once")
}

func TestTheWaitIsInTheBody(t *testing.T) {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusTooManyRequests)
		_, _ = io.WriteString(w, `{"errcode":"M_LIMIT_EXCEEDED","error":"Too many requests","retry_after_ms":2500}`)
	}))
	t.Cleanup(server.Close)
	w, err := matrix.New(matrix.Config{Server: server.URL, Token: "t", Room: "!r:m.example"})
	require.NoError(t, err)
	require.Equal(t, 2500*time.Millisecond, alerttest.Fails(t, w.Send(t.Context(), alerttest.Message()), true, alerttest.Canary).RetryAfter)
}

func TestMistakes(t *testing.T) {
	for _, c := range []matrix.Config{{Server: "http://m.example", Room: "!a:b"}, {Server: "http://m.example", Token: "t", Room: "#a:b"}, {Token: "t", Room: "!a:b"}} {
		_, err := matrix.New(c)
		require.ErrorContains(t, err, "matrix: ")
	}
}
