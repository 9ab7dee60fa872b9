// Package mail sends messages by SMTP (RFC 5321), with STARTTLS (RFC 3207), with TLS from the start (RFC 8314) or, within a house, without.
package mail

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	netmail "net/mail"
	"net/textproto"
	"strings"
	"time"

	"github.com/wneessen/go-mail"

	"tackline/daemon/alert"
)

const name = "mail"

// Security is how the connection is kept from others.
type Security string

// The kinds of security.
const (
	StartTLS Security = "starttls" // port 587; a server that does not offer it is refused
	Implicit Security = "implicit" // port 465
	None     Security = "none"     // port 25; no password is ever sent this way
)

// Config is where to send. The password is read from its file by the caller. One way has one receiver: where one address is refused, the
// others still get theirs.
type Config struct {
	Host     string
	Port     int64 // 0 is the usual one of Security
	Security Security
	User     string // "" is no log-in
	Password string
	From, To string         // addresses, "Shed <shed@example.org>" or bare
	Roots    *x509.CertPool // nil is the system's
	Sender   string         // name of the shed, for the foot of the mail
}

// Way sends to one address.
type Way struct {
	c      Config
	domain string
}

var (
	_ alert.Way      = (*Way)(nil)
	_ alert.Answerer = (*Way)(nil)
)

// New checks the config.
func New(c Config) (*Way, error) {
	usual := map[Security]int64{StartTLS: 587, Implicit: 465, None: 25}
	port, ok := usual[c.Security]
	switch {
	case !ok:
		return nil, fmt.Errorf("mail: tls is %q: want starttls, implicit or none", c.Security)
	case c.Host == "" || strings.ContainsAny(c.Host, ":/ \t\r\n@") && net.ParseIP(c.Host) == nil:
		return nil, fmt.Errorf("mail: the server is %q: want the name or number of a host, the port apart", c.Host)
	case c.Port < 0 || c.Port > 65535:
		return nil, fmt.Errorf("mail: port %d: want 1 to 65535, or 0 for %d", c.Port, port)
	case c.Security == None && c.Password != "":
		return nil, errors.New("mail: a password would go over the wire for all to read: want tls starttls or implicit, or no password")
	case (c.User == "") != (c.Password == ""):
		return nil, errors.New("mail: a user and a password go together: want both or neither")
	}
	if c.Port == 0 {
		c.Port = port
	}
	from, err := netmail.ParseAddress(c.From)
	if err != nil {
		return nil, fmt.Errorf("mail: from %q: %w", c.From, err)
	}
	if _, err := netmail.ParseAddress(c.To); err != nil {
		return nil, fmt.Errorf("mail: to %q: %w", c.To, err)
	}
	return &Way{c: c, domain: from.Address[strings.LastIndex(from.Address, "@")+1:]}, nil
}

// Send does as alert.Way says.
func (w *Way) Send(ctx context.Context, m alert.Message) error {
	_, err := w.Try(ctx, m)
	return err
}

// Try does as alert.Answerer says.
func (w *Way) Try(ctx context.Context, m alert.Message) (string, error) {
	msg, err := w.compose(m)
	if err != nil {
		return "", w.fail(ctx, err, false)
	}
	ctx, cancel := context.WithTimeout(ctx, alert.DefaultTimeout)
	defer cancel()
	client, err := w.client(ctx)
	if err != nil {
		return "", w.fail(ctx, err, false)
	}
	session, err := client.DialToSMTPClientWithContext(ctx)
	if err != nil {
		return "", w.fail(ctx, err, true)
	}
	defer session.Close()
	if err := client.SendWithSMTPClient(session, msg); err != nil {
		return "", w.fail(ctx, err, true)
	}
	// From here on the mail is the server's: a good-bye that fails must not send it twice.
	_ = client.CloseWithSMTPClient(session)
	return strings.TrimSpace("250 " + alert.OneLine(msg.ServerResponse(), 300)), nil
}

