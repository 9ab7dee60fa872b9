package jobbook

import (
	"encoding/json"
	"fmt"
	"strings"
)

// BindNode says which probe a wireless node is. A node that was another probe before, and a probe that was another node (a new battery, a new
// number), are moved: readings are kept by probe, so its history goes on, and the journal has who bound what, when, and what was there before.
type BindNode struct {
	Node  string `json:"node"`  // way and number as the list of nodes has it, such as mqtt:a4c138f2
	Probe string `json:"probe"` // name of the probe; "" for none
}

// Kind is "bind-node".
func (BindNode) Kind() string { return "bind-node" }

func (p BindNode) check(c *checker) {
	c.name("node", p.Node)
	way, number, ok := strings.Cut(p.Node, ":")
	if p.Node != "" && (!ok || way == "" || number == "") {
		c.fail("node", "%q has no way: want it as the list of nodes has it, such as mqtt:a4c138f2", p.Node)
	}
	c.optionalName("probe", p.Probe)
}

func (p BindNode) apply(a *applier) error {
	all, err := a.l.all()
	if err != nil {
		return err
	}
	s := &State{}
	for _, r := range sortedRefs(all) {
		if r.class != classBinding {
			continue
		}
		var b Binding
		if err := json.Unmarshal(all[r], &b); err != nil {
			return fmt.Errorf("jobbook: %s %d in the book cannot be read: %w", r.class, r.id, err)
		}
		if b.Withdrawn == 0 {
			s.Bindings = append(s.Bindings, b)
		}
	}
	was := ""
	if p.Probe != "" {
		for node, probe := range s.Nodes() {
			if probe == p.Probe {
				was = node
			}
		}
	}
	return a.l.set(classBinding, &Binding{Head: a.newHead(), Node: p.Node, Probe: p.Probe, Was: was})
}

// Nodes gives the probe of every node that is bound.
func (s *State) Nodes() map[string]string { return s.NodesFrom(nil) }

// NodesFrom gives the probe of every node, where some are bound by the config: what was said in the book goes before it.
func (s *State) NodesFrom(config map[string]string) map[string]string {
	out, by := map[string]string{}, map[string]string{}
	for node, probe := range config {
		out[node], by[probe] = probe, node
	}
	for _, b := range s.Bindings {
		delete(by, out[b.Node])
		delete(out, b.Node)
		if b.Probe != "" {
			delete(out, by[b.Probe])
			out[b.Node], by[b.Probe] = b.Probe, b.Node
		}
	}
	return out
}

func (s *State) bindingNotes(id int64) []string {
	b, ok := find(s.Bindings, id, func(b *Binding) int64 { return b.ID })
	if !ok || b.Was == "" || b.Was == b.Node {
		return nil
	}
	return []string{fmt.Sprintf("%q was node %s until now: its history goes on with %s", b.Probe, b.Was, b.Node)}
}
