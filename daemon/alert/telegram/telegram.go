// Package telegram sends messages by the Telegram bot interface: a POST of JSON to /bot<token>/sendMessage. The names of the fields and the limit of
// 4096 characters are those of its documentation, from memory. The token stands in the address, so that no address is ever shown.
package telegram

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"time"

	"tackline/daemon/alert"
	"tackline/daemon/alert/internal/post"
)

const (
	name = "telegram"
	most = 3900 // bytes; never more characters than bytes
)

// Config is where to send. The token is read from its file by the caller.
type Config struct {
	Server string // "" is the public one
	Token  string // of the bot
	Chat   string // number of the chat, or @name of a channel
}

// Way sends to one chat.
type Way struct {
	to     *url.URL
	chat   string
	client *post.Client
}

var (
	_ alert.Way      = (*Way)(nil)
	_ alert.Answerer = (*Way)(nil)
)

// New checks the config.
func New(c Config) (*Way, error) {
	if c.Server == "" {
		c.Server = "https://api.telegram.org"
	}
	base, err := post.Base(name, c.Server)
	if err != nil {
		return nil, err
	}
	if !regexp.MustCompile(`^[A-Za-z0-9:_-]+$`).MatchString(c.Token) {
		return nil, errors.New("telegram: the token must be letters, digits, :, _ and -")
	}
	if !regexp.MustCompile(`^(-?[0-9]+|@[A-Za-z0-9_]+)$`).MatchString(c.Chat) {
		return nil, errors.New("telegram: the chat must be a number, or @ and the name of a channel")
	}
	client := post.New(name, c.Token)
	client.Accept = func(body []byte) error {
		var answer struct {
			OK bool `json:"ok"`
		}
		if json.Unmarshal(body, &answer) != nil || !answer.OK {
			return errors.New("the answer is not that of the service: does the network want a log-in first?")
		}
		return nil
	}
	client.After = func(body []byte) time.Duration {
		var refusal struct {
			Parameters struct {
				RetryAfter int64 `json:"retry_after"`
			} `json:"parameters"`
		}
		if json.Unmarshal(body, &refusal) != nil {
			return 0
		}
		return time.Duration(min(max(0, refusal.Parameters.RetryAfter), 30*24*3600)) * time.Second
	}
	return &Way{to: base.JoinPath("bot"+c.Token, "sendMessage"), chat: c.Chat, client: client}, nil
}

// Send does as alert.Way says.
func (w *Way) Send(ctx context.Context, m alert.Message) error {
	_, err := w.Try(ctx, m)
	return err
}

// Try does as alert.Answerer says.
func (w *Way) Try(ctx context.Context, m alert.Message) (string, error) {
	text := strings.TrimSpace(alert.OneLine(m.Title, 250) + "\n\n" + alert.Clip(m.Body, most-1000))
	if m.Link != "" {
		text += "\n" + m.Link
	}
	if text == "" {
		text = string(m.Kind)
	}
	body, err := json.Marshal(map[string]any{
		"chat_id": w.chat, "text": alert.Clip(text, most),
		"disable_notification": m.Kind == alert.Clear || m.Severity <= alert.Notice && m.Kind != alert.Test,
		"link_preview_options": map[string]bool{"is_disabled": true},
	})
	if err != nil {
		return "", &alert.SendError{Way: name, Err: err}
	}
	return w.client.Do(ctx, http.MethodPost, w.to, http.Header{"Content-Type": {"application/json; charset=utf-8"}}, string(body))
}
