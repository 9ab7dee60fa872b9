package record

import (
	"time"

	"tackline/advisor"
)

// Job is everything that is known of a job. Times are instants; they are shown in Zone.
type Job struct {
	ID       int64
	Name     string // of the order
	Boat     string // "" where not kept
	Note     string // on the job, "" for none
	Customer string // "" where not kept
	Shed     string
	Zone     *time.Location // of the shed; nil is UTC
	AsOf     time.Time      // of the newest fact in here; the record carries this time, not that of its printing
	Software string         // name and version of the program that wrote it
	Model    string         // version of the laws behind marks and verdicts
	Notice   string         // a sentence at the head, such as that all of this is simulated; "" for none
	Remarks  []string       // what a reader must know before trusting it: clock not set, readings lost ...
	Pieces   []Piece
	Coats    []Coat // in the order of their starts
	Alerts   []Alert
	Probes   []Probe
	Limits   []Limit // of the shed; a Coat may carry stricter ones of its system

	Notes       []Note // oldest first
	Photos      []Photo
	Corrections []Correction // what had been said otherwise before, oldest first
	Workshop    *Workshop    // rule set that the conditions are held against; nil for none
}

// Piece is a part of the job that is coated as one.
type Piece struct {
	ID            int64
	Name          string
	Lie           advisor.Lie
	ThicknessMM   float64  // 0 where not kept
	AreaM2        float64  // 0 where not kept
	MoisturePct   *float64 // of oven-dry mass; nil where never measured
	MoistureFrom  string   // "meter", "log"
	MoistureAt    time.Time
	SubstrateNote string  // "plywood"
	DensityKgM3   float64 // at 12 % moisture content; 0 where not kept
	BackSealed    bool
	Layers        []Layer // from the timber outward, the timber first; empty where nothing is known
	Deeds         []Deed  // what was done beside coating, oldest first
}

// Stuff is what a Layer is made of.
type Stuff string

// The stuffs.
const (
	StuffTimber  Stuff = "timber"
	StuffCoat    Stuff = "coat"
	StuffFabric  Stuff = "fabric"
	StuffPeelPly Stuff = "peel ply" // on now, or planned, and not to stay
)

// Layer is one layer of the laminate.
type Layer struct {
	Stuff   Stuff
	Text    string    // "bedding, medium", "fabric, 200 g/m²"
	Coat    int64     // id of the coat that it is; 0 otherwise
	At      time.Time // zero for the timber and for what is planned
	Planned bool
}

// Deed is what was done to a piece beside coating it.
type Deed struct {
	At   time.Time
	What string // washed, abraded, fabric laid ...
	Who  string
	Note string
}

// Note is a text that somebody wrote down.
type Note struct {
	At    time.Time
	About string // "coat 2, fill on port topside"; "" for the job
	Coat  int64
	Text  string
	Who   string
}

// Photo is a picture. Its bytes stand in the job book and in a pack; SHA256 says which they are.
type Photo struct {
	ID            int64
	At            time.Time
	About         string
	Coat          int64
	Caption       string
	Who           string
	Media         string // image/png or image/jpeg
	SHA256        string // hexadecimal, of the whole
	Bytes         int64
	Width, Height int64
	Shown         []byte // JPEG, small enough for a record; nil: NotShown says why
	NotShown      string
}

// Correction is a change of something that had been said otherwise before.
type Correction struct {
	At   time.Time
	Who  string
	Text string // "touch 41: state from wet to tacky"
}

// Batch is one mixed pot.
type Batch struct {
	At      time.Time
	AmountG *float64 // mixed, g
	ResinC  *float64 // C when mixed
	Vessel  string   // "pot", "tray", ""
	Lot     string
	Moves   []string // "into a tray at 14:20"
	How     string   // used, left over, went off; "" while it runs
}

