package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"

	"tackline/sensors"
)

// Correct gives the value of a reading from what the chip gave. beside is the raw temperature of the same probe at the same time, or the newest
// before it that is no older than asked for; nil where there is none.
type Correct func(r *Row, beside *float64) float64

// Corrected says what Correct did.
type Corrected struct {
	Read    int64 // readings looked at
	Changed int64 // of these, have another value now
	Pruned  int64 // hours of a channel whose raw readings are gone: they stay as they are
}

// Correct works the values of a probe's readings in [from, to) ms UTC out anew from what the chip gave, with their roll-ups: a calibration was
// entered, changed or withdrawn for a time that is past. Raw values, times and statuses stay. Since it starts from what the chip gave, doing it
// twice, or again after a power cut, is the same as once. Followers get the changed readings as new ones. besideMs is how much older the
// temperature beside a humidity may be.
func (s *Store) Correct(ctx context.Context, probe string, from, to, besideMs int64, correct Correct) (Corrected, error) {
	done, err := s.correct(ctx, probe, from, to, besideMs, correct)
	if err != nil {
		return done, fmt.Errorf("store: correct %s: %w", probe, err)
	}
	return done, nil
}

func (s *Store) correct(ctx context.Context, probe string, from, to, besideMs int64, correct Correct) (done Corrected, err error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	if err := s.commit(ctx, false); err != nil {
		return done, err
	}
	first, last, ok := s.extentOf(probe)
	if from, to = max(from, first), min(to, last+1); !ok || from >= to {
		return done, nil
	}
	temps, err := s.temperatures(ctx, probe, from-besideMs, to)
	if err != nil {
		return done, err
	}
	// anew corrects a sample and tells whether that changed it. A step of the packing is no change.
	anew := func(n *names, x *sample) bool {
		if x.at < from || x.at >= to {
			return false
		}
		done.Read++
		r := n.row(x)
		var beside *float64
		if r.Quantity == sensors.Humidity {
			beside = temps.before(x.at, besideMs)
		}
		v := correct(&r, beside)
		if !(math.Abs(v) <= maxMagnitude) {
			return false
		}
		val := scaled(v, r.Quantity)
		if d := val - x.val; d >= -1 && d <= 1 {
			return false
		}
		x.val = val
		done.Changed++
		return true
	}
	if err := s.correctTail(ctx, probe, anew, &done); err != nil {
		return done, err
	}
	if err := s.correctBlocks(ctx, probe, from, to, anew, &done); err != nil {
		return done, err
	}
	return done, s.boundWAL(ctx)
}

// Extent gives the times of the first and the last reading of a probe, ms UTC; ok is false where it has none.
func (s *Store) Extent(probe string) (first, last int64, ok bool) { return s.extentOf(probe) }

func (s *Store) extentOf(probe string) (first, last int64, ok bool) {
	s.mem.RLock()
	defer s.mem.RUnlock()
	for _, id := range s.channelsOf(probe) {
		if e, some := s.extent(id); some {
			if !ok {
				first, last, ok = e.first, e.last, true
			}
			first, last = min(first, e.first), max(last, e.last)
		}
	}
	return first, last, ok
}

// channelsOf gives the numbers of a probe's channels. The caller holds mem.
func (s *Store) channelsOf(probe string) []int32 {
	var out []int32
	for _, q := range sensors.Quantities() {
		if id := s.reg.channels[channelKey{probe, q}]; id != 0 {
			out = append(out, id)
		}
	}
	return out
}

// rawTemps are raw temperatures in the order of time.
type rawTemps []struct {
	at  int64
	raw float64
}

// before gives the newest of them at a time or before it.
func (t rawTemps) before(at, most int64) *float64 {
	i := sort.Search(len(t), func(k int) bool { return t[k].at > at }) - 1
	if i < 0 || t[i].at < at-most {
		return nil
	}
	v := t[i].raw
	return &v
}

func (s *Store) temperatures(ctx context.Context, probe string, from, to int64) (rawTemps, error) {
	v, err := s.look(probe, sensors.Temperature, from, to)
	if err != nil || !v.some {
		return nil, err
	}
	all, _, err := v.rawHours(ctx, floorDiv(from, hourMs), floorDiv(to-1, hourMs)+1)
	if err != nil {
		return nil, err
	}
	out := make(rawTemps, 0, len(all))
	for i := range all {
		out = append(out, struct {
			at  int64
			raw float64
		}{all[i].at, float64(all[i].raw) / v.scale})
	}
	return out, nil
}

