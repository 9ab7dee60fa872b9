package store

import (
	"context"
	"database/sql"
	"fmt"
	"slices"

	"tackline/sensors"
)

// registry numbers the names that readings carry. Numbers are given in memory at once and written with the next commit.
type registry struct {
	names
	channels  map[channelKey]int32
	places    map[string]int32
	stretches map[stretchKey][]int32
	// how many of each are on disk
	savedChannels, savedPlaces, savedStretches int64
}

// names is what the numbers mean; index = number - 1.
type names struct {
	channel []channelInfo
	place   []string
	stretch []stretchInfo
}

// copy gives names that stay as they are while others go on adding.
func (n *names) copy() *names {
	return &names{channel: slices.Clone(n.channel), place: slices.Clone(n.place), stretch: slices.Clone(n.stretch)}
}

type channelKey struct {
	probe    string
	quantity sensors.Quantity
}

type channelInfo struct {
	channelKey
	first, last int64 // of the sealed hours, ms
	has         bool
}

type stretchKey struct {
	boot  string
	clock Clock
}

type stretchInfo struct {
	stretchKey
	lead    int64
	shift   int64
	movedTo int32 // 0: not moved
}

// maxLead is how far wall and monotonic clock may drift apart before a new stretch begins; the error of a Mono read back.
const maxLead = 500

func newRegistry() registry {
	return registry{channels: map[channelKey]int32{}, places: map[string]int32{}, stretches: map[stretchKey][]int32{}}
}

func (r *registry) channelOf(probe string, q sensors.Quantity) int32 {
	key := channelKey{probe, q}
	id, ok := r.channels[key]
	if !ok {
		r.channel = append(r.channel, channelInfo{channelKey: key})
		id = int32(len(r.channel))
		r.channels[key] = id
	}
	return id
}

func (r *registry) placeOf(name string) int32 {
	id, ok := r.places[name]
	if !ok {
		r.place = append(r.place, name)
		id = int32(len(r.place))
		r.places[name] = id
	}
	return id
}

// stretchOf finds or begins the stretch of a reading. A reading without a boot has the time of its source, and all such share one.
func (r *registry) stretchOf(boot string, clock Clock, at, mono int64) int32 {
	key := stretchKey{boot, clock}
	lead := at - mono
	if boot == "" || mono == 0 {
		lead = 0
	}
	ids := r.stretches[key]
	for i := len(ids) - 1; i >= 0; i-- {
		if d := r.stretch[ids[i]-1].lead - lead; d <= maxLead && d >= -maxLead {
			return ids[i]
		}
	}
	return r.addStretch(stretchInfo{stretchKey: key, lead: lead})
}

func (r *registry) addStretch(info stretchInfo) int32 {
	r.stretch = append(r.stretch, info)
	id := int32(len(r.stretch))
	if info.shift == 0 && info.clock != ClockRedated {
		r.stretches[info.stretchKey] = append(r.stretches[info.stretchKey], id)
	}
	return id
}

func (n *names) trusted(stretch int32) bool { return n.stretch[stretch-1].clock.Trusted() }

// ours tells whether a sample was stamped by the clock of this board.
func (n *names) ours(s *sample) bool {
	info := &n.stretch[s.stretch-1]
	return info.boot != "" && info.lead != 0
}

// follow dates a sample anew whose stretch has moved since.
func (n *names) follow(s *sample) {
	for to := n.stretch[s.stretch-1].movedTo; to != 0; to = n.stretch[s.stretch-1].movedTo {
		s.at += n.stretch[to-1].shift - n.stretch[s.stretch-1].shift
		s.stretch = to
	}
}

// mono gives the monotonic time of a sample, true to maxLead; 0 where its time is the source's own.
func (n *names) mono(s *sample) int64 {
	info := &n.stretch[s.stretch-1]
	if info.boot == "" || info.lead == 0 {
		return 0
	}
	return s.at - info.shift - info.lead
}

// row turns a sample back into a Row.
func (n *names) row(s *sample) Row {
	c, st := &n.channel[s.channel-1], &n.stretch[s.stretch-1]
	scale := scaleOf(c.quantity)
	return Row{Probe: c.probe, Place: n.place[s.place-1], Quantity: c.quantity, At: s.at, Mono: n.mono(s), Boot: st.boot, Clock: st.clock,
		Raw: float64(s.raw) / scale, Value: float64(s.val) / scale, Status: sensors.Status(s.status)}
}

// known tells whether a sample read from disk names only what the registry has.
func (n *names) known(s *sample) bool {
	return s.channel > 0 && int64(s.channel) <= int64(len(n.channel)) && s.place > 0 && int64(s.place) <= int64(len(n.place)) &&
		s.stretch > 0 && int64(s.stretch) <= int64(len(n.stretch))
}

