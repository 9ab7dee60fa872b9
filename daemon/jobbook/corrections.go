package jobbook

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// Correction is a change of something that had been said before: an edit, an undo, an end that was moved. How a fact came into the book, and what
// belongs to its life, such as the end of a coat, is none.
type Correction struct {
	Class string `json:"class"` // job, piece, coat, touch ...
	ID    int64  `json:"id"`
	Change
}

// Corrections gives what was corrected in a job and in all that hangs on it, what was taken back included, oldest first.
func (b *Book) Corrections(ctx context.Context, job int64) ([]Correction, error) {
	if _, err := b.State(ctx); err != nil {
		return nil, err
	}
	c := b.cached.Load()
	if c == nil {
		return nil, nil
	}
	m := members{entities: c.entities, job: job}
	var out []Correction
	for _, r := range sortedRefs(c.entities) {
		if c.entities[r].head().Rev < 2 || !m.has(r) {
			continue
		}
		all, err := b.History(ctx, r.class, r.id)
		if err != nil {
			return nil, err
		}
		for _, h := range all {
			if h.corrects() {
				out = append(out, Correction{Class: r.class, ID: r.id, Change: h})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b Correction) int { return int(a.Seq - b.Seq) })
	return out, nil
}

// corrects tells a correction from what belongs to the life of a thing.
func (h Change) corrects() bool {
	switch {
	case h.Made:
		return false
	case strings.HasPrefix(h.Kind, "edit-"), h.Kind == (Undo{}).Kind():
		return true
	case h.Kind == (EndCoat{}).Kind():
		for _, f := range h.Fields {
			if f.Field == "ended" {
				var was When
				return json.Unmarshal(f.Before, &was) == nil && was.MS != 0
			}
		}
	}
	return false
}

// members tells what belongs to a job.
type members struct {
	entities map[ref]entity
	job      int64
}

func (m members) has(r ref) bool {
	switch e := m.entities[r].(type) {
	case *Job:
		return r.id == m.job
	case *Piece:
		return e.Job == m.job
	case *Coat:
		return m.has(ref{classPiece, e.Piece})
	case *Batch:
		for _, other := range m.entities {
			if c, ok := other.(*Coat); ok && c.Batch == r.id && m.has(ref{classPiece, c.Piece}) {
				return true
			}
		}
	case *Touched:
		return m.has(ref{classCoat, e.Coat})
	case *FrozenInfo:
		return m.has(ref{classCoat, e.Coat})
	case *StockUse:
		return e.Coat != 0 && m.has(ref{classCoat, e.Coat})
	case *Deed:
		return m.has(ref{classPiece, e.Piece})
	case *Moisture:
		return m.has(ref{classPiece, e.Piece})
	case *Placement:
		return e.Piece != 0 && m.has(ref{classPiece, e.Piece})
	case *NoteEntry:
		return m.about(e.About)
	case *Photo:
		return m.about(e.About)
	}
	return false
}

func (m members) about(a About) bool {
	switch {
	case a.Job != 0:
		return a.Job == m.job
	case a.Piece != 0:
		return m.has(ref{classPiece, a.Piece})
	case a.Coat != 0:
		return m.has(ref{classCoat, a.Coat})
	}
	return false
}

// JournalOf gives the journal as it may leave the shed with one job: the rows of the job and of all that hangs on it, those of probes, limits and
// clocks, and the first; of every other row the number and the hashes alone, so that the chain can be followed.
func (b *Book) JournalOf(ctx context.Context, job int64) ([]Entry, error) {
	if _, err := b.State(ctx); err != nil {
		return nil, err
	}
	c := b.cached.Load()
	if c == nil {
		return nil, nil
	}
	m := members{entities: c.entities, job: job}
	effects, err := loadEffects(ctx, b.read, "1")
	if err != nil {
		return nil, err
	}
	open := map[int64]bool{1: true}
	for _, e := range effects {
		switch e.ref.class {
		case classCalibration, classLimit, classClock, classPlacement:
			open[e.seq] = true
		default:
			if m.has(e.ref) {
				open[e.seq] = true
			}
		}
	}
	var out []Entry
	err = walk(ctx, b.read, func(e Entry) error {
		if !open[e.Seq] {
			e = Entry{Seq: e.Seq, Prev: e.Prev, Hash: e.Hash}
		}
		out = append(out, e)
		return nil
	})
	return out, err
}

// FollowChain checks that rows follow from one another, those that are there in full by their own hashes. The error names the first row that does not.
func FollowChain(rows []Entry) error {
	for i, e := range rows {
		switch {
		case i > 0 && (e.Seq != rows[i-1].Seq+1 || !bytes.Equal(e.Prev, rows[i-1].Hash)):
			return fmt.Errorf("jobbook: row %d does not follow from row %d", e.Seq, rows[i-1].Seq)
		case e.Kind != "" && !bytes.Equal(e.Sum(), e.Hash):
			return fmt.Errorf("jobbook: row %d does not match its own hash: it was altered", e.Seq)
		case e.Kind == "" && (e.Who != "" || len(e.Payload) > 0 && string(e.Payload) != "null"):
			return fmt.Errorf("jobbook: row %d is neither whole nor left out", e.Seq)
		}
	}
	return nil
}
