package store

import (
	"context"
	"math"
	"os"
)

// pages are those of a database file and of the WAL beside it, without any trust in either.
// Source of the layout: www.sqlite.org/fileformat2.html, sections 1.3 to 1.6, 2.1 and 4.1.
type pages struct {
	file, wal *os.File
	size      int64
	count     int64
	newer     map[int64]int64 // page -> offset in the WAL
}

func openPages(path string) (*pages, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	p := &pages{file: f, size: pageSize, newer: map[int64]int64{}}
	var head [18]byte
	if _, err := f.ReadAt(head[:], 0); err == nil && string(head[:15]) == "SQLite format 3" {
		if n := int64(head[16])<<8 | int64(head[17]); n >= 512 && n <= 32768 && n&(n-1) == 0 {
			p.size = n
		}
	}
	p.count = size(path) / p.size
	if p.wal, err = os.Open(path + "-wal"); err == nil {
		p.readWAL(size(path + "-wal"))
	}
	return p, nil
}

func (p *pages) close() {
	_ = p.file.Close()
	if p.wal != nil {
		_ = p.wal.Close()
	}
}

// readWAL finds the newest copy of each page up to the last whole transaction.
func (p *pages) readWAL(length int64) {
	var head [32]byte
	if _, err := p.wal.ReadAt(head[:], 0); err != nil || big(head[8:12]) != p.size {
		return
	}
	pending := map[int64]int64{}
	for at := int64(32); at+24+p.size <= length; at += 24 + p.size {
		var frame [24]byte
		if _, err := p.wal.ReadAt(frame[:], at); err != nil || string(frame[8:16]) != string(head[16:24]) {
			return
		}
		n := big(frame[:4])
		if n < 1 || n > math.MaxInt32 {
			return
		}
		pending[n] = at + 24
		if big(frame[4:8]) != 0 {
			for n, off := range pending {
				p.newer[n] = off
				p.count = max(p.count, n)
			}
			clear(pending)
		}
	}
}

func big(b []byte) int64 {
	var v int64
	for _, x := range b {
		v = v<<8 | int64(x)
	}
	return v
}

func (p *pages) read(n int64, into []byte) bool {
	f, at := p.file, (n-1)*p.size
	if off, ok := p.newer[n]; ok {
		f, at = p.wal, off
	}
	_, err := f.ReadAt(into, at)
	return err == nil
}

// cell is one row of a table: its rowid and its columns.
type cell struct {
	id     int64
	values []value
}

// fits tells whether the rowid can be the number of a name.
func (c *cell) fits(most int64) bool { return c.id > 0 && c.id <= most }

type value struct {
	null, text, blob bool
	number           int64
	bytes            []byte // of text and blob, for as long as the cell is looked at
}

// each gives every cell of every page that looks like a leaf of a table. What is broken is passed over.
func (p *pages) each(ctx context.Context, f func(cell) error) error {
	page := make([]byte, p.size)
	for n := int64(1); n <= p.count; n++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		head := int64(0)
		if n == 1 {
			head = 100
		}
		if !p.read(n, page) || page[head] != 0x0d {
			continue
		}
		for i := range big(page[head+3 : head+5]) {
			at := head + 8 + 2*i
			if at+2 > p.size {
				break
			}
			if c, ok := p.cell(page, big(page[at:at+2])); ok {
				if err := f(c); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// cell reads one cell of a leaf, with what of it overflows to further pages.
func (p *pages) cell(page []byte, at int64) (c cell, ok bool) {
	if at >= p.size {
		return c, false
	}
	length, rest, ok := bigVarint(page[at:])
	if !ok || length <= 0 || length > 1<<24 {
		return c, false
	}
	if c.id, rest, ok = bigVarint(rest); !ok {
		return c, false
	}
	most, local := p.size-35, length
	if length > most {
		least := (p.size-12)*32/255 - 23
		if local = least + (length-least)%(p.size-4); local > most {
			local = least
		}
	}
	if int64(len(rest)) < local {
		return c, false
	}
	body := append(make([]byte, 0, length), rest[:local]...)
	if length > local {
		if int64(len(rest)) < local+4 {
			return c, false
		}
		more := make([]byte, p.size)
		for next := big(rest[local : local+4]); int64(len(body)) < length; next = big(more[:4]) {
			if next < 1 || next > p.count || !p.read(next, more) {
				return c, false
			}
			body = append(body, more[4:4+min(p.size-4, length-int64(len(body)))]...)
		}
	}
	c.values, ok = columnsOf(body)
	return c, ok
}

// columnsOf splits a row into its columns. A row of ours has at most seven.
func columnsOf(body []byte) (out []value, ok bool) {
	length, rest, ok := bigVarint(body)
	if !ok || length < 1 || length > int64(len(body)) {
		return nil, false
	}
	types, data := rest[:length-int64(len(body)-len(rest))], body[length:]
	for len(types) > 0 && len(out) < 8 {
		var kind int64
		if kind, types, ok = bigVarint(types); !ok || kind < 0 {
			return nil, false
		}
		v := value{null: kind == 0, text: kind >= 13 && kind%2 == 1, blob: kind >= 12 && kind%2 == 0}
		n := [...]int64{0, 1, 2, 3, 4, 6, 8, 8, 0, 0, 0, 0}[min(kind, 11)]
		if kind >= 12 {
			n = (kind - 12) / 2
		}
		if n > int64(len(data)) {
			return nil, false
		}
		switch {
		case kind >= 12:
			v.bytes = data[:n]
		case kind == 9:
			v.number = 1
		case kind >= 1 && kind <= 6:
			if v.number = big(data[:n]); n < 8 && data[0] >= 0x80 {
				v.number -= 1 << (8 * n)
			}
		}
		out, data = append(out, v), data[n:]
	}
	return out, true
}

// bigVarint reads an integer of SQLite's: seven bits a byte, the highest first, nine bytes at most, the last with eight bits.
func bigVarint(b []byte) (v int64, rest []byte, ok bool) {
	for i := range min(len(b), 9) {
		if i == 8 {
			return v<<8 | int64(b[i]), b[9:], true
		}
		if v = v<<7 | int64(b[i]&0x7f); b[i] < 0x80 {
			return v, b[i+1:], true
		}
	}
	return 0, nil, false
}
