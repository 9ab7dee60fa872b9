package alert

import (
	"fmt"
	"strings"
	"time"
)

// late says in the message when what it tells came true, where it could not be delivered at once.
func (o *Outbox) late(m Message, made, now time.Time) Message {
	switch delay := now.Sub(m.At); {
	case m.Unset:
		m.Body = "The clock was not set when this was noticed: do not trust its times.\n" + m.Body
	case now.Sub(made) < lateAfter || delay < lateAfter:
		return m
	case delay > 400*24*time.Hour:
		m.Body = "Delayed.\n" + m.Body
	default:
		m.Body = fmt.Sprintf("At %s, delayed %s.\n%s", o.clock(m.At, now), lasted(delay.Milliseconds()), m.Body)
	}
	m.Body = strings.TrimSpace(m.Body)
	return m
}

func (o *Outbox) clock(t, now time.Time) string {
	return clockText(t.In(o.opts.Zone), now.In(o.opts.Zone))
}

// budget says what is sent now: room messages, and of what is critical up to most. Where more wait, or a great many, what is not critical goes
// as one. short is true where something has to wait for room.
func (o *Outbox) budget(items []item, room, most int64, now time.Time) (ready []item, short bool) {
	var urgent, rest []item
	for _, it := range items {
		if it.message.Severity >= Critical && it.message.Kind != Clear {
			urgent = append(urgent, it)
		} else {
			rest = append(rest, it)
		}
	}
	if n := int64(len(urgent)); n > max(0, most) {
		// Even what is critical is too much: it goes as one, too, while there is room for that.
		rest, urgent = append(urgent, rest...), nil
		room = most
	}
	if int64(len(items)) <= min(room, mergeAbove) {
		return items, false
	}
	ready, room = urgent, room-int64(len(urgent))
	switch {
	case len(rest) == 0:
		return ready, false
	case room <= 0:
		return ready, true
	case len(rest) == 1:
		return append(ready, rest[0]), false
	}
	return append(ready, o.merge(rest, now)), false
}

// merge makes one message of several. It keeps each one's true time.
func (o *Outbox) merge(items []item, now time.Time) item {
	const most = 60
	m := Message{
		Key: "digest", Kind: Digest, At: now.UTC(), ID: "digest/" + items[0].rows[0].ID,
		Title: fmt.Sprintf("%d messages in one", len(items)),
	}
	one := item{}
	var lines []string
	for i, it := range items {
		one.rows = append(one.rows, it.rows...)
		m.Severity = max(m.Severity, it.message.Severity)
		if it.message.Head != "" {
			m.Head = it.message.Head
		}
		switch {
		case i < most:
			lines = append(lines, o.clock(it.message.At, now)+" "+it.message.Title)
		case i == most:
			lines = append(lines, fmt.Sprintf("and %d more: see the page", len(items)-most))
		}
	}
	m.Body = strings.Join(lines, "\n")
	one.message = m
	return one
}
