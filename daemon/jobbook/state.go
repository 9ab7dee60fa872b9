package jobbook

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"sort"
)

// State is the book at one moment. What was undone is left out; History and Journal have it. A State is shared between callers: read it,
// do not change it. Lists are in order of entry unless they say otherwise.
type State struct {
	Seq          int64  // of the last journal row that is in it
	Hash         []byte // of that row
	Jobs         []Job
	Pieces       []Piece
	People       []Person
	Stock        []Stock
	Uses         []StockUse
	Coats        []Coat // running and ended, by start
	Batches      []Batch
	Touches      []Touched // by time
	Notes        []NoteEntry
	Photos       []Photo
	Deeds        []Deed      // by time
	Moisture     []Moisture  // by time
	Hand         []HandValue // by time
	Placements   []Placement // by probe, then From; [From, Until)
	Bindings     []Binding   // the last of a node and of a probe holds; see Nodes
	Calibrations []Calibration
	Limits       []Limit          // all, each in force from its When to that of the next of its name
	Acks         []Ack            // all; the last one of a key holds
	Clocks       map[string]int64 // boot -> true less shown, ms, of boots that began with an unset clock
	Found        []Clock          // how each of them was found, oldest first
	Forgotten    []Forgotten      // drums that were set aside
	Frozen       []FrozenInfo     // the newest of a coat is the one that holds
}

// cache is the last state and the entities that it was made of, those that were undone too. Neither is changed once it stands here.
type cache struct {
	state    *State
	entities map[ref]entity
}

// State gives the book as it is now. It is kept until the next command, so that asking often costs one small query, and after a command
// only what that changed is read again.
func (b *Book) State(ctx context.Context) (*State, error) {
	tx, err := b.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, fmt.Errorf("jobbook: begin: %w", err)
	}
	defer tx.Rollback() //nolint:errcheck // nothing was written
	seq, sum, err := head(ctx, tx)
	if err != nil {
		return nil, err
	}
	old := b.cached.Load()
	if old != nil && old.state.Seq == seq && bytes.Equal(old.state.Hash, sum) {
		return old.state, nil
	}
	entities, err := readEntities(ctx, tx, old, seq)
	if err != nil {
		return nil, err
	}
	s := newState(entities)
	s.Seq, s.Hash = seq, sum
	b.cached.Store(&cache{state: s, entities: entities})
	return s, nil
}

// readEntities reads what changed since the cache was made, or everything where the cache is not of this journal's past.
func readEntities(ctx context.Context, tx *sql.Tx, old *cache, seq int64) (map[ref]entity, error) {
	where, args, out := "1", []any(nil), map[ref]entity{}
	if old != nil && old.state.Seq <= seq {
		var sum []byte
		err := tx.QueryRowContext(ctx, "SELECT hash FROM journal WHERE seq = ?", old.state.Seq).Scan(&sum)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return nil, fmt.Errorf("jobbook: read the journal: %w", err)
		}
		if bytes.Equal(sum, old.state.Hash) {
			where, args = "(class, id) IN (SELECT class, id FROM effect WHERE seq > ?)", []any{old.state.Seq}
			maps.Copy(out, old.entities)
		}
	}
	changed, err := loadEntities(ctx, tx, where, args...)
	if err != nil {
		return nil, err
	}
	for r, body := range changed {
		e := newEntity(r.class)
		if e == nil {
			return nil, fmt.Errorf("jobbook: the book has a %q, which this tackline does not know", r.class)
		}
		if err := json.Unmarshal(body, e); err != nil {
			return nil, fmt.Errorf("jobbook: %s %d in the book cannot be read: %w", r.class, r.id, err)
		}
		out[r] = e
	}
	return out, nil
}

func newState(entities map[ref]entity) *State {
	s := &State{Clocks: map[string]int64{}}
	for _, r := range sortedRefs(entities) {
		if e := entities[r]; e.head().Withdrawn == 0 {
			s.add(e)
		}
	}
	s.derive()
	return s
}

