package ntfy_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/alert/alerttest"
	"tackline/daemon/alert/ntfy"
)

func TestConformance(t *testing.T) {
	alerttest.HTTP{Checked: true, Good: `{"id":"x1","time":1764072000,"event":"message"}`,
		New: func(t *testing.T, server, secret string) alert.Way {
			w, err := ntfy.New(ntfy.Config{Server: server, Topic: "shed", Token: secret})
			require.NoError(t, err)
			return w
		}}.Run(t)
}

func TestTheTopicIsASecretToo(t *testing.T) {
	alerttest.HTTP{Secret: alerttest.Plain, Good: `{"id":"x1"}`, New: func(t *testing.T, server, secret string) alert.Way {
		w, err := ntfy.New(ntfy.Config{Server: server, Topic: secret})
		require.NoError(t, err)
		return w
	}}.Run(t)
}

func TestWhatIsPublished(t *testing.T) {
	var got map[string]any
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		got = nil
		if r.Method != http.MethodPost || r.URL.Path != "/" || json.NewDecoder(r.Body).Decode(&got) != nil {
			w.WriteHeader(http.StatusBadRequest)
		}
		_, _ = w.Write([]byte(`{"id":"x"}`))
	}))
	defer server.Close()
	w, err := ntfy.New(ntfy.Config{Server: server.URL + "/", Topic: "shed"})
	require.NoError(t, err)
	m := alerttest.Message()
	require.NoError(t, w.Send(t.Context(), m))
	require.Equal(t, map[string]any{
		"topic": "shed", "title": m.Title, "message": m.Body, "priority": 4.0, "tags": []any{"warning", "raise"}, "click": m.Link,
		"actions": []any{map[string]any{"action": "http", "label": "Seen", "url": m.AckURL, "method": "POST", "clear": true}},
	}, got)
	for _, c := range []struct {
		kind     alert.Kind
		severity alert.Severity
		want     float64
	}{{alert.Raise, alert.Critical, 5}, {alert.Repeat, alert.Critical, 5}, {alert.Raise, alert.Notice, 3}, {alert.Clear, alert.Critical, 2}} {
		m.Kind, m.Severity = c.kind, c.severity
		require.NoError(t, w.Send(t.Context(), m))
		require.Equal(t, c.want, got["priority"])
		require.Equal(t, c.kind != alert.Clear, got["actions"] != nil, "nothing is left to acknowledge once it is over")
	}
	m.Body = strings.Repeat("ä", 5000)
	require.NoError(t, w.Send(t.Context(), m))
	require.LessOrEqual(t, len(got["message"].(string)), 3800)
}

func TestBadConfig(t *testing.T) {
	for _, topic := range []string{"", "a/b", "a b", "ä", strings.Repeat("x", 65)} {
		_, err := ntfy.New(ntfy.Config{Server: "https://ntfy.example", Topic: topic})
		require.ErrorContains(t, err, "1 to 64")
	}
	_, err := ntfy.New(ntfy.Config{Server: "ntfy.example", Topic: "shed"})
	require.ErrorContains(t, err, "want http:// or https://")
}
