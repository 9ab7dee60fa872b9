package dashboard

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"tackline/advisor"
	"tackline/advisor/cure"
	"tackline/dashboard/record"
	"tackline/sensors"
)

// Source is where pages come from. Its methods may be called from many goroutines at once.
//
// Now gives the state of the shed at this moment; an error means that nothing at all can be told, and the page then says so. Series gives
// thinned readings; its errors wrap ErrNotFound for a probe that nobody knows. Record gives what is kept of a job; its errors wrap
// ErrNotFound for a job that is not in the book. Subscribe gives a channel that receives whenever Now would give something else; it is
// never closed before ctx ends, may drop a beat while the receiver is busy, and is let go when ctx ends.
type Source interface {
	Now(ctx context.Context) (View, error)
	Series(ctx context.Context, req SeriesRequest) (Series, error)
	Record(ctx context.Context, job int64, workshop string) (record.Job, error)
	Subscribe(ctx context.Context) <-chan struct{}
}

// Commands is where people's facts go. Each request carries a Key made in the form: a second request with a Key that has been obeyed
// changes nothing and gives the first one's Receipt with Repeated true. Errors that a person can mend are a *Refusal; an ID that nobody
// knows wraps ErrNotFound; what the disk did not take ErrNotKept; every other error is shown as "not kept" and its text goes to the log only.
type Commands interface {
	StartCoat(ctx context.Context, req StartCoat) (Receipt, error)
	Touch(ctx context.Context, req Touch) (Receipt, error)
	EndCoat(ctx context.Context, req EndCoat) (Receipt, error)
	Acknowledge(ctx context.Context, req Acknowledge) (Receipt, error)
}

// View is the shed at one moment.
type View struct {
	At         time.Time      // the daemon's now: every age on the page is counted from here, never from the phone's clock
	Shed       string         // name of the shed
	Zone       *time.Location // of the shed; nil is UTC
	ClockSet   bool           // whether the wall clock can be trusted
	Simulated  bool           // readings come from a simulation or a replay, not from probes
	Speed      float64        // shed seconds per second of the wall; 0 and 1 are real time
	Notice     string         // a sentence shown on every page, such as what a demo is; "" for none
	Problem    string         // "" or a sentence on what is wrong with the daemon itself, such as a full disk
	StaleAfter time.Duration  // readings older than this are not used for the present
	Advice     advisor.Advice // as of Advice.At; older than StaleAfter makes the whole page stale
	Probes     []Probe        // in the order of the config
	Jobs       []Job
	Pieces     []Piece
	Systems    []System // that a coat may be started with, in the order of the config
	Coats      []Coat   // running and ended, newest start first
	Alerts     []Alert  // that hold: not answered ones first, newest first
	Ways       []Way    // how each way of telling is doing
	Batches    []Batch  // that were not ended; their clocks stand in the Advice under the same ID
	MarginK    float64  // the shed's limit for the margin, K, for the line in the chart; 0 draws none

	visitor Visitor // whom the page is for
}

// Probe is one configured probe, with the newest of each of its quantities.
type Probe struct {
	Name         string
	Place        sensors.Place
	Piece        string    // name of the piece that it is taped to or in; "" for none
	Seen         time.Time // when it last answered; zero: never
	Problem      string    // "" or a sentence: "does not answer", "hung"
	Uncalibrated bool
	StaleAfter   time.Duration // its readings older than this are not used for the present; 0 is the View's
	Last         []Last
}

// Last is the newest reading of a quantity, usable or not.
type Last struct {
	Quantity sensors.Quantity
	Value    float64 // in the unit of Quantity
	At       time.Time
	Status   sensors.Status
}

// Job is an order in the job book.
type Job struct {
	ID   int64
	Name string
}

// Piece is a part of a job that is coated as one.
type Piece struct {
	ID, Job int64
	Name    string
	Bare    bool // not coated yet
}

// System is a resin system that may be chosen.
type System struct {
	Name   string
	Source string // where its numbers come from, in a few words
	Short  string // another name that it goes by; "" for none
	Full   *cure.System
}

// goesBy tells whether the system may be meant by a name.
func (s System) goesBy(name string) bool {
	return strings.EqualFold(s.Name, name) || s.Short != "" && strings.EqualFold(s.Short, name)
}

// Coat is a coat in the job book. What is derived of it (state, windows) stands in the Advice under the same ID.
type Coat struct {
	ID, Job, Piece int64
	JobName        string
	PieceName      string
	Kind           advisor.Kind
	System         string
	Started        time.Time
	Ended          time.Time // zero while it runs
	Who            string
	AmountG        *float64 // mixed, g
	ResinC         *float64 // C when mixed
	Vessel         string   // "pot", "tray" or ""
	Touches        []TouchMark
}

