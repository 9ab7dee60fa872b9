package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"sort"
	"unicode/utf8"

	"tackline/sensors"
)

// Append takes readings into the buffer, where every reader sees them at once; Commit makes them durable. A reading that came before (the
// same channel and time, see Row) is passed over. Readings that cannot be kept (no probe, unknown quantity or status, a value that is not
// finite or beyond 1e9, a time before 1970) are named in the error; all others are taken all the same.
func (s *Store) Append(_ context.Context, rows []Row) error {
	s.mem.Lock()
	defer s.mem.Unlock()
	if err := s.checkOpen(); err != nil {
		return err
	}
	var bad []error
	for i := range rows {
		if err := checkRow(&rows[i]); err != nil {
			bad = append(bad, err)
			continue
		}
		x := s.sampleOf(&rows[i])
		x.seq = s.open
		if s.insert(x) {
			s.state.Pending++
		}
	}
	s.dropOldest()
	return errors.Join(bad...)
}

func checkRow(r *Row) error {
	switch {
	case r.Probe == "" || !utf8.ValidString(r.Probe) || !utf8.ValidString(r.Place):
		return fmt.Errorf("store: reading of %d has no probe, or a name that is not UTF-8: %q at %q", r.At, r.Probe, r.Place)
	case r.Quantity == 0 || int64(r.Quantity) > int64(len(sensors.Quantities())):
		return fmt.Errorf("store: reading of probe %s has unknown quantity %d", r.Probe, r.Quantity)
	case int64(r.Status) >= int64(len(sensors.Statuses())):
		return fmt.Errorf("store: reading of probe %s has unknown status %d", r.Probe, r.Status)
	case r.Clock > ClockRedated:
		return fmt.Errorf("store: reading of probe %s has unknown clock state %d", r.Probe, r.Clock)
	case !(math.Abs(r.Raw) <= maxMagnitude) || !(math.Abs(r.Value) <= maxMagnitude):
		return fmt.Errorf("store: reading of probe %s, %s has raw %g and value %g: want finite numbers", r.Probe, r.Quantity, r.Raw, r.Value)
	case r.At < 0 || r.At >= maxAt:
		return fmt.Errorf("store: reading of probe %s, %s has an impossible time: %d ms", r.Probe, r.Quantity, r.At)
	}
	return nil
}

// sampleOf numbers the names of a row. A reading of a boot that has been dated anew is shifted like those before it.
func (s *Store) sampleOf(r *Row) sample {
	x := sample{at: r.At, raw: scaled(r.Raw, r.Quantity), val: scaled(r.Value, r.Quantity), status: uint8(r.Status),
		channel: s.reg.channelOf(r.Probe, r.Quantity), place: s.reg.placeOf(r.Place), stretch: s.reg.stretchOf(r.Boot, r.Clock, r.At, r.Mono)}
	s.reg.follow(&x)
	return x
}

// insert puts a sample in its place in the tail, unless it is there already.
func (s *Store) insert(x sample) bool {
	t := s.tail[x.channel]
	i := len(t)
	if i > 0 && t[i-1].at >= x.at {
		i = sort.Search(len(t), func(k int) bool { return t[k].at > x.at })
		for k := i - 1; k >= 0 && t[k].at == x.at; k-- {
			if s.reg.same(&t[k], &x) {
				return false
			}
		}
	}
	t = append(t, sample{})
	copy(t[i+1:], t[i:])
	t[i] = x
	s.tail[x.channel] = t
	s.inTail++
	if s.noteNewest(&x) {
		s.noteHour(&x)
	}
	return true
}

// noteNewest keeps the newest in order of arrival where the clock is ours (it may be set back), in order of time where it is the source's.
func (s *Store) noteNewest(x *sample) bool {
	if sensors.Status(x.status) == sensors.Late {
		return false
	}
	n := s.latest[x.channel]
	ours := s.reg.ours(x)
	is := false
	if !n.hasAny || ours || x.at >= n.any.at {
		n.any, n.hasAny, is = *x, true, true
	}
	if usable(x.status) && (!n.hasGood || ours || x.at >= n.good.at) {
		n.good, n.hasGood = *x, true
	}
	s.latest[x.channel] = n
	return is && sensors.Status(x.status) != sensors.Future
}

// noteHour moves the open hour on. One hour back is jitter about the full hour, not a clock that was set.
func (s *Store) noteHour(x *sample) {
	h := floorDiv(x.at, hourMs)
	if h > s.hour || s.reg.ours(x) && h < s.hour-1 {
		s.hour = h
	}
}

