package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"sync"
	"time"

	paho5 "github.com/eclipse/paho.golang/paho"
	paho3 "github.com/eclipse/paho.mqtt.golang"
)

// keepAlive is how often a connection that is silent is tried, in seconds; a broker that vanished is noticed within one and a half of it.
const keepAlive = 30

// tlsConfig gives the rules of a secure connection; nil for a plain one.
func (c *Client) tlsConfig() (*tls.Config, error) {
	if c.host.Scheme != "mqtts" {
		return nil, nil
	}
	conf := &tls.Config{ServerName: c.host.Hostname(), MinVersion: tls.VersionTLS12}
	if c.o.CAFile != "" {
		pem, err := os.ReadFile(c.o.CAFile)
		if err != nil {
			return nil, fmt.Errorf("mqtt: certificate authority: %w", err)
		}
		conf.RootCAs = x509.NewCertPool()
		if !conf.RootCAs.AppendCertsFromPEM(pem) {
			return nil, errors.New("mqtt: certificate authority: the file holds no certificate in PEM")
		}
	}
	return conf, nil
}

func (c *Client) dial(ctx context.Context) (net.Conn, error) {
	port := c.host.Port()
	if port == "" {
		port = map[string]string{"mqtt": "1883", "mqtts": "8883"}[c.host.Scheme]
	}
	conf, err := c.tlsConfig()
	if err != nil {
		return nil, err
	}
	address := net.JoinHostPort(c.host.Hostname(), port)
	if conf != nil {
		return (&tls.Dialer{Config: conf}).DialContext(ctx, "tcp", address)
	}
	return (&net.Dialer{}).DialContext(ctx, "tcp", address)
}

// link5 is a connection of version 5.
type link5 struct {
	client *paho5.Client
	ended  chan error
}

func (c *Client) open5(ctx context.Context) (link, error) {
	conn, err := c.dial(ctx)
	if err != nil {
		return nil, fmt.Errorf("mqtt: connect: %w", err)
	}
	l := &link5{ended: make(chan error, 1)}
	end := func(err error) {
		select {
		case l.ended <- err:
		default: // the first reason is the one
		}
	}
	l.client = paho5.NewClient(paho5.ClientConfig{ClientID: c.o.Client, Conn: threadSafe(conn), PacketTimeout: 10 * time.Second,
		OnPublishReceived: []func(paho5.PublishReceived) (bool, error){func(p paho5.PublishReceived) (bool, error) {
			c.take(p.Packet.Topic, p.Packet.Payload, p.Packet.Retain)
			return true, nil
		}},
		OnClientError:      end,
		OnServerDisconnect: func(d *paho5.Disconnect) { end(fmt.Errorf("the broker ended it: %s", refusal5(d.ReasonCode))) }})
	hello := &paho5.Connect{ClientID: c.o.Client, CleanStart: true, KeepAlive: keepAlive}
	if c.o.User != "" {
		hello.Username, hello.UsernameFlag, hello.Password, hello.PasswordFlag = c.o.User, true, []byte(c.o.Password), c.o.Password != ""
	}
	if c.o.Status != "" {
		hello.WillMessage = &paho5.WillMessage{Topic: c.o.Status, Payload: []byte("offline"), QoS: 1, Retain: true}
	}
	ack, err := l.client.Connect(ctx, hello)
	if err != nil {
		_ = conn.Close()
		if ack != nil && ack.ReasonCode >= 0x80 {
			return nil, fmt.Errorf("mqtt: the broker refused: %s", refusal5(ack.ReasonCode))
		}
		return nil, fmt.Errorf("mqtt: connect: %w (a broker of version 3.1.1 alone needs version = %q)", err, V311)
	}
	subscribe := &paho5.Subscribe{}
	for _, t := range c.o.Topics {
		subscribe.Subscriptions = append(subscribe.Subscriptions, paho5.SubscribeOptions{Topic: t.Filter, QoS: 1})
	}
	got, err := l.client.Subscribe(ctx, subscribe)
	if err != nil {
		l.close()
		if got != nil {
			for i, r := range got.Reasons {
				if r >= 0x80 && i < len(c.o.Topics) {
					return nil, fmt.Errorf("mqtt: the broker refused topic %q, reason 0x%02x", c.o.Topics[i].Filter, r)
				}
			}
		}
		return nil, fmt.Errorf("mqtt: subscribe: %w", err)
	}
	return l, nil
}

