package mqtt

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"tackline/sensors"
)

// Way is the way of these nodes in their keys.
const Way = "mqtt"

// MaxPayload is the largest message that is looked at, in bytes.
const MaxPayload = 64 << 10

// Topic says what the messages of a topic mean.
type Topic struct {
	Filter    string  // MQTT topic filter, with + and # as usual
	NodeLevel int64   // level of the topic that is the node's number, the first is 1; 0: it is in the message
	Node      string  // else JSON Pointer of the number in the message
	Fields    []Field // the quantities
	Time      string  // JSON Pointer of the time of the readings; "none" where there is none
	Age       string  // JSON Pointer of their age in seconds; "none" where there is none
	// Online says that messages tell whether the node is there, and nothing else: the words online and offline, true and false, 1 and 0, bare or
	// under State.
	Online bool
	State  string // JSON Pointer of that word
}

// None is the pointer of what a message does not have. The empty pointer is the whole message.
const None = "none"

// Field says where a quantity stands in a message, and in which unit.
type Field struct {
	Quantity sensors.Quantity
	At       string // JSON Pointer; "" where the whole message is the number
	Unit     string // as Units lists; "" is that of the quantity
}

// unit turns a number of a message into the unit of its quantity: v*factor + offset.
type unit struct{ factor, offset float64 }

// unitsOf gives the units of a quantity. Sources: NIST SP 811, appendix B (degree Fahrenheit, conventional millimetre and inch of mercury).
func unitsOf(q sensors.Quantity) map[string]unit {
	switch q {
	case sensors.Temperature:
		return map[string]unit{"C": {1, 0}, "F": {5.0 / 9, -160.0 / 9}, "K": {1, -273.15}, "mC": {1e-3, 0}, "cC": {1e-2, 0}}
	case sensors.Humidity:
		return map[string]unit{"%": {1, 0}, "ratio": {100, 0}}
	case sensors.Pressure:
		return map[string]unit{"hPa": {1, 0}, "mbar": {1, 0}, "Pa": {1e-2, 0}, "kPa": {10, 0}, "mmHg": {1.333224, 0}, "inHg": {33.86389, 0}}
	}
	return map[string]unit{"%": {1, 0}}
}

// Units lists the units in which a quantity may come, its own first.
func Units(q sensors.Quantity) []string {
	switch q {
	case sensors.Temperature:
		return []string{"C", "F", "K", "cC", "mC"}
	case sensors.Humidity:
		return []string{"%", "ratio"}
	case sensors.Pressure:
		return []string{"hPa", "mbar", "Pa", "kPa", "mmHg", "inHg"}
	}
	return []string{"%"}
}

// Check finds what is wrong with the mapping of a topic.
func (t Topic) Check() error {
	var wrong []error
	levels := strings.Split(t.Filter, "/")
	if err := checkFilter(levels); err != nil {
		wrong = append(wrong, err)
	}
	switch {
	case t.NodeLevel < 0 || t.NodeLevel > int64(len(levels)) && levels[len(levels)-1] != "#":
		wrong = append(wrong, fmt.Errorf("the topic has no level %d: it has %d", t.NodeLevel, len(levels)))
	case t.NodeLevel == 0 && t.Node == "":
		wrong = append(wrong, errors.New("it is not said where the node's number is: want node_level, or node as a JSON Pointer"))
	}
	for _, p := range []struct{ name, pointer string }{{"node", t.Node}, {"time", t.Time}, {"age", t.Age}, {"state", t.State}} {
		if err := CheckPointer(p.pointer); p.pointer != None && err != nil {
			wrong = append(wrong, fmt.Errorf("%s: %w", p.name, err))
		}
	}
	for _, f := range t.Fields {
		if err := CheckPointer(f.At); err != nil {
			wrong = append(wrong, fmt.Errorf("%s: %w", f.Quantity, err))
		}
		if _, ok := unitsOf(f.Quantity)[f.Unit]; f.Unit != "" && !ok {
			wrong = append(wrong, fmt.Errorf("%s: unknown unit %q: want one of %s", f.Quantity, f.Unit, strings.Join(Units(f.Quantity), ", ")))
		}
	}
	if t.Online == (len(t.Fields) > 0) {
		wrong = append(wrong, errors.New("want quantities, or online = true where the messages only say whether the node is there"))
	}
	return errors.Join(wrong...)
}

