package mail_test

import (
	"bufio"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"fmt"
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/http/httptest"
	netmail "net/mail"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/alert/alerttest"
	"tackline/daemon/alert/mail"
)

// post is a mail server on loopback (RFC 5321), which refuses, stalls or dies as it is told.
type post struct {
	answers  map[string]string // verb -> answer instead of the usual; "stall", "cut"
	starttls bool
	tls      *tls.Config
	implicit bool

	mu     sync.Mutex
	mails  []string
	verbs  []string
	logins []string
}

// certificate is the one that httptest makes, for 127.0.0.1.
func certificate(t *testing.T) (*tls.Config, *x509.CertPool) {
	t.Helper()
	s := httptest.NewUnstartedServer(nil)
	s.StartTLS()
	t.Cleanup(s.Close)
	pool := x509.NewCertPool()
	pool.AddCert(s.Certificate())
	return &tls.Config{Certificates: s.TLS.Certificates}, pool
}

func (p *post) start(t *testing.T) int64 {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	var all sync.WaitGroup
	ctx, cancel := context.WithCancel(context.Background())
	all.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() {
				defer conn.Close()
				stop := context.AfterFunc(ctx, func() { conn.Close() })
				defer stop()
				_ = conn.SetDeadline(time.Now().Add(10 * time.Second))
				if p.implicit {
					p.talk(tls.Server(conn, p.tls))
				} else {
					p.talk(conn)
				}
			})
		}
	})
	t.Cleanup(func() { cancel(); l.Close(); all.Wait() })
	_, port, err := net.SplitHostPort(l.Addr().String())
	require.NoError(t, err)
	n, err := strconv.ParseInt(port, 10, 64)
	require.NoError(t, err)
	return n
}

// say answers a verb; false ends the conversation.
func (p *post) say(conn net.Conn, verb, usual string) bool {
	p.mu.Lock()
	p.verbs = append(p.verbs, verb)
	other, ok := p.answers[verb]
	p.mu.Unlock()
	switch {
	case ok && other == "stall":
		_, _ = io.Copy(io.Discard, conn)
		return false
	case ok && other == "cut":
		return false
	case ok:
		usual = other
	}
	_, err := io.WriteString(conn, usual+"\r\n")
	return err == nil
}

func (p *post) talk(conn net.Conn) {
	in := bufio.NewReader(conn)
	if !p.say(conn, "CONNECT", "220 mail.example ESMTP") {
		return
	}
	_, secure := conn.(*tls.Conn)
	for {
		line, err := in.ReadString('\n')
		if err != nil {
			return
		}
		line = strings.TrimRight(line, "\r\n")
		verb, rest, _ := strings.Cut(line, " ")
		ok := true
		switch strings.ToUpper(verb) {
		case "EHLO":
			usual := "250-mail.example\r\n250-8BITMIME"
			if p.starttls && !secure {
				usual += "\r\n250-STARTTLS"
			}
			if secure {
				usual += "\r\n250-AUTH PLAIN LOGIN"
			}
			ok = p.say(conn, "EHLO", usual+"\r\n250 SMTPUTF8")
		case "STARTTLS":
			if ok = p.say(conn, "STARTTLS", "220 go ahead"); ok {
				conn = tls.Server(conn, p.tls)
				in, secure = bufio.NewReader(conn), true
			}
		case "AUTH":
			p.mu.Lock()
			p.logins = append(p.logins, rest)
			p.mu.Unlock()
			ok = p.say(conn, "AUTH", "235 welcome")
		case "DATA":
			if ok = p.say(conn, "DATA", "354 go on"); !ok {
				return
			}
			p.mu.Lock()
			refused := !strings.HasPrefix(p.answers["DATA"], "354") && p.answers["DATA"] != ""
			p.mu.Unlock()
			if refused {
				continue
			}
			var text strings.Builder
			for {
				l, err := in.ReadString('\n')
				if err != nil {
					return
				}
				if l == ".\r\n" {
					break
				}
				text.WriteString(strings.TrimPrefix(l, "."))
			}
			p.mu.Lock()
			p.mails = append(p.mails, text.String())
			p.mu.Unlock()
			ok = p.say(conn, "END", "250 2.0.0 queued as 4711")
		case "QUIT":
			p.say(conn, "QUIT", "221 bye")
			return
		default:
			ok = p.say(conn, strings.ToUpper(verb), "250 ok")
		}
		if !ok {
			return
		}
	}
}

