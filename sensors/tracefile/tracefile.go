// Package tracefile reads a trace: a CSV file of readings over time, as a logger, a weather station or a hand-kept sheet leaves it.
//
// The first line is the heading. One column is the time, the others are quantities; each has a name of ours that ends in its unit. Other
// headings are mapped to these names, and their own unit is taken from their last part ("pressure_mmhg") or from brackets ("Pressure (mmHg)")
// and converted. An empty cell is a missing value. Every row that cannot be read is reported with its line and reason; no row is dropped
// silently. Lines that begin with # are remarks. Fields are parted by commas, or by semicolons or tabs if the heading is; only with those
// may a number have a decimal comma.
package tracefile

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"
)

// Options says how to read a trace. The zero Options reads one whose headings are all names of ours and whose times carry their zone.
type Options struct {
	// Zone is the zone of local times, that is of times without an offset. Without it such times are errors.
	Zone *time.Location
	// Columns maps a name of ours to the heading in the file: {"air_c": "north_outside_c", "time": "when"}. An empty heading leaves the
	// column of that name out. With a mapping, headings that neither it nor we know are left out and listed in Table.Ignored; without one
	// they are errors.
	Columns map[string]string
	// Node picks the rows of one node out of a file in long form, which has a column "node". Rows of other nodes are left out.
	Node string
	// Start is the time in Unix milliseconds that time_s counts from.
	Start int64
}

// Column is one quantity, row by row. V has the values in the unit of its name, 0 where Has is false.
type Column struct {
	V   []float64
	Has []bool
}

// At gives the value of a row; ok is false where it is missing.
func (c Column) At(row int) (v float64, ok bool) { return c.V[row], c.Has[row] }

// Table is a trace in memory: rows in the order of time, strictly rising.
type Table struct {
	Times   []int64           // Unix milliseconds, or milliseconds from Options.Start where the file has time_s
	Lines   []int64           // the line of the file that each row stands on, from 1
	Columns map[string]Column // by our name
	Ignored []string          // headings left out
	Nodes   []string          // nodes met, sorted, where there is a column of them
	Others  int64             // rows left out because they are of other nodes
	Moved   int64             // rows that stood after a later one and were put in order
	Repeats int64             // rows that repeat an earlier one wholly, taken once
}