// checkFilter holds a filter to MQTT 5, section 4.7: wildcards stand for whole levels, # is the last.
func checkFilter(levels []string) error {
	whole := strings.Join(levels, "/")
	if whole == "" || len(whole) > 512 || strings.ContainsRune(whole, 0) {
		return fmt.Errorf("topic filter %.60q: want 1 to 512 bytes", whole)
	}
	for i, l := range levels {
		if l != "+" && l != "#" && strings.ContainsAny(l, "+#") || l == "#" && i < len(levels)-1 {
			return fmt.Errorf("topic filter %q: + and # stand for whole levels, and # for the last only", whole)
		}
	}
	return nil
}

// matches tells whether a topic fits a filter. Topics that begin with $ fit no wildcard at the first level.
func matches(filter, topic string) bool {
	f, t := strings.Split(filter, "/"), strings.Split(topic, "/")
	if strings.HasPrefix(topic, "$") && (f[0] == "+" || f[0] == "#") {
		return false
	}
	for i, l := range f {
		switch {
		case l == "#":
			return true
		case i >= len(t):
			return false
		case l != "+" && l != t[i]:
			return false
		}
	}
	return len(f) == len(t)
}

// CheckPointer tells whether p is a JSON Pointer (RFC 6901): "", or names parted and begun by /, with ~0 for ~ and ~1 for /.
func CheckPointer(p string) error {
	if p != "" && p[0] != '/' || len(p) > 512 {
		return fmt.Errorf("%.60q is no JSON Pointer: want one such as \"/climate/temperature\"", p)
	}
	for i := range len(p) {
		if p[i] == '~' && (i+1 == len(p) || p[i+1] != '0' && p[i+1] != '1') {
			return fmt.Errorf("%q is no JSON Pointer: ~ is written ~0, and / within a name ~1", p)
		}
	}
	return nil
}

// at gives what a JSON Pointer points at; false where there is nothing.
func at(v any, pointer string) (any, bool) {
	if pointer == "" {
		return v, true
	}
	for name := range strings.SplitSeq(pointer[1:], "/") {
		name = strings.ReplaceAll(strings.ReplaceAll(name, "~1", "/"), "~0", "~")
		switch in := v.(type) {
		case map[string]any:
			var ok bool
			if v, ok = in[name]; !ok {
				return nil, false
			}
		case []any:
			i, err := strconv.ParseUint(name, 10, 31)
			if err != nil || i >= uint64(len(in)) || len(name) > 1 && name[0] == '0' {
				return nil, false
			}
			v = in[i]
		default:
			return nil, false
		}
	}
	return v, true
}

// message is what a message says, read by the mapping of its topic.
type message struct {
	number   string // of the node
	readings []sensors.Reading
	online   *bool
	problem  string // what of it could not be used
}

// read takes a message apart. An error means that not even the node is known.
func (t Topic) read(topic string, payload []byte) (message, error) {
	var m message
	body, bodyErr := parse(payload)
	if t.NodeLevel > 0 {
		levels := strings.Split(topic, "/")
		if t.NodeLevel > int64(len(levels)) {
			return m, fmt.Errorf("mqtt: topic %.80q has no level %d", topic, t.NodeLevel)
		}
		m.number = levels[t.NodeLevel-1]
	} else {
		v, ok := at(body, t.Node)
		if bodyErr != nil || !ok {
			return m, fmt.Errorf("mqtt: message on %.80q has no node number at %s", topic, t.Node)
		}
		m.number = text(v)
	}
	if bodyErr != nil {
		m.problem = bodyErr.Error()
		return m, nil
	}
	if t.Online {
		m.online, m.problem = t.word(body)
		return m, nil
	}
	t.values(body, &m)
	return m, nil
}

// parse reads JSON; anything else is a bare word.
func parse(payload []byte) (any, error) {
	if len(payload) > MaxPayload {
		return nil, fmt.Errorf("a message of %d bytes: at most %d are looked at", len(payload), MaxPayload)
	}
	payload = bytes.TrimSpace(payload)
	if len(payload) == 0 {
		return nil, errors.New("an empty message")
	}
	dec := json.NewDecoder(bytes.NewReader(payload))
	dec.UseNumber()
	var v any
	err := dec.Decode(&v)
	if err == nil {
		if _, more := dec.Token(); more == io.EOF {
			return v, nil
		}
	}
	if payload[0] == '{' || payload[0] == '[' {
		return nil, errors.New("no JSON")
	}
	return string(payload), nil
}