// client is made anew for each mail: they are rare, and it holds the state of a session. Its connection is closed when whole ends.
func (w *Way) client(whole context.Context) (*mail.Client, error) {
	settings := &tls.Config{ServerName: w.c.Host, RootCAs: w.c.Roots, MinVersion: tls.VersionTLS12}
	dial := func(ctx context.Context, network, address string) (net.Conn, error) {
		conn, err := (&net.Dialer{}).DialContext(ctx, network, address)
		if err != nil {
			return nil, err
		}
		// The library sets a time limit of its own and does not look at ctx again: closing the connection is what it hears.
		context.AfterFunc(whole, func() { _ = conn.Close() })
		if w.c.Security != Implicit {
			return conn, nil
		}
		secure := tls.Client(conn, settings)
		if err := secure.HandshakeContext(ctx); err != nil {
			_ = conn.Close()
			return nil, fmt.Errorf("TLS: %w", err)
		}
		return secure, nil
	}
	// With TLS from the start the dialer above has it done; the policy only lets the library see that.
	policy := map[Security]mail.TLSPolicy{StartTLS: mail.TLSMandatory, Implicit: mail.TLSOpportunistic, None: mail.NoTLS}[w.c.Security]
	options := []mail.Option{
		mail.WithPort(int(w.c.Port)), mail.WithTLSPolicy(policy), mail.WithTLSConfig(settings), mail.WithDialContextFunc(dial),
		mail.WithTimeout(alert.DefaultTimeout), mail.WithHELO("[127.0.0.1]"), mail.WithoutNoop(), mail.WithoutRset(),
	}
	if w.c.User != "" {
		options = append(options, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(w.c.User), mail.WithPassword(w.c.Password))
	}
	return mail.NewClient(w.c.Host, options...)
}

// compose writes the mail. Its Message-ID comes of the message's ID, so that a mail sent twice can be known as one.
func (w *Way) compose(m alert.Message) (*mail.Msg, error) {
	msg := mail.NewMsg()
	if err := msg.From(w.c.From); err != nil {
		return nil, err
	}
	if err := msg.To(w.c.To); err != nil {
		return nil, err
	}
	sum := sha256.Sum256([]byte(m.ID))
	msg.SetMessageIDWithValue(hex.EncodeToString(sum[:16]) + "@" + w.domain)
	msg.SetDate()
	msg.Subject(alert.OneLine(m.Title, 200))
	msg.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834: nobody's holiday answers it
	if m.Severity >= alert.Critical && m.Kind != alert.Clear {
		msg.SetGenHeader("Importance", "high") // RFC 2156
	}
	lines := []string{alert.Clip(m.Body, 64<<10)}
	if m.Link != "" {
		lines = append(lines, "", m.Link)
	}
	if m.Head != "" {
		lines = append(lines, "", "Job book: "+m.Head)
	}
	lines = append(lines, "", "-- ", alert.OneLine(strings.TrimSpace(w.c.Sender+" "+m.At.UTC().Format(time.RFC3339)), 200))
	msg.SetBodyString(mail.TypeTextPlain, strings.Join(lines, "\n"))
	return msg, nil
}

// fail makes the typed error. A refusal of the 5xx kind is for good (RFC 5321, 4.2.1), all else is worth another try.
func (w *Way) fail(ctx context.Context, err error, temporary bool) error {
	out := &alert.SendError{Way: name, Temporary: temporary}
	var ofServer *textproto.Error
	var ofLibrary *mail.SendError
	switch {
	case errors.As(err, &ofServer):
		out.Status = int64(ofServer.Code)
	case errors.As(err, &ofLibrary):
		out.Status = int64(ofLibrary.ErrorCode())
	}
	if out.Status >= 500 {
		out.Temporary = false
	}
	text := alert.OneLine(alert.Redact(err.Error(), w.c.Password, "\x00"+w.c.User+"\x00"+w.c.Password), 500)
	if ctx.Err() != nil {
		out.Temporary, out.Err = true, fmt.Errorf("no answer in time: %w (%s)", ctx.Err(), text)
		return out
	}
	out.Err = errors.New(text)
	return out
}
