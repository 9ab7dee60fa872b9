package plan

import "fmt"

// Change is what would have to be different for a start to be more likely than not.
type Change struct {
	Text   string  `json:"text"`
	WhatIf string  `json:"what_if"` // to be asked for as a what-if
	Chance float64 `json:"chance"`  // of the best start then
}

const (
	// searchMembers is about how many members a search for changes looks at, and searchSure what share of them it asks for, so that all of them
	// then make it more likely than not.
	searchMembers = 12
	searchSure    = 0.6
)

// changes tries what would make a start more likely than not, each thing from little to much, on every fourth start and a part of the members.
func changes(in *Input) []Change {
	thin := *in
	if thin.every() == 1 && thin.Starts > 48 {
		thin.Every, thin.Starts = 4, (thin.Starts+3)/4
	}
	stride := max(1, len(in.Members)/searchMembers)
	thin.Members, thin.Beneath = nil, nil
	for i := stride / 2; i < len(in.Members); i += stride {
		thin.Members = append(thin.Members, in.Members[i])
		if in.Beneath != nil {
			thin.Beneath = append(thin.Beneath, in.Beneath[i])
		}
	}
	from, to := int64(8*60), int64(16*60)
	if in.Hours.EndMin > in.Hours.StartMin {
		from, to = in.Hours.StartMin, in.Hours.EndMin
	}
	clock := func(m int64) string { return fmt.Sprintf("%d:%02d", m/60, m%60) }
	warmer := func(k float64, from, to int64) WhatIf { return WhatIf{Deed: Tent, Value: k, FromMin: from, ToMin: to} }
	kelvins := []float64{1, 2, 3, 4, 5, 6, 8, 10, 12, 15}
	families := []func(i int) (text string, list []WhatIf, ok bool){
		func(i int) (string, []WhatIf, bool) {
			if i >= len(kelvins) {
				return "", nil, false
			}
			return fmt.Sprintf("%.0f K warmer from %s to %s", kelvins[i], clock(from), clock(to)), []WhatIf{warmer(kelvins[i], from, to)}, true
		},
		func(i int) (string, []WhatIf, bool) {
			if i >= len(kelvins) {
				return "", nil, false
			}
			return fmt.Sprintf("%.0f K warmer day and night", kelvins[i]), []WhatIf{warmer(kelvins[i], 0, 0)}, true
		},
		func(i int) (string, []WhatIf, bool) {
			share := 0.1 * float64(i+1)
			return fmt.Sprintf("%d %% less water vapour in the air", 10*(i+1)), []WhatIf{{Deed: Dry, Value: share}}, i < 5
		},
		func(i int) (string, []WhatIf, bool) {
			spans := [...][2]int64{{from - 60, to + 120}, {from - 120, to + 240}, {0, 24 * 60}}
			if i >= len(spans) || in.Hours.EndMin <= in.Hours.StartMin {
				return "", nil, false
			}
			a, b := max(0, spans[i][0]), min(24*60, spans[i][1])
			return fmt.Sprintf("working hours from %s to %s", clock(a), clock(b)), []WhatIf{{Deed: Longer, FromMin: a, ToMin: b}}, true
		},
		func(i int) (string, []WhatIf, bool) {
			return "batches half as large", []WhatIf{{Deed: Thinner, Value: 0.5}}, i < 1
		},
		func(i int) (string, []WhatIf, bool) {
			if i >= len(kelvins) {
				return "", nil, false
			}
			return fmt.Sprintf("%.0f K warmer day and night, and working hours from 6:00 to 22:00", kelvins[i]),
				[]WhatIf{warmer(kelvins[i], 0, 0), {Deed: Longer, FromMin: 6 * 60, ToMin: 22 * 60}}, true
		},
	}
	out := []Change{}
	for f, family := range families {
		if f == len(families)-1 && len(out) > 0 {
			break // two things at once only where none alone is enough
		}
		for i := 0; ; i++ {
			text, list, ok := family(i)
			if !ok {
				break
			}
			c := thin.do(list)
			r, err := rank(&c.in)
			if err != nil {
				break
			}
			if top, _ := r.top(); top >= searchSure {
				out = append(out, Change{text, Join(list), top})
				break
			}
		}
	}
	return out
}