// Batch is a mixed pot or tray in the job book.
type Batch struct {
	ID, Rev int64 // Rev is what a form names as saw_rev
	System  string
	Mixed   time.Time
	MassG   float64 // 0: told in strokes
	Vessel  string  // that it stands in now: pot or tray
}

// TouchMark is a finding that was recorded.
type TouchMark struct {
	At      time.Time
	State   advisor.State
	Witness bool
}

// Alert is something that holds, and what was said to it.
type Alert struct {
	ID       int64
	At       time.Time
	Text     string    // one line, complete in itself
	Body     string    // what to do, and which number stands against which limit; "" where there is no more to say
	Severity string    // notice, warning, critical
	Link     string    // to the page about it; "" for none
	Held     bool      // quiet hours keep it from everybody
	Seen     bool      // acknowledged
	Who      string    // by whom; "" where not told
	Until    time.Time // silent until then; zero where it is not
	Entry    int64     // number in the journal of what was said to it, for undo; 0 where nothing was
}

// IsAnswered tells whether somebody has said something to it.
func (a Alert) IsAnswered() bool { return a.Seen || !a.Until.IsZero() }

// Way is how one way of telling is doing.
type Way struct {
	Name             string
	LastOK, LastFail time.Time // zero is never
	LastError        string
	Failing, Waiting int64 // tries since the last success; messages
	Spent            bool  // its budget of the day is: messages wait
}

// StartCoat says that a coat was put on.
type StartCoat struct {
	Key     string // made in the form; the same Key is obeyed once
	Piece   int64
	Kind    advisor.Kind
	System  string
	At      time.Time // first wetting; zero is now by the daemon's clock
	Who     string    // "" where not told
	Lot     string    // of resin and hardener, as on the drums; "" where not told
	AmountG *float64  // mixed, g; nil where not told
	ResinC  *float64  // temperature of the resin when mixed, C; nil where not told
	Vessel  string    // "pot", "tray" or ""
}

// Touch says what a gloved finger found.
type Touch struct {
	Key     string
	Coat    int64
	At      time.Time // zero is now
	State   advisor.State
	Witness bool // on a cup or scrap of the same batch
	Who     string
}

// EndCoat says that nothing more is to be learned of a coat: its trace is frozen into the job book.
type EndCoat struct {
	Key  string
	Coat int64
	At   time.Time // zero is now
	Who  string
}

// Acknowledge says that somebody has seen an alert, or wants to hear of it again after a time.
type Acknowledge struct {
	Key   string
	Alert int64
	Who   string
	Again time.Duration // 0: not before it becomes worse
}

// Receipt is the answer to a command that was kept.
type Receipt struct {
	ID       int64 // of the coat, touch or alert
	Repeated bool  // the Key had been obeyed before: nothing was done again
	Notes    []string
}

// SeriesRequest asks for readings of one quantity of one probe in [From, To), as at most Points points.
type SeriesRequest struct {
	Probe    string
	Quantity sensors.Quantity
	From, To time.Time
	Points   int64
}

// Series is the answer: usable readings only, oldest first. Where readings are missing there is no point; two neighbours further apart
// than MaxGap have a gap between them, and no line is drawn across it.
type Series struct {
	Points []SeriesPoint
	MaxGap time.Duration
}

// SeriesPoint is one bucket of readings, in the unit of the quantity asked for.
type SeriesPoint struct {
	At             time.Time // start of the bucket
	Min, Mean, Max float64
	Count          int64
}

// ErrNotFound is wrapped by errors about a coat, job, probe or alert that nobody knows.
var ErrNotFound = errors.New("not found")

// ErrNotKept is wrapped by errors about an entry that the disk did not take: nothing of it was kept, and it may be sent again.
var ErrNotKept = errors.New("not kept: the disk takes nothing")

// Refusal is a command that a person can mend: which field, and a sentence on what is wrong and what would be right.
type Refusal struct {
	Field    string // name as in the form and the API: piece, kind, system, at, amount_g, resin_c, vessel, state; "" for the whole
	Sentence string
}

// Error gives field and sentence.
func (r *Refusal) Error() string {
	if r.Field == "" {
		return "dashboard: refused: " + r.Sentence
	}
	return fmt.Sprintf("dashboard: refused: %s: %s", r.Field, r.Sentence)
}