// Coat is one application and what became of it.
type Coat struct {
	ID, Piece     int64
	PieceName     string
	Kind          advisor.Kind
	System        string
	SystemSource  string // where the numbers of the system come from
	LowestC       *float64
	Batches       []Batch
	Who           string
	Started       time.Time // first wetting
	Ended         time.Time // zero while it runs: then the figures go up to AsOf
	Frozen        bool      // the trace is in the job book; false: from the readings, which may yet change
	Channels      []Channel
	SurfaceModel  bool // the surface is computed from the air, no probe was on it
	Limits        []Limit
	Marks         []Mark
	Touches       []Touch
	State         advisor.State // at the end, or at AsOf; "" where it can't be said
	Conversion    *float64      // 0..1
	TgC           *float64
	Stalled       bool   // hard by Tg and not cured
	Blush         string // "low", "some", "high", ""
	BlushWhy      string
	NextCoat      string // how the next coat stood to this one's windows: a sentence, "" for none
	Remarks       []string
	ExcludedCount int64 // readings that were flagged and left out

	Before       []Channel // the same of the day before the first wetting, for limits that speak of it
	Model        string    // version of the laws behind its figures
	AreaM2       float64   // that was coated; 0 where not known
	AmountG      float64   // mixed resin on it; 0 where not known
	CoverageGM2  *float64
	FilmMM       *float64 // mean thickness when wet, without fabric and filler, mm
	Over         string   // what it lies on: "bare timber", "coat 2, bedding"
	Prepared     string   // what was done to that before: "washed, abraded"
	Fabric       string
	PeelPly      bool
	MoisturePct  *float64 // of bare timber beneath, newest reading before the start
	MoistureFrom string
	GasRatio     *float64 // largest growth of the pore gas of bare timber from first wetting until gel, as a volume ratio; nil where it does not matter or is not known
	GasText      string
	Means        []string // what its place in the sequence means, where it went on out of order
	Note         string
}

// Quantities that a Channel may have. Units are in the name; margin_k is a difference of temperatures in kelvin.
const (
	AirC        = "air_c"
	SurfaceC    = "surface_c"
	RHPct       = "rh_pct"
	SurfaceRH   = "surface_rh_pct"
	DewPointC   = "dew_point_c"
	MarginK     = "margin_k"
	PressureHPa = "pressure_hpa"
	TimberC     = "timber_c"
)

// Channel is the one-minute course of one quantity of a coat, usable readings only. At holds Unix seconds, strictly rising; a minute
// without a value is left out. U is the standard uncertainty in the same unit, of one value for all or one a sample; empty where unknown.
// HoldS is how many seconds a value stands for at most, if no other follows sooner: the interval of the trace, or how far apart readings
// may lie and still be joined. What nothing stands for is a gap.
type Channel struct {
	Quantity string
	Probe    string // "" where it is computed
	HoldS    int64  // 0 is 60
	At       []int64
	V        []float64
	U        []float64
}

// Limit is a limit that was in force.
type Limit struct {
	Quantity string // of the channel that it bounds
	Above    bool   // true: values have to be at or above; false: at or below
	Value    float64
	LessU    bool   // compared with the value less (Above) or plus its uncertainty
	Until    string // mark up to which it matters, such as recoat_closes; "" for the whole coat
	Source   string
}

// Mark is when the coat passed, or is to pass, a mark: 10, 50 and 90 %; zero times are not reached.
type Mark struct {
	Mark                string // tack_opens, tack_closes, recoat_closes, firm, sandable
	Early, Likely, Late time.Time
	Passed              bool
}

// Touch is a finding by hand.
type Touch struct {
	At      time.Time
	State   advisor.State
	Witness bool
	Who     string
}

// Alert is what rang, and who answered. Coat is 0 for those of the whole shed.
type Alert struct {
	At           time.Time
	Severity     string // notice, warning, critical; "" where not kept
	Coat         int64
	Text         string
	Acknowledged time.Time // zero: nobody did
	By           string
}

// Probe is a probe that the coats were measured with.
type Probe struct {
	Name        string
	Place       string
	Quantities  string    // "air temperature, humidity"
	Calibrated  time.Time // zero: never
	Calibration string    // "offset +0.2 C against the reference thermometer", ""
	Problem     string    // "" or what was wrong with it during the job
}
