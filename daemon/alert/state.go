package alert

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"
)

// stateVersion is the layout of State. A newer one is refused, never guessed at.
const stateVersion = 1

// State is what Decide remembers from one assessment to the next. The zero value is a start from nothing. It is stored as JSON; ages are
// milliseconds of elapsed time since the state began, which no setting of the wall clock moves.
type State struct {
	Version   int64             `json:"version"`
	Epoch     int64             `json:"epoch"` // Unix seconds at its beginning: keeps IDs apart after a loss of the state
	Seq       int64             `json:"seq"`   // of the last message
	AgeMS     int64             `json:"age_ms"`
	Keys      map[string]*Entry `json:"keys"`          // by condition key
	Groups    map[string]*Group `json:"groups"`        // by cause
	Held      []Held            `json:"held"`          // what waits for the end of quiet hours, oldest first
	QuietFrom int64             `json:"quiet_from_ms"` // age at which quiet hours began, -1 outside them
	NightFrom int64             `json:"night_from_ms"` // the same for windows
}

// Entry is the state of one condition.
type Entry struct {
	Raised     bool      `json:"raised"`
	Cause      string    `json:"cause"`
	CauseTitle string    `json:"cause_title,omitempty"`
	Severity   Severity  `json:"severity"`
	Title      string    `json:"title"`
	Body       string    `json:"body,omitempty"`
	Cleared    string    `json:"cleared,omitempty"`
	Link       string    `json:"link,omitempty"`
	Event      bool      `json:"event,omitempty"`
	Told       bool      `json:"told,omitempty"` // of an event: told, or held to be told
	Since      time.Time `json:"since"`
	OnMS       int64     `json:"on_ms"`   // age since which it holds, -1 when it does not
	OffMS      int64     `json:"off_ms"`  // age since which it is over, -1 while it holds
	SeenMS     int64     `json:"seen_ms"` // age when it was last passed as holding
	ClearMS    int64     `json:"clear_hold_ms,omitempty"`
}

// Group is the state of one cause: what was told of it, and what a person said to that.
type Group struct {
	Members   []string  `json:"members"`
	Severity  Severity  `json:"severity"` // highest told
	Peak      Severity  `json:"peak"`     // highest of all: whoever was told of that is told that it is over
	Pair      string    `json:"pair"`
	Title     string    `json:"title"`
	Link      string    `json:"link,omitempty"`
	Cleared   string    `json:"cleared,omitempty"`
	Since     time.Time `json:"since"`
	SinceMS   int64     `json:"since_ms"`
	Told      bool      `json:"told"`
	Waiting   bool      `json:"waiting"` // its raise is held
	Later     bool      `json:"later"`   // its repeat is held
	ToldMS    int64     `json:"told_ms"`
	Repeats   int64     `json:"repeats"`
	LowerMS   int64     `json:"lower_ms"` // age since which it is less severe than told, -1 when it is not
	Acked     bool      `json:"acked,omitempty"`
	AckedBy   string    `json:"acked_by,omitempty"`
	AckedAt   time.Time `json:"acked_at,omitzero"`
	SnoozedMS int64     `json:"snoozed_ms"` // age until which it is snoozed, -1 when it is not
}

// Held is a message that waits for the end of quiet hours.
type Held struct {
	Message Message   `json:"message"`
	Event   string    `json:"event,omitempty"` // key, where it came from an event
	Window  bool      `json:"window,omitempty"`
	Until   time.Time `json:"until,omitzero"`
	Ended   time.Time `json:"ended,omitzero"` // it was over before it could be told
}

// heldMost bounds what waits for a digest; the oldest of the least severe goes first.
const heldMost = 200

// ParseState reads a stored state. No bytes at all are a start from nothing.
func ParseState(data []byte) (State, error) {
	var s State
	if len(data) == 0 {
		return s, nil
	}
	if err := json.Unmarshal(data, &s); err != nil {
		return State{}, fmt.Errorf("alert: stored state: %w", err)
	}
	if err := s.check(); err != nil {
		return State{}, err
	}
	return s, nil
}

// check refuses a stored state that no program of ours has written.
func (s State) check() error {
	if s.Version > stateVersion {
		return fmt.Errorf("alert: stored state has version %d, this program knows up to %d: use the newer program", s.Version, stateVersion)
	}
	for key, e := range s.Keys {
		if e == nil {
			return fmt.Errorf("alert: stored state: key %q is null", key)
		}
	}
	for cause, g := range s.Groups {
		if g == nil {
			return fmt.Errorf("alert: stored state: group %q is null", cause)
		}
	}
	return nil
}

// Encode gives the bytes to store: equal states give equal bytes.
func (s State) Encode() ([]byte, error) {
	b, err := json.Marshal(s)
	if err != nil {
		return nil, fmt.Errorf("alert: store state: %w", err)
	}
	return b, nil
}

