package mqtt

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/url"
	"slices"
	"sync"
	"time"

	"tackline/sensors/nodes"
)

// Versions of the protocol.
const (
	V5   = "5"
	V311 = "3.1.1"
)

// Sink takes what nodes say; *nodes.Hub is one. Its methods must not wait.
type Sink interface {
	Put(nodes.Report) (probe string, err error)
	Say(node, problem string)
	Away(node string, away bool)
}

// Options of New. Broker, Topics and Sink are required.
type Options struct {
	Broker   string // mqtt://host:1883, or mqtts://host:8883
	Client   string // client id; "" is tackline
	User     string
	Password string
	CAFile   string // PEM file of the broker's certificate authority; "" is the system's
	Version  string // V5 or V311; "" is V5
	Topics   []Topic
	Status   string        // topic on which we say online, and our will offline; "" says nothing
	Wait     time.Duration // longest time between two tries to connect; 0 is 1 min
	Sink     Sink
	Log      *slog.Logger // nil logs nothing
}

// State is how a client does.
type State struct {
	Connected bool
	Since     time.Time // of Connected, or of its loss; zero before the first try has ended
	Connects  int64
	Messages  int64
	Unread    int64  // messages of which not even the node could be told
	Problem   string // the newest reason for not being connected; "" while connected
}

// Client is a subscriber. Run works until its context ends.
type Client struct {
	o    Options
	host *url.URL

	mu    sync.Mutex
	state State
}

// New checks the options. All that is wrong comes in one error; no error holds a secret.
func New(o Options) (*Client, error) {
	var wrong []error
	u, err := url.Parse(o.Broker)
	if err != nil || u.Host == "" || u.Scheme != "mqtt" && u.Scheme != "mqtts" || u.User != nil || u.Path != "" && u.Path != "/" {
		wrong = append(wrong, errors.New("mqtt: broker: want mqtt://host:1883 or mqtts://host:8883, without a user"))
	}
	if o.Version == "" {
		o.Version = V5
	}
	if o.Version != V5 && o.Version != V311 {
		wrong = append(wrong, fmt.Errorf("mqtt: version %q: want %s or %s", o.Version, V5, V311))
	}
	if o.Client == "" {
		o.Client = "tackline"
	}
	if o.Wait == 0 {
		o.Wait = time.Minute
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Sink == nil || len(o.Topics) == 0 {
		wrong = append(wrong, errors.New("mqtt: want a sink and at least one topic"))
	}
	for _, t := range o.Topics {
		if err := t.Check(); err != nil {
			wrong = append(wrong, fmt.Errorf("mqtt: topic %.80q: %w", t.Filter, err))
		}
	}
	if err := errors.Join(wrong...); err != nil {
		return nil, err
	}
	return &Client{o: o, host: u}, nil
}

// State gives how it does.
func (c *Client) State() State {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.state
}

// Run connects, subscribes and listens until ctx ends. A broker that is not there, goes away or refuses is tried again, for ever.
func (c *Client) Run(ctx context.Context) {
	wait := time.Second
	for ctx.Err() == nil {
		up, err := c.session(ctx)
		if ctx.Err() != nil {
			return
		}
		c.down(err)
		if up > 10*time.Second {
			wait = time.Second
		}
		if !sleep(ctx, min(wait, c.o.Wait)*time.Duration(50+rand.Int64N(50))/75) { // not all clients of a broker at once
			return
		}
		wait = min(2*wait, c.o.Wait)
	}
}

func sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// link is one connection that was made and subscribed, of either version of the protocol.
type link interface {
	lost() <-chan error                                    // gives why it ended, once
	publish(ctx context.Context, topic, word string) error // retained
	close()
}

// session is one connection from its beginning to its end. It gives how long it was up.
func (c *Client) session(ctx context.Context) (time.Duration, error) {
	dialled, cancel := context.WithTimeout(ctx, 15*time.Second)
	defer cancel()
	open := c.open5
	if c.o.Version == V311 {
		open = c.open311
	}
	l, err := open(dialled)
	if err != nil {
		return 0, err
	}
	defer l.close()
	if c.o.Status != "" {
		if err := l.publish(dialled, c.o.Status, "online"); err != nil {
			return 0, fmt.Errorf("mqtt: say online: %w", err)
		}
	}
	began := time.Now()
	c.up()
	select {
	case err = <-l.lost():
		return time.Since(began), fmt.Errorf("mqtt: connection lost: %w", err)
	case <-ctx.Done():
		if c.o.Status != "" { // an orderly end takes the will back
			bye, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
			defer cancel()
			_ = l.publish(bye, c.o.Status, "offline") // the broker may have gone first
		}
		return time.Since(began), ctx.Err()
	}
}

func (c *Client) up() {
	c.mu.Lock()
	c.state.Connected, c.state.Since, c.state.Problem = true, time.Now(), ""
	c.state.Connects++
	c.mu.Unlock()
	c.o.Log.Info("listening for nodes", "broker", c.host.Host)
}

func (c *Client) down(err error) {
	c.mu.Lock()
	was, old := c.state.Connected, c.state.Problem
	c.state.Connected, c.state.Problem = false, err.Error()
	if was || c.state.Since.IsZero() {
		c.state.Since = time.Now()
	}
	c.mu.Unlock()
	if was || old == "" {
		c.o.Log.Warn("no broker to hear nodes by; tried again until there is", "broker", c.host.Host, "error", err)
	}
}

// take takes one message. It waits for nobody: the libraries call it on the goroutine that reads the connection.
func (c *Client) take(topic string, payload []byte, retained bool) {
	read := c.understand(topic, payload, retained)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.state.Messages++
	if !read {
		c.state.Unread++
	}
}

// understand hands on what a message says, by the first topic that fits. It tells whether so much as the node was known.
func (c *Client) understand(topic string, payload []byte, retained bool) bool {
	i := slices.IndexFunc(c.o.Topics, func(t Topic) bool { return matches(t.Filter, topic) })
	if i < 0 {
		return false
	}
	m, err := c.o.Topics[i].read(topic, payload)
	if err != nil {
		return false
	}
	key, err := nodes.Key(Way, m.number)
	if err != nil {
		return false
	}
	if m.online != nil {
		c.o.Sink.Away(key, !*m.online)
		return true
	}
	if len(m.readings) > 0 {
		_, _ = c.o.Sink.Put(nodes.Report{Node: key, Readings: m.readings, Retained: retained}) // not a whole one: it makes room
	}
	if m.problem != "" {
		c.o.Sink.Say(key, m.problem)
	}
	return true
}
