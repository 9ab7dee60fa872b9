package drivers

import (
	"tackline/sensors/nodes"
)

func checkNode(_ *Set, spec Spec) error {
	if node := spec.Options["node"]; node != "" {
		_, err := nodes.Key(spec.Kind, node)
		return err
	}
	return nil
}

// openNode opens a probe of a wireless node. Which node that is, the hub knows.
func openNode(s *Set, spec Spec) (Opened, error) {
	return Opened{Probe: s.env.Nodes.Probe(spec.Name, 0), Bus: spec.Kind + " " + spec.Name}, nil
}
