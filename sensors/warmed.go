package sensors

import (
	"cmp"
	"slices"
)

// Moved is by how many kelvin a thermometer has risen since it was first looked at.
type Moved struct {
	Name string
	By   float64
}

// Warmest names the thermometer that was warmed in a hand: it rose by at least a kelvin, and three times as far as any other. Where none did, or
// two did, ok is false and the one that rose furthest is given. The limits are ours.
func Warmest(list []Moved) (best Moved, ok bool) {
	if len(list) == 0 {
		return Moved{}, false
	}
	list = slices.Clone(list)
	slices.SortStableFunc(list, func(a, b Moved) int { return cmp.Or(cmp.Compare(b.By, a.By), cmp.Compare(a.Name, b.Name)) })
	return list[0], list[0].By >= 1 && (len(list) == 1 || list[0].By >= 3*list[1].By)
}
