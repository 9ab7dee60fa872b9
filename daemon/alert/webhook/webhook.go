// Package webhook sends messages as JSON by an HTTP POST, for any program that can take one.
//
// The body is one object:
//
//	schema       "alert/1"; a change that would break a reader gets another number
//	sender       name of the shed
//	id           unique; the same again when a message is sent twice because its first answer was lost (also in the header Idempotency-Key)
//	key          what it is about
//	kind         raise, repeat, clear, digest or test
//	severity     notice, warning or critical
//	title, body  text, UTF-8
//	link         page about it, or absent
//	ack_url      a POST there acknowledges, or absent
//	at           when what it tells came true, RFC 3339 in UTC
//	since        of a repeat and a clear: when it began, or absent
//	pair         the same for a raise and all that follows up to its clear, or absent
//	head         head of the job book's chain, or absent
//	clock_unset  true where the times are not to be believed, or absent
//
// Any answer of 2xx accepts the message.
package webhook

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"

	"tackline/daemon/alert"
	"tackline/daemon/alert/internal/post"
)

const name = "webhook"

// Config is where to send. The token is read from its file by the caller.
type Config struct {
	URL    string
	Token  string // sent as "Authorization: Bearer"; "" is none
	Sender string // name of the shed
}

// Way sends to one address.
type Way struct {
	to     *url.URL
	header http.Header
	sender string
	client *post.Client
}

var (
	_ alert.Way      = (*Way)(nil)
	_ alert.Answerer = (*Way)(nil)
)

// New checks the address.
func New(c Config) (*Way, error) {
	to, err := post.Base(name, c.URL)
	if err != nil {
		return nil, err
	}
	header := http.Header{"Content-Type": {"application/json; charset=utf-8"}}
	if c.Token != "" {
		header.Set("Authorization", "Bearer "+c.Token)
	}
	secrets := []string{c.Token}
	if path := to.RequestURI(); len(path) >= 16 { // many services put the secret into the path
		secrets = append(secrets, path)
	}
	return &Way{to: to, header: header, sender: c.Sender, client: post.New(name, secrets...)}, nil
}

// Send does as alert.Way says.
func (w *Way) Send(ctx context.Context, m alert.Message) error {
	_, err := w.Try(ctx, m)
	return err
}

// Try does as alert.Answerer says.
func (w *Way) Try(ctx context.Context, m alert.Message) (string, error) {
	m.Title, m.Body = alert.OneLine(m.Title, 500), alert.Clip(m.Body, 16<<10)
	body, err := json.Marshal(struct {
		Schema string `json:"schema"`
		Sender string `json:"sender"`
		alert.Message
	}{"alert/1", w.sender, m})
	if err != nil {
		return "", &alert.SendError{Way: name, Err: err}
	}
	header := w.header.Clone()
	header.Set("Idempotency-Key", alert.OneLine(m.ID, 200))
	return w.client.Do(ctx, http.MethodPost, w.to, header, string(body))
}
