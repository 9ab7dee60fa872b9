package alert

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// Decide compares what holds now with what was told before, and gives the state to keep, the messages to send and the reason for each
// decision, in an order that depends on nothing but the arguments. It changes none of its arguments. The caller stores the state and the
// messages together (Outbox.Put does), else a power cut between the two loses a message.
//
// The rules: level, not edge, so that what came true while the program was down is told; a hold time before raising and before clearing; a
// clear only past the limit by its hysteresis, and never without its raise; causes, not conditions, are told; repeats that grow until somebody
// acknowledges; a rise in severity breaks acknowledgement and snooze; quiet hours by severity, with a digest when they end; windows of the
// night as chosen; nothing on readings that came late. While the wall clock is not set, quiet hours go on as they were when it last was, for at
// most their length.
func Decide(state State, conditions []Condition, policy Policy, at Moment) (State, []Message, []Decision) {
	d := decider{s: state.clone(), policy: policy, at: at}
	if d.s.Version == 0 {
		d.s.Version, d.s.Epoch, d.s.QuietFrom, d.s.NightFrom = stateVersion, at.Now.Unix(), -1, -1
	}
	d.s.AgeMS += max(0, at.Elapsed.Milliseconds())
	d.quiet = d.within(policy.Quiet, &d.s.QuietFrom)
	night := Quiet{}
	if policy.Quiet.From != policy.Quiet.To && !policy.NightWindows.Wake {
		night = Quiet{From: policy.Quiet.From, To: policy.NightWindows.At}
	}
	d.night = d.within(night, &d.s.NightFrom)

	d.conditions(conditions)
	d.events()
	d.groups()
	d.release()
	return d.s, d.messages, d.decisions
}

type decider struct {
	s            State
	policy       Policy
	at           Moment
	quiet, night bool
	begun        []Condition // events that begin now
	cleared      map[string]bool
	messages     []Message
	decisions    []Decision
}

func (d *decider) decide(key string, reason Reason, told bool) {
	d.decisions = append(d.decisions, Decision{Key: key, Reason: reason, Told: told})
}

// within tells whether it is quiet, and remembers by elapsed time since when.
func (d *decider) within(q Quiet, from *int64) bool {
	if !d.at.ClockSet {
		return *from >= 0 && d.s.AgeMS-*from < span(q.From, q.To)*time.Minute.Milliseconds()
	}
	if !q.Contains(d.at.Now, d.at.Zone) {
		*from = -1
		return false
	}
	if *from < 0 {
		*from = d.s.AgeMS
	}
	return true
}

