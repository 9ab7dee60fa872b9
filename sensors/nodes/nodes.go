// Package nodes has what wireless nodes have in common, however their reports come: a node is known by the number that its maker or its
// battery gave it, a probe is what the shed calls it, and a binding ties the two. So a node can be replaced and the probe's history goes on.
//
// Reports of a bound node wait in the queue of its probe until the poller reads it. Queues are bounded: a node that floods loses its own
// reports, which are counted, and nobody else's. Nodes that are bound to no probe are listed as unassigned, and nothing of them is used.
package nodes

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"tackline/sensors"
)

// Limits of what nodes may cost.
const (
	MaxUnassigned = 200  // nodes without a probe that are listed; the one that was heard longest ago makes room
	MaxQueue      = 8192 // readings that wait for the poller, for each probe
	MaxRead       = 256  // readings that one Read gives
	MaxNode       = 100  // letters of a node's number
	perSecond     = 8    // readings a second and probe that are kept in the long run: four quantities twice a second. Ours
)

// ErrFull is wrapped by the error of a Put that found no room; nothing of it was taken.
var ErrFull = errors.New("queue full")

// ErrBadNode is wrapped by the errors of a node whose number cannot be one.
var ErrBadNode = errors.New("no number of a node")

// Report is what a node said at once.
type Report struct {
	Node     string            // way and number, such as mqtt:a4c138f2: see Key
	Readings []sensors.Reading // with At where the node has a clock, with Age where it counted; else of now
	// Retained says that a broker kept it from before: without a time of its own its age is unknown, and it is listed and never stored.
	Retained bool
	// Whole says that the report is taken whole or refused with ErrFull. Otherwise the oldest waiting readings make room, and are counted.
	Whole bool
}

// Key gives the name by which a node is known: the way its reports come and its own number. The error says what is wrong with the number.
func Key(way, number string) (string, error) {
	number = strings.TrimSpace(number)
	bad := number == "" || !utf8.ValidString(number) || utf8.RuneCountInString(number) > MaxNode ||
		strings.ContainsFunc(number, func(r rune) bool { return !unicode.IsPrint(r) })
	if bad {
		return "", fmt.Errorf("nodes: %w: %.40q: want 1 to %d letters, none of them hidden", ErrBadNode, number, MaxNode)
	}
	return way + ":" + number, nil
}

// Node is what is known of a node.
type Node struct {
	Key     string
	Probe   string    // the probe that it is bound to; "" where it is unassigned
	Heard   time.Time // when its newest report came; zero where none did
	Reports int64
	Dropped int64             // readings that found no room, or came faster than is kept
	Last    []sensors.Reading // the newest of each quantity, in the order of the quantities
	Problem string            // what the newest report could not be used for, or that the node says it is away; "" where nothing is wrong
}

// Hub takes reports and gives probes. Its methods may be called from many goroutines; none of them waits for anything but another's turn.
type Hub struct {
	now func() time.Time

	mu       sync.Mutex
	nodes    map[string]*node
	bound    map[string]string // node -> probe
	probes   map[string]*Probe
	overflow int64
}

type node struct {
	Node
	away   bool
	credit float64 // readings that may come at once
	paid   time.Time
}

// New gives a hub without nodes. now is the board's clock with its monotonic part; nil is time.Now.
func New(now func() time.Time) *Hub {
	if now == nil {
		now = time.Now
	}
	return &Hub{now: now, nodes: map[string]*node{}, bound: map[string]string{}, probes: map[string]*Probe{}}
}

// Bind says which node is bound to which probe, all of them at once. What waits in the queue of a probe stays: it was said while the other
// node was bound.
func (h *Hub) Bind(all map[string]string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.bound = make(map[string]string, len(all))
	for n, probe := range all {
		h.bound[n] = probe
		h.node(n)
	}
	for _, n := range h.nodes {
		n.Probe = h.bound[n.Key]
	}
	h.makeRoom()
}

// node finds a node or makes it known.
func (h *Hub) node(key string) *node {
	n := h.nodes[key]
	if n == nil {
		n = &node{Node: Node{Key: key, Probe: h.bound[key]}, credit: MaxQueue, paid: h.now()}
		h.nodes[key] = n
	}
	return n
}

