// Package gotify sends messages to a Gotify server of one's own: a POST of JSON to /message with the token of an application in a header. The names
// of the fields and the priorities (0 to 10, of which 8 and above ring) are those of its documentation, from memory.
package gotify

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"

	"tackline/daemon/alert"
	"tackline/daemon/alert/internal/post"
)

const name = "gotify"

// Config is where to send. The token is read from its file by the caller.
type Config struct {
	Server string
	Token  string // of the application
}

// Way sends to one application.
type Way struct {
	to     *url.URL
	header http.Header
	client *post.Client
}

var (
	_ alert.Way      = (*Way)(nil)
	_ alert.Answerer = (*Way)(nil)
)

// New checks the config.
func New(c Config) (*Way, error) {
	base, err := post.Base(name, c.Server)
	if err != nil {
		return nil, err
	}
	if c.Token == "" {
		return nil, errors.New("gotify: no token: want that of an application")
	}
	client := post.New(name, c.Token)
	client.Accept = func(body []byte) error {
		var answer struct {
			ID int64 `json:"id"`
		}
		if json.Unmarshal(body, &answer) != nil || answer.ID == 0 {
			return errors.New("the answer is not that of the server: does the network want a log-in first?")
		}
		return nil
	}
	header := http.Header{"Content-Type": {"application/json; charset=utf-8"}, "X-Gotify-Key": {c.Token}}
	return &Way{to: base.JoinPath("message"), header: header, client: client}, nil
}

// Send does as alert.Way says.
func (w *Way) Send(ctx context.Context, m alert.Message) error {
	_, err := w.Try(ctx, m)
	return err
}

// Try does as alert.Answerer says.
func (w *Way) Try(ctx context.Context, m alert.Message) (string, error) {
	type object map[string]any
	o := object{"title": alert.OneLine(m.Title, 250), "message": alert.Clip(m.Body, 8<<10), "priority": priority(m)}
	if m.Body == "" {
		o["message"] = o["title"]
	}
	if m.Link != "" {
		o["extras"] = object{"client::notification": object{"click": object{"url": m.Link}}}
	}
	body, err := json.Marshal(o)
	if err != nil {
		return "", &alert.SendError{Way: name, Err: err}
	}
	return w.client.Do(ctx, http.MethodPost, w.to, w.header, string(body))
}

func priority(m alert.Message) int64 {
	switch {
	case m.Kind == alert.Clear:
		return 2
	case m.Severity >= alert.Critical:
		return 9
	case m.Severity == alert.Warning:
		return 7
	}
	return 4
}
