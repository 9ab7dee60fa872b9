package alert

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// send gives a message its number and lets it go.
func (d *decider) send(m Message) {
	d.s.Seq++
	m.ID = fmt.Sprintf("%s/%s/%d-%d", m.Key, m.Kind, d.s.Epoch, d.s.Seq)
	m.Unset = !d.at.ClockSet
	d.messages = append(d.messages, m)
}

// hold keeps a message for the end of quiet hours.
func (d *decider) hold(h Held) {
	d.s.Held = append(d.s.Held, h)
	for len(d.s.Held) > heldMost {
		least := 0
		for i, o := range d.s.Held {
			if o.Message.Severity < d.s.Held[least].Message.Severity {
				least = i
			}
		}
		d.s.Held = slices.Delete(d.s.Held, least, least+1)
	}
}

// compose writes the message of a cause from its conditions, worst first.
func (d *decider) compose(cause string, keys []string) Message {
	worst := d.s.Keys[keys[0]]
	m := Message{Key: cause, Kind: Raise, Title: worst.Title, Body: worst.Body, Link: worst.Link}
	if len(keys) == 1 {
		return m
	}
	m.Title = worst.CauseTitle
	if m.Title == "" {
		m.Title = fmt.Sprintf("%s (and %d more)", worst.Title, len(keys)-1)
	}
	lines := make([]string, 0, len(keys)+1)
	for _, key := range keys {
		lines = append(lines, d.s.Keys[key].Title)
	}
	m.Body = strings.TrimSpace(strings.Join(lines, "\n") + "\n" + worst.Body)
	return m
}

// tell sends the message of a cause, or holds it where the hour is quiet.
func (d *decider) tell(g *Group, m Message, reason Reason) {
	if d.quiet && !d.policy.passes(m.Severity) {
		if m.Kind == Repeat && (g.Later || g.Waiting) {
			d.decide(m.Key, HeldQuiet, false)
			return
		}
		g.Later, g.Waiting = m.Kind == Repeat, m.Kind != Repeat
		d.hold(Held{Message: m})
		d.decide(m.Key, HeldQuiet, false)
		return
	}
	// What was held of this cause is said by this message, which carries the newest text.
	d.s.Held = slices.DeleteFunc(d.s.Held, func(h Held) bool {
		return h.Message.Key == m.Key && h.Event == "" && h.Message.Kind != Clear && h.Ended.IsZero()
	})
	if m.Kind == Repeat {
		g.Repeats++
	} else {
		g.Repeats = 0
	}
	g.Told, g.Waiting, g.Later, g.ToldMS = true, false, false, d.s.AgeMS
	d.send(m)
	d.decide(m.Key, reason, true)
}

// rewrite gives a held raise its newest text.
func (d *decider) rewrite(m Message) {
	for i := range d.s.Held {
		if h := &d.s.Held[i]; h.Message.Key == m.Key && h.Message.Kind == Raise && h.Event == "" && h.Ended.IsZero() {
			m.At = h.Message.At
			h.Message = m
		}
	}
}

// end tells that a cause is over: never without its raise, and not where another cause has taken over what it was about.
func (d *decider) end(cause string) {
	g := d.s.Groups[cause]
	delete(d.s.Groups, cause)
	cleared, moved := false, false
	for _, key := range g.Members {
		cleared = cleared || d.cleared[key]
		if e, ok := d.s.Keys[key]; ok && e.Raised && e.Cause != cause {
			moved = true
		}
	}
	for i := range d.s.Held {
		if h := &d.s.Held[i]; h.Message.Key == cause && h.Event == "" && h.Message.Kind != Clear && h.Ended.IsZero() {
			h.Ended = d.at.Now.UTC()
		}
	}
	switch {
	case !cleared && moved:
		d.decide(cause, Superseded, false)
		return
	case !cleared: // every condition of it was switched off by hand
		d.decide(cause, Off, false)
		return
	case !g.Told:
		d.decide(cause, NeverRaised, false)
		return
	}
	now := d.at.Now.UTC()
	body := fmt.Sprintf("It held from %s to %s (%s).", d.clock(g.Since), d.clock(now), lasted(d.s.AgeMS-g.SinceMS))
	if !d.at.ClockSet {
		body = "It held for " + lasted(d.s.AgeMS-g.SinceMS) + "."
	}
	if g.Cleared != "" {
		body = g.Cleared + "\n" + body
	}
	m := Message{Key: cause, Kind: Clear, Severity: g.Peak, Title: "Over: " + g.Title, Body: body, Link: g.Link, At: now, Since: g.Since, Pair: g.Pair}
	if d.quiet && !d.policy.passes(g.Severity) {
		d.hold(Held{Message: m})
		d.decide(cause, HeldQuiet, false)
		return
	}
	d.send(m)
	d.decide(cause, Over, true)
}

