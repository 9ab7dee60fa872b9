package alert

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Way is one way out. Send returns nil only when the other side has accepted the message; any other outcome is an error, wherever possible
// a *SendError. It returns when ctx ends and leaves nothing running. It may be called again with the same message (same ID) when it is not
// known whether the first arrived. It is never called twice at the same time.
type Way interface {
	Send(ctx context.Context, m Message) error
}

// Answerer is a Way that can show what the other side said to a message that it accepted, for a person who tries the way.
type Answerer interface {
	Try(ctx context.Context, m Message) (answer string, err error)
}

// Runner is a Way that works beside its messages: it holds a connection, or plays a pattern. Outbox.Run runs it; it returns when ctx ends.
type Runner interface {
	Run(ctx context.Context)
}

// Shower is a Way that shows what holds, rather than telling of it: a lamp. Show is called after each decision, and after each word of a person,
// with what was told by this way, holds, and is neither acknowledged nor snoozed, worst first. It waits for nothing.
type Shower interface {
	Show(standing []Standing)
}

// SendError is why a message was not accepted. Its text carries no secret.
type SendError struct {
	Way        string        // name of the kind of way: "ntfy"
	Status     int64         // of HTTP or SMTP; exit status of a command; 0 where there was no answer
	RetryAfter time.Duration // what the other side asked for; 0 where it did not
	Temporary  bool          // worth another try
	Err        error
}

// Error gives the way, the status and what the other side said.
func (e *SendError) Error() string {
	if e.Status != 0 {
		return fmt.Sprintf("%s: status %d: %v", e.Way, e.Status, e.Err)
	}
	return fmt.Sprintf("%s: %v", e.Way, e.Err)
}

// Unwrap gives what lies beneath.
func (e *SendError) Unwrap() error { return e.Err }

// Redact removes secrets from a text, also as they look within a URL and in basic authentication. It is for the answers of servers, which like
// to repeat what they were sent.
func Redact(text string, secrets ...string) string {
	for _, s := range secrets {
		if s == "" {
			continue
		}
		for _, form := range []string{s, url.QueryEscape(s), url.PathEscape(s), base64.StdEncoding.EncodeToString([]byte(s)),
			base64.StdEncoding.EncodeToString([]byte(":" + s))} {
			text = strings.ReplaceAll(text, form, "[secret]")
		}
	}
	return text
}

// Clip cuts a text to at most most bytes of UTF-8, at a character, and marks the cut with "…". Invalid bytes are replaced and control
// characters other than line feed and tab become spaces.
func Clip(text string, most int64) string {
	text = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) && r != '\n' && r != '\t' {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(text, "\uFFFD"))
	if int64(len(text)) <= most {
		return text
	}
	const mark = "…"
	end := most - int64(len(mark))
	if end < 0 {
		return ""
	}
	for end > 0 && !utf8.RuneStart(text[end]) {
		end--
	}
	return strings.TrimRightFunc(text[:end], unicode.IsSpace) + mark
}

// OneLine is Clip for what must be one line: a title, a subject.
func OneLine(text string, most int64) string {
	return Clip(strings.Join(strings.Fields(text), " "), most)
}

// Log is the way out that is always there: one line of the daemon's log for each message.
type Log struct {
	log *slog.Logger
}

// NewLog takes where the lines go.
func NewLog(handler slog.Handler) (*Log, error) {
	if handler == nil {
		return nil, errors.New("alert: a log without a handler")
	}
	return &Log{log: slog.New(handler)}, nil
}

var _ Way = (*Log)(nil)

// Send writes the line: critical as an error, warning as a warning, the rest and whatever is over as information.
func (l *Log) Send(ctx context.Context, m Message) error {
	level := slog.LevelInfo
	switch {
	case m.Kind == Clear || m.Kind == Test:
	case m.Severity >= Critical:
		level = slog.LevelError
	case m.Severity == Warning:
		level = slog.LevelWarn
	}
	if !l.log.Enabled(ctx, level) {
		return nil
	}
	l.log.Log(ctx, level, OneLine(m.Title, 200), "alert", m.Key, "kind", string(m.Kind), "severity", m.Severity.String(),
		"body", OneLine(m.Body, 1000), "at", m.At.UTC().Format(time.RFC3339), "id", m.ID)
	return nil
}
