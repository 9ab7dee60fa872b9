package plan

// Change is what would have to be different for a start to be more likely than not.
type Change struct {
	Text   string  `json:"text"`
	Chance float64 `json:"chance"` // of the best start then
}

func changes(*Input) []Change { return []Change{} }
