// Package alerttest is what every way out has to pass: each status of a server, a server that stalls, dies or sends elsewhere, and a secret that
// must not be seen in any error.
package alerttest

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
)

// Canary is the secret that a way under test is given. It has what secrets have: characters that a URL and base64 write otherwise.
const Canary = "canary+/=&7d1f 03ä"

// Plain is a canary for places that do not allow any character, such as the path of an address.
const Plain = "canary-7d1f03-plain"

// Message is one that has everything, in more than ASCII.
func Message() alert.Message {
	at := time.Date(2026, 11, 25, 13, 5, 0, 0, time.UTC)
	return alert.Message{
		ID: "coat/12/tack_opens/raise/1764072000-7", Key: "coat/12/tack_opens", Kind: alert.Raise, Severity: alert.Warning,
		Title:  "Tack window opens — bedding on “port topside”",
		Body:   "From 14:05 to 16:20 the coat grabs.\nSurface 12.1 °C, margin 3.4 K ± 0.7 K (limit 3 K).",
		Link:   "http://shed.example:8080/coats/12",
		AckURL: "http://shed.example:8080/ack?t=signed",
		At:     at, Pair: "coat/12@1764072000-60000", Head: "9f86d081",
	}
}

// Messages are ones that are hard to send: empty, long, with line ends in the title, not UTF-8.
func Messages() map[string]alert.Message {
	all := map[string]alert.Message{"everything": Message(), "empty": {ID: "x", Kind: alert.Test}}
	long := Message()
	long.Title, long.Body = strings.Repeat("Tack window ", 200), strings.Repeat("ä 12 °C ", 4000)
	all["long"] = long
	lines := Message()
	lines.Title = "one\r\nX-Injected: two\n\nthree"
	all["lines"] = lines
	invalid := Message()
	invalid.Title, invalid.Body = "bad \xff\x00 title", "bad \xff\x00 body"
	all["invalid"] = invalid
	for name, kind := range map[string]alert.Kind{"clear": alert.Clear, "repeat": alert.Repeat, "digest": alert.Digest, "test": alert.Test} {
		m := Message()
		m.Kind, m.Severity = kind, alert.Critical
		all[name] = m
	}
	return all
}

// HTTP is a way over HTTP under test.
type HTTP struct {
	// New makes the way to a server. It uses secret as its token or password.
	New func(t *testing.T, server, secret string) alert.Way
	// Good is what the real server answers to a message that it accepts.
	Good string
	// Checked is set where a 2xx with a body that is not the real server's must not count as accepted.
	Checked bool
	// Secret is the canary; "" is Canary.
	Secret string
}

// Run runs the suite.
func (h HTTP) Run(t *testing.T) {
	if h.Secret == "" {
		h.Secret = Canary
	}
	t.Run("accepts", h.accepts)
	t.Run("statuses", h.statuses)
	t.Run("retry after", h.retryAfter)
	t.Run("echo", h.echo)
	t.Run("redirect", h.redirect)
	if h.Checked { // a way that takes any 2xx as accepted has nothing to tell such a page by
		t.Run("foreign page", h.foreign)
	}
	t.Run("stall", h.stall)
	t.Run("dead", h.dead)
	t.Run("cut", h.cut)
}

func (h HTTP) serve(t *testing.T, f http.HandlerFunc) alert.Way {
	t.Helper()
	server := httptest.NewServer(f)
	t.Cleanup(server.Close)
	return h.New(t, server.URL, h.Secret)
}

// Fails checks an error: typed, without the secret, temporary or not.
func (h HTTP) fails(t *testing.T, err error, temporary bool) *alert.SendError {
	t.Helper()
	return Fails(t, err, temporary, h.Secret)
}

// Fails checks the error of a way: an *alert.SendError, of bounded length, without the secret, temporary or not.
func Fails(t *testing.T, err error, temporary bool, secret string) *alert.SendError {
	t.Helper()
	require.Error(t, err)
	var typed *alert.SendError
	require.ErrorAs(t, err, &typed)
	require.Equal(t, temporary, typed.Temporary, "worth another try: %v", err)
	require.NotEmpty(t, typed.Way)
	require.Less(t, len(err.Error()), 1000)
	for _, text := range []string{err.Error(), fmt.Sprintf("%+v", err), fmt.Sprintf("%#v", typed.Err)} {
		require.Equal(t, alert.Redact(text, secret), text, "the secret is in the error")
	}
	return typed
}

func (h HTTP) accepts(t *testing.T) {
	for name, m := range Messages() {
		t.Run(name, func(t *testing.T) {
			var calls atomic.Int64
			way := h.serve(t, func(w http.ResponseWriter, r *http.Request) {
				calls.Add(1)
				if _, err := io.Copy(io.Discard, r.Body); err != nil || r.Header.Get("X-Injected") != "" {
					w.WriteHeader(http.StatusBadRequest)
					return
				}
				io.WriteString(w, h.Good)
			})
			require.NoError(t, way.Send(t.Context(), m))
			require.NoError(t, way.Send(t.Context(), m), "a second time")
			require.EqualValues(t, 2, calls.Load())
			if a, ok := way.(alert.Answerer); ok {
				answer, err := a.Try(t.Context(), m)
				require.NoError(t, err)
				require.Contains(t, answer, "200")
				require.Equal(t, alert.Redact(answer, h.Secret), answer)
			}
		})
	}
}