// correctTail corrects what is not sealed yet, on disk and in memory. What changes goes into an open row of its own with a new number.
func (s *Store) correctTail(ctx context.Context, probe string, anew func(*names, *sample) bool, done *Corrected) error {
	s.mem.Lock()
	defer s.mem.Unlock() // the tail must not change between disk and memory
	ours := s.channelsOf(probe)
	values := map[int32][]int64{} // of the tails as they are to be
	touched, remain := map[int64]bool{}, map[int64][]sample{}
	var changed []sample
	for _, id := range ours {
		for i, x := range s.tail[id] {
			if !anew(&s.reg.names, &x) {
				continue
			}
			if values[id] == nil {
				values[id] = make([]int64, 0, len(s.tail[id]))
				for k := range s.tail[id] {
					values[id] = append(values[id], s.tail[id][k].val)
				}
			}
			values[id][i] = x.val
			if x.seq <= s.committed {
				touched[x.seq] = true
				x.seq = s.open
				changed = append(changed, x)
			}
		}
	}
	if len(values) == 0 {
		return nil
	}
	moved := func(id int32, i int) bool { return values[id] != nil && values[id][i] != s.tail[id][i].val }
	for id, t := range s.tail {
		for i := range t {
			if touched[t[i].seq] && !moved(id, i) {
				remain[t[i].seq] = append(remain[t[i].seq], t[i])
			}
		}
	}
	seq := s.open
	if len(changed) > 0 {
		err := s.inTx(ctx, func(tx *sql.Tx) error {
			sortSamples(changed)
			if _, err := tx.ExecContext(ctx, `INSERT INTO hot (seq, data) VALUES (?, ?)`, seq, packHot(changed)); err != nil {
				return err
			}
			return rewriteHot(ctx, tx, touched, remain)
		})
		if err != nil {
			return err
		}
	}
	for id, t := range s.tail {
		for i := range t {
			switch {
			case t[i].seq > s.committed:
				t[i].seq = seq + 1 // what is pending keeps a number above the one just written
			case moved(id, i):
				t[i].seq = seq
			}
			if values[id] != nil {
				t[i].val = values[id][i]
			}
		}
	}
	counted := *done // the newest are among those counted
	for _, id := range ours {
		n := s.latest[id]
		if n.hasAny {
			anew(&s.reg.names, &n.any)
		}
		if n.hasGood {
			anew(&s.reg.names, &n.good)
		}
		s.latest[id] = n
	}
	*done = counted
	s.committed, s.open = seq, seq+1
	return nil
}

// correctStep is how many hours of a channel are corrected in one transaction.
const correctStep = 48

// correctBlocks corrects sealed hours.
func (s *Store) correctBlocks(ctx context.Context, probe string, from, to int64, anew func(*names, *sample) bool, done *Corrected) error {
	s.mem.RLock()
	ours, names := s.channelsOf(probe), s.reg.copy()
	s.mem.RUnlock()
	var ids []int64
	for hour := floorDiv(from, hourMs); hour <= floorDiv(to-1, hourMs); hour++ {
		for _, c := range ours {
			ids = append(ids, blockID(hour, c))
		}
	}
	for part := range slices.Chunk(ids, correctStep) {
		s.mem.Lock()
		seq := s.open
		s.open++
		s.mem.Unlock()
		var m merged
		err := s.inTx(ctx, func(tx *sql.Tx) error {
			st, err := prepare(ctx, tx)
			if err != nil {
				return err
			}
			defer st.close()
			return s.correctSome(ctx, st, names, part, seq, anew, &m, done)
		})
		if err != nil {
			return err
		}
		s.mem.Lock()
		s.state.Damaged += m.damaged
		s.mem.Unlock()
	}
	return nil
}

func (s *Store) correctSome(ctx context.Context, st *statements, names *names, ids []int64, seq int64, anew func(*names, *sample) bool, m *merged, done *Corrected) error {
	for _, id := range ids {
		all, pruned, err := st.read(ctx, id, m)
		if err != nil {
			return err
		}
		if pruned != nil {
			done.Pruned++
			continue
		}
		changed := false
		for i := range all {
			if names.known(&all[i]) && anew(names, &all[i]) {
				all[i].seq, changed = seq, true
			}
		}
		if !changed {
			continue
		}
		if err := st.writeHour(ctx, names, id, all); err != nil {
			return err
		}
	}
	return st.roll(ctx)
}

// CorrectedBy gives what SetCorrectedBy wrote down of a probe; "" where nothing.
func (s *Store) CorrectedBy(ctx context.Context, probe string) (string, error) {
	s.mem.RLock()
	db, err := s.reader, s.checkOpen()
	s.mem.RUnlock()
	if err != nil {
		return "", err
	}
	var state string
	err = db.QueryRowContext(ctx, `SELECT state FROM corrected WHERE probe = ?`, probe).Scan(&state)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	if err != nil {
		return "", fmt.Errorf("store: what %s is corrected by: %w", probe, err)
	}
	return state, nil
}

// SetCorrectedBy writes down what the readings of a probe are corrected by, at once. What it means is the caller's.
func (s *Store) SetCorrectedBy(ctx context.Context, probe, state string) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mem.RLock()
	err := s.checkOpen()
	s.mem.RUnlock()
	if err != nil {
		return err
	}
	err = s.inTx(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO corrected (probe, state) VALUES (?, ?)`, probe, state)
		return err
	})
	if err != nil {
		return fmt.Errorf("store: write down what %s is corrected by: %w", probe, err)
	}
	return nil
}