func way(t *testing.T, port int64, change func(*mail.Config)) *mail.Way {
	t.Helper()
	c := mail.Config{Host: "127.0.0.1", Port: port, Security: mail.None, From: "Shed <shed@yard.example>", To: "mia@yard.example", Sender: "invented shed"}
	if change != nil {
		change(&c)
	}
	w, err := mail.New(c)
	require.NoError(t, err)
	return w
}

func TestEveryMessageArrives(t *testing.T) {
	p := &post{}
	port := p.start(t)
	w := way(t, port, nil)
	for name, m := range alerttest.Messages() {
		answer, err := w.Try(t.Context(), m)
		require.NoError(t, err, name)
		require.Contains(t, answer, "queued as 4711")
	}
	require.Len(t, p.mails, len(alerttest.Messages()))

	p.mails = nil
	require.NoError(t, w.Send(t.Context(), alerttest.Message()))
	got, err := netmail.ReadMessage(strings.NewReader(p.mails[0]))
	require.NoError(t, err)
	subject, err := new(mime.WordDecoder).DecodeHeader(got.Header.Get("Subject"))
	require.NoError(t, err)
	require.Equal(t, alerttest.Message().Title, subject)
	require.Equal(t, "auto-generated", got.Header.Get("Auto-Submitted"))
	require.Empty(t, got.Header.Get("X-Injected"))
	_, err = got.Header.Date()
	require.NoError(t, err)
	require.Regexp(t, `^<[0-9a-f]{32}@yard\.example>$`, got.Header.Get("Message-ID"))
	require.Equal(t, "quoted-printable", got.Header.Get("Content-Transfer-Encoding"))
	body, err := io.ReadAll(quotedprintable.NewReader(got.Body))
	require.NoError(t, err)
	text := strings.ReplaceAll(string(body), "\r\n", "\n")
	require.Contains(t, text, alerttest.Message().Body+"\n\n"+alerttest.Message().Link)

	require.NoError(t, w.Send(t.Context(), alerttest.Message()))
	again, err := netmail.ReadMessage(strings.NewReader(p.mails[1]))
	require.NoError(t, err)
	require.Equal(t, got.Header.Get("Message-ID"), again.Header.Get("Message-ID"), "known as the same mail")
}

func TestSecurity(t *testing.T) {
	settings, roots := certificate(t)
	for _, security := range []mail.Security{mail.StartTLS, mail.Implicit} {
		t.Run(string(security), func(t *testing.T) {
			p := &post{tls: settings, starttls: security == mail.StartTLS, implicit: security == mail.Implicit}
			port := p.start(t)
			with := func(c *mail.Config) {
				c.Security, c.Roots, c.User, c.Password = security, roots, "mia", alerttest.Canary
			}
			require.NoError(t, way(t, port, with).Send(t.Context(), alerttest.Message()))
			require.Len(t, p.mails, 1)
			require.Equal(t, []string{"PLAIN " + base64.StdEncoding.EncodeToString([]byte("\x00mia\x00"+alerttest.Canary))}, p.logins)

			alerttest.Fails(t, way(t, port, func(c *mail.Config) { with(c); c.Roots = nil }).Send(t.Context(), alerttest.Message()), true, alerttest.Canary)
			require.Len(t, p.logins, 1, "no password to a server that nobody vouches for")

			p.mu.Lock()
			p.answers = map[string]string{"AUTH": "535 5.7.8 no: " + alerttest.Canary + " " +
				base64.StdEncoding.EncodeToString([]byte("\x00mia\x00"+alerttest.Canary))}
			p.mu.Unlock()
			typed := alerttest.Fails(t, way(t, port, with).Send(t.Context(), alerttest.Message()), false, alerttest.Canary)
			require.EqualValues(t, 535, typed.Status)
			require.NotContains(t, typed.Error(), base64.StdEncoding.EncodeToString([]byte("\x00mia\x00"+alerttest.Canary)))
		})
	}
	t.Run("a server that takes STARTTLS away", func(t *testing.T) {
		p := &post{tls: settings}
		w := way(t, p.start(t), func(c *mail.Config) {
			c.Security, c.Roots, c.User, c.Password = mail.StartTLS, roots, "mia", alerttest.Canary
		})
		alerttest.Fails(t, w.Send(t.Context(), alerttest.Message()), true, alerttest.Canary)
		require.Empty(t, p.logins)
		require.Empty(t, p.mails)
	})
}