func (h HTTP) statuses(t *testing.T) {
	status := 0
	way := h.serve(t, func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(status)
		if status >= 200 && status != http.StatusNoContent && status != http.StatusNotModified {
			io.WriteString(w, "the server's own words")
		}
	})
	again := map[int]bool{300: true, 302: true, 303: true, 304: true, 305: true, 306: true, 307: true, 408: true, 425: true, 429: true}
	for status = 300; status < 600; status++ {
		temporary := again[status] || status >= 500 && status != 501 && status != 505
		if status > 308 && status < 400 {
			temporary = true
		}
		typed := h.fails(t, way.Send(t.Context(), Message()), temporary)
		require.EqualValues(t, status, typed.Status)
		if status >= 400 {
			require.ErrorContains(t, typed, "the server's own words")
		}
	}
}

func (h HTTP) retryAfter(t *testing.T) {
	for value, want := range map[string]time.Duration{
		"17":                            17 * time.Second,
		"0":                             0,
		"-5":                            0,
		"soon":                          0,
		"99999999999999":                30 * 24 * time.Hour,
		"Wed, 25 Nov 2026 12:10:00 GMT": 10 * time.Minute, // against the server's Date
	} {
		for _, status := range []int{http.StatusTooManyRequests, http.StatusServiceUnavailable} {
			way := h.serve(t, func(w http.ResponseWriter, _ *http.Request) {
				w.Header().Set("Date", "Wed, 25 Nov 2026 12:00:00 GMT")
				w.Header().Set("Retry-After", value)
				w.WriteHeader(status)
			})
			require.Equal(t, want, h.fails(t, way.Send(t.Context(), Message()), true).RetryAfter, value)
		}
	}
}

// echo is a server that repeats everything that it was sent, secret included.
func (h HTTP) echo(t *testing.T) {
	for _, status := range []int{400, 401, 403, 404, 500} {
		way := h.serve(t, func(w http.ResponseWriter, r *http.Request) {
			body, _ := io.ReadAll(r.Body)
			w.WriteHeader(status)
			fmt.Fprintf(w, "%s %s\n%v\n%s\n", r.RequestURI, r.URL.Path, r.Header, body)
		})
		h.fails(t, way.Send(t.Context(), Message()), status >= 500)
	}
}

func (h HTTP) redirect(t *testing.T) {
	var reached atomic.Int64
	other := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		reached.Add(1)
		io.WriteString(w, h.Good)
	}))
	t.Cleanup(other.Close)
	for _, status := range []int{301, 302, 303, 307, 308} {
		way := h.serve(t, func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, other.URL+"/?leak="+r.Header.Get("Authorization"), status)
		})
		h.fails(t, way.Send(t.Context(), Message()), status != 301 && status != 308)
	}
	require.Zero(t, reached.Load(), "the secret went to another server")
}

// foreign is the page of a network that wants a log-in first.
func (h HTTP) foreign(t *testing.T) {
	for _, page := range []string{"<html>Welcome! Please log in.</html>", "", "{}", "null", "[]"} {
		way := h.serve(t, func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, page) })
		h.fails(t, way.Send(t.Context(), Message()), true)
	}
}

func (h HTTP) stall(t *testing.T) {
	hang := func(r *http.Request) { // the server notices that the client has gone only once the body has been read
		_, _ = io.Copy(io.Discard, r.Body)
		<-r.Context().Done()
	}
	for name, f := range map[string]http.HandlerFunc{
		"before the status": func(_ http.ResponseWriter, r *http.Request) { hang(r) },
		"within the answer": func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Length", "1000")
			_, _ = io.WriteString(w, "a")
			w.(http.Flusher).Flush()
			hang(r)
		},
	} {
		t.Run(name, func(t *testing.T) {
			way := h.serve(t, f)
			before := runtime.NumGoroutine()
			for range 5 {
				ctx, cancel := context.WithTimeout(t.Context(), 30*time.Millisecond)
				err := way.Send(ctx, Message())
				cancel()
				h.fails(t, err, true)
				require.ErrorIs(t, err, context.DeadlineExceeded)
			}
			require.Eventually(t, func() bool { return runtime.NumGoroutine() <= before+2 }, 5*time.Second, 5*time.Millisecond,
				"attempts that ran out of time leave goroutines behind")
		})
	}
}

func (h HTTP) dead(t *testing.T) {
	server := httptest.NewServer(http.NotFoundHandler())
	address := server.URL
	server.Close()
	h.fails(t, h.New(t, address, h.Secret).Send(t.Context(), Message()), true)
}

// cut is a server that dies in the middle.
func (h HTTP) cut(t *testing.T) {
	for name, answer := range map[string]string{
		"before the status": "",
		"in the status":     "HTTP/1.1 20",
		"in the headers":    "HTTP/1.1 200 OK\r\nContent-Le",
		"in the body":       "HTTP/1.1 200 OK\r\nContent-Length: 1000\r\n\r\n{\"id\":",
		"not HTTP":          "220 mail.example ESMTP\r\n",
	} {
		t.Run(name, func(t *testing.T) {
			listener, err := net.Listen("tcp", "127.0.0.1:0")
			require.NoError(t, err)
			t.Cleanup(func() { listener.Close() })
			go func() {
				for {
					conn, err := listener.Accept()
					if err != nil {
						return
					}
					conn.SetDeadline(time.Now().Add(5 * time.Second))
					if r, err := http.ReadRequest(bufio.NewReader(conn)); err == nil {
						io.Copy(io.Discard, r.Body)
					}
					io.WriteString(conn, answer)
					conn.Close()
				}
			}()
			h.fails(t, h.New(t, "http://"+listener.Addr().String(), h.Secret).Send(t.Context(), Message()), true)
		})
	}
}