// release lets go what was held, once the hour is no longer quiet: windows that are still open one by one, all else in one digest.
func (d *decider) release() {
	var keep, digest []Held
	for _, h := range d.s.Held {
		switch {
		case h.Window && d.night || !h.Window && d.quiet:
			keep = append(keep, h)
		case h.Window && (h.Until.IsZero() || d.at.Now.Before(h.Until)):
			h.Message.Body = strings.TrimSpace("At " + d.clock(h.Message.At) + ". " + h.Message.Body)
			d.send(h.Message)
			d.decide(h.Event, NightOver, true)
		default:
			digest = append(digest, h)
		}
	}
	d.s.Held = keep
	if len(digest) == 0 {
		return
	}
	slices.SortStableFunc(digest, func(a, b Held) int { return a.Message.At.Compare(b.Message.At) })
	m := Message{Key: "digest", Kind: Digest, At: d.at.Now.UTC()}
	m.Title = fmt.Sprintf("In quiet hours: %d things", len(digest))
	if len(digest) == 1 {
		m.Title, m.Key = "In quiet hours: "+digest[0].Message.Title, digest[0].Message.Key
	}
	lines := make([]string, 0, len(digest))
	for _, h := range digest {
		m.Severity = max(m.Severity, h.Message.Severity)
		if m.Link == "" {
			m.Link = h.Message.Link
		}
		lines = append(lines, d.line(h))
		name := h.Message.Key
		if h.Event != "" {
			name = h.Event
		} else if g, ok := d.s.Groups[name]; ok && h.Ended.IsZero() && h.Message.Kind != Clear {
			if h.Message.Kind == Repeat {
				g.Repeats++
			}
			g.Told, g.Waiting, g.Later, g.ToldMS = true, false, false, d.s.AgeMS
		}
		d.decide(name, Digested, true)
	}
	m.Body = strings.Join(lines, "\n")
	d.send(m)
}

// line is one thing in a digest: its time, and whether it is over.
func (d *decider) line(h Held) string {
	text := d.clock(h.Message.At) + " " + h.Message.Title
	switch {
	case !h.Ended.IsZero():
		return text + ", over at " + d.clock(h.Ended)
	case h.Window:
		return text + ", until " + d.clock(h.Until)
	case h.Message.Kind == Clear || h.Message.Body == "":
		return text
	}
	return text + ". " + strings.ReplaceAll(h.Message.Body, "\n", " ")
}

// clock is a time as the person's clock shows it, with the day where it is not today.
func (d *decider) clock(t time.Time) string { return clockText(d.at.local(t), d.at.local(d.at.Now)) }

func clockText(t, now time.Time) string {
	year, month, day := t.Date()
	if y, m, dd := now.Date(); y == year && m == month && dd == day {
		return t.Format("15:04")
	}
	return t.Format("Mon 2 Jan 15:04")
}

// lasted is a duration in the two units that matter.
func lasted(ms int64) string {
	s := max(0, ms) / 1000
	switch {
	case s < 60:
		return fmt.Sprintf("%d s", s)
	case s < 3600:
		return fmt.Sprintf("%d min", s/60)
	case s < 86400:
		return strings.TrimSuffix(fmt.Sprintf("%d h %d min", s/3600, s/60%60), " 0 min")
	}
	return strings.TrimSuffix(fmt.Sprintf("%d d %d h", s/86400, s/3600%24), " 0 h")
}
