package record

import "fmt"

// cautions stand last in every record, whatever its form. They are common practice, no source.
var cautions = [...]string{
	"Uncured resin and hardener sensitise the skin and the airways, often for life. Wear gloves and sleeves, change them when soiled, and never clean skin with solvent.",
	"Resin in a deep pot heats itself and can smoke, boil or burn. Mix what can be spread in time, pour it out flat, and put a pot that runs away outdoors.",
	"Solvents burn and harm: keep them away from flames and heaters, and move the air.",
	"Dust of resin that is hard but not cured sensitises too. Sand late, wet where possible, with extraction and a mask of the class that the maker's sheet asks for.",
	"Heaters without a flue give off carbon monoxide, water and carbon dioxide: they endanger people, wet the surface and favour blush. Use vented heat and a carbon monoxide alarm.",
	"A coat or joint that is hard to the thumb has not reached its strength. Put no load on it, and launch nothing, before the maker's sheet allows it.",
}

const (
	lastWord        = "The makers' sheets, local codes, and people licensed to design, survey and certify come before anything in this record."
	marginLead      = "For how long the margin (surface over dew point) was within and outside its limit, and unknown, in hours and minutes, from the first wetting until the end of green."
	chartLegend     = "Full line air, long dashes surface, dots dew point. Shaded: the windows. Where a line breaks nothing usable was measured."
	layersLead      = "From the timber outward; heights are drawn, not measured. In dashes what is planned or comes off."
	correctionsLead = "What had been said otherwise before. Nothing is overwritten: the journal of the job book has every row as it was."
	noTouches       = "None was recorded: the marks rest on the model alone."
	noCoats         = "No coat was put on in this job yet."
	noReadings      = "Nothing was measured."
	noProbes        = "No probe is noted."
)

// word gives one of the sentences that every form of a record shares.
func (jobView) word(name string) string {
	return map[string]string{"last": lastWord, "margin": marginLead, "legend": chartLegend, "layers": layersLead, "corrections": correctionsLead, "touches": noTouches, "coats": noCoats, "readings": noReadings, "probes": noProbes}[name]
}

// reach says how far a record is to be trusted.
func (v jobView) reach() string {
	return fmt.Sprintf("Made by %s; laws: %s. State, degree of cure, Tg and marks are computed by a model from the readings and touches above; nothing of the coat itself was measured. "+
		"Early, likely and late are the times before which one case in ten, half, and nine in ten are expected. Covered is the share of the time for which there was a usable reading; "+
		"what is unknown is never counted as within. This record states conditions. It is no approval, survey or certificate, and cannot show by itself that it was never rewritten.",
		v.Software, v.Model)
}

// Trace says what a coat's figures rest on.
func (c coatView) Trace() string {
	s := "from the readings as they stand; not frozen yet"
	if c.Frozen {
		s = "frozen in the job book when the coat ended"
	}
	if c.SurfaceModel {
		s += "; surface computed from the air, no probe was on it"
	}
	if c.Model != "" {
		s += "; laws " + c.Model
	}
	if c.ExcludedCount > 0 {
		s += fmt.Sprintf("; %d flagged readings left out", c.ExcludedCount)
	}
	return s
}
