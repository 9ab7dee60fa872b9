package config

import (
	"fmt"
	"strings"

	"tackline/sensors"
	"tackline/sensors/mqtt"
	"tackline/sensors/nodes"
)

// MQTT says where the broker of the wireless nodes is, and what their messages mean.
type MQTT struct {
	Broker       string
	Client       string
	User         string
	PasswordFile string
	CAFile       string
	Version      string
	Status       string // topic on which the daemon says that it is there
	Topics       []mqtt.Topic
}

// Push says who may push readings beside the probes that have a token of their own.
type Push struct {
	TokenFile string // of a gateway that speaks for several nodes; "" where there is none
}

func parseMQTT(top *section) *MQTT {
	t, ok := top.table("mqtt")
	if !ok {
		return nil
	}
	m := &MQTT{Broker: t.need("broker", `the broker's address, such as "mqtt://127.0.0.1:1883" or "mqtts://broker.example.org:8883"`)}
	m.Client = t.text("client", "tackline", "a client id of its own")
	m.User = t.text("user", "", "a user of the broker")
	m.PasswordFile = t.text("password_file", "", tokenFileWant)
	m.CAFile = t.text("ca_file", "", "a PEM file of the broker's certificate authority")
	m.Version = t.choice("version", mqtt.V5, []string{mqtt.V5, mqtt.V311})
	m.Status = t.text("status", "tackline/status", "a topic")
	for _, s := range t.tables("topic") {
		m.Topics = append(m.Topics, parseTopic(s))
	}
	if len(m.Topics) == 0 {
		t.d.fail(t.path, nil, "has no topic", "want a [[mqtt.topic]]")
	}
	if strings.ContainsAny(m.Status, "+#") {
		t.fail("status", "has a wildcard", "want one topic, such as \"tackline/status\"")
	}
	if err := brokerAddress(m.Broker); m.Broker != "" && err != nil {
		t.d.fail(t.sub("broker"), nil, "is no address of a broker", `want mqtt://host:1883, or mqtts://host:8883; the user stands under user, the password in a file`)
	}
	t.done()
	return m
}

func brokerAddress(broker string) error {
	_, err := mqtt.New(mqtt.Options{Broker: broker, Sink: nodes.New(nil), Topics: []mqtt.Topic{{Filter: "a", NodeLevel: 1, Online: true}}})
	return err
}

func parseTopic(s *section) mqtt.Topic {
	const pointer = `a JSON Pointer such as "/climate/temperature"`
	t := mqtt.Topic{Filter: s.need("filter", `a topic filter such as "yard/+/climate"`), Time: mqtt.None, Age: mqtt.None}
	t.NodeLevel = s.whole("node_level", 0, 1, 64)
	t.Node = s.text("node", "", pointer)
	if s.has("node") && s.has("node_level") {
		s.fail("node", "stands beside node_level", "want one of them")
	}
	t.Time, t.Age = s.text("time", t.Time, pointer), s.text("age", t.Age, pointer)
	t.Online = s.flag("online", false)
	t.State = s.text("state", "", pointer)
	for _, q := range sensors.Quantities() {
		if f, ok := s.field(q); ok {
			t.Fields = append(t.Fields, f)
		}
	}
	s.done()
	if err := t.Check(); err != nil && t.Filter != "" {
		for line := range strings.SplitSeq(err.Error(), "\n") {
			wrong, want, _ := strings.Cut(line, ": want ")
			if want != "" {
				want = "want " + want
			}
			s.d.fail(s.path, nil, wrong, want)
		}
	}
	return t
}

// field reads where a quantity stands: a pointer, or a pointer and a unit. A bare number is the pointer "".
func (s *section) field(q sensors.Quantity) (mqtt.Field, bool) {
	key := q.String()
	f := mqtt.Field{Quantity: q}
	v, ok := s.get(key)
	if !ok {
		return f, false
	}
	if v == "" {
		return f, true
	}
	if _, isText := v.(string); isText {
		f.At = s.text(key, "", "a JSON Pointer")
		return f, true
	}
	t, ok := s.table(key)
	if !ok {
		return f, false
	}
	if v, _ := t.get("at"); v != "" {
		f.At = t.text("at", "", "a JSON Pointer")
	}
	f.Unit = t.choice("unit", "", mqtt.Units(q))
	t.done()
	return f, true
}

func parsePushSection(top *section) Push {
	t, ok := top.table("push")
	if !ok {
		return Push{}
	}
	p := Push{TokenFile: t.need("token_file", tokenFileWant)}
	t.done()
	return p
}

// parseNode reads the node that a probe is, where the config fixes it; else the job book has it.
func parseNode(s *section, p *Probe) {
	node := s.text("node", "", "the number of the node, as the list of nodes has it")
	if node == "" {
		return
	}
	if _, err := nodes.Key(p.Kind, node); err != nil {
		s.fail("node", fmt.Sprintf("%.40q is no number of a node", node), fmt.Sprintf("want 1 to %d letters", nodes.MaxNode))
	}
	p.Options["node"] = node
}

func parsePush(s *section, p *Probe) {
	parseNode(s, p)
	if file := s.text("token_file", "", tokenFileWant); file != "" {
		p.Options["token_file"] = file
		if p.Options["node"] != "" {
			s.fail("node", "stands beside token_file", "want one of them: a token of its own, or the node of a gateway")
		}
	}
}

// considerWireless notes probes whose readings have no way to come.
func (c *Config) considerWireless() {
	for i, p := range c.Probes {
		path := fmt.Sprintf("probe[%d]", i)
		switch {
		case p.Kind == "mqtt" && c.MQTT == nil:
			c.doc.fail(path, nil, "is heard by a broker, and there is none", "want an [mqtt] table with the broker and its topics")
		case p.Kind == "push" && p.Options["token_file"] == "" && c.Push.TokenFile == "":
			c.doc.fail(path, nil, "has no token_file, and there is no gateway", "want a token_file of its own, or a [push] table with that of a gateway")
		}
	}
}

func (c Config) lookAtWireless() {
	for i, p := range c.Probes {
		if p.Kind == "push" {
			c.lookAtToken(fmt.Sprintf("probe[%d].token_file", i), p.Options["token_file"])
		}
	}
	c.lookAtToken("push.token_file", c.Push.TokenFile)
	if c.MQTT != nil {
		c.lookAtToken("mqtt.password_file", c.MQTT.PasswordFile)
		if f := c.MQTT.CAFile; f != "" {
			if err := readable(c.Path(f)); err != nil {
				c.doc.fail("mqtt.ca_file", f, fmt.Sprintf("%q cannot be read: %s", f, cause(err)), "want a PEM file")
			}
		}
	}
}