func text(v any) string {
	switch v := v.(type) {
	case string:
		return v
	case json.Number:
		return v.String()
	}
	return ""
}

// word reads whether a node is there.
func (t Topic) word(body any) (*bool, string) {
	v, ok := at(body, t.State)
	if !ok {
		return nil, "nothing at " + t.State
	}
	yes, no := true, false
	if b, ok := v.(bool); ok {
		return &b, ""
	}
	switch strings.ToLower(strings.TrimSpace(text(v))) {
	case "online", "true", "1", "on", "yes":
		return &yes, ""
	case "offline", "false", "0", "off", "no":
		return &no, ""
	}
	return nil, fmt.Sprintf("%.20q is neither online nor offline", text(v))
}

// values reads the quantities of a message. What is missing or said to be unknown is left out; what is no number is a problem.
func (t Topic) values(body any, m *message) {
	when, age, problem := t.when(body)
	if problem != "" {
		m.problem = problem
		return
	}
	for _, f := range t.Fields {
		v, ok := at(body, f.At)
		if !ok || v == nil {
			continue
		}
		x, known, err := number(v)
		switch {
		case err != nil:
			m.problem = fmt.Sprintf("%s: %v", f.Quantity, err)
		case known:
			u := unit{1, 0}
			if f.Unit != "" {
				u = unitsOf(f.Quantity)[f.Unit]
			}
			m.readings = append(m.readings, sensors.Reading{Quantity: f.Quantity, Value: x*u.factor + u.offset, At: when, Age: age})
		}
	}
}

// number reads a number. The words that nodes use for "I do not know" are no error and no number.
func number(v any) (x float64, known bool, err error) {
	s := strings.TrimSpace(text(v))
	switch strings.ToLower(s) {
	case "nan", "null", "none", "unknown", "unavailable", "":
		if _, isText := v.(string); isText {
			return 0, false, nil
		}
	}
	x, err = strconv.ParseFloat(s, 64)
	if err != nil || math.IsNaN(x) || math.Abs(x) > 1e9 {
		return 0, false, fmt.Errorf("%.20q is no number", fmt.Sprint(v))
	}
	return x, true, nil
}

// earliest is before any node's clock was right: one that has lost its time begins at 1970, 2000 or thereabouts.
var earliest = time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)

// when reads time and age. A time before 2020 is that of a clock that was not set: it is passed over, and the message is of now.
func (t Topic) when(body any) (time.Time, time.Duration, string) {
	if t.Time != None {
		if v, ok := at(body, t.Time); ok && v != nil {
			at, err := instant(v)
			if err != nil {
				return time.Time{}, 0, "time: " + err.Error()
			}
			if !at.Before(earliest) {
				return at, 0, ""
			}
		}
	}
	if t.Age != None {
		if v, ok := at(body, t.Age); ok && v != nil {
			s, known, err := number(v)
			if err != nil || !known || s < 0 || s > 400*86400 {
				return time.Time{}, 0, fmt.Sprintf("age: %.20q is no number of seconds from 0 to 400 days", fmt.Sprint(v))
			}
			return time.Time{}, time.Duration(s * float64(time.Second)), ""
		}
	}
	return time.Time{}, 0, ""
}

// instant reads a time: RFC 3339 with its offset, or a number of seconds or milliseconds since 1970.
func instant(v any) (time.Time, error) {
	s := strings.TrimSpace(text(v))
	if x, err := strconv.ParseFloat(s, 64); err == nil {
		if math.Abs(x) < 1e11 { // seconds until the year 5138, milliseconds from 1973
			x *= 1000
		}
		if !(x >= 0 && x < 4102444800000) { // 2100
			return time.Time{}, fmt.Errorf("%.30q is no time from 1970 to 2100", s)
		}
		return time.UnixMilli(int64(x)).UTC(), nil
	}
	at, err := time.Parse(time.RFC3339, s)
	if err != nil || at.Year() < 1970 || at.Year() >= 2100 {
		return time.Time{}, fmt.Errorf("%.30q is no time: want RFC 3339 with its offset, or seconds or milliseconds since 1970", s)
	}
	return at.UTC(), nil
}
