// Package heartbeat tells a watcher outside that the shed still logs: one GET to an address, whose answer of 2xx is the whole of it. A board that is
// dark cannot say so; whoever watches the address notices that it went quiet.
package heartbeat

import (
	"context"
	"net/http"
	"net/url"

	"tackline/daemon/alert/internal/post"
)

const name = "heartbeat"

// Config is whom to call. The token is read from its file by the caller.
type Config struct {
	URL   string
	Token string // sent as "Authorization: Bearer"; "" is none
}

// Heart calls one address.
type Heart struct {
	to     *url.URL
	header http.Header
	client *post.Client
}

// New checks the address.
func New(c Config) (*Heart, error) {
	to, err := post.Base(name, c.URL)
	if err != nil {
		return nil, err
	}
	header := http.Header{}
	if c.Token != "" {
		header.Set("Authorization", "Bearer "+c.Token)
	}
	return &Heart{to: to, header: header, client: post.New(name, c.Token)}, nil
}

// Beat calls once. The error is an *alert.SendError.
func (h *Heart) Beat(ctx context.Context) error {
	_, err := h.client.Do(ctx, http.MethodGet, h.to, h.header, "")
	return err
}