// Names lists the columns that the table has, sorted.
func (t *Table) Names() []string {
	names := make([]string, 0, len(t.Columns))
	for name := range t.Columns {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// LineError is what is wrong with one line.
type LineError struct {
	Line int64 // from 1
	Text string
}

// Error gives the line and what is wrong.
func (e LineError) Error() string { return fmt.Sprintf("line %d: %s", e.Line, e.Text) }

// Errors is the error of Parse: every line that could not be read.
type Errors struct{ Lines []LineError }

// shown is the number of lines that Error prints; all are in Lines.
const shown = 20

// Error lists the first lines, one a line of text, and the number of the rest.
func (e *Errors) Error() string {
	var b strings.Builder
	for i, l := range e.Lines {
		if i == shown {
			fmt.Fprintf(&b, "\nand %d more", len(e.Lines)-shown)
			break
		}
		if i > 0 {
			b.WriteString("\n")
		}
		b.WriteString("tracefile: " + l.Error())
	}
	return b.String()
}

func (e *Errors) add(line int64, format string, args ...any) {
	e.Lines = append(e.Lines, LineError{line, fmt.Sprintf(format, args...)})
}

func (e *Errors) orNil() error {
	if len(e.Lines) == 0 {
		return nil
	}
	slices.SortStableFunc(e.Lines, func(a, b LineError) int { return int(a.Line - b.Line) })
	return e
}

// Parse reads a whole trace. Where rows are wrong it gives an *Errors that lists every one, together with the table of the rows that are
// right, so that the caller may choose. A wrong heading gives no table. Other errors are those of r.
func Parse(r io.Reader, o Options) (*Table, error) {
	p := &parser{lines: newLines(r), o: o, errs: &Errors{}}
	head, line, ok := p.lines.next()
	if !ok {
		if p.lines.err != nil {
			return nil, fmt.Errorf("tracefile: %w", p.lines.err)
		}
		return nil, &Errors{[]LineError{{1, "no heading: the file is empty"}}}
	}
	p.sep = separator(head)
	fields, err := p.split(head)
	if err != nil {
		return nil, &Errors{[]LineError{{line, err.Error()}}}
	}
	if p.plan, err = plan(fields, o); err != nil {
		return nil, &Errors{[]LineError{{line, err.Error()}}}
	}
	p.rows()
	if p.lines.err != nil {
		return nil, fmt.Errorf("tracefile: after line %d: %w", p.lines.n, p.lines.err)
	}
	return p.table(), p.errs.orNil()
}

// parser is the state of one Parse.
type parser struct {
	lines *lines
	o     Options
	sep   byte
	plan  *headings
	errs  *Errors

	got    []row
	others int64
	nodes  map[string]bool
	before int64 // time of the row read last
}

// row is one good row: values in the order of the plan's columns, NaN where missing. NaN stays inside this package.
type row struct {
	at, line int64
	v        []float64
}

// rows reads all lines after the heading.
func (p *parser) rows() {
	p.nodes, p.before = map[string]bool{}, math.MinInt64
	for {
		text, line, ok := p.lines.next()
		if !ok {
			break
		}
		fields, err := p.split(text)
		if err != nil {
			p.errs.add(line, "%v", err)
			continue
		}
		if len(fields) != p.plan.width {
			p.errs.add(line, "%d fields where the heading has %d", len(fields), p.plan.width)
			continue
		}
		p.row(fields, line)
	}
	if p.plan.node >= 0 && p.o.Node == "" && len(p.nodes) > 1 {
		p.errs.add(1, "rows of %d nodes (%s): say which one is meant", len(p.nodes), strings.Join(sortedKeys(p.nodes), ", "))
		p.got = nil
	}
	if p.o.Node != "" && !p.nodes[p.o.Node] {
		p.errs.add(1, "no row of node %q: there are %s", p.o.Node, strings.Join(sortedKeys(p.nodes), ", "))
	}
}

// row reads one row.
func (p *parser) row(fields []string, line int64) {
	if p.plan.node >= 0 {
		node := strings.TrimSpace(fields[p.plan.node])
		p.nodes[node] = true
		if p.o.Node != "" && node != p.o.Node {
			p.others++
			return
		}
	}
	at, err := p.time(strings.TrimSpace(fields[p.plan.time]))
	if err != nil {
		p.errs.add(line, "%v", err)
		return
	}
	r := row{at: at, line: line, v: make([]float64, len(p.plan.columns))}
	for i, c := range p.plan.columns {
		if r.v[i], err = p.number(fields[c.field], c); err != nil {
			p.errs.add(line, "%v", err)
			return
		}
	}
	p.before = at
	p.got = append(p.got, r)
}

// table puts the rows in order and turns them into columns.
func (p *parser) table() *Table {
	t := &Table{Ignored: p.plan.ignored, Others: p.others, Columns: map[string]Column{}}
	if p.plan.node >= 0 {
		t.Nodes = sortedKeys(p.nodes)
	}
	newest := int64(math.MinInt64)
	for _, r := range p.got {
		if r.at < newest {
			t.Moved++
		}
		newest = max(newest, r.at)
	}
	if t.Moved > 0 {
		slices.SortStableFunc(p.got, func(a, b row) int {
			if a.at < b.at {
				return -1
			}
			if a.at > b.at {
				return 1
			}
			return 0
		})
	}
	kept := p.got[:0]
	for _, r := range p.got {
		if n := len(kept); n > 0 && kept[n-1].at == r.at {
			if same(kept[n-1].v, r.v) {
				t.Repeats++
			} else {
				p.errs.add(r.line, "same time as line %d, other values", kept[n-1].line)
			}
			continue
		}
		kept = append(kept, r)
	}
	for i, c := range p.plan.columns {
		col := Column{V: make([]float64, len(kept)), Has: make([]bool, len(kept))}
		for j, r := range kept {
			if !math.IsNaN(r.v[i]) {
				col.V[j], col.Has[j] = r.v[i], true
			}
		}
		t.Columns[c.name] = col
	}
	for _, r := range kept {
		t.Times, t.Lines = append(t.Times, r.at), append(t.Lines, r.line)
	}
	return t
}

// same tells whether two rows have the same values, missing ones alike.
func same(a, b []float64) bool {
	for i := range a {
		if a[i] != b[i] && !(math.IsNaN(a[i]) && math.IsNaN(b[i])) {
			return false
		}
	}
	return true
}

func sortedKeys(m map[string]bool) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
