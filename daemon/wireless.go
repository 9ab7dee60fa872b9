package daemon

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/sensors"
	"tackline/sensors/mqtt"
	"tackline/sensors/nodes"
	"tackline/sensors/push"
)

// askNodes is how often the queues of wireless nodes are looked into: what waits there keeps its own age.
const askNodes = 2 * time.Second

// wireless is where the reports of wireless nodes come in.
type wireless struct {
	d    *Daemon
	hub  *nodes.Hub
	mqtt *mqtt.Client // nil where there is no broker
	push *push.Handler
}

// newWireless makes the ways by which nodes report, before the probes are opened. Nothing listens yet.
func newWireless(d *Daemon) (*wireless, error) {
	w := &wireless{d: d, hub: nodes.New(nil)}
	c := &d.o.Config
	var err error
	if w.mqtt, err = newBroker(c, w.hub, d); err != nil {
		return nil, err
	}
	var in []push.Credential
	for i, p := range c.Probes {
		if file := p.Options["token_file"]; p.Kind == "push" && file != "" {
			token, err := c.Token(file)
			if err != nil {
				return nil, config.Errors{c.ProbeError(i, err)}
			}
			in = append(in, push.Credential{Token: token, Probe: p.Name})
		}
	}
	if c.Push.TokenFile != "" {
		token, err := c.Token(c.Push.TokenFile)
		if err != nil {
			return nil, fmt.Errorf("daemon: token of the gateway: %w", err)
		}
		in = append(in, push.Credential{Token: token})
	}
	if w.push, err = push.New(push.Options{Credentials: in, Sink: w.hub, Now: d.now, Log: d.log}); err != nil {
		return nil, fmt.Errorf("daemon: %w", err)
	}
	for _, p := range c.Probes {
		if p.Wireless() {
			w.hub.Probe(p.Name, p.StaleAfter)
		}
	}
	return w, w.rebind(d.life)
}

func newBroker(c *config.Config, hub *nodes.Hub, d *Daemon) (*mqtt.Client, error) {
	m := c.MQTT
	if m == nil {
		return nil, nil
	}
	password, err := c.Token(m.PasswordFile)
	if err != nil {
		return nil, fmt.Errorf("daemon: password of the broker: %w", err)
	}
	client, err := mqtt.New(mqtt.Options{Broker: m.Broker, Client: m.Client, User: m.User, Password: password, CAFile: c.Path(m.CAFile), Version: m.Version,
		Status: m.Status, Topics: m.Topics, Sink: hub, Log: d.log})
	if err != nil {
		return nil, fmt.Errorf("daemon: broker: %w", err)
	}
	return client, nil
}

// rebind tells the hub which node is which probe: by the config, and by what the job book says since.
func (w *wireless) rebind(ctx context.Context) error {
	facts, err := w.d.book.State(ctx)
	if err != nil {
		return err
	}
	fixed := map[string]string{}
	for _, p := range w.d.o.Config.Probes {
		switch {
		case p.Wireless() && p.Options["node"] != "":
			fixed[p.Kind+":"+p.Options["node"]] = p.Name
		case p.Wireless() && p.Options["token_file"] != "":
			fixed[push.NodeOf(p.Name)] = p.Name
		}
	}
	w.hub.Bind(facts.NodesFrom(fixed))
	return nil
}

// checkBinding refuses to bind a node to a probe that the config does not have, or that is no wireless one.
func (w *wireless) checkBinding(p jobbook.Payload) error {
	b, ok := p.(jobbook.BindNode)
	if !ok || b.Probe == "" {
		return nil
	}
	var names []string
	for _, c := range w.d.o.Config.Probes {
		if c.Wireless() && c.Options["token_file"] == "" {
			names = append(names, c.Name)
		}
		if c.Name == b.Probe && c.Wireless() && c.Options["token_file"] == "" {
			return nil
		}
	}
	return &jobbook.Invalid{Kind: b.Kind(), Fields: []jobbook.FieldError{{Field: "probe",
		Problem: fmt.Sprintf("%q is no probe of the config that a node can be bound to: there are %q (kind mqtt, or push without a token of its own)", b.Probe, names)}}}
}

// NodeReport is a node as the API shows it.
type NodeReport struct {
	Node    string      `json:"node"`
	Probe   *string     `json:"probe"` // null: unassigned
	Heard   *time.Time  `json:"heard"` // null: not since the daemon began
	Reports int64       `json:"reports"`
	Dropped int64       `json:"dropped"`
	Problem string      `json:"problem,omitempty"`
	Last    []lastValue `json:"last"`
}

type lastValue struct {
	Quantity string     `json:"quantity"`
	Value    float64    `json:"value"`
	At       *time.Time `json:"at"` // the node's own time; null: it has none
	Status   string     `json:"status"`
}

type brokerLine struct {
	Connected bool       `json:"connected"`
	Since     *time.Time `json:"since"`
	Connects  int64      `json:"connects"`
	Messages  int64      `json:"messages"`
	Unread    int64      `json:"unread"` // messages of which not even the node could be told
	Problem   string     `json:"problem,omitempty"`
}

func pointer(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

// nodesJSON is every node that is bound or was heard.
type nodesJSON struct {
	Nodes     []NodeReport `json:"nodes"`
	Forgotten int64        `json:"forgotten"` // unassigned nodes that had to make room
	Broker    *brokerLine  `json:"broker"`    // null: none is configured
}

// list serves GET /api/v1/nodes: every node that is bound or was heard; those without a probe are unassigned.
func (w *wireless) list(rw http.ResponseWriter, r *http.Request) {
	out := nodesJSON{Nodes: []NodeReport{}, Forgotten: w.hub.Forgotten()}
	for _, n := range w.hub.Nodes() {
		out.Nodes = append(out.Nodes, nodeReport(n))
	}
	if w.mqtt != nil {
		s := w.mqtt.State()
		out.Broker = &brokerLine{Connected: s.Connected, Since: pointer(s.Since), Connects: s.Connects, Messages: s.Messages, Unread: s.Unread, Problem: s.Problem}
	}
	w.d.reply(rw, r, http.StatusOK, out)
}

func nodeReport(n nodes.Node) NodeReport {
	line := NodeReport{Node: n.Key, Heard: pointer(n.Heard), Reports: n.Reports, Dropped: n.Dropped, Problem: n.Problem, Last: []lastValue{}}
	if n.Probe != "" {
		line.Probe = &n.Probe
	}
	for _, l := range n.Last {
		line.Last = append(line.Last, lastOf(l))
	}
	return line
}

func lastOf(l sensors.Reading) lastValue {
	return lastValue{Quantity: l.Quantity.String(), Value: l.Value, At: pointer(l.At), Status: l.Status.String()}
}
