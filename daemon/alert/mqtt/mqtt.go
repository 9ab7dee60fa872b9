// Package mqtt publishes messages to a broker by MQTT 5 (OASIS standard of 7 March 2019), for whatever listens there: a display, a horn, another
// program. The payload is the JSON object of the webhook. Each message is published with quality of service 1 over a connection of its own, so
// that it counts as accepted only when the broker has acknowledged it to somebody: a broker that says that nobody listens (reason 0x10) is
// tried again.
//
// While Run works a second connection stands, whose will is the word "offline" on the status topic, retained: whoever listens learns of a board
// that went dark within one and a half times 30 s.
package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"
	"time"

	"github.com/eclipse/paho.golang/packets"
	"github.com/eclipse/paho.golang/paho"

	"tackline/daemon/alert"
)

const (
	name        = "mqtt"
	keepAlive   = 30 // s
	longestWait = time.Minute
)

// Config is where to publish. The password is read from its file by the caller.
type Config struct {
	Broker   string // mqtt://host:1883 or mqtts://host:8883
	Topic    string // of the messages; "<topic>/status" says online and offline
	User     string // "" is none
	Password string
	CAFile   string // PEM file of the broker's certificate authority; "" is the system's
	Client   string // client id; "" is "tackline-alert"
	Sender   string // name of the shed
}

// Way publishes to one topic.
type Way struct {
	c    Config
	host *url.URL
	tls  *tls.Config
}

var (
	_ alert.Way      = (*Way)(nil)
	_ alert.Answerer = (*Way)(nil)
	_ alert.Runner   = (*Way)(nil)
)

// New checks the settings. No error holds a secret.
func New(c Config) (*Way, error) {
	u, err := url.Parse(c.Broker)
	if err != nil || u.Hostname() == "" || u.Scheme != "mqtt" && u.Scheme != "mqtts" || u.User != nil || u.Path != "" && u.Path != "/" {
		return nil, errors.New("mqtt: broker: want mqtt://host:1883 or mqtts://host:8883, without a user")
	}
	if c.Topic == "" || strings.ContainsAny(c.Topic, "+#\x00") || len(c.Topic) > 1000 {
		return nil, fmt.Errorf("mqtt: topic %.80q: want one topic without + and #", c.Topic)
	}
	if c.Client == "" {
		c.Client = "tackline-alert"
	}
	w := &Way{c: c, host: u}
	if u.Scheme == "mqtts" {
		w.tls = &tls.Config{ServerName: u.Hostname(), MinVersion: tls.VersionTLS12}
		if c.CAFile != "" {
			pem, err := os.ReadFile(c.CAFile)
			if err != nil {
				return nil, fmt.Errorf("mqtt: certificate authority: %w", err)
			}
			w.tls.RootCAs = x509.NewCertPool()
			if !w.tls.RootCAs.AppendCertsFromPEM(pem) {
				return nil, errors.New("mqtt: certificate authority: the file holds no certificate in PEM")
			}
		}
	}
	return w, nil
}

// Send does as alert.Way says.
func (w *Way) Send(ctx context.Context, m alert.Message) error {
	_, err := w.Try(ctx, m)
	return err
}

// Try does as alert.Answerer says.
func (w *Way) Try(ctx context.Context, m alert.Message) (string, error) {
	m.Title, m.Body = alert.OneLine(m.Title, 500), alert.Clip(m.Body, 16<<10)
	body, err := json.Marshal(struct {
		Schema string `json:"schema"`
		Sender string `json:"sender"`
		alert.Message
	}{"alert/1", w.c.Sender, m})
	if err != nil {
		return "", &alert.SendError{Way: name, Err: err}
	}
	l, err := w.open(ctx, w.c.Client+"-says", false)
	if err != nil {
		return "", err
	}
	defer l.close()
	got, err := l.publish(ctx, &paho.Publish{Topic: w.c.Topic, Payload: body, QoS: 1, Properties: &paho.PublishProperties{ContentType: "application/json"}})
	switch {
	case got != nil && got.ReasonCode >= 0x80:
		return "", w.refused(got.ReasonCode, "the broker did not take it: ")
	case err != nil:
		return "", w.fail(0, true, fmt.Errorf("publish: %w", l.cause(ctx, err)))
	case got.ReasonCode == noSubscriber:
		return "", w.fail(int64(got.ReasonCode), true, fmt.Errorf("the broker has it, and nobody listens to %s", w.c.Topic))
	}
	return fmt.Sprintf("PUBACK 0x%02x from %s, topic %s", got.ReasonCode, w.host.Host, w.c.Topic), nil
}

// noSubscriber is the reason of MQTT 5 section 3.4.2.1 for a message that reached nobody.
const noSubscriber = 0x10

// Run holds the connection whose end the broker tells, until ctx ends.
func (w *Way) Run(ctx context.Context) {
	for wait := time.Second; ctx.Err() == nil; wait = min(2*wait, longestWait) {
		dialled, cancel := context.WithTimeout(ctx, alert.DefaultTimeout)
		l, err := w.open(dialled, w.c.Client, true)
		if err == nil {
			_, err = l.publish(dialled, w.status("online"))
		}
		cancel()
		if err == nil {
			wait = time.Second
			select {
			case <-l.ended:
			case <-ctx.Done():
			}
		}
		if l != nil {
			if ctx.Err() != nil { // an orderly end takes the will back, and says so itself
				bye, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
				_, _ = l.publish(bye, w.status("offline"))
				cancel()
			}
			l.close()
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
		}
		timer.Stop()
	}
}