// Shift moves every wall time in the state by a length: the clock was off by that, and what it remembers keeps its distance from the present.
// Holds, repeats and snoozes run by elapsed time and are not touched.
func (s State) Shift(by time.Duration) State {
	s = s.clone()
	move := func(t *time.Time) {
		if !t.IsZero() {
			*t = t.Add(by)
		}
	}
	for _, e := range s.Keys {
		move(&e.Since)
	}
	for _, g := range s.Groups {
		move(&g.Since)
		move(&g.AckedAt)
	}
	for i := range s.Held {
		h := &s.Held[i]
		move(&h.Until)
		move(&h.Ended)
		move(&h.Message.At)
		move(&h.Message.Since)
	}
	return s
}

func (s State) clone() State {
	s.Keys, s.Groups, s.Held = maps.Clone(s.Keys), maps.Clone(s.Groups), slices.Clone(s.Held)
	if s.Keys == nil {
		s.Keys = map[string]*Entry{}
	}
	if s.Groups == nil {
		s.Groups = map[string]*Group{}
	}
	for k, e := range s.Keys {
		c := *e
		s.Keys[k] = &c
	}
	for k, g := range s.Groups {
		c := *g
		c.Members = slices.Clone(g.Members)
		s.Groups[k] = &c
	}
	return s
}

// ErrNotRaised is wrapped when something is acknowledged or snoozed that does not hold (any more).
var ErrNotRaised = errors.New("nothing of that name holds now")

// find gives the group of a cause, or that of a condition key.
func (s State) find(key string) (*Group, error) {
	if g, ok := s.Groups[key]; ok {
		return g, nil
	}
	if e, ok := s.Keys[key]; ok {
		if g, ok := s.Groups[e.Cause]; ok {
			return g, nil
		}
	}
	return nil, fmt.Errorf("alert: %q: %w", key, ErrNotRaised)
}

// Acknowledge stops the repeats of a cause (or of the cause of a condition key) until it is over or becomes worse.
func (s State) Acknowledge(key, by string, at time.Time) (State, error) {
	s = s.clone()
	g, err := s.find(key)
	if err != nil {
		return s, err
	}
	g.Acked, g.AckedBy, g.AckedAt, g.SnoozedMS = true, by, at.UTC(), -1
	return s, nil
}

// Snooze keeps a cause silent for a time (above 0), then tells it again if it still holds. A rise in severity ends it.
func (s State) Snooze(key string, length time.Duration) (State, error) {
	s = s.clone()
	g, err := s.find(key)
	if err != nil {
		return s, err
	}
	if length <= 0 {
		return s, fmt.Errorf("alert: snooze %q for %v: want a time above 0", key, length)
	}
	g.Acked, g.AckedBy, g.AckedAt, g.SnoozedMS = false, "", time.Time{}, s.AgeMS+length.Milliseconds()
	return s, nil
}

// Undo takes back an acknowledgement or a snooze. The next repeat comes when it would have been due.
func (s State) Undo(key string) (State, error) {
	s = s.clone()
	g, err := s.find(key)
	if err != nil {
		return s, err
	}
	g.Acked, g.AckedBy, g.AckedAt, g.SnoozedMS = false, "", time.Time{}, -1
	return s, nil
}

// Standing is one cause that holds now, for a page.
type Standing struct {
	Key, Title, Body, Link, AckedBy string
	Severity                        Severity
	Since                           time.Time
	Acked                           bool
	Told                            bool          // false while quiet hours hold it
	SnoozedFor                      time.Duration // left of a snooze
}

// bodyOf gives the text of the worst condition of a cause.
func (s State) bodyOf(g *Group) string {
	worst := &Entry{}
	for _, key := range g.Members {
		if e, ok := s.Keys[key]; ok && e.Severity > worst.Severity {
			worst = e
		}
	}
	return worst.Body
}

// Standing lists the causes that hold, worst first, then oldest first.
func (s State) Standing() []Standing {
	list := make([]Standing, 0, len(s.Groups))
	for _, key := range slices.Sorted(maps.Keys(s.Groups)) {
		g := s.Groups[key]
		one := Standing{Key: key, Title: g.Title, Body: s.bodyOf(g), Link: g.Link, Severity: g.Severity, Since: g.Since, Acked: g.Acked, AckedBy: g.AckedBy, Told: g.Told}
		if left := g.SnoozedMS - s.AgeMS; g.SnoozedMS >= 0 && left > 0 {
			one.SnoozedFor = time.Duration(left) * time.Millisecond
		}
		list = append(list, one)
	}
	slices.SortStableFunc(list, func(a, b Standing) int {
		if a.Severity != b.Severity {
			return int(b.Severity) - int(a.Severity)
		}
		return a.Since.Compare(b.Since)
	})
	return list
}
