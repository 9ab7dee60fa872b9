package advisor

import (
	"time"

	"tackline/advisor/cure"
	"tackline/advisor/sequence"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// Situation is everything that Advise may know: the readings so far, the facts that people entered, the laws' settings, and the moment.
// It never holds earlier advice. All times are Unix seconds UTC; the zone serves only the rules that speak of hours of the day.
type Situation struct {
	At       units.Instant  // the moment of assessment
	Zone     *time.Location // of the shed; nil is UTC
	ClockSet bool           // whether the wall clock can be trusted
	Limits   Limits
	Hours    Hours
	Climate  Climate
	Pieces   []Piece
	Coats    []Coat
	Earlier  []Earlier              // ended coats that were touched
	Batches  []Batch                // mixed and not ended
	Systems  map[string]cure.System // that steps of the plans name, by that name
}

// Limits are the shed's own limits, editable; a system's stricter ones win. Source texts are shown beside each.
type Limits struct {
	MarginK         units.Diff    // smallest margin less its uncertainty, K
	MarginSource    string        // e.g. "ISO 8502-4 practice"
	MoistureGoodPct units.Percent // up to here moisture content of bare timber is good
	MoistureStopPct units.Percent // above here it is a stop
	MoistureSource  string
	GasGrowth       float64       // volume ratio of pore gas above 1 that is let pass (0.0005)
	StaleAfter      units.Second  // an input older than this is not used for the present
	ResinLowestC    units.Celsius // lowest temperature at which resin should stand; 0 is DefaultResinLowestC
	ResinSource     string
	UnventedBurner  bool // an unvented burner heats the shed
}

// Hours are the builder's working hours in the shed's zone: minutes after local midnight, [Start, End), and the weekdays on which she works.
type Hours struct {
	StartMin, EndMin int64
	Days             [7]bool // time.Sunday first
}

// Channel is one quantity as the log has it. Trace holds only readings that may be used.
type Channel struct {
	Probe    string        // "" where no probe of this kind is configured
	Trace    trace.Trace   // usable readings, newest last, in the unit stated where the Channel stands
	U        float64       // standard uncertainty of a reading, same unit, calibration state included
	Problem  string        // "" or why the present cannot be told: "stale", "saturated", "missing", "never seen" ...
	LastSeen units.Instant // time of the newest usable reading
	Excluded int64         // readings of the trace's span that were flagged and left out
	ByHand   bool          // a person read the newest: it is used while it is fresh, and named
}

// Climate is the shed's air.
type Climate struct {
	AirC        Channel // C
	RHPct       Channel // % over water
	PressureHPa Channel // hPa
	OutdoorC    Channel // C
	OutdoorRH   Channel // % over water
	ResinC      Channel // C, where the drums stand
}

// Lie is how a face of a piece lies.
type Lie string

// The lies.
const (
	LieOverhead Lie = "overhead"
	LieUpright  Lie = "upright"
	LieFlat     Lie = "flat"
)

// Piece is a part of a boat that is coated as one.
type Piece struct {
	ID          int64
	Name        string
	Bare        bool // timber, not yet coated
	BackSealed  bool // the other face lets no gas out
	Lie         Lie
	ThicknessM  units.Metre
	DensityKgM3 float64         // at 12 % moisture content
	AreaM2      float64         // of the face that is coated
	SurfaceC    Channel         // C, from a probe taped to it; empty where there is none
	Meter       []MeterReading  // of a moisture meter on it, oldest first
	NextKind    Kind            // what is meant to go on next; "" is taken as seal on bare timber and fill elsewhere
	NextDrum    string          // that the next coat would come from; "" where nobody said
	NextSystem  *cure.System    // that it would be made with; nil: no system is known, and rules that need one can't say
	Steps       []sequence.Step // the planned sequence; empty for none. The next step's kind and system come before NextKind and NextSystem
	Deeds       []Deed          // what was done to it beside coats
}

// Deed is something that was done to a piece beside coating it: washed, scuffed, abraded, fabric laid, peel ply or clamps off.
type Deed struct {
	ID   int64
	Work sequence.Work
	At   units.Instant
}

// MeterReading is what a moisture meter said of a piece of timber, in % of oven-dry mass.
type MeterReading struct {
	At  units.Instant
	Pct units.Percent
}

// Kind is what a coat is for.
type Kind string

// The kinds of coat.
const (
	Seal    Kind = "seal"    // first on bare timber
	Bedding Kind = "bedding" // the coat that fabric is laid into
	WetOut  Kind = "wet-out" // resin through fabric
	Fill    Kind = "fill"    // fills the weave
	Fairing Kind = "fairing" // thick, with filler
	Glue    Kind = "glue"
	Finish  Kind = "finish"
)

// Kinds lists all of them in the order in which they are used on a hull.
func Kinds() []Kind { return []Kind{Seal, Bedding, WetOut, Fill, Fairing, Glue, Finish} }

// Coat is one application to a piece.
type Coat struct {
	ID, Piece int64
	Kind      Kind
	System    cure.System
	Started   units.Instant // first wetting
	Ended     units.Instant // 0 while it runs
	ResinC    *float64      // temperature of the resin when mixed, C; nil where not measured
	Drum      string        // that its batch came from, as people name it; "" where nobody said
	AmountGM2 *float64      // mixed resin on the face, g/m2; nil where not known
	Fabric    bool          // fabric was laid into it, by its own entry
	PeelPly   bool          // peel ply was laid into it
	OnTimber  bool          // it lies on bare timber, whose gas must not grow until it gels
	Touches   []Touch
}

// Earlier is an ended coat with what it can still teach of its drum.
type Earlier struct {
	Coat     int64
	Drum     string
	Kind     Kind
	System   cure.System
	Started  units.Instant
	SurfaceC trace.Trace // of its film, C, as it was kept
	U        float64     // standard uncertainty of that, K
	Modelled bool        // no probe was on it: from the heat model
	Touches  []Touch
}

// State is where a coat stands, in the order in which it gets there.
type State string

// The states.
const (
	StateWet      State = "wet"
	StateTacky    State = "tacky"
	StateGreen    State = "green"
	StateSet      State = "set"
	StateFirm     State = "firm"
	StateSandable State = "sandable"
	StateCured    State = "cured"
)

// Touch is the builder's own finding: the coat is at or past the first mark of State and before its next.
type Touch struct {
	At      units.Instant
	State   State // wet, tacky, green, firm, sandable ("sands")
	Witness bool  // on a cup or scrap of the same batch, not on the coat
	// Forgotten says that the builder has set its drum aside since: the touch stands in the record and teaches nothing.
	Forgotten bool
}