func (s *State) add(e entity) {
	switch v := e.(type) {
	case *Job:
		s.Jobs = append(s.Jobs, *v)
	case *Piece:
		s.Pieces = append(s.Pieces, *v)
	case *Person:
		s.People = append(s.People, *v)
	case *Stock:
		s.Stock = append(s.Stock, *v)
	case *StockUse:
		s.Uses = append(s.Uses, *v)
	case *Coat:
		s.Coats = append(s.Coats, *v)
	case *Batch:
		s.Batches = append(s.Batches, *v)
	case *Touched:
		s.Touches = append(s.Touches, *v)
	case *NoteEntry:
		s.Notes = append(s.Notes, *v)
	case *Photo:
		s.Photos = append(s.Photos, *v)
	case *Deed:
		s.Deeds = append(s.Deeds, *v)
	case *Moisture:
		s.Moisture = append(s.Moisture, *v)
	case *HandValue:
		s.Hand = append(s.Hand, *v)
	case *Placement:
		s.Placements = append(s.Placements, *v)
	case *Binding:
		s.Bindings = append(s.Bindings, *v)
	case *Calibration:
		s.Calibrations = append(s.Calibrations, *v)
	case *Limit:
		s.Limits = append(s.Limits, *v)
	case *Ack:
		s.Acks = append(s.Acks, *v)
	case *Clock:
		s.Clocks[v.Boot] = v.OffsetMS
		s.Found = append(s.Found, *v)
	case *Forgotten:
		s.Forgotten = append(s.Forgotten, *v)
	case *FrozenInfo:
		s.Frozen = append(s.Frozen, *v)
	}
}

// derive works out what is not stored: order, amounts left, bareness, ends of placements, what touches mean.
func (s *State) derive() {
	sort.SliceStable(s.Coats, func(i, j int) bool { return s.Coats[i].Started.MS < s.Coats[j].Started.MS })
	sort.SliceStable(s.Touches, func(i, j int) bool { return s.Touches[i].When.MS < s.Touches[j].When.MS })
	sort.SliceStable(s.Deeds, func(i, j int) bool { return s.Deeds[i].When.MS < s.Deeds[j].When.MS })
	sort.SliceStable(s.Moisture, func(i, j int) bool { return s.Moisture[i].When.MS < s.Moisture[j].When.MS })
	sort.SliceStable(s.Hand, func(i, j int) bool { return s.Hand[i].When.MS < s.Hand[j].When.MS })
	coated := map[int64]bool{}
	for _, c := range s.Coats {
		coated[c.Piece] = true
	}
	for i := range s.Pieces {
		s.Pieces[i].BareNow = s.Pieces[i].Bare && !coated[s.Pieces[i].ID]
	}
	stock := map[int64]*Stock{}
	for i := range s.Stock {
		s.Stock[i].Left = s.Stock[i].Counted
		stock[s.Stock[i].ID] = &s.Stock[i]
	}
	for _, u := range s.Uses {
		if st := stock[u.Stock]; st != nil && u.ID > st.CountedSeq {
			st.Left -= u.Amount
		}
	}
	s.endPlacements()
	meanings(s)
}

// endPlacements gives each placement its effective end. Of two that begin at once the later entered holds.
func (s *State) endPlacements() {
	sort.SliceStable(s.Placements, func(i, j int) bool {
		a, b := s.Placements[i], s.Placements[j]
		if a.Probe != b.Probe {
			return a.Probe < b.Probe
		}
		if a.From.MS != b.From.MS {
			return a.From.MS < b.From.MS
		}
		return a.ID < b.ID
	})
	for i := range s.Placements {
		p := &s.Placements[i]
		p.Until = p.To.MS
		if i+1 < len(s.Placements) && s.Placements[i+1].Probe == p.Probe {
			if next := s.Placements[i+1].From.MS; p.Until == 0 || next < p.Until {
				p.Until = next
			}
		}
	}
}

// Job gives a job by its id.
func (s *State) Job(id int64) (Job, bool) {
	return find(s.Jobs, id, func(e *Job) int64 { return e.ID })
}

// Piece gives a piece by its id.
func (s *State) Piece(id int64) (Piece, bool) {
	return find(s.Pieces, id, func(e *Piece) int64 { return e.ID })
}

// StockItem gives a drum, a roll or a tin by its id.
func (s *State) StockItem(id int64) (Stock, bool) {
	return find(s.Stock, id, func(e *Stock) int64 { return e.ID })
}

