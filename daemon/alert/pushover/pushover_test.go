package pushover_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/alert/alerttest"
	"tackline/daemon/alert/pushover"
)

func TestConformance(t *testing.T) {
	alerttest.HTTP{Checked: true, Secret: alerttest.Canary, Good: `{"status":1,"request":"x"}`, New: func(t *testing.T, server, secret string) alert.Way {
		w, err := pushover.New(pushover.Config{Server: server, Token: secret, User: "u-key"})
		require.NoError(t, err)
		return w
	}}.Run(t)
}

// capture is a server that keeps the last request.
func capture(t *testing.T, request **http.Request, body *string) string {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		data, _ := io.ReadAll(r.Body)
		*request, *body = r, string(data)
		_, _ = io.WriteString(w, `{"status":1,"request":"x"}`)
	}))
	t.Cleanup(server.Close)
	return server.URL
}

func TestWhatIsSent(t *testing.T) {
	var r *http.Request
	var body string
	w, err := pushover.New(pushover.Config{Server: capture(t, &r, &body), Token: "t", User: "u"})
	require.NoError(t, err)
	send := func(m alert.Message) url.Values {
		require.NoError(t, w.Send(t.Context(), m))
		got, err := url.ParseQuery(body)
		require.NoError(t, err)
		return got
	}
	m := alerttest.Message()
	require.Equal(t, url.Values{"token": {"t"}, "user": {"u"}, "title": {m.Title}, "message": {m.Body}, "priority": {"0"}, "url": {m.Link},
		"timestamp": {"1795611900"}}, send(m))
	require.Equal(t, "POST /1/messages.json", r.Method+" "+r.URL.Path)
	m.Severity = alert.Critical
	require.Equal(t, "1", send(m).Get("priority"))
	m.Kind = alert.Clear
	require.Equal(t, "-1", send(m).Get("priority"))
	require.LessOrEqual(t, len(send(alerttest.Messages()["long"]).Get("message")), 1024)
	_, err = pushover.New(pushover.Config{Token: "t"})
	require.ErrorContains(t, err, "key of a user")
}
