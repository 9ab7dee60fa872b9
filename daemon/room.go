package daemon

import (
	"context"
	"fmt"
	"time"

	"tackline/daemon/alert"
	"tackline/daemon/clock"
	"tackline/daemon/store"
)

// What is done about the room on the disk, as parts of the least that the config asks for: at half of it raw readings begin to go, at a quarter
// the file of readings stops growing, so that what is left is the job book's.
const (
	pruneAt  = 2
	stopAt   = 4
	roomPart = 16 // of it within the file is what pruning makes at a time: a card of its own for weeks of readings
)

// pruneSteps is how many small transactions the loop gives to pruning at a commit. Half a thousand hours of a channel a minute are far more than come.
const pruneSteps = 8

// rawKept is how long raw readings stay even where the disk is full, in ms.
const rawKept = 2 * 86_400_000

// room is the loop's own state of the disk.
type room struct {
	low         bool
	free, least int64 // bytes
	rawFrom     int64 // raw readings before this went because the disk was full; 0: none did
	lost        bool  // some of them before the mirror had them
	day         int64 // that retention was done for, since 1970
}

// leastRoom gives the bytes that should be free on a disk of a size.
func leastRoom(wantMB float64, size int64) int64 {
	least := int64(wantMB * 1e6)
	if size > 0 {
		least = min(least, size/10)
	}
	return least
}

// keepRoom is called after each commit: it looks how full the disk is, lets raw readings go that are older than the config says, and, where the
// disk is nearly full, the oldest ones whatever their age. Roll-ups stay, and so does everything about jobs.
func (d *Daemon) keepRoom(ctx context.Context, stamp clock.Stamp) {
	r := &d.loop.room
	free, size, err := d.disk()
	if err != nil {
		if d.errs.set("disk", err) {
			d.log.Warn("the room on the disk is not known", "error", err)
		}
		free = -1
	} else {
		d.errs.set("disk", nil)
		r.free, r.least = free, leastRoom(d.o.Config.Keep.LowDiskMB, size)
		was := r.low
		r.low = free < r.least || was && free < r.least+r.least/8
		if was && !r.low {
			r.rawFrom, r.lost = 0, false
		}
	}
	full := free >= 0 && free < r.least/pruneAt || store.IsFull(d.errs.get("store"))
	if full {
		d.makeRoom(ctx, stamp)
		return
	}
	d.retain(ctx, stamp)
}

// makeRoom lets the oldest raw readings go until the file has room within. Those that the mirror has not had go last.
func (d *Daemon) makeRoom(ctx context.Context, stamp clock.Stamp) {
	r := &d.loop.room
	keep := store.Keep{RawFrom: stamp.Wall - rawKept, Pinned: d.pins(ctx, stamp), Room: max(r.least/roomPart, 64<<10), Steps: pruneSteps}
	for _, unfollowed := range []bool{false, true} {
		keep.Unfollowed = unfollowed || d.mirror == nil // a mirror that is no longer configured is waited for by nobody
		done, err := d.store.Prune(ctx, keep)
		if err != nil {
			if ctx.Err() == nil && d.errs.set("prune", err) {
				d.log.Error("raw readings could not be let go, though the disk is nearly full; tried again", "error", err)
			}
			return
		}
		if done.Blocks > 0 {
			r.rawFrom, r.lost = keep.RawFrom, r.lost || unfollowed && d.mirror != nil
			d.log.Warn("the disk is nearly full: the oldest raw readings were let go, their roll-ups are kept", "channel_hours", done.Blocks, "free_bytes", r.free)
		}
		if done.More || done.Waiting == 0 {
			break // only where the mirror alone holds readings back does it have to wait no longer
		}
		if room, err := d.store.Room(ctx); err != nil || room >= keep.Room {
			break
		}
	}
	d.errs.set("prune", nil)
}

// retain lets go what is older than the config says, once a day, a little at each commit. It waits for a clock that can be trusted.
func (d *Daemon) retain(ctx context.Context, stamp clock.Stamp) {
	const day = 86_400_000
	r, after := &d.loop.room, d.o.Config.Keep.Raw.Milliseconds()
	if after == 0 || !stamp.State.Trusted() || stamp.Wall/day == r.day {
		return
	}
	from := stamp.Wall - after
	done, err := d.store.Prune(ctx, store.Keep{RawFrom: from, AdviceFrom: from, Pinned: d.pins(ctx, stamp), Unfollowed: d.mirror == nil, Steps: pruneSteps})
	if err != nil {
		if ctx.Err() == nil && d.errs.set("prune", err) {
			d.log.Warn("old raw readings could not be let go; tried again", "error", err)
		}
		return
	}
	d.errs.set("prune", nil)
	if done.Blocks > 0 {
		d.log.Info("old raw readings were let go, their roll-ups are kept", "channel_hours", done.Blocks, "before", time.UnixMilli(from).UTC())
	}
	if !done.More {
		r.day = stamp.Wall / day
	}
}

// pins gives the time of jobs that have a coat that runs, or one that has ended and is not frozen yet: from a day before its first coat on.
func (d *Daemon) pins(ctx context.Context, stamp clock.Stamp) []store.Span {
	facts, err := d.book.State(ctx)
	if err != nil {
		return []store.Span{{From: 0, To: 1 << 60}} // nobody knows: all stays
	}
	frozen := map[int64]bool{}
	for _, f := range facts.Frozen {
		frozen[f.Coat] = true
	}
	first, runs := map[int64]int64{}, map[int64]bool{}
	for i := range facts.Coats {
		c := &facts.Coats[i]
		p, ok := facts.Piece(c.Piece)
		if !ok {
			continue
		}
		if at, ok := first[p.Job]; !ok || c.Started.MS < at {
			first[p.Job] = c.Started.MS
		}
		runs[p.Job] = runs[p.Job] || c.Running() || !frozen[c.ID]
	}
	var out []store.Span
	for job, at := range first {
		if runs[job] {
			out = append(out, store.Span{From: at - 86_400_000, To: max(stamp.Wall, at) + 1})
		}
	}
	return out
}

// condition tells of a disk that is nearly full, before readings or entries are in danger.
func (r *room) condition(stamp clock.Stamp) alert.Condition {
	c := alert.Condition{Key: "disk", Severity: alert.Warning, Active: r.low, Link: "/", ClearHold: time.Minute, Title: "Disk low",
		Body:  fmt.Sprintf("%.0f MB are free where readings and jobs are kept, less than %.0f MB. Make room, or use a larger card.", float64(r.free)/1e6, float64(r.least)/1e6),
		Since: time.UnixMilli(stamp.Wall).UTC(), Cleared: "There is room on the disk again."}
	if r.rawFrom > 0 {
		c.Body += " The oldest raw readings were let go to go on recording; their minutes are kept, and everything about jobs."
	} else {
		c.Body += " With less than half of that the oldest raw readings are let go; their minutes are kept, and everything about jobs."
	}
	if r.lost {
		c.Body += " InfluxDB had not had all of them."
	}
	return c
}

// disk asks how much room there is.
func (d *Daemon) disk() (free, size int64, err error) {
	if d.o.Disk != nil {
		return d.o.Disk(d.o.Config.Shed.Data)
	}
	return store.Disk(d.o.Config.Shed.Data)
}
