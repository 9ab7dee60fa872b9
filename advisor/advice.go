package advisor

import (
	"tackline/advisor/sequence"
	"tackline/advisor/units"
)

// Verdict is what may be done with a piece now. The worst rule wins, in the order clear, wait, can't say, stop.
type Verdict string

// The verdicts.
const (
	Clear   Verdict = "clear"
	Wait    Verdict = "wait"
	CantSay Verdict = "can't say"
	Stop    Verdict = "stop"
)

// Severity orders verdicts: clear 0, wait 1, can't say 2, stop 3.
func (v Verdict) Severity() int64 {
	switch v {
	case Clear:
		return 0
	case Wait:
		return 1
	case CantSay:
		return 2
	}
	return 3
}

// Worse gives the worse of two verdicts.
func (v Verdict) Worse(w Verdict) Verdict {
	if w.Severity() > v.Severity() {
		return w
	}
	return v
}

// Advice is everything that Advise concludes. It is derived: it can be deleted and computed again from the same Situation, to the same bytes.
type Advice struct {
	At      units.Instant `json:"at"`
	Model   string        `json:"model"` // version of the laws, see ModelVersion
	Shed    ShedAdvice    `json:"shed"`
	Pieces  []PieceAdvice `json:"pieces"`
	Coats   []CoatAdvice  `json:"coats"`
	Batches []BatchAdvice `json:"batches"`
	Drums   []DrumAdvice  `json:"drums"`   // that touches have taught something of
	Notices []Reason      `json:"notices"` // of inputs: what is missing, stale, uncalibrated, left out
}

// Figure is a number with its standard uncertainty. Null pointers are unknown, never 0.
type Figure struct {
	Value *float64 `json:"value"`
	U     *float64 `json:"u"`
}

// ShedAdvice is the state of the air.
type ShedAdvice struct {
	AirC           Figure `json:"air_c"`
	RHPct          Figure `json:"rh_pct"`
	DewPointC      Figure `json:"dew_point_c"`
	PressureHPa    Figure `json:"pressure_hpa"`
	AbsHumidityGM3 Figure `json:"abs_humidity_g_m3"`
	ResinC         Figure `json:"resin_c"` // where the drums stand
}

// PieceAdvice is the verdict on a piece with its reasons, and the numbers behind it.
type PieceAdvice struct {
	Piece           int64              `json:"piece_id"`
	Name            string             `json:"piece"`
	Bare            bool               `json:"bare"`
	Verdict         Verdict            `json:"verdict"`
	Reasons         []Reason           `json:"reasons"` // worst first; every rule has one
	SurfaceC        Figure             `json:"surface_c"`
	SurfaceModelled bool               `json:"surface_modelled"` // no probe is taped on: from the heat model
	MarginK         Figure             `json:"margin_k"`
	SurfaceRHPct    Figure             `json:"surface_rh_pct"`
	EMCPct          Figure             `json:"emc_pct"`
	FilmLimitGM2    *float64           `json:"film_limit_g_m2"` // mixed resin that the next coat may have on an upright or overhead face; null where there is no such limit
	GasRatio        *float64           `json:"gas_ratio"`       // volume of the pore gas at gel over now
	GasMLM2         *float64           `json:"gas_ml_m2"`       // most that can leave each m2 of the wet face until gel if every pore is open, mL; 0 where it shrinks
	GasDirection    string             `json:"gas_direction"`   // "out", "in", "still", "" where it does not matter or cannot be told
	MarginTrend     []Point            `json:"margin_trend"`    // margin past and forecast with its band, K
	Next            *sequence.Next     `json:"next"`            // step of the plan; null without a plan, or where it is through
	Steps           []sequence.Place   `json:"steps"`           // the plan with what has been done of it; empty without one
	Means           []sequence.Meaning `json:"means"`           // what was done out of order, and what that means
}

// Point is a value at a time, with its 10 and 90 % bounds where it is forecast.
type Point struct {
	At       units.Instant `json:"at"`
	Value    float64       `json:"value"`
	P10      *float64      `json:"p10"`
	P90      *float64      `json:"p90"`
	Forecast bool          `json:"forecast"`
}

// Reason is what one rule says, with its numbers.
type Reason struct {
	Rule    string   `json:"rule"` // margin, surface_rh, lowest, moisture, outgassing, window, hours, trust
	Verdict Verdict  `json:"verdict"`
	Value   *float64 `json:"value"`
	Limit   *float64 `json:"limit"`
	Unit    string   `json:"unit"`
	Source  string   `json:"source"` // of the limit
	Text    string   `json:"text"`   // complete in itself
}

