package dashboard

import (
	"context"
	"time"

	"tackline/advisor/sequence"
)

// Books shows what is in the job book. Its methods may be called from many goroutines at once.
//
// Book gives it as it is now. Lately gives the last n things that were said, newest first. Past gives everything that was done to one thing,
// oldest first; class is the job book's word for it, such as piece; nobody knows it: an error that wraps ErrNotFound.
type Books interface {
	Book(ctx context.Context) (Book, error)
	Lately(ctx context.Context, n int64) ([]Change, error)
	Past(ctx context.Context, class string, id int64) ([]Change, error)
}

// Book is the job book at one moment. Rev is the revision that a form names as saw_rev.
type Book struct {
	Jobs   []BookJob
	Pieces []BookPiece
	People []BookPerson
	Stock  []BookStock
	Notes  []BookNote
	Photos []BookPhoto
}

// BookJob is a job with what describes it.
type BookJob struct {
	ID, Rev           int64
	Name, Boat, Owner string
	Note              string
	Closed            bool
	Begins            time.Time
}

// BookPiece is a piece with what describes it. 0 is not known, of numbers.
type BookPiece struct {
	ID, Rev, Job int64
	Name, Timber string
	ThicknessMM  float64
	DensityKgM3  float64 // at 12 % moisture content
	AreaM2       float64
	Faces        int64
	Lie          string
	SealedFace   string
	Bare         bool // before it came into the book
	BareNow      bool
	Note         string
	Steps        []sequence.Step
	MoisturePct  *float64 // newest by meter; nil without one
	MoistureAt   time.Time
}

// BookPerson is a person with the hours of work, in minutes after local midnight.
type BookPerson struct {
	ID, Rev          int64
	Name             string
	StartMin, EndMin int64
	Days             [7]bool // Sunday first
	DaysOff          []string
	PaceM2H          float64
}

// BookStock is a drum, a roll or a tin.
type BookStock struct {
	ID, Rev        int64
	What, Name     string
	System, Lot    string
	Unit           string
	Left           float64 // in Unit
	Opened, Expiry time.Time
	WidthM, GM2    float64
	LapMM, Waste   float64 // Waste is the share that is cut off
	Note           string
}

// About is what a note or photo is of: at most one of them, none for the shed.
type About struct{ Job, Piece, Coat int64 }

// BookNote is a note.
type BookNote struct {
	ID int64
	About
	Text string
	At   time.Time
	Who  string
}

// BookPhoto is a photo; its picture is at /api/v1/photos/{id}/image.
type BookPhoto struct {
	ID int64
	About
	Caption       string
	At            time.Time
	Width, Height int64
}

// Change is one thing that was said, and what it did.
type Change struct {
	Seq    int64 // number in the journal, by which it can be undone
	At     time.Time
	Sure   bool // the clock was set
	Who    string
	Kind   string // of the command: add-piece, touch ...
	Made   bool   // it made the thing
	Undone int64  // seq of the undo that took it back, 0 for none
	Frozen bool   // it can't be undone
	Fields []FieldChange
}

// FieldChange is one field before and after, as people read it; "" for nothing.
type FieldChange struct{ Field, Before, After string }
