package config

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// maxFile is the largest file that is read, in bytes: far above any real one, far below what would hurt a small board.
const maxFile = 1 << 20

// document is a TOML file with the place of each key. Mistakes are collected here, so that all are told at once.
type document struct {
	file  string
	root  map[string]any
	at    map[string]place // by path: shed.name, probe[0].kind
	errs  Errors
	warns Errors
}

type place struct{ line, col int64 }

// parseDocument reads TOML. A file that is no TOML at all has one mistake, the first: what follows it cannot be told apart.
func parseDocument(data []byte, file string) (*document, error) {
	d := &document{file: file, at: map[string]place{}}
	if len(data) > maxFile {
		return nil, Errors{{File: file, Wrong: fmt.Sprintf("has %d bytes", len(data)), Want: fmt.Sprintf("at most %d", maxFile)}}
	}
	if !utf8.Valid(data) {
		return nil, Errors{{File: file, Wrong: "is not UTF-8 text", Want: "save it as UTF-8"}}
	}
	if err := toml.Unmarshal(data, &d.root); err != nil {
		e := &Error{File: file, Wrong: strings.TrimPrefix(err.Error(), "toml: "), Want: "TOML: key = value, text in quotes, [table], [[list of tables]]"}
		var de *toml.DecodeError
		if errors.As(err, &de) {
			row, col := de.Position()
			e.Line, e.Col, e.Field = int64(row), int64(col), strings.Join(de.Key(), ".")
		}
		return nil, Errors{e}
	}
	d.place(data)
	return d, nil
}

// place walks the file once more for the line and column of every key. The file is known to be valid.
func (d *document) place(data []byte) {
	var p unstable.Parser
	p.Reset(data)
	count := map[string]int{}
	step := func(path, key string) string {
		if path != "" {
			path += "."
		}
		path += key
		if n := count[path]; n > 0 {
			path = fmt.Sprintf("%s[%d]", path, n-1)
		}
		return path
	}
	table := ""
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table = ""
			for it := e.Key(); it.Next(); {
				k := it.Node()
				if it.IsLast() && e.Kind == unstable.ArrayTable {
					table = strings.TrimPrefix(table+"."+string(k.Data), ".")
					count[table]++
					table = fmt.Sprintf("%s[%d]", table, count[table]-1)
				} else {
					table = step(table, string(k.Data))
				}
				d.mark(&p, table, k)
			}
		case unstable.KeyValue:
			d.keyValue(&p, table, e)
		}
	}
}

func (d *document) keyValue(p *unstable.Parser, path string, kv *unstable.Node) {
	for it := kv.Key(); it.Next(); {
		path = strings.TrimPrefix(path+"."+string(it.Node().Data), ".")
		d.mark(p, path, it.Node())
	}
	d.value(p, path, kv.Value())
}

func (d *document) value(p *unstable.Parser, path string, v *unstable.Node) {
	switch v.Kind {
	case unstable.InlineTable:
		for it := v.Children(); it.Next(); {
			if it.Node().Kind == unstable.KeyValue {
				d.keyValue(p, path, it.Node())
			}
		}
	case unstable.Array:
		i := 0
		for it := v.Children(); it.Next(); {
			if it.Node().Kind == unstable.Comment {
				continue
			}
			item := fmt.Sprintf("%s[%d]", path, i)
			if it.Node().Raw.Length > 0 {
				d.mark(p, item, it.Node())
			} else {
				d.at[item] = d.at[path]
			}
			d.value(p, item, it.Node())
			i++
		}
	}
}

// mark remembers the first place of a path.
func (d *document) mark(p *unstable.Parser, path string, n *unstable.Node) {
	if _, ok := d.at[path]; ok || n.Raw.Length == 0 {
		return
	}
	s := p.Shape(n.Raw).Start
	d.at[path] = place{int64(s.Line), int64(s.Column)}
}

// where gives the place of a path, or of the nearest table that encloses it.
func (d *document) where(path string) place {
	for path != "" {
		if p, ok := d.at[path]; ok {
			return p
		}
		i := strings.LastIndexAny(path, ".[")
		if i < 0 {
			break
		}
		path = path[:i]
	}
	return place{}
}

// shown gives a path as people read it: the entries of a list by their name where they have one, else counted from 1.
func (d *document) shown(path string) string {
	var b strings.Builder
	var here any = d.root
	for _, part := range strings.Split(path, ".") {
		if b.Len() > 0 {
			b.WriteByte('.')
		}
		key, rest, _ := strings.Cut(part, "[")
		b.WriteString(key)
		if m, ok := here.(map[string]any); ok {
			here = m[key]
		} else {
			here = nil
		}
		for rest != "" {
			var i int
			if _, err := fmt.Sscanf(rest, "%d]", &i); err != nil {
				break
			}
			_, rest, _ = strings.Cut(rest, "[")
			name := fmt.Sprint(i + 1)
			here = element(here, i)
			if m, ok := here.(map[string]any); ok {
				if s, ok := m["name"].(string); ok && s != "" && len(s) <= 40 && printable(s) {
					name = s
				}
			}
			b.WriteString("[" + name + "]")
		}
	}
	return b.String()
}

func element(list any, i int) any {
	if l, ok := list.([]any); ok && i < len(l) {
		return l[i]
	}
	return nil
}

// fail notes a mistake at a path.
func (d *document) fail(path string, value any, wrong, want string) {
	d.errs = append(d.errs, d.note(path, value, wrong, want))
}

// warn notes something that is allowed and worth knowing.
func (d *document) warn(path string, wrong, want string) {
	d.warns = append(d.warns, d.note(path, nil, wrong, want))
}

func (d *document) note(path string, value any, wrong, want string) *Error {
	at := d.where(path)
	e := &Error{File: d.file, Line: at.line, Col: at.col, Field: d.shown(path), Wrong: wrong, Want: want}
	if value != nil {
		e.Value = written(value)
	}
	return e
}

// written gives a value about as it stands in the file.
func written(v any) string {
	switch v := v.(type) {
	case string:
		return fmt.Sprintf("%q", v)
	case map[string]any:
		return "a table"
	case []any:
		return "a list"
	}
	return fmt.Sprint(v)
}

func printable(s string) bool {
	for _, r := range s {
		if r < ' ' || r == 0x7f || r == utf8.RuneError || r == '\u2028' || r == '\u2029' {
			return false
		}
	}
	return true
}