// Moment is a time known as an interval: 10, 50 and 90 %. An unknown bound is null: not reached as far as can be seen.
type Moment struct {
	Early  units.Instant `json:"early"`
	Likely units.Instant `json:"likely"`
	Late   units.Instant `json:"late"`
}

// MarkTime is when a coat passes a mark.
type MarkTime struct {
	Mark       string  `json:"mark"` // tack_opens, tack_closes, recoat_closes, firm, sandable
	When       Moment  `json:"when"`
	Passed     bool    `json:"passed"`
	Conversion float64 `json:"conversion"` // at which it lies on this coat's course
}

// Window is a stretch of time in which something may be done.
type Window struct {
	Window string `json:"window"` // "tack" or "recoat"
	Opens  Moment `json:"opens"`
	Closes Moment `json:"closes"`
	Phase  string `json:"phase"` // "before", "open", "closing", "closed", "can't say"
}

// CoatAdvice is where a coat stands and what comes next.
type CoatAdvice struct {
	Coat            int64              `json:"coat_id"`
	Piece           int64              `json:"piece_id"`
	PieceName       string             `json:"piece"`
	Name            string             `json:"coat"` // "bedding on port topside"
	Kind            Kind               `json:"kind"`
	System          string             `json:"system"`
	Started         units.Instant      `json:"started"`
	State           State              `json:"state"` // "" where it can't be said
	Conversion      *float64           `json:"conversion"`
	TgC             *float64           `json:"tg_c"`
	SurfaceC        Figure             `json:"surface_c"`
	SurfaceModelled bool               `json:"surface_modelled"`
	Marks           []MarkTime         `json:"marks"`
	Windows         []Window           `json:"windows"`
	Stalled         bool               `json:"stalled"`         // hard by Tg and not cured: warmth restarts it
	BelowLowest     bool               `json:"below_lowest"`    // surface below the system's lowest: no time is given
	CantSay         string             `json:"cant_say"`        // "" or why no time is given
	GasRatio        *float64           `json:"gas_ratio"`       // on bare timber: largest growth of the pore gas until gel, as a volume ratio
	GasSure         *float64           `json:"gas_sure"`        // the growth that nine of ten futures come to, as a volume ratio
	GasDirection    string             `json:"gas_direction"`   // "out", "in", "still", "" where it does not matter or cannot be told
	Drum            string             `json:"drum"`            // "" where nobody said which
	Lag             *Lag               `json:"lag"`             // it lies far behind all else from its drum; null where it does not
	FilmLimitGM2    *float64           `json:"film_limit_g_m2"` // mixed resin that an upright or overhead face holds; null where it lies flat, or the kind has no such limit
	GapMinutes      float64            `json:"gap_minutes"`     // without usable temperature since the start
	MarginAhead     *Ahead             `json:"margin_ahead"`    // smallest margin until the end of green
	Blush           string             `json:"blush"`           // "low", "some", "high", "" where it can't be said
	BlushWhy        string             `json:"blush_why"`
	Means           []sequence.Meaning `json:"means"` // of its place in the sequence, where it went on out of order
	Reasons         []Reason           `json:"reasons"`
}

// Lag is how far a coat lies behind what its drum's other coats and its sheet say.
type Lag struct {
	Times  float64 `json:"times"`  // the time that it takes over the time that it should, at least
	Others int64   `json:"others"` // touched coats of the same drum that say so; 0: the sheet alone
}

// DrumAdvice is how one drum of a system runs against its sheet, by the touches on its coats.
type DrumAdvice struct {
	System           string  `json:"system"`
	Drum             string  `json:"drum"` // "" for the coats of which nobody said the drum
	Coats            int64   `json:"coats"`
	Touches          int64   `json:"touches"`
	Speed            float64 `json:"speed"` // over its sheet's, at the temperatures of these coats; most likely
	SpeedLow         float64 `json:"speed_low"`
	SpeedHigh        float64 `json:"speed_high"`          // 10 and 90 %
	EnergyAboveKJMol float64 `json:"energy_above_kj_mol"` // activation energy above the sheet's; most likely
	EnergyUKJMol     float64 `json:"energy_u_kj_mol"`
	Disagree         bool    `json:"disagree"` // touches contradict each other
	Text             string  `json:"text"`
}

// Ahead is the smallest margin, less its uncertainty, between now and the end of green.
type Ahead struct {
	At      units.Instant `json:"at"`
	MarginK float64       `json:"margin_k"`
	UK      float64       `json:"u_k"`
}
