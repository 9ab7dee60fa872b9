package gotify_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/alert/alerttest"
	"tackline/daemon/alert/gotify"
)

func TestConformance(t *testing.T) {
	alerttest.HTTP{Checked: true, Secret: alerttest.Canary, Good: `{"id":7}`, New: func(t *testing.T, server, secret string) alert.Way {
		w, err := gotify.New(gotify.Config{Server: server, Token: secret})
		require.NoError(t, err)
		return w
	}}.Run(t)
}

// capture is a server that keeps the last request.
func capture(t *testing.T, request **http.Request, body *string) string {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		data, _ := io.ReadAll(r.Body)
		*request, *body = r, string(data)
		_, _ = io.WriteString(w, `{"id":7}`)
	}))
	t.Cleanup(server.Close)
	return server.URL
}

func TestWhatIsSent(t *testing.T) {
	var r *http.Request
	var body string
	w, err := gotify.New(gotify.Config{Server: capture(t, &r, &body) + "/sub/", Token: "t"})
	require.NoError(t, err)
	m := alerttest.Message()
	require.NoError(t, w.Send(t.Context(), m))
	require.Equal(t, "POST /sub/message t", r.Method+" "+r.URL.Path+" "+r.Header.Get("X-Gotify-Key"))
	var got map[string]any
	require.NoError(t, json.Unmarshal([]byte(body), &got))
	require.Equal(t, map[string]any{"title": m.Title, "message": m.Body, "priority": 7.0,
		"extras": map[string]any{"client::notification": map[string]any{"click": map[string]any{"url": m.Link}}}}, got)
	_, err = gotify.New(gotify.Config{Server: "http://g.example"})
	require.ErrorContains(t, err, "no token")
}
