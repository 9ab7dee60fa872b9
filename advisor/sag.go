package advisor

import "fmt"

// The most mixed resin, in g/m2, that one coat of neat epoxy is put on a face that is not flat: 150 on an upright one, 120 overhead. Common
// practice, no source: by viscosity alone a film of any thickness runs, only the less the thinner it is (the speed of its surface goes with the
// square of its thickness), so that no thickness is safe by law; these are what is rolled on in one go before it curtains, thinner overhead where
// it gathers into drops.
const (
	uprightLimitGM2  = 150.0
	overheadLimitGM2 = 120.0
	sagSource        = "common practice, no source"
)

// filmLimit gives the limit against sagging; nil where there is none: on a flat face, for what fabric holds (bedding, wet-out), and for what is
// stiffened with filler (fairing, glue), which stands as its filler makes it.
func filmLimit(lie Lie, kind Kind) *float64 {
	limit := 0.0
	switch lie {
	case LieUpright:
		limit = uprightLimitGM2
	case LieOverhead:
		limit = overheadLimitGM2
	}
	switch kind {
	case Bedding, WetOut, Fairing, Glue:
		limit = 0
	}
	if limit == 0 {
		return nil
	}
	return &limit
}

// sagReason warns of a film that is thicker than its face holds, while it can still run.
func sagReason(a *CoatAdvice, c *Coat) []Reason {
	if a.FilmLimitGM2 == nil || a.State != StateWet {
		return nil
	}
	limit := *a.FilmLimitGM2
	r := Reason{Rule: "sag", Verdict: Clear, Value: c.AmountGM2, Limit: &limit, Unit: "g/m2", Source: sagSource,
		Text: fmt.Sprintf("This face is not flat: keep a coat to %.0f g/m2 and look for runs until it is tacky; two thin coats, tacky on tacky, stand where one thick one runs.", limit)}
	if c.AmountGM2 != nil && *c.AmountGM2 > limit {
		r.Verdict = Wait
		r.Text = fmt.Sprintf("%.0f g/m2 went on a face that is not flat, over the %.0f g/m2 that usually stand: roll out runs while it is wet, and look again until it is tacky.", *c.AmountGM2, limit)
	}
	return []Reason{r}
}

// lagReason says that a batch lies far behind all others.
func lagReason(a *CoatAdvice) []Reason {
	if a.Lag == nil {
		return nil
	}
	than := "its sheet and this shed let expect"
	if a.Lag.Others > 0 {
		than = fmt.Sprintf("%s from the same drum let expect", count(a.Lag.Others, "touched coat", "touched coats"))
	}
	times := a.Lag.Times
	return []Reason{{Rule: "lag", Verdict: Wait, Value: &times, Unit: "times", Source: "touches",
		Text: fmt.Sprintf("This coat takes at least %.1f times as long as %s: a wrong ratio or an unmixed batch? Check the witness cup, and nothing more over it until that is hard.", times, than)}}
}
