// Package alert decides what to tell a person, and when, and sees to it that it arrives.
//
// It has two halves. Decide is a pure function: what is true now (Conditions) and what was told before (State) go in, Messages and the reason
// for each of them come out. Outbox takes the Messages to the ways out and retries until each has arrived once, over days without
// a network and over restarts.
//
// The package imports the standard library only, and speaks basic types: it knows nothing of probes, coats or resin. A way out is a package of
// its own below this one.
package alert

import (
	"fmt"
	"time"
)

// Severity is how much a message matters. The zero value is taken as Notice.
type Severity uint8

// The severities, in rising order. The numbers are compared; the names are stored.
const (
	Notice   Severity = 1 // good to know
	Warning  Severity = 2 // something goes wrong unless somebody acts today
	Critical Severity = 3 // act now: a coat or a record is being lost
)

var severityNames = [...]string{Notice: "notice", Warning: "warning", Critical: "critical"}

// Severities lists all of them in rising order.
func Severities() []Severity { return []Severity{Notice, Warning, Critical} }

// String gives the name as it stands in files and messages: notice, warning, critical.
func (s Severity) String() string {
	if s == 0 {
		s = Notice
	}
	if int(s) < len(severityNames) {
		return severityNames[s]
	}
	return fmt.Sprintf("severity_%d", uint8(s))
}

// ParseSeverity is the inverse of String. The error names what would be right.
func ParseSeverity(name string) (Severity, error) {
	for _, s := range Severities() {
		if s.String() == name {
			return s, nil
		}
	}
	return 0, fmt.Errorf("alert: unknown severity %q: want notice, warning or critical", name)
}

// MarshalText gives the name.
func (s Severity) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the name.
func (s *Severity) UnmarshalText(text []byte) (err error) {
	*s, err = ParseSeverity(string(text))
	return err
}

// Condition is what the assessor says of one thing at one assessment. Every thing that holds is passed at every assessment; one that is not
// passed any more no longer holds. What cannot be told at the moment is passed with Unknown set: it is then neither raised nor cleared.
type Condition struct {
	Key        string   // stable name of the thing, "/" between its parts: "coat/12/tack_opens"; the same in every assessment
	Cause      string   // what it comes from: conditions of one cause are told as one. "" is the Key itself
	CauseTitle string   // title where several of one cause hold: "Bus i2c-1 is silent". "" is the worst one's Title and a count
	Severity   Severity // 0 is Notice
	Title      string   // one line, complete in itself
	Body       string   // what, where, until when, what to do, which number against which limit
	Cleared    string   // body of the message that it is over; "" leaves just the times
	Link       string   // to the page about it; may be ""

	Active  bool      // it holds now
	Event   bool      // told once when it first holds and never again for this Key: "window opens". It is not repeated and not cleared
	Window  bool      // an Event that says that a window opens: at night it is told as Policy.NightWindows says
	Unknown bool      // it cannot be told now whether it holds
	Late    bool      // rests on readings that arrived late: it is never alerted on
	Since   time.Time // since when it holds; zero is the assessment that found it
	Until   time.Time // of an Event: after this it is not worth a message of its own; zero is no end

	Level     *Level        // how far the value behind it is from its limit; nil where there is no number
	Hold      time.Duration // it must hold this long (elapsed time) before it is raised
	ClearHold time.Duration // it must be over this long (elapsed time) before it is cleared
}

// Level defers the clearing of a Condition: once raised it is cleared only when Value is past Limit by Hysteresis on the safe side.
type Level struct {
	Value      float64 // all three in one unit
	Limit      float64
	Hysteresis float64 // not negative
	Below      bool    // the bad side is below Limit (a margin), else above it (a temperature of a pot)
}

// safe tells whether the value is far enough on the good side. A value that is not a number is not safe.
func (l Level) safe() bool {
	if l.Below {
		return l.Value >= l.Limit+l.Hysteresis
	}
	return l.Value <= l.Limit-l.Hysteresis
}

