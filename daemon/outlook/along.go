package outlook

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// along gives what a path such as "hourly.time" or "hours.air.celsius" leads to, as a list. A list on the way is gone through, so that a list of
// objects and an object of lists are read alike.
func along(root any, path string) ([]any, error) {
	at := []any{root}
	listed := false
	for _, name := range strings.Split(path, ".") {
		var next []any
		for _, x := range at {
			if list, ok := x.([]any); ok {
				listed = true
				for _, e := range list {
					v, err := member(e, name, path)
					if err != nil {
						return nil, err
					}
					next = append(next, v)
				}
				continue
			}
			v, err := member(x, name, path)
			if err != nil {
				return nil, err
			}
			next = append(next, v)
		}
		at = next
	}
	if len(at) == 1 && !listed {
		if list, ok := at[0].([]any); ok {
			return list, nil
		}
		return nil, fmt.Errorf("outlook: there is no list at %q", path)
	}
	return at, nil
}

// member gives a member of an object.
func member(x any, name, path string) (any, error) {
	m, ok := x.(map[string]any)
	if !ok {
		return nil, fmt.Errorf("outlook: %q of %q is not there", name, path)
	}
	v, ok := m[name]
	if !ok {
		return nil, fmt.Errorf("outlook: %q of %q is not there; there is %s", name, path, strings.Join(slices.Sorted(maps.Keys(m)), ", "))
	}
	return v, nil
}