// same tells whether two samples of one channel are one reading that came twice: the same time, and the same moment of the same boot or,
// where a time is the source's own, the same boot or none. Two readings that a clock set back put on one time are both kept.
func (n *names) same(a, b *sample) bool {
	if a.at != b.at {
		return false
	}
	x, y := &n.stretch[a.stretch-1], &n.stretch[b.stretch-1]
	if x.boot != y.boot && x.boot != "" && y.boot != "" {
		return false
	}
	own := x.boot == "" || y.boot == "" || x.lead == 0 || y.lead == 0
	if own {
		return a.raw == b.raw || x.lead == 0 && y.lead == 0
	}
	d := x.lead + x.shift - y.lead - y.shift
	return d <= 2*maxLead && d >= -2*maxLead
}

// unsaved gives what is not on disk yet.
func (r *registry) unsaved() *unsaved {
	return &unsaved{all: r.copy(), channels: r.savedChannels, places: r.savedPlaces, stretches: r.savedStretches}
}

func (r *registry) saved(u *unsaved) {
	r.savedChannels, r.savedPlaces, r.savedStretches = int64(len(u.all.channel)), int64(len(u.all.place)), int64(len(u.all.stretch))
}

type unsaved struct {
	all                         *names
	channels, places, stretches int64 // how many of each are on disk
}

func (u *unsaved) save(ctx context.Context, tx *sql.Tx) error {
	for i := u.channels; i < int64(len(u.all.channel)); i++ {
		c := u.all.channel[i]
		if _, err := tx.ExecContext(ctx, `INSERT INTO channel (id, probe, quantity) VALUES (?, ?, ?)`, i+1, c.probe, int64(c.quantity)); err != nil {
			return fmt.Errorf("save channel: %w", err)
		}
	}
	for i := u.places; i < int64(len(u.all.place)); i++ {
		if _, err := tx.ExecContext(ctx, `INSERT INTO place (id, name) VALUES (?, ?)`, i+1, u.all.place[i]); err != nil {
			return fmt.Errorf("save place: %w", err)
		}
	}
	for i := u.stretches; i < int64(len(u.all.stretch)); i++ {
		st := u.all.stretch[i]
		if _, err := tx.ExecContext(ctx, `INSERT INTO stretch (id, boot, clock, lead, shift) VALUES (?, ?, ?, ?, ?)`,
			i+1, st.boot, int64(st.clock), st.lead, st.shift); err != nil {
			return fmt.Errorf("save stretch: %w", err)
		}
	}
	return nil
}

// forget marks all as not on disk, for a fresh file.
func (r *registry) forget() {
	r.savedChannels, r.savedPlaces, r.savedStretches = 0, 0, 0
	for i := range r.channel {
		r.channel[i].has = false
	}
}

func (r *registry) load(ctx context.Context, db *sql.DB) error {
	err := query(ctx, db, `SELECT probe, quantity, first_at, last_at FROM channel ORDER BY id`, nil, func(rows *sql.Rows) error {
		var c channelInfo
		var first, last sql.NullInt64
		if err := rows.Scan(&c.probe, &c.quantity, &first, &last); err != nil {
			return err
		}
		c.first, c.last, c.has = first.Int64, last.Int64, first.Valid && last.Valid
		r.channel = append(r.channel, c)
		r.channels[c.channelKey] = int32(len(r.channel))
		return nil
	})
	if err != nil {
		return err
	}
	err = query(ctx, db, `SELECT name FROM place ORDER BY id`, nil, func(rows *sql.Rows) error {
		var name string
		if err := rows.Scan(&name); err != nil {
			return err
		}
		r.placeOf(name)
		return nil
	})
	if err != nil {
		return err
	}
	err = query(ctx, db, `SELECT boot, clock, lead, shift, coalesce(moved_to, 0) FROM stretch ORDER BY id`, nil, func(rows *sql.Rows) error {
		var st stretchInfo
		if err := rows.Scan(&st.boot, &st.clock, &st.lead, &st.shift, &st.movedTo); err != nil {
			return err
		}
		r.addStretch(st)
		return nil
	})
	r.savedChannels, r.savedPlaces, r.savedStretches = int64(len(r.channel)), int64(len(r.place)), int64(len(r.stretch))
	return err
}

// query runs f on every row and closes the cursor before it returns, so that no read transaction stays open.
func query(ctx context.Context, db *sql.DB, text string, args []any, f func(*sql.Rows) error) (err error) {
	rows, err := db.QueryContext(ctx, text, args...)
	if err != nil {
		return err
	}
	defer func() { err = firstOf(err, rows.Close()) }()
	for rows.Next() {
		if err := f(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

func firstOf(a, b error) error {
	if a != nil {
		return a
	}
	return b
}
