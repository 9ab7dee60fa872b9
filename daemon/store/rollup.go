package store

import (
	"context"
	"database/sql"
	"errors"
	"maps"
	"slices"
)

// level is a length of roll-ups, and how many of one channel are packed as one row.
type level struct {
	table string
	kind  byte
	unit  int64 // ms of one roll-up
	span  int64 // ms of those in a row
}

// levels are the lengths that are kept, the finest first. Minutes are made of readings, every other level of the one before it.
var levels = [...]level{
	{"minute", kindMinute, minuteMs, hourMs},
	{"quarter", kindQuarter, quarterMs, dayMs},
	{"watch", kindWatch, watchMs, fortnightMs},
}

// packs walks the ids of one channel from ?1 to before ?2, so that the rows of other channels are not even looked at.
func packs(table string) string {
	return `WITH RECURSIVE h (x) AS (SELECT ?1 WHERE ?1 < ?2 UNION ALL SELECT x + 65536 FROM h WHERE x + 65536 < ?2)
		SELECT t.id, t.data FROM h CROSS JOIN ` + table + ` t ON t.id = h.x`
}

// write replaces one row of a level; without roll-ups it removes it.
func (st *statements) write(ctx context.Context, level int, id int64, all []tally) (err error) {
	if len(all) == 0 {
		_, err = st.drop[level].ExecContext(ctx, id)
	} else {
		_, err = st.put[level].ExecContext(ctx, id, packTallies(levels[level].kind, all))
	}
	return err
}

// roll makes anew, of their minutes, the quarters of the days that were written in, and the watches of their fortnights.
func (st *statements) roll(ctx context.Context) error {
	fortnights := map[int64]bool{}
	for _, id := range slices.Sorted(maps.Keys(st.days)) {
		if err := st.rollRow(ctx, 1, id); err != nil {
			return err
		}
		day, channel := blockKey(id)
		fortnights[blockID(floorDiv(day, fortnightMs/dayMs), channel)] = true
	}
	for _, id := range slices.Sorted(maps.Keys(fortnights)) {
		if err := st.rollRow(ctx, 2, id); err != nil {
			return err
		}
	}
	clear(st.days)
	return nil
}

// rollRow makes one row of a level of the rows of the level below. Where one of those is damaged, what was made of it before stays.
func (st *statements) rollRow(ctx context.Context, level int, id int64) error {
	l, below := levels[level], levels[level-1]
	number, channel := blockKey(id)
	var fine []tally
	damaged := map[int64]bool{}
	rows, err := st.readSome[level-1].QueryContext(ctx, blockID(number*(l.span/below.span), channel), blockID((number+1)*(l.span/below.span), channel))
	if err != nil {
		return err
	}
	for rows.Next() {
		var from int64
		var data sql.RawBytes
		if err := rows.Scan(&from, &data); err != nil {
			return errors.Join(err, rows.Close())
		}
		some, err := unpackTallies(data, below.kind)
		if err != nil {
			n, _ := blockKey(from)
			damaged[n] = true
		}
		fine = append(fine, some...)
	}
	if err := firstOf(rows.Err(), rows.Close()); err != nil {
		return err
	}
	all := tallyTallies(fine, l.unit/below.unit)
	if len(damaged) > 0 {
		var data []byte
		if err := st.readOne[level].QueryRowContext(ctx, id).Scan(&data); err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		before, _ := unpackTallies(data, l.kind) // none where that is damaged too
		for _, t := range before {
			if damaged[floorDiv(t.start*l.unit, below.span)] {
				all = append(all, t)
			}
		}
		sortTallies(all)
	}
	return st.write(ctx, level, id, all)
}

// rollSteps is how many fortnights of a channel are rolled up at a commit, each in a transaction of its own, in a file that an older program wrote.
const rollSteps = 8

// rollBehind makes some of the roll-ups that are not made yet, the newest first. The caller holds writing.
func (s *Store) rollBehind(ctx context.Context) error {
	for range rollSteps {
		s.mem.RLock()
		rolled, channels := s.rolled, int64(len(s.reg.channel))
		s.mem.RUnlock()
		if rolled == 0 {
			return nil
		}
		var next int64
		err := s.inTx(ctx, func(tx *sql.Tx) (err error) {
			if next, err = nextToRoll(ctx, tx, rolled, channels); err != nil {
				return err
			}
			if next > 0 {
				if err := rollFortnight(ctx, tx, next); err != nil {
					return err
				}
			}
			_, err = tx.ExecContext(ctx, `UPDATE rolled SET down_to = ?`, next)
			return err
		})
		if err != nil {
			return err
		}
		s.mem.Lock()
		s.rolled = next
		s.mem.Unlock()
	}
	return nil
}

// nextToRoll gives the next lower id of watch: of the channel before in the same fortnight, or of the last channel in the next older fortnight that
// has anything; 0 where there is none.
func nextToRoll(ctx context.Context, tx *sql.Tx, rolled, channels int64) (int64, error) {
	if rolled&0xffff > 1 {
		return rolled - 1, nil
	}
	const hours = fortnightMs / hourMs
	fortnight, _ := blockKey(rolled)
	var newest sql.NullInt64
	if err := tx.QueryRowContext(ctx, `SELECT max(id) FROM minute WHERE id < ?`, blockID(fortnight*hours, 0)).Scan(&newest); err != nil || !newest.Valid {
		return 0, err
	}
	hour, _ := blockKey(newest.Int64)
	return blockID(floorDiv(hour, hours), int32(channels)), nil
}

func rollFortnight(ctx context.Context, tx *sql.Tx, id int64) error {
	st, err := prepare(ctx, tx)
	if err != nil {
		return err
	}
	defer st.close()
	const days = fortnightMs / dayMs
	fortnight, channel := blockKey(id)
	for day := fortnight * days; day < (fortnight+1)*days; day++ {
		st.days[blockID(day, channel)] = true
	}
	return st.roll(ctx)
}
