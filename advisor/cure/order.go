package cure

import (
	"errors"
	"fmt"
	"math"
)

// checkOrder solves the system at every kelvin from lowest_c to 35 C and refuses it where a mark comes before the one that it follows.
// Only the later three move against the first two, because those are carried by Tg: a recoat window that shuts before the fabric can no
// longer sink in means that the marks do not belong together.
func (s *System) checkOrder(f *findings) {
	m, err := build(*s)
	if err != nil {
		var fe *FieldError
		if !errors.As(err, &fe) {
			fe = &FieldError{"kinetics", "not solvable", "figures that give a course: " + err.Error()}
		}
		*f = append(*f, fe)
		return
	}
	table := "marks."
	if s.Times != nil {
		table = "times."
		for i := 1; i < 5; i++ {
			if !(m.marks.conv[i] > m.marks.conv[i-1]) {
				f.add(table+markNames[i], figure(s.Times.all()[i]), "a time at which the reaction is not yet over; check [pot]")
				return
			}
		}
	}
	for tempC := s.LowestC; ; tempC = math.Min(tempC+1, hottestC) {
		c, err := m.isothermal(tempC, longest, Options{})
		if err != nil {
			f.add("kinetics", "not solvable", fmt.Sprintf("figures that give a course at %s C: %v", figure(tempC), err))
			return
		}
		for i := int(TackCloses); i <= int(Sandable); i++ {
			if mis := c.outOfOrder(i); mis != "" {
				f.add(table+markNames[i], mis+fmt.Sprintf(" at %s C", figure(tempC)),
					fmt.Sprintf("marks that keep their order from lowest_c (%s) to 35 C: move it up, %s down, or raise lowest_c",
						figure(s.LowestC), markNames[i-1]))
				return
			}
		}
		if tempC >= hottestC {
			return
		}
	}
}

// outOfOrder tells whether mark i, as stated, comes no later than the one before it: "" if not, else how. RecoatCloses is taken as
// MarkAt gives it, the tack marks as they are stated.
func (c *Course) outOfOrder(i int) string {
	stated := func(i int) (float64, bool) {
		if Mark(i) == RecoatCloses {
			at, ok := c.MarkAt(RecoatCloses)
			return at - c.start, ok
		}
		return c.at[i], c.found[i]
	}
	mine, ok := stated(i)
	if !ok {
		return "" // never reached: the next cannot be either
	}
	if before, ok := stated(i - 1); ok && before < mine {
		return ""
	}
	return fmt.Sprintf("reached %s min after the start, not after %s", figure(math.Round(mine/6)/10), markNames[i-1])
}