// Kind is what a Message does.
type Kind string

// The kinds.
const (
	Raise  Kind = "raise"  // it has begun, or has become worse
	Repeat Kind = "repeat" // it still holds, and nobody has acknowledged it
	Clear  Kind = "clear"  // it is over; always after its Raise, Repeat or Digest
	Digest Kind = "digest" // several in one: what was held in quiet hours, or more than the budget of a way lets pass
	Test   Kind = "test"   // asked for by a person
)

// Message is what a person gets. It is complete in itself: a phone may show only the last one.
type Message struct {
	ID       string    `json:"id"`  // unique, stable over a restart between decision and storage
	Key      string    `json:"key"` // the cause it is about; what is acknowledged
	Kind     Kind      `json:"kind"`
	Severity Severity  `json:"severity"` // of a Clear: that of what is over
	Title    string    `json:"title"`
	Body     string    `json:"body"`
	Link     string    `json:"link,omitempty"`
	AckURL   string    `json:"ack_url,omitempty"`     // a POST there acknowledges; filled in by the caller where it can
	At       time.Time `json:"at"`                    // when what it tells came true, UTC
	Since    time.Time `json:"since,omitzero"`        // of a Repeat and a Clear: when it began
	Pair     string    `json:"pair,omitempty"`        // the same for a Raise and all that follows it up to its Clear; "" for an event and a Digest
	Head     string    `json:"head,omitempty"`        // head of the job book's chain; filled in by the caller
	Unset    bool      `json:"clock_unset,omitempty"` // the wall clock was not set: times in this message are not to be believed
	To       []string  `json:"-"`                     // names of the routes that it goes by; nil is all of them
}

// Reason is why Decide told something, or did not.
type Reason string

// The reasons.
const (
	First          Reason = "first"                   // told: it has begun
	Risen          Reason = "risen"                   // told: it has become worse; breaks an acknowledgement and a snooze
	RepeatElapsed  Reason = "repeat elapsed"          // told: still holds, not acknowledged
	SnoozeOver     Reason = "snooze over"             // told: still holds after the snooze
	Over           Reason = "cleared"                 // told: it is over
	Digested       Reason = "digested"                // told: in the digest after quiet hours
	NightOver      Reason = "night over"              // told: a window that opened at night, at the time she chose
	HeldHysteresis Reason = "held by hysteresis"      // not told: back past the limit, but not far enough
	HeldTime       Reason = "held for its hold time"  // not told: not yet true, or over, for long enough
	HeldQuiet      Reason = "held by quiet hours"     // not told yet: comes in the digest
	Acknowledged   Reason = "acknowledged"            // not told: somebody knows
	Snoozed        Reason = "snoozed"                 // not told until the snooze is over
	Superseded     Reason = "superseded"              // not told: another cause has taken it over
	Grouped        Reason = "grouped"                 // not told by itself: its cause has been told
	LateData       Reason = "late data"               // not told: rests on readings that arrived late
	CantTell       Reason = "can't tell"              // not told: neither begun nor over as far as can be known
	Told           Reason = "told before"             // not told: it holds, and no repeat is due
	Expired        Reason = "too late"                // not told by itself: an event whose end has passed
	NeverRaised    Reason = "over before it was told" // not told: no clear without its raise
	Off            Reason = "switched off"            // not told: switched off by hand
)

// Decision is what Decide made of one Condition or one cause, and why.
type Decision struct {
	Key    string // of the condition, or the cause
	Reason Reason
	Told   bool // a Message came of it now
}

// Moment is the time of a decision.
type Moment struct {
	Now      time.Time      // wall clock
	Elapsed  time.Duration  // since the decision before, by a clock that no setting of the wall clock moves; below 0 counts as 0
	Zone     *time.Location // of the person, for quiet hours and texts; nil is UTC
	ClockSet bool           // the wall clock can be believed
}

func (m Moment) local(t time.Time) time.Time {
	if m.Zone == nil {
		return t.UTC()
	}
	return t.In(m.Zone)
}
