package daemon

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"tackline/daemon/alert"
	"tackline/daemon/durable"
	"tackline/daemon/jobbook"
)

// seenFor is how long the button in a message works.
const seenFor = 48 * time.Hour

// byButton is who is noted where a button does not know whose thumb it was.
const byButton = "a button in a message"

// errSeal is what is wrong with the token of a button, in words for the person who pressed it.
var errSeal = errors.New("this button is not of this shed, or was changed on its way")

// seal makes and reads the tokens of the buttons in messages. A token may do one thing: say of one alert, for as long as it is the same one,
// that somebody has seen it. It says nothing of the shed, and whoever gets hold of it can do no more than that.
type seal struct{ key []byte }

// sealed is what stands in a token.
type sealed struct {
	Key  string `json:"k"` // of the alert
	Pair string `json:"p"` // of its raise: a later alert of the same key is another
	Ends int64  `json:"e"` // Unix seconds
}

// openSeal reads the key of the tokens from the data folder, and makes it at the first start.
func openSeal(folder string) (seal, error) {
	path := filepath.Join(folder, "seen.key")
	key, err := os.ReadFile(path)
	if err == nil && len(key) == sha256.Size {
		return seal{key}, nil
	}
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return seal{}, fmt.Errorf("daemon: key of the buttons in messages: %w", err)
	}
	key = make([]byte, sha256.Size)
	_, _ = rand.Read(key) // never fails
	if err := durable.WriteFile(path, key, 0o600); err != nil {
		return seal{}, fmt.Errorf("daemon: key of the buttons in messages: %w", err)
	}
	return seal{key}, nil
}

func (s seal) mac(body []byte) []byte {
	h := hmac.New(sha256.New, s.key)
	h.Write([]byte("tackline seen 1\n"))
	h.Write(body)
	return h.Sum(nil)
}

// token gives the token of a message.
func (s seal) token(m alert.Message, now time.Time) string {
	body, err := json.Marshal(sealed{Key: m.Key, Pair: m.Pair, Ends: now.Add(seenFor).Unix()})
	if err != nil {
		return ""
	}
	e := base64.RawURLEncoding
	return e.EncodeToString(body) + "." + e.EncodeToString(s.mac(body))
}

// open reads a token. The error wraps errSeal for one that was not made here, and says when one has expired.
func (s seal) open(token string, now time.Time) (sealed, error) {
	var out sealed
	first, second, ok := strings.Cut(token, ".")
	strict := base64.RawURLEncoding.Strict() // one text for each token
	body, err1 := strict.DecodeString(first)
	mac, err2 := strict.DecodeString(second)
	if !ok || err1 != nil || err2 != nil || !hmac.Equal(mac, s.mac(body)) || json.Unmarshal(body, &out) != nil {
		return sealed{}, errSeal
	}
	if now.Unix() >= out.Ends {
		return sealed{}, errors.New("this button is too old: open the page of the shed")
	}
	return out, nil
}

// furnish gives messages what only the daemon knows: whole links, the button that says "seen", and the head of the job book's chain, whose copy on
// a phone is the outside witness of the book.
func (a *alerting) furnish(ctx context.Context, messages []alert.Message, now time.Time, clockSet bool) {
	if len(messages) == 0 {
		return
	}
	head := ""
	if seq, hash, err := a.d.book.Head(ctx); err == nil {
		head = fmt.Sprintf("%d:%x", seq, hash)
	}
	base := a.d.o.Config.Shed.Page
	for i := range messages {
		m := &messages[i]
		m.Unset, m.Head = !clockSet, head
		switch {
		case base == "":
			m.Link = "" // half an address is of no use on a phone
		case strings.HasPrefix(m.Link, "/"):
			m.Link = base + m.Link
		}
		if base != "" && m.Pair != "" && (m.Kind == alert.Raise || m.Kind == alert.Repeat) {
			m.AckURL = base + "/seen/" + a.seal.token(*m, now)
		}
	}
}

// seen says of the alert of a token that somebody has seen it, or wants to hear of it again after a time. It gives the alert's title. Pressed
// twice it does nothing again.
func (a *alerting) seen(ctx context.Context, token string, again time.Duration) (title string, err error) {
	t, err := a.seal.open(token, a.d.now())
	if err != nil {
		return "", err
	}
	a.mu.Lock()
	group, ok := a.state.Find(t.Key, t.Pair)
	a.mu.Unlock()
	if !ok {
		return "", errors.New("what it was about is over")
	}
	if group.Acked && again == 0 {
		return group.Title, nil
	}
	if again > 0 {
		_, err = a.d.Do(ctx, "", byButton, jobbook.Snooze{AlertKey: t.Key, Until: a.d.now().Add(again).UnixMilli()})
	} else {
		_, err = a.d.Do(ctx, "", byButton, jobbook.Acknowledge{AlertKey: t.Key})
	}
	return group.Title, err
}

// seenPage is what a browser shows for the link of a button: a mail program fetches links by itself, so that nothing may happen before a press.
var seenPage = template.Must(template.New("").Parse(`<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>{{.Title}}</title><style>body{font:1.25rem/1.5 serif;margin:2rem auto;max-width:30rem;padding:0 1rem;background:#f6f1e4;color:#14233c}
button{font:inherit;min-height:48px;min-width:10rem;margin:.5rem .5rem 0 0}</style>
<h1>{{.Title}}</h1><p>{{.Text}}</p>{{if .Form}}<form method="post"><button>Seen</button> <button name="again_min" value="60">Tell me again in an hour</button></form>{{end}}</html>`))

// answerSeen serves GET and POST /seen/{token}.
func (a *alerting) answerSeen(w http.ResponseWriter, r *http.Request) {
	show := func(status int, title, text string, form bool) {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Cache-Control", "no-store")
		w.Header().Set("Referrer-Policy", "no-referrer")
		w.Header().Set("X-Content-Type-Options", "nosniff")
		w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'; frame-ancestors 'none'")
		w.WriteHeader(status)
		_ = seenPage.Execute(w, struct {
			Title, Text string
			Form        bool
		}{title, text, form})
	}
	token := r.PathValue("token")
	if r.Method != http.MethodPost {
		t, err := a.seal.open(token, a.d.now())
		if err != nil {
			show(http.StatusForbidden, "Not done", err.Error()+".", false)
			return
		}
		a.mu.Lock()
		group, ok := a.state.Find(t.Key, t.Pair)
		a.mu.Unlock()
		if !ok {
			show(http.StatusOK, "Over", "What it was about is over.", false)
			return
		}
		show(http.StatusOK, group.Title, "Say that you have seen it, and it is not repeated unless it becomes worse.", true)
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, 1<<10)
	again := time.Duration(0)
	if r.PostFormValue("again_min") == "60" {
		again = time.Hour
	}
	title, err := a.seen(r.Context(), token, again)
	switch {
	case errors.Is(err, errSeal):
		show(http.StatusForbidden, "Not done", err.Error()+".", false)
	case err != nil:
		show(http.StatusConflict, "Not done", err.Error()+".", false)
	case again > 0:
		show(http.StatusOK, title, "It will be told again in an hour if it still holds.", false)
	default:
		show(http.StatusOK, title, "Noted: it is not repeated unless it becomes worse.", false)
	}
}
