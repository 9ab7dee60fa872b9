package main

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tackline/advisor/units/quantity"
)

// slot is a flag of a command that enters something, and the field of the job book that it fills.
type slot struct {
	flag, field string
	about       string
	read        func(e env, s string) (any, error) // from what was typed
	hint        string                             // what stands for the value in help
	typed       *string
	on          *bool // of a slot that is a switch
}

func slotText(flag, field, about string) *slot {
	return &slot{flag: flag, field: field, about: about, hint: "text", read: func(_ env, s string) (any, error) { return s, nil }}
}

// slotMeasure is a number with a unit and a range; it is sent in the quantity's base unit.
func slotMeasure(flag, field string, q quantity.Quantity, lo, hi float64, about string) *slot {
	about = fmt.Sprintf("%s, %s..%s %s", about, quantity.Number(lo), quantity.Number(hi), q.Base)
	return &slot{flag: flag, field: field, about: about, hint: q.Base, read: func(_ env, s string) (any, error) {
		v, err := q.Parse(s)
		if err != nil {
			return nil, err
		}
		if err := q.In(s, v, lo, hi); err != nil {
			return nil, err
		}
		return quantity.Kept(v), nil
	}}
}

// slotNumber is a number without a unit of its own.
func slotNumber(flag, field string, lo, hi float64, about string) *slot {
	return &slot{flag: flag, field: field, about: fmt.Sprintf("%s, %s..%s", about, quantity.Number(lo), quantity.Number(hi)), hint: "number", read: func(_ env, s string) (any, error) {
		v, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
		if err != nil || !(v >= lo && v <= hi) {
			return nil, fmt.Errorf("%q is no number from %s to %s", s, quantity.Number(lo), quantity.Number(hi))
		}
		return v, nil
	}}
}

// slotAt is a time: RFC 3339, or local.
func slotAt(flag, field, about string) *slot {
	return &slot{flag: flag, field: field, about: about + " (14:05, 2026-01-14 14:05 or RFC 3339)", hint: "time", read: func(e env, s string) (any, error) { return readAt(e, s) }}
}

func slotSwitch(flag, field, about string) *slot {
	return &slot{flag: flag, field: field, about: about, read: func(_ env, s string) (any, error) { return strconv.ParseBool(s) }}
}

func slotOf(flag, field, hint, about string, read func(string) (any, error)) *slot {
	return &slot{flag: flag, field: field, about: about, hint: hint, read: func(_ env, s string) (any, error) { return read(s) }}
}

// readAt reads a time as people say it: a time of today, or a day and a time, both local, or RFC 3339.
func readAt(e env, s string) (string, error) {
	now := e.now()
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t.UTC().Format(time.RFC3339), nil
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02T15:04", "2006-01-02"} {
		if t, err := time.ParseInLocation(layout, s, now.Location()); err == nil {
			return t.UTC().Format(time.RFC3339), nil
		}
	}
	if t, err := time.ParseInLocation("15:04", s, now.Location()); err == nil {
		return time.Date(now.Year(), now.Month(), now.Day(), t.Hour(), t.Minute(), 0, 0, now.Location()).UTC().Format(time.RFC3339), nil
	}
	return "", fmt.Errorf("%q is no time: want 14:05 (today), \"2026-01-14 14:05\" or RFC 3339 such as 2026-01-14T14:05:00Z", s)
}

// slots are the flags of one command.
type slots []*slot

func (all slots) on(c *cobra.Command) {
	for _, s := range all {
		if s.hint == "" {
			s.on = c.Flags().Bool(s.flag, false, s.about)
			continue
		}
		s.typed = c.Flags().String(s.flag, "", s.about)
		c.Flags().Lookup(s.flag).Value = hinted{c.Flags().Lookup(s.flag).Value, s.hint}
	}
}

// hinted shows in help what a flag takes.
type hinted struct {
	value interface {
		String() string
		Set(string) error
	}
	hint string
}

func (h hinted) String() string     { return h.value.String() }
func (h hinted) Set(s string) error { return h.value.Set(s) }
func (h hinted) Type() string       { return h.hint }

// fill puts what was typed into a payload. The error names the flag.
func (all slots) fill(e env, c *cobra.Command, payload map[string]any) error {
	for _, s := range all {
		if !c.Flags().Changed(s.flag) || s.field == "" {
			continue
		}
		if s.on != nil {
			payload[s.field] = *s.on
			continue
		}
		v, err := s.read(e, *s.typed)
		if err != nil {
			return usagef("--%s: %w", s.flag, err)
		}
		payload[s.field] = v
	}
	return nil
}

// copyFrom begins an edit with what stands in the book: every field that one of the flags can change.
func (all slots) copyFrom(was map[string]json.RawMessage, payload map[string]any, more ...string) {
	for _, s := range all {
		more = append(more, s.field)
	}
	for _, field := range more {
		if v, ok := was[field]; ok {
			payload[field] = v
		}
	}
}

// flagOf gives the flag of a field, for what the daemon says of it.
func (all slots) flagOf(field string) string {
	for _, s := range all {
		if s.field == field {
			return "--" + s.flag
		}
	}
	return field
}
