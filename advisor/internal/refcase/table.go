// Package refcase has what the tests of the advisor check against: analytic cases with exact answers, and a reader for the reference tables
// in testdata/reference. Only tests import it.
package refcase

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// Table is a reference table with where it comes from and how far it can be trusted.
type Table struct {
	Source  string // author or body, and work
	Edition string
	Number  string // of the table, equation or page in that work
	Mark    string // "confirmed", "from memory" or "computed from the equation"
	Columns []string
	Rows    []Row
}

// Row is one row of a Table: its cells by the names of the columns.
type Row struct {
	cells map[string]string
	line  int64
}

// Parse reads a table: lines "# key: text" with source, edition, table and mark, then CSV with a row of column names. All four keys
// must be there, and the mark must begin with one of the three: a figure without a source is no reference.
func Parse(r io.Reader) (Table, error) {
	var t Table
	var body strings.Builder
	scan := bufio.NewScanner(r)
	keys := map[string]*string{"source": &t.Source, "edition": &t.Edition, "table": &t.Number, "mark": &t.Mark}
	for scan.Scan() {
		line := scan.Text()
		if note, ok := strings.CutPrefix(line, "#"); ok {
			key, text, _ := strings.Cut(strings.TrimSpace(note), ":")
			if p := keys[key]; p != nil {
				*p = strings.TrimSpace(text)
			}
			continue
		}
		body.WriteString(line + "\n")
	}
	if err := scan.Err(); err != nil {
		return Table{}, fmt.Errorf("refcase: read: %w", err)
	}
	for key, p := range keys {
		if *p == "" {
			return Table{}, fmt.Errorf("refcase: no line \"# %s: ...\"", key)
		}
	}
	if !strings.HasPrefix(t.Mark, "confirmed") && !strings.HasPrefix(t.Mark, "from memory") && !strings.HasPrefix(t.Mark, "computed") {
		return Table{}, fmt.Errorf("refcase: mark %q: want confirmed, from memory or computed from the equation", t.Mark)
	}
	records, err := csv.NewReader(strings.NewReader(body.String())).ReadAll()
	if err != nil {
		return Table{}, fmt.Errorf("refcase: %w", err)
	}
	if len(records) < 2 {
		return Table{}, fmt.Errorf("refcase: no rows")
	}
	t.Columns = records[0]
	for i, rec := range records[1:] {
		row := Row{cells: map[string]string{}, line: int64(i + 1)}
		for k, cell := range rec {
			row.cells[t.Columns[k]] = strings.TrimSpace(cell)
		}
		t.Rows = append(t.Rows, row)
	}
	return t, nil
}

// Text gives a cell as it stands; a column that is not there panics, for the test is wrong then.
func (r Row) Text(column string) string {
	s, ok := r.cells[column]
	if !ok {
		panic(fmt.Sprintf("refcase: row %d has no column %q", r.line, column))
	}
	return s
}

// Has tells whether the cell holds anything: the source has no figure there otherwise.
func (r Row) Has(column string) bool { return r.Text(column) != "" }

// Float gives a cell as a number; what is none panics.
func (r Row) Float(column string) float64 {
	v, err := strconv.ParseFloat(r.Text(column), 64)
	if err != nil {
		panic(fmt.Sprintf("refcase: row %d, column %q: %v", r.line, column, err))
	}
	return v
}