// refusal5 gives the reasons of MQTT 5, sections 3.2.2.2 and 3.14.2.1, that a person can do something about.
func refusal5(code byte) string {
	switch code {
	case 0x84:
		return fmt.Sprintf("it does not speak version 5: set version = %q", V311)
	case 0x85:
		return "it does not take this client id"
	case 0x8e:
		return "another client has come with the same client id: each needs its own"
	case 0x86, 0x87:
		return "it does not know the user or the password, or they may not connect"
	}
	return fmt.Sprintf("reason 0x%02x", code)
}

func (l *link5) lost() <-chan error { return l.ended }

func (l *link5) publish(ctx context.Context, topic, word string) error {
	_, err := l.client.Publish(ctx, &paho5.Publish{Topic: topic, Payload: []byte(word), QoS: 1, Retain: true})
	return err
}

func (l *link5) close() { _ = l.client.Disconnect(&paho5.Disconnect{}) } // it may be gone

// lockedConn lets several goroutines write: a write under TLS is not one piece by itself.
type lockedConn struct {
	net.Conn
	mu sync.Mutex
}

func (c *lockedConn) Write(b []byte) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.Conn.Write(b)
}

func threadSafe(c net.Conn) net.Conn { return &lockedConn{Conn: c} }

// link311 is a connection of version 3.1.1.
type link311 struct {
	client paho3.Client
	ended  chan error
}

func (c *Client) open311(ctx context.Context) (link, error) {
	l := &link311{ended: make(chan error, 1)}
	o := paho3.NewClientOptions().AddBroker(c.host.String()).SetClientID(c.o.Client).SetProtocolVersion(4).SetCleanSession(true).
		SetAutoReconnect(false).SetConnectRetry(false).SetKeepAlive(keepAlive * time.Second).SetConnectTimeout(10 * time.Second).
		SetOrderMatters(true).SetUsername(c.o.User).SetPassword(c.o.Password).SetCustomOpenConnectionFn(
		func(_ *url.URL, _ paho3.ClientOptions) (net.Conn, error) { return c.dial(ctx) })
	o.SetDefaultPublishHandler(func(_ paho3.Client, m paho3.Message) { c.take(m.Topic(), m.Payload(), m.Retained()) })
	o.SetConnectionLostHandler(func(_ paho3.Client, err error) { l.ended <- err })
	if c.o.Status != "" {
		o.SetWill(c.o.Status, "offline", 1, true)
	}
	l.client = paho3.NewClient(o)
	if err := done(ctx, l.client.Connect()); err != nil {
		l.client.Disconnect(0)
		return nil, fmt.Errorf("mqtt: connect: %w", err)
	}
	filters := map[string]byte{}
	for _, t := range c.o.Topics {
		filters[t.Filter] = 1
	}
	token := l.client.SubscribeMultiple(filters, nil)
	err := done(ctx, token)
	if t, ok := token.(*paho3.SubscribeToken); ok && err == nil {
		for filter, code := range t.Result() {
			if code >= 0x80 {
				err = fmt.Errorf("the broker refused topic %q", filter)
			}
		}
	}
	if err != nil {
		l.close()
		return nil, fmt.Errorf("mqtt: subscribe: %w", err)
	}
	return l, nil
}

// done waits for what a token stands for.
func done(ctx context.Context, t paho3.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (l *link311) lost() <-chan error { return l.ended }

func (l *link311) publish(ctx context.Context, topic, word string) error {
	return done(ctx, l.client.Publish(topic, 1, true, word))
}

func (l *link311) close() { l.client.Disconnect(100) }
