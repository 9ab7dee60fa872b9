// Package ntfy publishes messages by the ntfy convention: one JSON object by POST to the server, which may be the public one or one's own. JSON,
// not headers, since titles are UTF-8. The names of the fields and the limit of 4096 bytes a message are those of its documentation, "Publishing",
// from memory.
package ntfy

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"regexp"

	"tackline/daemon/alert"
	"tackline/daemon/alert/internal/post"
)

const name = "ntfy"

// Config is where to publish. The token is read from its file by the caller. On a public server the name of the topic is as good as a password,
// so that it is kept out of errors too.
type Config struct {
	Server string // "https://ntfy.example"
	Topic  string // letters, digits, _ and -, at most 64
	Token  string // "" is none
}

// Way publishes to one topic.
type Way struct {
	to     *url.URL
	topic  string
	header http.Header
	client *post.Client
}

var (
	_ alert.Way      = (*Way)(nil)
	_ alert.Answerer = (*Way)(nil)
)

// New checks server and topic.
func New(c Config) (*Way, error) {
	to, err := post.Base(name, c.Server)
	if err != nil {
		return nil, err
	}
	if !regexp.MustCompile(`^[A-Za-z0-9_-]{1,64}$`).MatchString(c.Topic) {
		return nil, errors.New("ntfy: the topic must be 1 to 64 letters, digits, _ or -")
	}
	header := http.Header{"Content-Type": {"application/json; charset=utf-8"}}
	if c.Token != "" {
		header.Set("Authorization", "Bearer "+c.Token)
	}
	client := post.New(name, c.Token, c.Topic)
	client.Accept = accept
	return &Way{to: to, topic: c.Topic, header: header, client: client}, nil
}

func accept(body []byte) error {
	var answer struct {
		ID string `json:"id"`
	}
	if json.Unmarshal(body, &answer) != nil || answer.ID == "" {
		return errors.New("the answer is not that of a push server: does the network want a log-in first?")
	}
	return nil
}

// action is a button under the message.
type action struct {
	Action string `json:"action"`
	Label  string `json:"label"`
	URL    string `json:"url"`
	Method string `json:"method,omitempty"`
	Clear  bool   `json:"clear,omitempty"` // the button takes the message off the screen
}

type publish struct {
	Topic    string   `json:"topic"`
	Title    string   `json:"title,omitempty"`
	Message  string   `json:"message"`
	Priority int64    `json:"priority"`
	Tags     []string `json:"tags"`
	Click    string   `json:"click,omitempty"`
	Actions  []action `json:"actions,omitempty"`
}

// Send does as alert.Way says.
func (w *Way) Send(ctx context.Context, m alert.Message) error {
	_, err := w.Try(ctx, m)
	return err
}

// Try does as alert.Answerer says.
func (w *Way) Try(ctx context.Context, m alert.Message) (string, error) {
	p := publish{Topic: w.topic, Title: alert.OneLine(m.Title, 250), Message: alert.Clip(m.Body, 3800), Priority: priority(m),
		Tags: []string{m.Severity.String(), string(m.Kind)}, Click: m.Link}
	if p.Message == "" {
		p.Message = p.Title
	}
	if m.AckURL != "" && (m.Kind == alert.Raise || m.Kind == alert.Repeat) {
		p.Actions = append(p.Actions, action{Action: "http", Label: "Seen", URL: m.AckURL, Method: http.MethodPost, Clear: true})
	}
	body, err := json.Marshal(p)
	if err != nil {
		return "", &alert.SendError{Way: name, Err: fmt.Errorf("message %q: %w", m.ID, err)}
	}
	return w.client.Do(ctx, http.MethodPost, w.to, w.header, string(body))
}

// priority is 1 (min) to 5 (max). What is over does not ring.
func priority(m alert.Message) int64 {
	switch {
	case m.Kind == alert.Clear:
		return 2
	case m.Severity >= alert.Critical:
		return 5
	case m.Severity == alert.Warning:
		return 4
	}
	return 3
}
