package alert

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"
)

// Audience is whom one set of rules is for: the ways of those who want to be told alike. The first of a list is the shed itself, whose Name is
// "" and whose state is what a page shows.
type Audience struct {
	Name   string   // stable over restarts
	Ways   []string // names of routes
	Policy Policy
}

// States holds the state of each audience by its name.
type States map[string]State

// storedStates is the layout of States on disk. Version 1 was a single State.
type storedStates struct {
	Version int64            `json:"version"`
	States  map[string]State `json:"states"`
	Ways    []WayStatus      `json:"ways,omitempty"`
}

const statesVersion = 2

// ParseStates reads stored states. No bytes at all are a start from nothing. A single state of an older program is taken by every audience that
// has none of its own.
func ParseStates(data []byte, audiences []Audience) (States, error) {
	if len(data) == 0 {
		return States{}, nil
	}
	var s storedStates
	if err := json.Unmarshal(data, &s); err != nil {
		return nil, fmt.Errorf("alert: stored state: %w", err)
	}
	if s.Version > statesVersion {
		return nil, fmt.Errorf("alert: stored state has version %d, this program knows up to %d: use the newer program", s.Version, statesVersion)
	}
	out := States{}
	if s.States == nil {
		one, err := ParseState(data)
		for _, a := range audiences {
			out[a.Name] = one.clone()
		}
		return out, err
	}
	for name, one := range s.States {
		if err := one.check(); err != nil {
			return nil, err
		}
		out[name] = one
	}
	return out, nil
}

// ParseWays reads how the ways were doing from a stored Snapshot; none where nothing is stored of them.
func ParseWays(data []byte) ([]WayStatus, error) {
	if len(data) == 0 {
		return nil, nil
	}
	var s storedStates
	if err := json.Unmarshal(data, &s); err != nil {
		return nil, fmt.Errorf("alert: stored state: %w", err)
	}
	return s.Ways, nil
}

// Snapshot is all that is worth keeping over a restart: the states, and when each way last worked and last failed.
type Snapshot struct {
	States States
	Ways   []WayStatus
}

// Encode gives the bytes to store.
func (s Snapshot) Encode() ([]byte, error) {
	b, err := json.Marshal(storedStates{Version: statesVersion, States: s.States, Ways: s.Ways})
	if err != nil {
		return nil, fmt.Errorf("alert: store state: %w", err)
	}
	return b, nil
}

// Encode gives the bytes to store: equal states give equal bytes.
func (s States) Encode() ([]byte, error) {
	b, err := json.Marshal(storedStates{Version: statesVersion, States: s})
	if err != nil {
		return nil, fmt.Errorf("alert: store state: %w", err)
	}
	return b, nil
}

// DecideAll is Decide for every audience. A message is addressed to the ways of its audience. What was held for an audience that is no more goes to
// the way of that name at once, and its state ends.
func DecideAll(states States, conditions []Condition, audiences []Audience, at Moment) (States, []Message, []Decision) {
	next := States{}
	var messages []Message
	var decisions []Decision
	send := func(to []string, list []Message) {
		for _, m := range list {
			m.To = slices.Clone(to)
			if m.To == nil {
				m.To = []string{}
			}
			messages = append(messages, m)
		}
	}
	for _, a := range audiences {
		before, ok := states[a.Name]
		if shed, known := states[""]; !ok && known {
			before = shed.clone() // what the ways were told as the shed's own is not told anew
			before.Held, before.QuietFrom, before.NightFrom = nil, -1, -1
			before.Epoch = max(shed.Epoch+1, at.Now.Unix())
		}
		s, told, why := Decide(before, conditions, a.Policy, at)
		next[a.Name] = s
		send(a.Ways, told)
		decisions = append(decisions, why...)
	}
	for _, name := range slices.Sorted(maps.Keys(states)) {
		if _, ok := next[name]; !ok {
			d := decider{s: states[name].clone(), at: at}
			d.release()
			send([]string{name}, d.messages)
			decisions = append(decisions, d.decisions...)
		}
	}
	return next, messages, decisions
}

// all does something to every state. A cause that holds for some and not for others is changed where it holds; where it holds for none, the error
// wraps ErrNotRaised.
func (s States) all(f func(State) (State, error)) (States, error) {
	out := maps.Clone(s)
	done, first := false, error(nil)
	for _, name := range slices.Sorted(maps.Keys(s)) {
		changed, err := f(s[name])
		switch {
		case err == nil:
			out[name], done = changed, true
		case !errors.Is(err, ErrNotRaised):
			return s, err
		case first == nil:
			first = err
		}
	}
	if !done {
		if first == nil {
			first = fmt.Errorf("alert: %w", ErrNotRaised)
		}
		return s, first
	}
	return out, nil
}

// Acknowledge does as State.Acknowledge says, for all audiences.
func (s States) Acknowledge(key, by string, at time.Time) (States, error) {
	return s.all(func(one State) (State, error) { return one.Acknowledge(key, by, at) })
}

// Snooze does as State.Snooze says, for all audiences.
func (s States) Snooze(key string, length time.Duration) (States, error) {
	return s.all(func(one State) (State, error) { return one.Snooze(key, length) })
}

// Undo does as State.Undo says, for all audiences.
func (s States) Undo(key string) (States, error) {
	return s.all(func(one State) (State, error) { return one.Undo(key) })
}

// Shift does as State.Shift says, for all audiences.
func (s States) Shift(by time.Duration) States {
	out := States{}
	for name, one := range s {
		out[name] = one.Shift(by)
	}
	return out
}

// Find gives the group of a cause by its pair, whichever audience was told of it.
func (s States) Find(key, pair string) (Group, bool) {
	for _, name := range slices.Sorted(maps.Keys(s)) {
		if g, ok := s[name].Groups[key]; ok && g.Pair == pair {
			return *g, true
		}
	}
	return Group{}, false
}

// Standing lists the causes that hold for the shed itself. Told is false while quiet hours hold one back from everybody.
func (s States) Standing(audiences []Audience) []Standing {
	list := s[""].Standing()
	for i := range list {
		told, asked := false, false
		for _, a := range audiences {
			if len(a.Ways) == 0 {
				continue
			}
			asked = true
			if g, ok := s[a.Name].Groups[list[i].Key]; ok && g.Told {
				told = true
			}
		}
		list[i].Told = told || !asked && list[i].Told
	}
	return list
}
