package jobbook

import (
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Bounds of what a command may say.
const (
	futureMS   = 5 * 60 * 1000    // a time further ahead than this of a set clock is a slip
	beforeMS   = 24 * 3600 * 1000 // work this long before the job's beginning is let pass: a job is often entered after its first coat
	earliestMS = 946684800000     // 2000-01-01: no job is older
	longName   = 120              // runes
	longText   = 20000            // runes
)

// checker collects what is wrong with a command. Without a ledger it checks what can be checked without the book.
type checker struct {
	l   *ledger
	at  Stamp
	bad []FieldError
	err error // of the ledger
}

// Validate checks a payload as far as that is possible without the book. The error is an *Invalid.
func Validate(p Payload) error {
	c := &checker{}
	p.check(c)
	return c.result(p.Kind())
}

func (c *checker) result(kind string) error {
	if c.err != nil {
		return c.err
	}
	if len(c.bad) > 0 {
		return &Invalid{Kind: kind, Fields: c.bad}
	}
	return nil
}

func (c *checker) fail(field, format string, args ...any) {
	c.bad = append(c.bad, FieldError{Field: field, Problem: fmt.Sprintf(format, args...)})
}

// name wants one line of text.
func (c *checker) name(field, s string) {
	if strings.TrimSpace(s) == "" {
		c.fail(field, "is empty: give a name")
		return
	}
	c.optionalName(field, s)
}

func (c *checker) optionalName(field, s string) {
	if strings.ContainsAny(s, "\n\r\t") {
		c.fail(field, "%q has a line break or tab: one line is wanted", s)
		return
	}
	c.clean(field, s, longName)
}

func (c *checker) text(field, s string) { c.clean(field, s, longText) }

func (c *checker) clean(field, s string, most int) {
	if !utf8.ValidString(s) {
		c.fail(field, "is not valid UTF-8 text")
		return
	}
	if n := utf8.RuneCountInString(s); n > most {
		c.fail(field, "has %d characters: at most %d", n, most)
	}
	for _, r := range s {
		if unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t' {
			c.fail(field, "has the control character %U", r)
			return
		}
	}
}

// number wants a finite value in [low, high].
func (c *checker) number(field string, v, low, high float64, unit string) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		c.fail(field, "is not a number")
		return
	}
	if v < low || v > high {
		unit = strings.TrimRight(" "+unit, " ")
		c.fail(field, "%g%s is outside %g to %g%s", v, unit, low, high, unit)
	}
}

// positive wants a finite value above 0 and up to high.
func (c *checker) positive(field string, v, high float64, unit string) {
	if v == 0 {
		c.fail(field, "is missing: want more than 0 %s", unit)
		return
	}
	c.number(field, v, 0, high, unit)
}

func (c *checker) temperature(field string, v *float64) {
	if v != nil {
		c.number(field, *v, -40, 100, "C")
	}
}

func (c *checker) oneOf(field, v string, allowed ...string) {
	for _, a := range allowed {
		if v == a {
			return
		}
	}
	c.fail(field, "%q is not one of %s", v, strings.Join(allowed, ", "))
}

// when wants a time that is not in the future, or 0 for now. While the clock is unset nothing can be said about the future.
func (c *checker) when(field string, ms int64) {
	if ms == 0 {
		return
	}
	if ms < 0 || (ms < earliestMS && c.at.Clock != ClockUnsynced) {
		c.fail(field, "%s is before 2000: want Unix milliseconds", utc(ms))
		return
	}
	if c.at.Wall != 0 && c.at.Clock != ClockUnsynced && ms > c.at.Wall+futureMS {
		c.fail(field, "%s is %s in the future (now %s)", utc(ms), (time.Duration(ms-c.at.Wall) * time.Millisecond).Round(time.Minute), utc(c.at.Wall))
	}
}

// date wants a day, which may lie in the future, or 0 for none.
func (c *checker) date(field string, ms int64) {
	if ms < 0 || (ms != 0 && ms < earliestMS) || ms > 4102444800000 {
		c.fail(field, "%s is not between 2000 and 2100", utc(ms))
	}
}

// span wants to after from, where both are known.
func (c *checker) span(field string, from, to int64) {
	if from == 0 {
		from = c.at.Wall
	}
	if to != 0 && from != 0 && to <= from {
		c.fail(field, "%s is not after the beginning, %s", utc(to), utc(from))
	}
}

// notBeforeJob wants a time at most a day before the beginning of the job, where both clocks were set.
func (c *checker) notBeforeJob(field string, ms, job int64) {
	if c.l == nil || ms == 0 || job == 0 || c.at.Clock == ClockUnsynced {
		return
	}
	j := &Job{}
	if c.load(ref{classJob, job}, j) && j.Begins.Boot == "" && ms < j.Begins.MS-beforeMS {
		c.fail(field, "%s is more than a day before the job %q began, %s: correct the time, or let the job begin earlier first", utc(ms), j.Name, utc(j.Begins.MS))
	}
}

// load reads an entity; false where there is none, or it was undone.
func (c *checker) load(r ref, e entity) bool {
	found, err := c.l.get(r, e)
	if err != nil {
		c.err = err
	}
	return err == nil && found && e.head().Withdrawn == 0
}

// exists wants an entity that is in the book and was not undone, and reads it into e where that is not nil.
func (c *checker) exists(field, class string, id int64, e entity) bool {
	if id <= 0 {
		c.fail(field, "is missing: give the number of a %s", class)
		return false
	}
	if c.l == nil {
		return false
	}
	if e == nil {
		e = newEntity(class)
	}
	found, err := c.l.get(ref{class, id}, e)
	switch {
	case err != nil:
		c.err = err
	case !found:
		c.fail(field, "there is no %s %d", class, id)
	case e.head().Withdrawn != 0:
		c.fail(field, "%s %d was undone (by entry %d)", class, id, e.head().Withdrawn)
	default:
		return true
	}
	return false
}

func (c *checker) optional(field, class string, id int64, e entity) bool {
	if id == 0 {
		return false
	}
	return c.exists(field, class, id, e)
}

// saw wants the revision that the maker of a change looked at.
func (c *checker) saw(rev int64) {
	if rev <= 0 {
		c.fail("saw_rev", "is missing: give the revision that you saw, so that a change by someone else is not lost")
	}
}
