package sensors

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// The one that was warmed in the hand is named, and none where two or none moved.
func TestWarmest(t *testing.T) {
	for _, c := range []struct {
		name string
		list []Moved
		want string
	}{
		{"one in the hand", []Moved{{"bow", 0.1}, {"stem", 4}, {"keel", 0.4}}, "stem"},
		{"none moved enough", []Moved{{"bow", 0.1}, {"stem", 0.9}}, ""},
		{"the sun came in on all", []Moved{{"bow", 2}, {"stem", 3}, {"keel", 2.5}}, ""},
		{"only one is there", []Moved{{"bow", 1.2}}, "bow"},
		{"none is there", nil, ""},
	} {
		m, ok := Warmest(c.list)
		require.Equal(t, c.want != "", ok, c.name)
		if ok {
			require.Equal(t, c.want, m.Name, c.name)
		}
	}
}