// conditions brings every entry up to date: what holds, since when, and what has just been cleared.
func (d *decider) conditions(conditions []Condition) {
	d.cleared = map[string]bool{}
	passed := map[string]Condition{}
	for _, c := range conditions {
		if c.Severity == 0 {
			c.Severity = Notice
		}
		if c.Cause == "" {
			c.Cause = c.Key
		}
		if before, twice := passed[c.Key]; !twice || c.Active && (!before.Active || c.Severity > before.Severity) {
			passed[c.Key] = c
		}
	}
	for _, key := range slices.Sorted(maps.Keys(passed)) {
		c := passed[key]
		switch {
		case d.policy.off(key):
			if c.Active {
				d.decide(key, Off, false)
			}
			delete(d.s.Keys, key)
		case c.Late:
			d.decide(key, LateData, false)
		case c.Unknown:
			d.decide(key, CantTell, false)
		default:
			d.condition(c)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(d.s.Keys)) {
		if _, ok := passed[key]; !ok {
			e := d.s.Keys[key]
			d.over(key, e, time.Duration(e.ClearMS)*time.Millisecond)
		}
	}
}

func (d *decider) condition(c Condition) {
	e := d.s.Keys[c.Key]
	if !c.Active {
		switch {
		case e == nil:
		case e.Raised && !e.Event && c.Level != nil && !c.Level.safe():
			e.OffMS = -1
			d.decide(c.Key, HeldHysteresis, false)
		default:
			if c.Cleared != "" {
				e.Cleared = c.Cleared
			}
			d.over(c.Key, e, c.ClearHold)
		}
		return
	}
	if e == nil {
		e = &Entry{OnMS: -1, OffMS: -1, Event: c.Event}
		d.s.Keys[c.Key] = e
	}
	if e.OnMS < 0 {
		e.OnMS, e.Since = d.s.AgeMS, c.Since.UTC()
		if c.Since.IsZero() {
			e.Since = d.at.Now.UTC()
		}
	}
	e.OffMS, e.SeenMS, e.ClearMS = -1, d.s.AgeMS, c.ClearHold.Milliseconds()
	e.Cause, e.CauseTitle, e.Severity = c.Cause, c.CauseTitle, c.Severity
	e.Title, e.Body, e.Cleared, e.Link = c.Title, c.Body, c.Cleared, c.Link
	if e.Raised {
		return
	}
	if d.s.AgeMS-e.OnMS < c.Hold.Milliseconds() {
		d.decide(c.Key, HeldTime, false)
		return
	}
	e.Raised = true
	if e.Event {
		if e.Told {
			d.decide(c.Key, Told, false)
			return
		}
		c.Since = e.Since
		d.begun = append(d.begun, c)
	}
}

// over handles a condition that does not hold (any more).
func (d *decider) over(key string, e *Entry, hold time.Duration) {
	e.OnMS = -1
	switch {
	case e.Event:
		e.Raised = false
		if !e.Told || d.s.AgeMS-e.SeenMS >= d.policy.ForgetEvents.Milliseconds() {
			delete(d.s.Keys, key)
		}
	case !e.Raised:
		delete(d.s.Keys, key)
	default:
		if e.OffMS < 0 {
			e.OffMS = d.s.AgeMS
		}
		if d.s.AgeMS-e.OffMS < hold.Milliseconds() {
			d.decide(key, HeldTime, false)
			return
		}
		d.cleared[key] = true
		delete(d.s.Keys, key)
	}
}

// events tells what happens once: those of one cause that begin together in one message.
func (d *decider) events() {
	byCause := map[string][]Condition{}
	for _, c := range d.begun {
		d.s.Keys[c.Key].Told = true
		if d.at.ClockSet && !c.Until.IsZero() && !d.at.Now.Before(c.Until) {
			d.decide(c.Key, Expired, false)
			continue
		}
		byCause[c.Cause] = append(byCause[c.Cause], c)
	}
	for _, cause := range slices.Sorted(maps.Keys(byCause)) {
		list := byCause[cause]
		slices.SortStableFunc(list, func(a, b Condition) int { return int(b.Severity) - int(a.Severity) })
		worst := list[0]
		m := Message{Key: cause, Kind: Raise, Severity: worst.Severity, Title: worst.Title, Body: worst.Body, Link: worst.Link, At: worst.Since}
		window, until := worst.Window, worst.Until
		for _, c := range list[1:] {
			m.Body += "\n" + c.Title + "\n" + c.Body
			window = window && c.Window
			if c.Until.After(until) && !until.IsZero() {
				until = c.Until
			}
			d.decide(c.Key, Grouped, false)
		}
		if len(list) > 1 && worst.CauseTitle != "" {
			m.Title, m.Body = worst.CauseTitle, worst.Title+"\n"+m.Body
		}
		hold := d.quiet
		if window {
			hold = d.night
		}
		if hold && !d.policy.passes(worst.Severity) {
			d.hold(Held{Message: m, Event: worst.Key, Window: window, Until: until.UTC()})
			d.decide(worst.Key, HeldQuiet, false)
			continue
		}
		d.send(m)
		d.decide(worst.Key, First, true)
	}
}

// groups tells what lasts, cause by cause.
func (d *decider) groups() {
	members := map[string][]string{}
	for _, key := range slices.Sorted(maps.Keys(d.s.Keys)) {
		if e := d.s.Keys[key]; e.Raised && !e.Event {
			members[e.Cause] = append(members[e.Cause], key)
		}
	}
	causes := map[string]bool{}
	for cause := range members {
		causes[cause] = true
	}
	for cause := range d.s.Groups {
		causes[cause] = true
	}
	for _, cause := range slices.Sorted(maps.Keys(causes)) {
		if keys := members[cause]; len(keys) > 0 {
			slices.SortStableFunc(keys, func(a, b string) int { return int(d.s.Keys[b].Severity) - int(d.s.Keys[a].Severity) })
			d.group(cause, keys)
		} else {
			d.end(cause)
		}
	}
}

// group tells of a cause that holds. Its keys come worst first.
func (d *decider) group(cause string, keys []string) {
	worst := d.s.Keys[keys[0]]
	g, known := d.s.Groups[cause]
	if !known {
		g = &Group{SinceMS: d.s.AgeMS, LowerMS: -1, SnoozedMS: -1, Since: worst.Since}
		g.Pair = fmt.Sprintf("%s@%d-%d", cause, d.s.Epoch, d.s.AgeMS)
		d.s.Groups[cause] = g
	}
	for _, key := range keys {
		if e := d.s.Keys[key]; e.Since.Before(g.Since) && !g.Told {
			g.Since = e.Since
		}
		if known && !slices.Contains(g.Members, key) {
			d.decide(key, Grouped, false)
		}
	}
	g.Members = slices.Sorted(slices.Values(keys))
	m := d.compose(cause, keys)
	g.Title, g.Link, g.Cleared = m.Title, m.Link, worst.Cleared

	m.Pair, g.Peak = g.Pair, max(g.Peak, worst.Severity)
	rise := g.Told && worst.Severity > g.Severity
	d.fall(g, worst.Severity)
	m.At, m.Severity = g.Since, worst.Severity
	switch {
	case rise:
		g.Acked, g.AckedBy, g.AckedAt, g.SnoozedMS = false, "", time.Time{}, -1
		m.At, m.Since = d.at.Now.UTC(), g.Since
		d.tell(g, m, Risen)
	case !g.Told && g.Waiting && !d.policy.passes(worst.Severity):
		d.rewrite(m)
		if d.quiet {
			d.decide(cause, HeldQuiet, false)
		}
	case !g.Told && g.Waiting:
		d.tell(g, m, Risen)
	case !g.Told:
		d.tell(g, m, First)
	case g.Acked:
		d.decide(cause, Acknowledged, false)
	case g.SnoozedMS > d.s.AgeMS:
		d.decide(cause, Snoozed, false)
	default:
		d.repeat(cause, g, m)
	}
}

// fall lets the severity of a told cause go down only after a while, so that one that goes up and down rings once.
func (d *decider) fall(g *Group, now Severity) {
	switch {
	case !g.Told || now > g.Severity:
		g.Severity, g.LowerMS = now, -1
	case now == g.Severity:
		g.LowerMS = -1
	case g.LowerMS < 0:
		g.LowerMS = d.s.AgeMS
	case d.s.AgeMS-g.LowerMS >= d.policy.FallHold.Milliseconds():
		g.Severity, g.LowerMS = now, -1
	}
}

const still = "Still: " // before the title of a repeat

func (d *decider) repeat(cause string, g *Group, m Message) {
	m.Kind, m.Since, m.At = Repeat, g.Since, d.at.Now.UTC()
	m.Title = still + m.Title
	since := "Since " + d.clock(g.Since) + " (" + lasted(d.s.AgeMS-g.SinceMS) + ")."
	if !d.at.ClockSet { // no time of day is known
		since = "For " + lasted(d.s.AgeMS-g.SinceMS) + "."
	}
	m.Body = strings.TrimSpace(m.Body + "\n" + since)
	growth, repeats := d.policy.Repeats[m.Severity]
	switch {
	case g.SnoozedMS >= 0:
		g.SnoozedMS = -1
		d.tell(g, m, SnoozeOver)
	case repeats && d.s.AgeMS-g.ToldMS >= growth.after(g.Repeats).Milliseconds():
		d.tell(g, m, RepeatElapsed)
	default:
		d.decide(cause, Told, false)
	}
}
