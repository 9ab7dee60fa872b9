package learn

import (
	"math"

	"tackline/advisor/cure"
)

// Look is one finding: at a time since the coat went on, a finger found it past one mark and not yet at another.
type Look struct {
	After   float64   // s since the start
	Past    cure.Mark // the last mark that it was past; None where it was past none
	NotYet  cure.Mark // the first mark that it had not come to; None where it was past all
	Witness bool      // on a cup or a scrap of the same batch
}

// narrowest is the least width of an interval of ln time.
const narrowest = 1e-3

// None stands for no mark.
const None cure.Mark = -1

// Coat is one coat of the drum, with what was found on it.
type Coat struct {
	Kind     string // coats of one kind share where their tack marks lie
	Response Response
	Looks    []Look
	Modelled bool    // the film is computed, so that it shares the shed's error
	FilmU    float64 // standard uncertainty of the film beside that, K: of its probe, or what the heat model has on top
	BlurLn   float64 // standard uncertainty of ln time from gaps in its log
	Now      bool    // it is the coat that is asked about: its own batch is followed, too. At most one
}

// site is one statement about one mark: its ln time lies in [lo, hi], blurred by sigma.
type site struct {
	coat    int64
	mark    cure.Mark
	lo, hi  float64 // -Inf and +Inf where one side is open
	finger  float64 // standard deviation of a finger, ln time
	sigma   float64 // the same with all that is not followed as an unknown
	tau, nu float64 // what the statement is worth: precision, and precision times mean, of ln time
	slope   []float64
	g       float64 // ln time of the mark at the present point
}

// sites sums the looks of a coat up: for each mark the last "not yet" and the first "past" make one interval, since it is one threshold of
// one builder on one coat that they speak of. However often a coat is touched, it gives no more than a few statements. Where the two
// contradict each other they are two statements, each blurred by itself.
func sites(p Prior, index int64, c *Coat) []site {
	var out []site
	for _, witness := range [2]bool{false, true} {
		finger := p.Touch
		if witness {
			finger = p.Witness
		}
		for _, m := range cure.AllMarks() {
			lo, hi := math.Inf(-1), math.Inf(1)
			for _, l := range c.Looks {
				if l.Witness != witness || !(l.After > 0) {
					continue
				}
				if at := math.Log(l.After); l.NotYet == m {
					lo = math.Max(lo, at)
				} else if l.Past == m {
					hi = math.Min(hi, at)
				}
			}
			one := site{coat: index, mark: m, lo: lo, hi: hi, finger: finger}
			switch {
			case !c.Response.reached[m] || math.IsInf(lo, -1) && math.IsInf(hi, 1):
			case lo > hi:
				early, late := one, one
				early.lo, late.hi = math.Inf(-1), math.Inf(1)
				out = append(out, early, late)
			default:
				one.hi = math.Max(hi, lo+narrowest)
				out = append(out, one)
			}
		}
	}
	return out
}
