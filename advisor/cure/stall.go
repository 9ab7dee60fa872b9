package cure

import "math"

// Stall says whether a coat has come to rest before it has cured, and of which kind.
type Stall string

// The kinds.
const (
	StallNone  Stall = ""      // it is curing, or has cured
	StallCold  Stall = "cold"  // hard because the film is cold, not cured: it feels firm, warmth restarts it
	StallRatio Stall = "ratio" // the mix lacks one part: it does not cure at any warmth
)

// Stall tells how a coat at conversion a and a film temperature in C stands. StallCold: Tg minus film temperature has reached what it has
// at the sheet's firm mark, but conversion is below nine tenths of the sheet's sandable. StallRatio: what the mix lets react ends below
// that, see WithRatio; it is said at once, hard or not.
func (m Model) Stall(a, tempC float64) Stall {
	enough := SandableShare * m.marks.conv[Sandable]
	switch {
	case m.law.limit < enough:
		return StallRatio
	case a < enough && m.law.tg(a)-tempC >= m.marks.above[Firm]:
		return StallCold
	}
	return StallNone
}

// Cured tells whether a coat is past nine tenths of the sheet's sandable conversion and so slow that it gains less than 0.01 in conversion a
// day at this film temperature in C: it has reached what it can there. The 0.01 is ours.
func (m Model) Cured(a, tempC float64) bool {
	return a >= SandableShare*m.marks.conv[Sandable] && m.Rate(a, tempC)*86400 < 0.01
}

// StallAt gives Stall at a time of the course; ok is false outside [Start, End].
func (c *Course) StallAt(at float64) (s Stall, ok bool) {
	a, ok := c.ConversionAt(at)
	if !ok {
		return StallNone, false
	}
	t, _ := c.FilmAt(at)
	return c.m.Stall(a, t), true
}

// Stalled tells whether the coat is hard by Tg and not cured at a time: warmth restarts it. A wrong mix is not that, see StallAt.
func (c *Course) Stalled(at float64) bool {
	s, ok := c.StallAt(at)
	return ok && s == StallCold
}

// CuredAt tells whether the coat has reached what it can at a time of the course, see Model.Cured; ok is false outside [Start, End].
func (c *Course) CuredAt(at float64) (cured, ok bool) {
	a, ok := c.ConversionAt(at)
	if !ok {
		return false, false
	}
	t, _ := c.FilmAt(at)
	return c.m.Cured(a, t), true
}

// WarmthNeeded gives the film temperature in C at which a coat at conversion a would reach nine tenths of the sheet's sandable conversion
// before it turns glassy: where the diffusion factor there is still a half. For advice on a StallCold; 0 K rise is never advised, so that
// the answer is at least the present film. Without diffusion it is the present film.
func (m Model) WarmthNeeded(tempC float64) float64 {
	if !m.law.diffusion {
		return tempC
	}
	return math.Max(tempC, m.law.tg(SandableShare*m.marks.conv[Sandable])-m.law.offset)
}
