package jobbook

import (
	"context"
	"fmt"

	"tackline/advisor"
)

// order gives how far along a state is; touches on one coat should not go back.
func order(s advisor.State) int64 {
	switch s {
	case advisor.StateWet:
		return 0
	case advisor.StateTacky:
		return 1
	case advisor.StateGreen:
		return 2
	case advisor.StateSet:
		return 3
	case advisor.StateFirm:
		return 4
	case advisor.StateSandable:
		return 5
	}
	return 6
}

// meanings says where a touch does not fit the coat or the touches before it. It is worked out from what stands now, so that an undo of the
// other touch settles it.
func meanings(s *State) {
	type surface struct {
		coat    int64
		witness bool
	}
	coats := map[int64]*Coat{}
	for i := range s.Coats {
		coats[s.Coats[i].ID] = &s.Coats[i]
	}
	furthest := map[surface]*Touched{} // of the touches so far
	for i := range s.Touches {
		t := &s.Touches[i]
		c := coats[t.Coat]
		if c == nil {
			continue
		}
		if t.When.Boot == c.Started.Boot && t.When.MS < c.Started.MS {
			t.Means = append(t.Means, fmt.Sprintf("it is before the coat was started, %s: one of the two times is wrong", utc(c.Started.MS)))
		}
		if !c.Running() && t.When.Boot == c.Ended.Boot && t.When.MS > c.Ended.MS {
			t.Means = append(t.Means, fmt.Sprintf("it is after the coat was ended, %s: it counts, the frozen trace does not reach to it", utc(c.Ended.MS)))
		}
		at := surface{t.Coat, t.Witness}
		u := furthest[at]
		switch {
		case u == nil || order(t.State) >= order(u.State):
			furthest[at] = t
		default:
			t.Means = append(t.Means, fmt.Sprintf("it contradicts the touch %q of %s (entry %d): both are kept and the windows grow wider; undo the one that was a slip",
				u.State, utc(u.When.MS), u.ID))
		}
	}
}

// notes says what a command means beside what else is known.
func (b *Book) notes(ctx context.Context, payload Payload, res Result) ([]string, error) {
	switch p := payload.(type) {
	case Touch:
		s, err := b.State(ctx)
		if err != nil {
			return nil, err
		}
		t, ok := find(s.Touches, res.ID, func(t *Touched) int64 { return t.ID })
		if !ok {
			return nil, nil
		}
		return append([]string(nil), t.Means...), nil
	case StartCoat:
		s, err := b.State(ctx)
		if err != nil {
			return nil, err
		}
		return coatNotes(s, res.ID), nil
	case BindNode:
		s, err := b.State(ctx)
		if err != nil {
			return nil, err
		}
		return s.bindingNotes(res.ID), nil
	case ForgetDrum:
		s, err := b.State(ctx)
		if err != nil {
			return nil, err
		}
		return s.forgetNotes(p.DrumData), nil
	case UseStock:
		s, err := b.State(ctx)
		if err != nil {
			return nil, err
		}
		return stockNotes(s, p.Stock), nil
	}
	return nil, nil
}

func coatNotes(s *State, id int64) []string {
	c, ok := s.Coat(id)
	if !ok {
		return nil
	}
	var out []string
	for _, o := range s.CoatsOn(c.Piece) {
		if o.ID == c.ID {
			continue
		}
		if o.Running() && o.ID != c.Over {
			out = append(out, fmt.Sprintf("the %s coat of %s (entry %d) on this piece still runs: end it, or say that this coat lies over it", o.Kind, utc(o.Started.MS), o.ID))
		}
		if o.ID == c.Over && o.Started.Boot == c.Started.Boot && o.Started.MS > c.Started.MS {
			out = append(out, fmt.Sprintf("the coat beneath (entry %d) was started later, %s: one of the two times is wrong", o.ID, utc(o.Started.MS)))
		}
	}
	return out
}
