package dashboard

import (
	"tackline/advisor"
)

// batchCard is a mixed pot or tray whose clock runs.
type batchCard struct {
	ID, Rev  int64
	Title    string
	Sub      []string
	Hero     hero
	Says     []string
	Hot      bool // past its time where it may get hot: heat, fume, fire
	Pourable bool // it stands in a pot
}

// batchCards shows what was mixed and not ended, the one with the least time first.
func (h *Handler) batchCards(v View) []batchCard {
	var out []batchCard
	for _, b := range v.Batches {
		c := batchCard{ID: b.ID, Rev: b.Rev, Title: h.tx.get("batch_strokes", b.System), Pourable: b.Vessel == "pot"}
		if b.MassG > 0 {
			c.Title = h.tx.get("batch_of", number(b.MassG, 0), b.System)
		}
		c.Sub = []string{h.tx.get("batch_in_" + b.Vessel), h.tx.get("batch_mixed", clock(b.Mixed, v.At, v.Zone))}
		c.Hero = hero{Big: h.tx.get("hero_cant"), Why: h.tx.get("batch_soon")}
		for i := range v.Advice.Batches {
			if a := &v.Advice.Batches[i]; a.Batch == b.ID {
				h.batchClock(v, a, &c)
			}
		}
		out = append(out, c)
	}
	return out
}

// batchClock says how long a batch can be worked: the early end is the number to act on.
func (h *Handler) batchClock(v View, a *advisor.BatchAdvice, c *batchCard) {
	c.Hero.Why = ""
	c.Hot = a.Phase == advisor.BatchHazard
	switch {
	case a.CantSay != "":
		c.Hero.Why = a.CantSay
	case (a.Phase == advisor.BatchGood || a.Phase == advisor.BatchEnding) && a.Working.Early.Known() && a.Working.Early.Time().After(v.At):
		c.Hero = h.countdown(v, "batch_use_by", a.Working.Early)
	case a.Phase == advisor.BatchGood || a.Phase == advisor.BatchEnding:
		c.Hero = hero{Big: h.tx.get("hero_any"), Label: h.tx.get("batch_ends")}
	default:
		c.Hero = hero{Big: h.tx.get("batch_past")}
	}
	if a.Text != "" {
		c.Says = append(c.Says, a.Text)
	}
	for _, r := range a.Reasons {
		if r.Text != a.Text {
			c.Says = append(c.Says, r.Text)
		}
	}
}