// dropOldest bounds the buffer while commits fail. What is on disk already stays.
func (s *Store) dropOldest() {
	for s.state.Pending > s.opt.Buffer {
		var victim int32
		at := int64(math.MaxInt64)
		for c, t := range s.tail {
			for i := range t {
				if t[i].seq > s.committed {
					if t[i].at < at {
						victim, at = c, t[i].at
					}
					break
				}
			}
		}
		t := s.tail[victim]
		for i := range t {
			if t[i].seq > s.committed {
				s.tail[victim] = append(t[:i:i], t[i+1:]...)
				break
			}
		}
		s.inTail--
		s.state.Pending--
		s.state.Dropped++
	}
}

// Commit writes what is buffered in one transaction, and seals hours that are over. On error nothing is lost: the next Commit tries again.
// Health keeps the last error.
func (s *Store) Commit(ctx context.Context) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	return s.commit(ctx, false)
}

// batch is what one commit writes.
type batch struct {
	seq     int64
	pending []sample
	names   *unsaved
	advice  []pendingAdvice
	cursors map[string]Cursor
}

func (s *Store) commit(ctx context.Context, closing bool) error {
	s.mem.Lock()
	if err := s.checkOpen(); err != nil {
		s.mem.Unlock()
		return err
	}
	b := s.nextBatch(closing)
	s.mem.Unlock()
	if len(b.pending) == 0 && len(b.advice) == 0 && !(closing && len(b.cursors) > 0) {
		return nil
	}
	err := s.capSize(ctx)
	if err == nil {
		err = s.write(ctx, b)
	}
	if IsFull(err) && s.reuseWAL(ctx) {
		err = s.write(ctx, b)
	}
	if isDamaged(err) {
		if err = s.startOver(ctx); err == nil {
			s.mem.Lock()
			b = s.nextBatch(closing)
			s.mem.Unlock()
			err = s.write(ctx, b)
		}
	}
	s.mem.Lock()
	if err == nil {
		s.wrote(b)
	}
	s.state.Err = err
	due := err == nil && !closing && (s.hour != s.sealed || s.inTail-s.state.Pending > maxTail)
	s.mem.Unlock()
	if err != nil {
		return fmt.Errorf("store: commit: %w", err)
	}
	if due {
		err = s.sealHours(ctx)
	}
	if err == nil && !closing {
		err = s.rollBehind(ctx)
	}
	if err != nil {
		s.mem.Lock()
		s.state.Err = err
		s.mem.Unlock()
		return fmt.Errorf("store: seal: %w", err)
	}
	return s.boundWAL(ctx)
}

// nextBatch gathers everything that is not on disk under a new number.
func (s *Store) nextBatch(closing bool) *batch {
	if closing {
		s.advice.saveLast()
	}
	b := &batch{seq: s.open, names: s.reg.unsaved(), advice: s.advice.pending, cursors: s.dueCursors(closing)}
	s.open++
	for _, t := range s.tail {
		for i := range t {
			if t[i].seq > s.committed {
				t[i].seq = b.seq
				b.pending = append(b.pending, t[i])
			}
		}
	}
	sortSamples(b.pending)
	return b
}

func (s *Store) write(ctx context.Context, b *batch) error {
	return s.inTx(ctx, func(tx *sql.Tx) error {
		if err := b.names.save(ctx, tx); err != nil {
			return err
		}
		if len(b.pending) > 0 {
			if _, err := tx.ExecContext(ctx, `INSERT INTO hot (seq, data) VALUES (?, ?)`, b.seq, packHot(b.pending)); err != nil {
				return err
			}
		}
		for _, a := range b.advice {
			if err := a.insert(ctx, tx); err != nil {
				return err
			}
		}
		for name, c := range b.cursors {
			if err := saveCursor(ctx, tx, name, c); err != nil {
				return err
			}
		}
		return nil
	})
}

// wrote notes that a batch is on disk. Readings that came meanwhile have a higher number and wait for the next.
func (s *Store) wrote(b *batch) {
	s.committed = b.seq
	s.reg.saved(b.names)
	s.advice.pending = s.advice.pending[len(b.advice):]
	s.wroteCursors(b.cursors)
	s.state.Pending = 0
	for _, t := range s.tail {
		for i := range t {
			if t[i].seq > s.committed {
				s.state.Pending++
			}
		}
	}
	s.state.LastCommit = s.opt.Now().UnixMilli()
	s.state.Commits++
}

// startOver puts a file that turned out damaged aside and begins a fresh one. The open hour is still in memory and goes into the new file.
func (s *Store) startOver(ctx context.Context) error {
	err := s.disconnect()
	if err := errors.Join(err, s.putAside()); err != nil {
		return err
	}
	s.mem.Lock()
	defer s.mem.Unlock()
	if err := s.connect(ctx); err != nil {
		return err
	}
	s.reg.forget()
	s.state.Pending = 0
	for _, t := range s.tail {
		for i := range t {
			t[i].seq = s.open
		}
		s.state.Pending += int64(len(t))
	}
	s.committed = s.open - 1
	s.advice.forget()
	for name, f := range s.followers {
		f.dirty = true
		s.followers[name] = f
	}
	return nil
}