// makeRoom forgets unassigned nodes that were heard longest ago, where there are too many: a transmitter with a number that changes must not
// fill the memory. It counts them.
func (h *Hub) makeRoom() {
	for len(h.nodes)-len(h.bound) > MaxUnassigned {
		var oldest *node
		for _, n := range h.nodes {
			if h.bound[n.Key] == "" && (oldest == nil || n.Heard.Before(oldest.Heard) || n.Heard.Equal(oldest.Heard) && n.Key < oldest.Key) {
				oldest = n
			}
		}
		if oldest == nil {
			return
		}
		delete(h.nodes, oldest.Key)
		h.overflow++
	}
}

// Put takes a report. It gives the probe that the node is bound to, "" where it is unassigned: then the report is listed and not kept.
func (h *Hub) Put(r Report) (probe string, err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	now := h.now()
	n := h.node(r.Node)
	p := h.probes[h.bound[r.Node]]
	readings := r.Readings
	if r.Retained {
		readings = slices.DeleteFunc(slices.Clone(readings), func(x sensors.Reading) bool { return x.At.IsZero() })
	}
	if p != nil {
		n.earn(now)
		over := int64(len(p.queue)) + int64(len(readings)) - MaxQueue
		if short := int64(len(readings)) - int64(n.credit); r.Whole && (over > 0 || short > 0) {
			n.Problem = "sends more than is taken"
			return h.bound[r.Node], fmt.Errorf("nodes: %s: %w: %d readings wait", r.Node, ErrFull, len(p.queue))
		}
	}
	n.heard(now, r)
	h.makeRoom()
	if p == nil {
		return h.bound[r.Node], nil
	}
	if !r.Retained {
		p.heard = now
	}
	if room := int64(n.credit); int64(len(readings)) > room { // faster than anybody needs: the newest of a report are as good as all
		n.drop(int64(len(readings)) - room)
		readings = readings[int64(len(readings))-room:]
	}
	n.credit -= float64(len(readings))
	for _, x := range readings {
		p.queue = append(p.queue, waiting{x, now})
	}
	if over := len(p.queue) - MaxQueue; over > 0 {
		n.drop(int64(over))
		p.queue = slices.Delete(p.queue, 0, over)
	}
	return p.name, nil
}

// earn adds the credit of the time that went by.
func (n *node) earn(now time.Time) {
	n.credit = min(MaxQueue, n.credit+now.Sub(n.paid).Seconds()*perSecond)
	n.paid = now
}

func (n *node) drop(count int64) {
	n.Dropped += count
	n.Problem = "sends more than is taken"
}

// heard notes what a node said last.
func (n *node) heard(now time.Time, r Report) {
	n.Reports++
	n.Problem = ""
	if !r.Retained {
		n.Heard, n.away = now, false
	}
	for _, x := range r.Readings {
		if r.Retained && x.At.IsZero() {
			x.Status = sensors.UnknownAge
		}
		i := slices.IndexFunc(n.Last, func(o sensors.Reading) bool { return o.Quantity >= x.Quantity })
		switch {
		case i < 0:
			n.Last = append(n.Last, x)
		case n.Last[i].Quantity != x.Quantity:
			n.Last = slices.Insert(n.Last, i, x)
		case n.Last[i].At.After(x.At) && !x.At.IsZero():
		default:
			n.Last[i] = x
		}
	}
}

// Say notes what could not be used of a node's report.
func (h *Hub) Say(key, problem string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	n := h.node(key)
	n.Problem = problem
	if problem != "" {
		n.Heard = h.now()
	}
	h.makeRoom()
}

// Away notes that a node has said, or its broker for it, that it is gone, or that it is back.
func (h *Hub) Away(key string, away bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	n := h.node(key)
	n.away = away
	h.makeRoom()
}

// Nodes lists all nodes that are bound or were heard, by their names.
func (h *Hub) Nodes() []Node {
	h.mu.Lock()
	defer h.mu.Unlock()
	var all []Node
	for _, n := range h.nodes {
		out := n.Node
		out.Last = slices.Clone(n.Last)
		if n.away {
			out.Problem = "says that it is away"
		}
		all = append(all, out)
	}
	slices.SortFunc(all, func(a, b Node) int { return strings.Compare(a.Key, b.Key) })
	return all
}

// Forgotten gives how many unassigned nodes had to make room for others.
func (h *Hub) Forgotten() int64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.overflow
}

// Waiting gives how many readings of a probe wait for the poller.
func (h *Hub) Waiting(probe string) int64 {
	h.mu.Lock()
	defer h.mu.Unlock()
	if p := h.probes[probe]; p != nil {
		return int64(len(p.queue))
	}
	return 0
}