func (w *Way) status(word string) *paho.Publish {
	return &paho.Publish{Topic: w.c.Topic + "/status", Payload: []byte(word), QoS: 1, Retain: true}
}

// link is one connection.
type link struct {
	client *paho.Client
	ended  chan struct{}
	why    error // before ended is closed
}

// open connects. With will, its end without a word is told by the broker.
func (w *Way) open(ctx context.Context, client string, will bool) (*link, error) {
	conn, err := w.dial(ctx)
	if err != nil {
		return nil, w.fail(0, true, fmt.Errorf("connect: %w", err))
	}
	l := &link{ended: make(chan struct{})}
	first := make(chan struct{}, 1)
	first <- struct{}{}
	end := func(err error) {
		select {
		case <-first:
			l.why = err
			close(l.ended)
		default: // the first reason is the one
		}
	}
	l.client = paho.NewClient(paho.ClientConfig{ClientID: client, Conn: packets.NewThreadSafeConn(conn), PacketTimeout: alert.DefaultTimeout, OnClientError: end,
		OnServerDisconnect: func(d *paho.Disconnect) { end(fmt.Errorf("the broker ended it: %s", reason(d.ReasonCode))) }})
	hello := &paho.Connect{ClientID: client, CleanStart: true, KeepAlive: keepAlive}
	if w.c.User != "" {
		hello.Username, hello.UsernameFlag, hello.Password, hello.PasswordFlag = w.c.User, true, []byte(w.c.Password), w.c.Password != ""
	}
	if will {
		hello.WillMessage = &paho.WillMessage{Topic: w.c.Topic + "/status", Payload: []byte("offline"), QoS: 1, Retain: true}
	}
	stop := context.AfterFunc(ctx, func() { _ = conn.SetDeadline(time.Now()) }) // the library writes its hello without a context
	ack, err := l.client.Connect(ctx, hello)
	stop()
	switch {
	case ack != nil && (ack.ReasonCode == 0x86 || ack.ReasonCode == 0x87):
		l.close()
		return nil, w.fail(int64(ack.ReasonCode), false, errors.New("the broker refused: it does not know the user or the password, or they may not connect"))
	case ack != nil && ack.ReasonCode >= 0x80:
		l.close()
		return nil, w.refused(ack.ReasonCode, "the broker refused: ")
	case err != nil:
		_ = conn.Close()
		if ctx.Err() != nil {
			err = ctx.Err()
		}
		return nil, w.fail(0, true, fmt.Errorf("connect: %w (is it a broker of MQTT 5?)", err))
	}
	_ = conn.SetDeadline(time.Time{})
	return l, nil
}

func (w *Way) dial(ctx context.Context) (net.Conn, error) {
	port := w.host.Port()
	if port == "" {
		port = map[string]string{"mqtt": "1883", "mqtts": "8883"}[w.host.Scheme]
	}
	address := net.JoinHostPort(w.host.Hostname(), port)
	plain := &net.Dialer{Timeout: alert.DefaultTimeout}
	if w.tls != nil {
		return (&tls.Dialer{NetDialer: plain, Config: w.tls}).DialContext(ctx, "tcp", address)
	}
	return plain.DialContext(ctx, "tcp", address)
}

func (l *link) publish(ctx context.Context, p *paho.Publish) (*paho.PublishResponse, error) {
	waiting, cancel := context.WithCancel(ctx) // of an answer that will not come any more
	defer cancel()
	go func() {
		select {
		case <-l.ended:
			cancel()
		case <-waiting.Done():
		}
	}()
	return l.client.Publish(waiting, p)
}

// cause gives why a connection broke rather than that somebody waited.
func (l *link) cause(ctx context.Context, err error) error {
	select {
	case <-l.ended:
		if ctx.Err() == nil && l.why != nil {
			return l.why
		}
	default:
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return err
}

func (l *link) close() { _ = l.client.Disconnect(&paho.Disconnect{}) } // it may be gone

// refused makes the error of a reason code of MQTT 5, section 2.4. Those of load and of time pass; the others want a person.
func (w *Way) refused(code byte, what string) error {
	temporary := false
	switch code {
	case 0x80, 0x83, 0x88, 0x89, 0x8b, 0x8d, 0x8e, 0x93, 0x96, 0x97, 0x9f:
		temporary = true
	}
	return w.fail(int64(code), temporary, errors.New(what+reason(code)))
}

func reason(code byte) string {
	switch code {
	case 0x84:
		return "it does not speak MQTT 5"
	case 0x85:
		return "it does not take this client id"
	case 0x87:
		return "the user may not do that: look at the broker's access list"
	case 0x88, 0x89:
		return "it is busy"
	case 0x8e:
		return "another client has come with the same client id: each needs its own"
	case 0x90:
		return "it does not allow this topic"
	case 0x95:
		return "the message is too large for it"
	case 0x97:
		return "its quota is used up"
	}
	return fmt.Sprintf("reason 0x%02x", code)
}

func (w *Way) fail(status int64, temporary bool, err error) error {
	if text := err.Error(); alert.Redact(text, w.c.Password) != text {
		err = errors.New(alert.Redact(text, w.c.Password))
	}
	return &alert.SendError{Way: name, Status: status, Temporary: temporary, Err: err}
}
