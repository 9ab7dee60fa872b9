package webhook_test

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/alert/alerttest"
	"tackline/daemon/alert/webhook"
)

func TestConformance(t *testing.T) {
	alerttest.HTTP{New: func(t *testing.T, server, secret string) alert.Way {
		w, err := webhook.New(webhook.Config{URL: server, Token: secret})
		require.NoError(t, err)
		return w
	}}.Run(t)
}

func TestASecretInThePath(t *testing.T) {
	alerttest.HTTP{Secret: alerttest.Plain, New: func(t *testing.T, server, secret string) alert.Way {
		w, err := webhook.New(webhook.Config{URL: server + "/" + secret})
		require.NoError(t, err)
		return w
	}}.Run(t)
}

func TestTheSchema(t *testing.T) {
	var got map[string]any
	var header http.Header
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		header = r.Header
		_ = json.NewDecoder(r.Body).Decode(&got)
	}))
	defer server.Close()
	w, err := webhook.New(webhook.Config{URL: server.URL + "/hook?a=b", Token: "t", Sender: "the invented shed"})
	require.NoError(t, err)
	m := alerttest.Message()
	require.NoError(t, w.Send(t.Context(), m))
	require.Equal(t, map[string]any{
		"schema": "alert/1", "sender": "the invented shed", "id": m.ID, "key": m.Key, "kind": "raise", "severity": "warning", "title": m.Title,
		"body": m.Body, "link": m.Link, "ack_url": m.AckURL, "at": "2026-11-25T13:05:00Z", "pair": m.Pair, "head": m.Head,
	}, got)
	require.Equal(t, "Bearer t", header.Get("Authorization"))
	require.Equal(t, m.ID, header.Get("Idempotency-Key"))
	require.Equal(t, "application/json; charset=utf-8", header.Get("Content-Type"))
}

func TestBadAddresses(t *testing.T) {
	for address, want := range map[string]string{
		"":                       "want http:// or https://",
		"ftp://host/":            "want http:// or https://",
		"https://":               "want http:// or https://",
		"https://user:pw@host/":  "put the secret into its file",
		"https://host/#x":        "has a #",
		"https://host:port/\x7f": "cannot be read",
	} {
		_, err := webhook.New(webhook.Config{URL: address})
		require.ErrorContains(t, err, want, address)
		require.NotContains(t, err.Error(), "pw")
	}
}
