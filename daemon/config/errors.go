package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Error is one mistake in a file: where it stands, what is wrong and what would be right.
type Error struct {
	File      string
	Line, Col int64  // 1-based; 0 where the mistake is something that is missing from the whole file
	Field     string // path of the key, such as probe[bow air].interval
	Value     string // as it stands in the file, "" where there is none; never a secret
	Wrong     string // what is wrong with it
	Want      string // what would be right
}

// Error gives it as file:line:col: field: what is wrong; what would be right.
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, ":%d:%d", e.Line, e.Col)
	}
	b.WriteString(": ")
	if e.Field != "" {
		b.WriteString(e.Field + ": ")
	}
	b.WriteString(e.Wrong)
	if e.Want != "" {
		b.WriteString("; " + e.Want)
	}
	return b.String()
}

// Errors are all the mistakes of a file in the order of its lines.
type Errors []*Error

// Error gives one mistake a line.
func (e Errors) Error() string {
	lines := make([]string, len(e))
	for i := range e {
		lines[i] = e[i].Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives the single mistakes.
func (e Errors) Unwrap() []error {
	out := make([]error, len(e))
	for i := range e {
		out[i] = e[i]
	}
	return out
}

// sorted gives them in the order of lines; nil where there are none.
func (e Errors) sorted() error {
	if len(e) == 0 {
		return nil
	}
	slices.SortStableFunc(e, func(a, b *Error) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col), cmp.Compare(a.Field, b.Field))
	})
	return e
}

// nearest gives the word of the list that a slip of the fingers could have turned into s, or "".
func nearest(s string, list []string) string {
	best, at := "", 3
	if len(s) < 5 {
		at = 2
	}
	for _, w := range list {
		if d := distance(strings.ToLower(s), strings.ToLower(w)); d < at {
			best, at = w, d
		}
	}
	return best
}

// distance is the number of letters to add, drop, change or swap with a neighbour (optimal string alignment).
func distance(a, b string) int {
	ra, rb := []rune(a), []rune(b)
	if len(ra) > 64 || len(rb) > 64 {
		return 64
	}
	d := make([][]int, len(ra)+1)
	for i := range d {
		d[i] = make([]int, len(rb)+1)
		d[i][0] = i
	}
	for j := range d[0] {
		d[0][j] = j
	}
	for i := 1; i <= len(ra); i++ {
		for j := 1; j <= len(rb); j++ {
			change := 1
			if ra[i-1] == rb[j-1] {
				change = 0
			}
			d[i][j] = min(d[i-1][j]+1, d[i][j-1]+1, d[i-1][j-1]+change)
			if i > 1 && j > 1 && ra[i-1] == rb[j-2] && ra[i-2] == rb[j-1] {
				d[i][j] = min(d[i][j], d[i-2][j-2]+1)
			}
		}
	}
	return d[len(ra)][len(rb)]
}
