// Package matrix sends messages into a room by the Matrix client-server API (spec.matrix.org, v1: PUT rooms/{room}/send/m.room.message/{txn}). The
// transaction is made of the message's ID, so that a message that is sent twice appears once.
package matrix

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
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

const name = "matrix"

// Config is where to send. The token is read from its file by the caller. The room must not be encrypted.
type Config struct {
	Server string // "https://matrix.example"
	Token  string // access token of the account that speaks
	Room   string // "!abc:matrix.example"
}

// Way sends into one room.
type Way struct {
	room   *url.URL
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
		return nil, errors.New("matrix: no access token")
	}
	if !regexp.MustCompile(`^![^\s/?#]+$`).MatchString(c.Room) {
		return nil, errors.New("matrix: the room must be its number, which starts with !, not its name, which starts with #")
	}
	client := post.New(name, c.Token)
	client.Accept = func(body []byte) error {
		var answer struct {
			Event string `json:"event_id"`
		}
		if json.Unmarshal(body, &answer) != nil || answer.Event == "" {
			return errors.New("the answer is not that of the server: does the network want a log-in first?")
		}
		return nil
	}
	client.After = func(body []byte) time.Duration {
		var refusal struct {
			MS int64 `json:"retry_after_ms"`
		}
		if json.Unmarshal(body, &refusal) != nil {
			return 0
		}
		return time.Duration(min(max(0, refusal.MS), 30*24*3600*1000)) * time.Millisecond
	}
	return &Way{room: base.JoinPath("_matrix/client/v3/rooms", url.PathEscape(c.Room), "send/m.room.message"), client: client,
		header: http.Header{"Content-Type": {"application/json; charset=utf-8"}, "Authorization": {"Bearer " + c.Token}}}, nil
}

// Send does as alert.Way says.
func (w *Way) Send(ctx context.Context, m alert.Message) error {
	_, err := w.Try(ctx, m)
	return err
}

// Try does as alert.Answerer says.
func (w *Way) Try(ctx context.Context, m alert.Message) (string, error) {
	kind := "m.text"
	if m.Kind == alert.Clear || m.Severity <= alert.Notice && m.Kind != alert.Test {
		kind = "m.notice"
	}
	text := strings.TrimSpace(alert.OneLine(m.Title, 250) + "\n" + alert.Clip(m.Body, 16<<10) + "\n" + m.Link)
	body, err := json.Marshal(map[string]string{"msgtype": kind, "body": text})
	if err != nil {
		return "", &alert.SendError{Way: name, Err: err}
	}
	sum := sha256.Sum256([]byte(m.ID))
	return w.client.Do(ctx, http.MethodPut, w.room.JoinPath(hex.EncodeToString(sum[:16])), w.header, string(body))
}
