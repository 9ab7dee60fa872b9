package jobbook

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"
)

// ErrNotFound is wrapped where an id, a coat or a frozen trace is asked for that is not in the book.
var ErrNotFound = errors.New("not in the job book")

// ErrNotKept is wrapped by errors of commands that the disk did not take, since it is full or read-only: nothing of them was kept, and the same may be
// sent again. Other errors of the disk leave that open.
var ErrNotKept = errors.New("jobbook: the disk takes nothing: it is full, failing or read-only")

// notKept wraps what SQLite says when it could not begin to write, or not write to the end: a transaction counts from its last page on.
func notKept(err error) error {
	var e *sqlite.Error
	if errors.As(err, &e) && (slices.Contains([]int{lib.SQLITE_READONLY, lib.SQLITE_FULL, lib.SQLITE_CANTOPEN}, e.Code()&0xff) || e.Code() == lib.SQLITE_IOERR_WRITE) {
		return fmt.Errorf("%w: %w", ErrNotKept, err)
	}
	return err
}

// FieldError is one thing that is wrong with a command.
type FieldError struct {
	Field   string `json:"field"`   // as in the JSON of the payload; "who", "key" and "at" are the command's own
	Problem string `json:"problem"` // with the value and with what would be right
}

// Invalid is the error of a command that cannot be what was meant. Nothing of it was stored. It names everything that is wrong at once.
type Invalid struct {
	Kind   string       `json:"kind"`
	Fields []FieldError `json:"fields"`
}

// Error lists the fields.
func (e *Invalid) Error() string {
	parts := make([]string, len(e.Fields))
	for i, f := range e.Fields {
		parts[i] = f.Field + ": " + f.Problem
	}
	return "jobbook: " + e.Kind + ": " + strings.Join(parts, "; ")
}

// FieldChange is one field before and after, as JSON; null for none.
type FieldChange struct {
	Field  string          `json:"field"`
	Before json.RawMessage `json:"before"`
	After  json.RawMessage `json:"after"`
}

// Change is what one command did to an entity.
type Change struct {
	Seq    int64         `json:"seq"`
	Rev    int64         `json:"rev"` // that it made
	Who    string        `json:"who"`
	At     Stamp         `json:"at"`
	Kind   string        `json:"kind"`
	Made   bool          `json:"made"`   // the entity was new
	Undone int64         `json:"undone"` // seq of the undo that reversed it, 0 for none
	Fields []FieldChange `json:"fields"`
}

// String says it in one line, with the time in UTC.
func (c Change) String() string {
	var parts []string
	for _, f := range c.Fields {
		parts = append(parts, fmt.Sprintf("%s %s -> %s", f.Field, f.Before, f.After))
	}
	return fmt.Sprintf("%s at %s (%s): %s", c.Who, utc(c.At.Wall), c.Kind, strings.Join(parts, ", "))
}

// Conflict is the error of a command whose maker saw an older revision than the present one. Nothing of it was stored.
type Conflict struct {
	Class   string   `json:"class"`
	ID      int64    `json:"id"`
	Saw     int64    `json:"saw_rev"`
	Now     int64    `json:"now_rev"`
	Changes []Change `json:"changes"` // since the revision that was seen
}

// Error tells what changed since, and by whom.
func (e *Conflict) Error() string {
	parts := make([]string, len(e.Changes))
	for i, c := range e.Changes {
		parts[i] = c.String()
	}
	return fmt.Sprintf("jobbook: %s %d was changed since you saw it (revision %d, now %d): %s. Look again, then repeat what is still right",
		e.Class, e.ID, e.Saw, e.Now, strings.Join(parts, "; "))
}

func utc(ms int64) string { return time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05Z") }
