package store

import (
	"encoding/binary"
	"slices"
)

// sample is a Row inside the store: names are numbers of the registry, values are scaled integers.
type sample struct {
	at       int64 // ms UTC
	raw, val int64 // scaled by scaleOf the channel's quantity
	seq      int64 // commit that wrote it; above Store.committed: not yet on disk. Not kept in packed data.
	channel  int32
	stretch  int32
	place    int32
	status   uint8
}

// The kinds of packed data, the first byte of each. The digit is the version of the layout.
const (
	kindHot    = 0x11 // one commit: samples of all channels
	kindBlock  = 0x21 // one hour of one channel
	kindMinute = 0x31 // the minutes of one hour of one channel

	kindQuarter = 0x41 // the quarters of one day of one channel
	kindWatch   = 0x51 // the watches of one fortnight of one channel
)

func packHot(all []sample) []byte   { return packSamples(kindHot, all) }
func packBlock(all []sample) []byte { return packSamples(kindBlock, all) }

var sampleColumns = []struct {
	get func(*sample) int64
	set func(*sample, int64)
}{
	{func(s *sample) int64 { return int64(s.channel) }, func(s *sample, v int64) { s.channel = int32(v) }},
	{func(s *sample) int64 { return s.at }, func(s *sample, v int64) { s.at = v }},
	{func(s *sample) int64 { return s.raw }, func(s *sample, v int64) { s.raw = v }},
	{func(s *sample) int64 { return s.val - s.raw }, func(s *sample, v int64) { s.val = s.raw + v }},
	{func(s *sample) int64 { return int64(s.status) }, func(s *sample, v int64) { s.status = uint8(v) }},
	{func(s *sample) int64 { return int64(s.stretch) }, func(s *sample, v int64) { s.stretch = int32(v) }},
	{func(s *sample) int64 { return int64(s.place) }, func(s *sample, v int64) { s.place = int32(v) }},
}

func packSamples(kind byte, all []sample) []byte {
	b := binary.AppendUvarint([]byte{kind}, uint64(len(all)))
	column := make([]int64, len(all))
	for c := range sampleColumns {
		for i := range all {
			column[i] = sampleColumns[c].get(&all[i])
		}
		b = appendColumn(b, column)
	}
	return seal(b)
}

func unpackHot(b []byte, seq int64) ([]sample, error)   { return unpackSamples(b, kindHot, seq) }
func unpackBlock(b []byte, seq int64) ([]sample, error) { return unpackSamples(b, kindBlock, seq) }

func unpackSamples(b []byte, kind byte, seq int64) ([]sample, error) {
	n, rest, err := unseal(b, kind)
	if err != nil {
		return nil, err
	}
	all := make([]sample, n)
	values := make([]int64, n)
	for c := range sampleColumns {
		if rest, err = column(rest, values); err != nil {
			return nil, err
		}
		for i := range all {
			sampleColumns[c].set(&all[i], values[i])
		}
	}
	for i := range all {
		all[i].seq = seq
	}
	return all, nil
}

// tally is a roll-up of one channel over one stretch of time: usable readings only, the others are counted and nothing else.
type tally struct {
	start          int64 // number of the unit: ms UTC divided by its length
	n              int64
	low, high, sum int64
	excluded       int64
}

func (t *tally) add(s *sample) {
	if !usable(s.status) {
		t.excluded++
		return
	}
	if t.n == 0 || s.val < t.low {
		t.low = s.val
	}
	if t.n == 0 || s.val > t.high {
		t.high = s.val
	}
	t.n++
	t.sum += s.val
}

func (t *tally) merge(o tally) {
	t.excluded += o.excluded
	if o.n == 0 {
		return
	}
	if t.n == 0 || o.low < t.low {
		t.low = o.low
	}
	if t.n == 0 || o.high > t.high {
		t.high = o.high
	}
	t.n += o.n
	t.sum += o.sum
}

// tallySamples rolls samples in order of time up into units of the given length in ms.
func tallySamples(all []sample, unit int64) []tally {
	var out []tally
	for i := range all {
		start := floorDiv(all[i].at, unit)
		if len(out) == 0 || out[len(out)-1].start != start {
			out = append(out, tally{start: start})
		}
		out[len(out)-1].add(&all[i])
	}
	return out
}

// tallyTallies rolls finer units in order of time up into coarser ones, ratio finer units each.
func tallyTallies(fine []tally, ratio int64) []tally {
	out := make([]tally, 0, int64(len(fine))/ratio+2)
	for _, f := range fine {
		start := floorDiv(f.start, ratio)
		if len(out) == 0 || out[len(out)-1].start != start {
			out = append(out, tally{start: start})
		}
		out[len(out)-1].merge(f)
	}
	return out
}

// The sum is kept as what it exceeds n times the low by, and the high likewise: small numbers, and none at all for one reading a minute.
var tallyColumns = []struct {
	get func(*tally) int64
	set func(*tally, int64)
}{
	{func(t *tally) int64 { return t.start }, func(t *tally, v int64) { t.start = v }},
	{func(t *tally) int64 { return t.n }, func(t *tally, v int64) { t.n = v }},
	{func(t *tally) int64 { return t.low }, func(t *tally, v int64) { t.low = v }},
	{func(t *tally) int64 { return t.high - t.low }, func(t *tally, v int64) { t.high = t.low + v }},
	{func(t *tally) int64 { return t.sum - t.n*t.low }, func(t *tally, v int64) { t.sum = t.n*t.low + v }},
	{func(t *tally) int64 { return t.excluded }, func(t *tally, v int64) { t.excluded = v }},
}

func packTallies(kind byte, all []tally) []byte {
	b := binary.AppendUvarint([]byte{kind}, uint64(len(all)))
	column := make([]int64, len(all))
	for c := range tallyColumns {
		for i := range all {
			column[i] = tallyColumns[c].get(&all[i])
		}
		b = appendColumn(b, column)
	}
	return seal(b)
}

func unpackTallies(b []byte, kind byte) ([]tally, error) { return appendTallies([]tally{}, b, kind) }

// appendTallies unpacks behind all; where b is damaged it gives all as it was.
func appendTallies(all []tally, b []byte, kind byte) ([]tally, error) {
	n, rest, err := unseal(b, kind)
	if err != nil {
		return all, err
	}
	var few [dayMs / quarterMs]int64
	values := few[:]
	if n > int64(len(few)) {
		values = make([]int64, n)
	}
	more := slices.Grow(all, int(n))[:len(all)+int(n)]
	fresh := more[len(all):]
	for c := range tallyColumns {
		if rest, err = column(rest, values[:n]); err != nil {
			return all, err
		}
		for i := range fresh {
			tallyColumns[c].set(&fresh[i], values[i])
		}
	}
	return more, nil
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return q
}

// sortSamples orders by channel, time and arrival.
func sortSamples(all []sample) {
	slices.SortStableFunc(all, func(a, b sample) int {
		switch {
		case a.channel != b.channel:
			return int(a.channel) - int(b.channel)
		case a.at < b.at:
			return -1
		case a.at > b.at:
			return 1
		}
		return 0
	})
}