// Coat gives a coat by its id.
func (s *State) Coat(id int64) (Coat, bool) {
	return find(s.Coats, id, func(e *Coat) int64 { return e.ID })
}

// Batch gives a batch by its id.
func (s *State) Batch(id int64) (Batch, bool) {
	return find(s.Batches, id, func(e *Batch) int64 { return e.ID })
}

func find[T any](list []T, id int64, of func(*T) int64) (T, bool) {
	for i := range list {
		if of(&list[i]) == id {
			return list[i], true
		}
	}
	var none T
	return none, false
}

func filter[T any](list []T, keep func(*T) bool) []T {
	var out []T
	for i := range list {
		if keep(&list[i]) {
			out = append(out, list[i])
		}
	}
	return out
}

// Running gives the coats that were not ended, by start.
func (s *State) Running() []Coat { return filter(s.Coats, func(c *Coat) bool { return c.Running() }) }

// RunningBatches gives the batches that were not ended, by entry.
func (s *State) RunningBatches() []Batch {
	return filter(s.Batches, func(b *Batch) bool { return b.Ended.MS == 0 })
}

// PiecesOf gives the pieces of a job.
func (s *State) PiecesOf(job int64) []Piece {
	return filter(s.Pieces, func(p *Piece) bool { return p.Job == job })
}

// CoatsOf gives the coats of a job, by start.
func (s *State) CoatsOf(job int64) []Coat {
	return filter(s.Coats, func(c *Coat) bool {
		p, ok := s.Piece(c.Piece)
		return ok && p.Job == job
	})
}

// CoatsOn gives the coats of a piece, by start.
func (s *State) CoatsOn(piece int64) []Coat {
	return filter(s.Coats, func(c *Coat) bool { return c.Piece == piece })
}

// TouchesOn gives the touches on a coat, by time.
func (s *State) TouchesOn(coat int64) []Touched {
	return filter(s.Touches, func(t *Touched) bool { return t.Coat == coat })
}

// MoistureOf gives the newest meter reading of a piece.
func (s *State) MoistureOf(piece int64) (Moisture, bool) {
	all := filter(s.Moisture, func(m *Moisture) bool { return m.Piece == piece })
	if len(all) == 0 {
		return Moisture{}, false
	}
	return all[len(all)-1], true
}

// Limit gives the limit of a name that is in force.
func (s *State) Limit(name string) (Limit, bool) {
	for i := len(s.Limits) - 1; i >= 0; i-- {
		if s.Limits[i].Name == name {
			return s.Limits[i], true
		}
	}
	return Limit{}, false
}

// Ack gives what was said last to an alert.
func (s *State) Ack(alertKey string) (Ack, bool) {
	for i := len(s.Acks) - 1; i >= 0; i-- {
		if s.Acks[i].AlertKey == alertKey {
			return s.Acks[i], true
		}
	}
	return Ack{}, false
}

// PlacedOn gives where a probe was taped at a time, in Unix ms; false where it was on no piece.
func (s *State) PlacedOn(probe string, at int64) (Placement, bool) {
	for _, p := range s.Placements {
		if p.Probe == probe && p.From.MS <= at && (p.Until == 0 || at < p.Until) {
			return p, p.Piece != 0
		}
	}
	return Placement{}, false
}

// RunningCoats gives the coats that were not ended, by start.
func (b *Book) RunningCoats(ctx context.Context) ([]Coat, error) {
	s, err := b.State(ctx)
	if err != nil {
		return nil, err
	}
	return s.Running(), nil
}

// CoatsOf gives the coats of a job, by start.
func (b *Book) CoatsOf(ctx context.Context, job int64) ([]Coat, error) {
	s, err := b.State(ctx)
	if err != nil {
		return nil, err
	}
	return s.CoatsOf(job), nil
}

// Coat gives a coat. The error wraps ErrNotFound where there is none of that id, or it was undone.
func (b *Book) Coat(ctx context.Context, id int64) (Coat, error) {
	s, err := b.State(ctx)
	if err != nil {
		return Coat{}, err
	}
	c, ok := s.Coat(id)
	if !ok {
		return Coat{}, fmt.Errorf("jobbook: coat %d: %w", id, ErrNotFound)
	}
	return c, nil
}
