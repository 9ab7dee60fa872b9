package poll

import (
	"log/slog"
	"maps"
	"slices"
	"time"
)

// lines keeps the log from being flooded by a thing that goes on failing: each class of failure is told the first time, then after 1, 10 and
// 60 minutes and every 60 after that, with the number of failures since; and its end is told once. A thing that fails and works by turns
// goes on in the same rhythm.
type lines struct{ by map[string]*line }

// line is one class of failure. Times are in milliseconds since boot.
type line struct {
	count  int64 // failures since the last line
	begun  int64
	next   int64 // no line before this
	level  int64
	broken bool
	told   bool // the last line was of failure
	fixed  int64
}

var pauses = [...]time.Duration{time.Minute, 10 * time.Minute, time.Hour}

// forget is how long a thing must have worked for its next failure to be news.
const forget = 10 * time.Minute

// failed notes a failure.
func (l *lines) failed(log *slog.Logger, text, class, detail string, mono int64, args ...any) {
	if l.by == nil {
		l.by = map[string]*line{}
	}
	k := l.by[class]
	if k == nil {
		k = &line{next: mono}
		l.by[class] = k
	}
	if !k.broken {
		k.begun, k.broken = mono, true
	}
	k.count++
	if mono < k.next {
		return
	}
	log.Warn(text, append(args, "what", class, "detail", detail, "times", k.count)...)
	k.next = mono + pauses[min(k.level, int64(len(pauses)-1))].Milliseconds()
	k.level++
	k.count, k.told = 0, true
}

// fine notes that it works.
func (l *lines) fine(log *slog.Logger, text string, mono int64, args ...any) {
	if len(l.by) == 0 {
		return
	}
	for _, class := range slices.Sorted(maps.Keys(l.by)) {
		k := l.by[class]
		switch {
		case k.broken:
			k.broken, k.fixed = false, mono
			if k.told {
				log.Info(text, append(args, "what", class, "after", (time.Duration(mono-k.begun)*time.Millisecond).String())...)
				k.told = false
			}
		case mono >= k.next && mono-k.fixed >= forget.Milliseconds():
			delete(l.by, class)
		}
	}
}
