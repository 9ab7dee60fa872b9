package telegram_test

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
	"tackline/daemon/alert/telegram"
)

func TestConformance(t *testing.T) {
	alerttest.HTTP{Checked: true, Secret: alerttest.Plain, Good: `{"ok":true,"result":{}}`, New: func(t *testing.T, server, secret string) alert.Way {
		w, err := telegram.New(telegram.Config{Server: server, Token: secret, Chat: "-1001"})
		require.NoError(t, err)
		return w
	}}.Run(t)
}

// capture is a server that keeps the last request.
func capture(t *testing.T, request **http.Request, body *string) string {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		data, _ := io.ReadAll(r.Body)
		*request, *body = r, string(data)
		_, _ = io.WriteString(w, `{"ok":true,"result":{}}`)
	}))
	t.Cleanup(server.Close)
	return server.URL
}

func TestWhatIsSent(t *testing.T) {
	var r *http.Request
	var body string
	w, err := telegram.New(telegram.Config{Server: capture(t, &r, &body), Token: "1:a", Chat: "@shed"})
	require.NoError(t, err)
	m := alerttest.Message()
	require.NoError(t, w.Send(t.Context(), m))
	require.Equal(t, "POST /bot1:a/sendMessage", r.Method+" "+r.URL.Path)
	var got map[string]any
	require.NoError(t, json.Unmarshal([]byte(body), &got))
	require.Equal(t, map[string]any{"chat_id": "@shed", "text": m.Title + "\n\n" + m.Body + "\n" + m.Link, "disable_notification": false,
		"link_preview_options": map[string]any{"is_disabled": true}}, got)
	require.NoError(t, w.Send(t.Context(), alerttest.Messages()["long"]))
	require.NoError(t, json.Unmarshal([]byte(body), &got))
	require.LessOrEqual(t, len(got["text"].(string)), 4096)
}

func TestTheWaitIsInTheBody(t *testing.T) {
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusTooManyRequests)
		_, _ = io.WriteString(w, `{"ok":false,"error_code":429,"description":"Too Many Requests: retry after 17","parameters":{"retry_after":17}}`)
	}))
	t.Cleanup(server.Close)
	w, err := telegram.New(telegram.Config{Server: server.URL, Token: "1:a", Chat: "5"})
	require.NoError(t, err)
	require.Equal(t, 17*time.Second, alerttest.Fails(t, w.Send(t.Context(), alerttest.Message()), true, alerttest.Canary).RetryAfter)
}

func TestMistakes(t *testing.T) {
	for _, c := range []telegram.Config{{Chat: "1"}, {Token: "a/../b", Chat: "1"}, {Token: "1:a"}, {Token: "1:a", Chat: "shed"}, {Token: "1:a", Chat: "1", Server: "x"}} {
		_, err := telegram.New(c)
		require.ErrorContains(t, err, "telegram: ")
	}
}
