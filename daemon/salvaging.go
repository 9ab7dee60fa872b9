package daemon

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"tackline/daemon/alert"
	"tackline/daemon/clock"
	"tackline/daemon/durable"
	"tackline/daemon/store"
)

// setAsideTold is how long it is told that a file was set aside, in ms.
const setAsideTold = 86_400_000

// salvaging brings in, beside the loop, what can be read of files that were set aside.
type salvaging struct {
	mu    sync.Mutex
	queue []string // names that wait
	file  string   // the newest that was set aside while this daemon ran, or at its start
	found string   // what came of it, in words
	fresh bool     // readings came in since the loop last looked

	wake   chan struct{}
	noted  string // that the loop has seen
	toldAt int64  // ms since boot
	boot   string
}

// salvaged is behind the name of a file that was gone through: it is not gone through again at the next start.
const salvaged = ".salvaged"

// unsalvaged lists files that were set aside and not gone through, oldest first.
func unsalvaged(readings string) []string {
	all, _ := filepath.Glob(readings + ".corrupt-*") // its only error is a bad pattern
	var out []string
	for _, name := range all {
		if strings.HasSuffix(name, "-wal") || strings.HasSuffix(name, "-shm") || strings.HasSuffix(name, salvaged) {
			continue
		}
		if _, err := os.Stat(name + salvaged); err != nil {
			out = append(out, name)
		}
	}
	return out
}

// noteAside looks, after each commit, whether a file was set aside.
func (d *Daemon) noteAside(stamp clock.Stamp) {
	s := &d.salvage
	if aside := d.store.SetAside(); aside != s.noted {
		s.noted, s.toldAt, s.boot = aside, stamp.Mono, stamp.Boot
		d.log.Error("readings.db was damaged: it was set aside and a new one begun; jobs and records are whole", "aside", aside)
		s.mu.Lock()
		s.file, s.found = aside, ""
		s.queue = append(s.queue, aside)
		s.mu.Unlock()
		select {
		case s.wake <- struct{}{}:
		default:
		}
	}
	s.mu.Lock()
	d.sink.late = d.sink.late || s.fresh // what the assessor has read of the past is no longer all there is
	s.fresh = false
	s.mu.Unlock()
}

// run goes through files until ctx ends. One that is not done by then is begun again at the next start.
func (s *salvaging) run(ctx context.Context, d *Daemon) {
	for {
		s.mu.Lock()
		file := ""
		if len(s.queue) > 0 {
			file, s.queue = s.queue[0], s.queue[1:]
		}
		s.mu.Unlock()
		if file == "" {
			select {
			case <-s.wake:
				continue
			case <-ctx.Done():
				return
			}
		}
		done, err := d.store.Salvage(ctx, file)
		if ctx.Err() != nil {
			return
		}
		found := foundIn(done)
		if err != nil {
			found = "Not all of it could be read: " + alert.OneLine(err.Error(), 200) + ". " + found
			d.log.Error("a damaged file could not be gone through to its end; tried again at the next start", "file", file, "error", err)
		} else {
			d.log.Info("a damaged file was gone through", "file", file, "readings", done.Readings, "minutes_of_hours", done.Hours, "lost", done.Lost)
			if err := durable.WriteFile(file+salvaged, []byte(found+"\n"), 0o640); err != nil {
				d.log.Warn("a damaged file is gone through again at the next start", "error", err)
			}
		}
		s.mu.Lock()
		s.fresh = s.fresh || done.Readings+done.Hours > 0
		if s.file == file {
			s.found = found
		}
		s.mu.Unlock()
	}
}

func foundIn(done store.Salvaged) string {
	text := fmt.Sprintf("%d readings were recovered", done.Readings)
	if done.Hours > 0 {
		text += fmt.Sprintf(", and the minutes of %d hours", done.Hours)
	}
	if done.Lost > 0 {
		text += fmt.Sprintf("; of %d nobody can tell any more which probe gave them", done.Lost)
	}
	return text + "."
}

// condition tells for a day that a file was set aside.
func (s *salvaging) condition(stamp clock.Stamp) alert.Condition {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := alert.Condition{Key: "store/damaged", Severity: alert.Warning, Link: "/", Title: "Readings file was damaged", Since: time.UnixMilli(stamp.Wall).UTC(),
		Active: s.file != "" && (s.boot != stamp.Boot || stamp.Mono-s.toldAt < setAsideTold), Cleared: "The new file of readings has served for a day."}
	c.Body = fmt.Sprintf("The file of readings could not be read. It was set aside as %s, and a new one was begun: recording goes on, jobs and records are whole. ",
		filepath.Base(s.file))
	if s.found == "" {
		c.Body += "What can be read of it is being brought in."
	} else {
		c.Body += s.found + " When all is as it should be, the damaged file can be deleted."
	}
	c.Body += " A card that damages files wants replacing."
	return c
}