func TestEveryRefusal(t *testing.T) {
	p := &post{}
	port := p.start(t)
	for _, verb := range []string{"CONNECT", "MAIL", "RCPT", "DATA", "END"} {
		for _, code := range []int64{421, 450, 451, 452, 500, 550, 552, 554} {
			p.mu.Lock()
			p.answers = map[string]string{verb: fmt.Sprintf("%d 4.7.1 the server's own words", code)}
			p.mu.Unlock()
			typed := alerttest.Fails(t, way(t, port, nil).Send(t.Context(), alerttest.Message()), code < 500, alerttest.Canary)
			require.EqualValues(t, code, typed.Status, verb)
			require.ErrorContains(t, typed, "the server's own words")
		}
	}
}

func TestAGoodByeThatFailsIsNotASecondMail(t *testing.T) {
	for _, how := range []string{"cut", "554 no"} {
		p := &post{answers: map[string]string{"QUIT": how}}
		require.NoError(t, way(t, p.start(t), nil).Send(t.Context(), alerttest.Message()))
	}
}

func TestCut(t *testing.T) {
	for _, verb := range []string{"CONNECT", "EHLO", "MAIL", "RCPT", "DATA", "END"} {
		p := &post{answers: map[string]string{verb: "cut"}}
		if verb == "EHLO" {
			p.answers["HELO"] = "cut"
		}
		alerttest.Fails(t, way(t, p.start(t), nil).Send(t.Context(), alerttest.Message()), true, alerttest.Canary)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	port := int64(l.Addr().(*net.TCPAddr).Port)
	l.Close()
	alerttest.Fails(t, way(t, port, nil).Send(t.Context(), alerttest.Message()), true, alerttest.Canary)
}

func TestStallEndsWithItsContext(t *testing.T) {
	settings, roots := certificate(t)
	for _, verb := range []string{"CONNECT", "EHLO", "MAIL", "RCPT", "DATA", "END", "QUIT"} {
		t.Run(verb, func(t *testing.T) {
			p := &post{answers: map[string]string{verb: "stall"}, implicit: true, tls: settings}
			w := way(t, p.start(t), func(c *mail.Config) { c.Security, c.Roots = mail.Implicit, roots })
			before := runtime.NumGoroutine()
			ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
			defer cancel()
			err := w.Send(ctx, alerttest.Message())
			if verb == "QUIT" {
				require.NoError(t, err)
			} else {
				alerttest.Fails(t, err, true, alerttest.Canary)
				require.ErrorIs(t, err, context.DeadlineExceeded)
			}
			require.Eventually(t, func() bool { return runtime.NumGoroutine() <= before+2 }, 5*time.Second, 5*time.Millisecond)
		})
	}
	t.Run("in the handshake", func(t *testing.T) {
		p := &post{answers: map[string]string{"CONNECT": "stall"}}
		w := way(t, p.start(t), func(c *mail.Config) { c.Security, c.Roots = mail.Implicit, roots })
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		alerttest.Fails(t, w.Send(ctx, alerttest.Message()), true, alerttest.Canary)
	})
}

func TestMistakes(t *testing.T) {
	good := mail.Config{Host: "mail.example", Security: mail.StartTLS, From: "a@b.example", To: "c@d.example"}
	_, err := mail.New(good)
	require.NoError(t, err)
	for want, spoil := range map[string]func(*mail.Config){
		"want starttls, implicit or none": func(c *mail.Config) { c.Security = "ssl" },
		"the port apart":                  func(c *mail.Config) { c.Host = "mail.example:587" },
		"want 1 to 65535":                 func(c *mail.Config) { c.Port = 70000 },
		"for all to read":                 func(c *mail.Config) { c.Security, c.User, c.Password = mail.None, "a", alerttest.Canary },
		"want both or neither":            func(c *mail.Config) { c.Password = alerttest.Canary },
		`from "nobody"`:                   func(c *mail.Config) { c.From = "nobody" },
		`to ""`:                           func(c *mail.Config) { c.To = "" },
	} {
		c := good
		spoil(&c)
		_, err := mail.New(c)
		require.ErrorContains(t, err, want)
		require.NotContains(t, err.Error(), alerttest.Canary)
	}
}

var _ alert.Answerer = (*mail.Way)(nil)
