// Package pushover sends messages by Pushover: a POST of a form to /1/messages.json. The names of the fields and the limits (title 250, message 1024,
// address 512 characters) are those of its documentation, from memory. Its emergency priority is not used: repeats and acknowledgement are
// ours, and one that rings on its own would have to be called back when the cause is over.
package pushover

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"strconv"

	"tackline/daemon/alert"
	"tackline/daemon/alert/internal/post"
)

const name = "pushover"

// Config is where to send. Token and user key are read from their files by the caller.
type Config struct {
	Server string // "" is the public one
	Token  string // of the application
	User   string // key of the person or group
}

// Way sends to one person or group.
type Way struct {
	to          *url.URL
	token, user string
	client      *post.Client
}

var (
	_ alert.Way      = (*Way)(nil)
	_ alert.Answerer = (*Way)(nil)
)

// New checks the config.
func New(c Config) (*Way, error) {
	if c.Server == "" {
		c.Server = "https://api.pushover.net"
	}
	base, err := post.Base(name, c.Server)
	if err != nil {
		return nil, err
	}
	if c.Token == "" || c.User == "" {
		return nil, errors.New("pushover: want the token of an application and the key of a user")
	}
	client := post.New(name, c.Token, c.User)
	client.Accept = func(body []byte) error {
		var answer struct {
			Status int64 `json:"status"`
		}
		if json.Unmarshal(body, &answer) != nil || answer.Status != 1 {
			return errors.New("the answer is not that of the service: does the network want a log-in first?")
		}
		return nil
	}
	return &Way{to: base.JoinPath("1", "messages.json"), token: c.Token, user: c.User, client: client}, nil
}

// Send does as alert.Way says.
func (w *Way) Send(ctx context.Context, m alert.Message) error {
	_, err := w.Try(ctx, m)
	return err
}

// Try does as alert.Answerer says.
func (w *Way) Try(ctx context.Context, m alert.Message) (string, error) {
	form := url.Values{"token": {w.token}, "user": {w.user}, "title": {alert.OneLine(m.Title, 250)}, "message": {alert.Clip(m.Body, 1024)},
		"priority": {strconv.FormatInt(priority(m), 10)}}
	if form.Get("message") == "" {
		form.Set("message", alert.OneLine(m.Title+" ("+string(m.Kind)+")", 1024))
	}
	if m.Link != "" && len(m.Link) <= 512 {
		form.Set("url", m.Link)
	}
	if !m.Unset && m.At.Unix() > 0 {
		form.Set("timestamp", strconv.FormatInt(m.At.Unix(), 10))
	}
	return w.client.Do(ctx, http.MethodPost, w.to, http.Header{"Content-Type": {"application/x-www-form-urlencoded"}}, form.Encode())
}

// priority is -1 (silent), 0, or 1 (past the phone's own quiet hours).
func priority(m alert.Message) int64 {
	switch {
	case m.Kind == alert.Clear || m.Severity <= alert.Notice && m.Kind != alert.Test:
		return -1
	case m.Severity >= alert.Critical:
		return 1
	}
	return 0
}
