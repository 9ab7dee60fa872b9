package daemon

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/config"
)

// TestTryGivesTheServersAnswer: a trial goes at once by each way that is asked for, and what each server really said comes back: one accepts, one
// wants a password, one is dead. No secret is in any answer, in the log, in the metrics or on a page.
func TestTryGivesTheServersAnswer(t *testing.T) {
	const canary = "canary-41f7c2"
	mux := http.NewServeMux()
	got := make(chan string, 4)
	mux.HandleFunc("/good", func(_ http.ResponseWriter, r *http.Request) {
		var m struct{ Title, Kind string }
		_ = json.NewDecoder(r.Body).Decode(&m)
		got <- m.Kind + ": " + m.Title
	})
	mux.HandleFunc("/locked", func(w http.ResponseWriter, r *http.Request) {
		http.Error(w, "who are you, "+r.Header.Get("Authorization")+"?", http.StatusUnauthorized) // servers like to repeat what they were sent
	})
	server := httptest.NewServer(mux)
	defer server.Close()
	dir := t.TempDir()
	secret := filepath.Join(dir, "phone.token")
	require.NoError(t, os.WriteFile(secret, []byte(canary), 0o600))
	text := fmt.Sprintf("format = 1\n[shed]\nname = \"Osier Slip (invented)\"\nzone = \"UTC\"\ndata = %q\nlisten = \"127.0.0.1:0\"\n[clock]\nspeed = \"free\"\nstart = 2026-01-14T08:00:00Z\n"+
		"[[probe]]\nname = \"a\"\nkind = \"shed\"\nplace = \"air\"\n", filepath.Join(dir, "data"))
	for name, url := range map[string]string{"good": server.URL + "/good", "locked": server.URL + "/locked", "dead": "http://127.0.0.1:1/x"} {
		text += fmt.Sprintf("[[alert]]\nname = %q\nkind = \"webhook\"\nurl = %q\ntoken_file = %q\n", name, url, secret)
	}
	c, err := config.Parse([]byte(text), "try")
	require.NoError(t, err)
	var logged bytes.Buffer
	d, err := New(Options{Config: c, Log: slog.New(slog.NewTextHandler(&logged, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	require.NoError(t, err)
	defer func() { require.NoError(t, d.Stop()) }()
	post := func(body string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1/api/v1/alerts/try", strings.NewReader(body))
		r.RemoteAddr = "127.0.0.1:50000"
		r.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		d.server.Handler.ServeHTTP(w, r)
		return w
	}
	w := post(`{}`)
	require.Equal(t, http.StatusOK, w.Code, w.Body.String())
	require.Equal(t, "test: Trial from Osier Slip (invented)", <-got)
	var out trialsJSON
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &out))
	require.Len(t, out.Trials, 3)
	for _, x := range out.Trials {
		require.Equal(t, x.Way == "good", x.OK, x)
		switch x.Way {
		case "locked":
			require.Contains(t, x.Answer, "401")
			require.Contains(t, x.Answer, "who are you")
		case "dead":
			require.Contains(t, x.Answer, "refused")
		}
	}
	everything := w.Body.String() + press(d, http.MethodGet, "/api/v1/alerts", nil).Body.String() + press(d, http.MethodGet, "/metrics", nil).Body.String() +
		press(d, http.MethodGet, "/", nil).Body.String() + press(d, http.MethodGet, "/api/v1/book", nil).Body.String() + logged.String()
	require.NotContains(t, everything, canary)
	require.Contains(t, everything, "last_error")

	w = post(`{"ways": ["nobody"]}`)
	require.Equal(t, http.StatusUnprocessableEntity, w.Code)
	require.Contains(t, w.Body.String(), `no way out is named \"nobody\"`)
	w = post(`{"ways": ["good"]}`)
	require.Equal(t, http.StatusOK, w.Code)
	<-got

	_, err = d.alerts.decide(t.Context(), []alert.Condition{{Key: "probe/a", Severity: alert.Warning, Active: true, Title: "Probe silent: a"}}, d.clock.Now())
	require.NoError(t, err)
	body := press(d, http.MethodGet, "/api/v1/alerts", nil).Body.String()
	require.Contains(t, body, `"key":"probe/a"`)
	require.Contains(t, body, `"severity":"warning"`)
	require.Contains(t, body, `"snoozed_until":null`)
}
