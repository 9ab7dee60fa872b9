package store

import (
	"encoding/binary"
	"errors"
	"hash/crc32"
	"math/bits"
	"slices"
)

// A column is a list of integers whose steps resemble each other: times at a steady pace, a temperature that creeps, a status that hardly
// ever changes. It is kept as its first value and its steps. Steps are divided by their greatest common divisor (a probe that resolves
// 1/16 K moves in whole sixteenths), the usual step is taken off, and what is left is packed into as few bits as most of them need; the few
// that need more have their high bits in a list behind. A column that never changes costs two bytes.
//
// All arithmetic wraps, so every int64 survives, whatever the distance to its neighbour.
//
//	tag     1 byte: 0x80 constant, 0x40 has exceptions, low 6 bits the width
//	first   varint
//	divisor uvarint, usual varint, packed (n-1)*width bits            unless constant
//	number of exceptions uvarint, then (gap uvarint, high uvarint)    where 0x40
const (
	tagConstant   = 0x80
	tagExceptions = 0x40
	maxWidth      = 56 // so that width and a started byte fit 64 bits
	maxSamples    = 1 << 22
)

var errDamaged = errors.New("store: packed data is damaged")

func zigzag(v int64) uint64   { return uint64(v)<<1 ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

func constant(v []int64) bool {
	for _, x := range v {
		if x != v[0] {
			return false
		}
	}
	return true
}

// appendColumn packs v behind dst. The number of values is kept by the caller.
func appendColumn(dst []byte, v []int64) []byte {
	if len(v) == 0 {
		return dst
	}
	if constant(v) {
		return binary.AppendVarint(append(dst, tagConstant), v[0])
	}
	rest, divisor, usual := steps(v)
	width := bestWidth(rest)
	tag := byte(width)
	var exceptions []byte
	var count uint64
	last := 0
	for i, r := range rest {
		if high := r >> width; high != 0 {
			exceptions = binary.AppendUvarint(exceptions, uint64(i-last))
			exceptions = binary.AppendUvarint(exceptions, high)
			last = i
			count++
		}
	}
	if count > 0 {
		tag |= tagExceptions
	}
	dst = binary.AppendVarint(append(dst, tag), v[0])
	dst = binary.AppendUvarint(dst, divisor)
	dst = binary.AppendVarint(dst, usual)
	dst = packBits(dst, rest, width)
	if count > 0 {
		dst = append(binary.AppendUvarint(dst, count), exceptions...)
	}
	return dst
}

// steps gives the differences of neighbours, divided by their common divisor, less the median one, folded to unsigned.
func steps(v []int64) (rest []uint64, divisor uint64, usual int64) {
	d := make([]int64, len(v)-1)
	for i := range d {
		d[i] = v[i+1] - v[i]
		if divisor != 1 {
			divisor = gcd(divisor, magnitude(d[i]))
		}
	}
	if divisor > 1 && divisor < 1<<63 {
		for i := range d {
			d[i] /= int64(divisor)
		}
	} else {
		divisor = 1
	}
	sorted := slices.Clone(d)
	slices.Sort(sorted)
	usual = sorted[len(sorted)/2]
	rest = make([]uint64, len(d))
	for i := range d {
		rest[i] = zigzag(d[i] - usual)
	}
	return rest, divisor, usual
}

func magnitude(v int64) uint64 {
	if v < 0 {
		return -uint64(v)
	}
	return uint64(v)
}

func gcd(a, b uint64) uint64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// bestWidth weighs bits for all against a list of the few that do not fit.
func bestWidth(rest []uint64) uint {
	var have [65]int64
	for _, r := range rest {
		have[bits.Len64(r)]++
	}
	best, bestBits := uint(0), int64(-1)
	for w := 0; w <= maxWidth; w++ {
		cost := int64(w) * int64(len(rest))
		for l := w + 1; l <= 64; l++ {
			cost += have[l] * int64(8+8*((l-w+6)/7))
		}
		if bestBits < 0 || cost < bestBits {
			best, bestBits = uint(w), cost
		}
	}
	return best
}

func packBits(dst []byte, rest []uint64, width uint) []byte {
	if width == 0 {
		return dst
	}
	var acc uint64
	var held uint
	mask := uint64(1)<<width - 1
	for _, r := range rest {
		acc |= (r & mask) << held
		held += width
		for held >= 8 {
			dst = append(dst, byte(acc))
			acc >>= 8
			held -= 8
		}
	}
	if held > 0 {
		dst = append(dst, byte(acc))
	}
	return dst
}

// column unpacks len(v) values into v and gives the bytes behind them.
func column(src []byte, v []int64) ([]byte, error) {
	if len(v) == 0 {
		return src, nil
	}
	if len(src) == 0 {
		return nil, errDamaged
	}
	tag := src[0]
	src = src[1:]
	first, src, ok := varint(src)
	if !ok {
		return nil, errDamaged
	}
	if tag&tagConstant != 0 {
		for i := range v {
			v[i] = first
		}
		return src, nil
	}
	divisor, src, ok1 := uvarint(src)
	usual, src, ok2 := varint(src)
	width := uint(tag & 0x3f)
	if !ok1 || !ok2 || width > maxWidth {
		return nil, errDamaged
	}
	src, ok = unpackBits(src, v[1:], width)
	if !ok {
		return nil, errDamaged
	}
	if tag&tagExceptions != 0 {
		if src, ok = addExceptions(src, v[1:], width); !ok {
			return nil, errDamaged
		}
	}
	v[0] = first
	for i := 1; i < len(v); i++ {
		v[i] = v[i-1] + (unzigzag(uint64(v[i]))+usual)*int64(divisor)
	}
	return src, nil
}

func unpackBits(src []byte, v []int64, width uint) ([]byte, bool) {
	need := (uint64(len(v))*uint64(width) + 7) / 8
	if uint64(len(src)) < need {
		return nil, false
	}
	if width == 0 {
		clear(v)
		return src, true
	}
	var acc uint64
	var held uint
	at := 0
	mask := uint64(1)<<width - 1
	for i := range v {
		for held < width {
			acc |= uint64(src[at]) << held
			at++
			held += 8
		}
		v[i] = int64(acc & mask)
		acc >>= width
		held -= width
	}
	return src[need:], true
}

func addExceptions(src []byte, v []int64, width uint) ([]byte, bool) {
	count, src, ok := uvarint(src)
	at := uint64(0)
	for ; ok && count > 0; count-- {
		var gap, high uint64
		if gap, src, ok = uvarint(src); !ok {
			return nil, false
		}
		if high, src, ok = uvarint(src); !ok {
			return nil, false
		}
		if at += gap; gap > uint64(len(v)) || at >= uint64(len(v)) {
			return nil, false
		}
		v[at] |= int64(high << width)
	}
	return src, ok
}

func varint(src []byte) (int64, []byte, bool) {
	v, n := binary.Varint(src)
	if n <= 0 {
		return 0, nil, false
	}
	return v, src[n:], true
}

func uvarint(src []byte) (uint64, []byte, bool) {
	v, n := binary.Uvarint(src)
	if n <= 0 {
		return 0, nil, false
	}
	return v, src[n:], true
}

// The file system below may be a worn card: SQLite does not notice a flipped bit inside a value, so every packed value carries its own sum.
const sumLen = 4

func castagnoli(b []byte) uint32 { return crc32.Checksum(b, crc32.MakeTable(crc32.Castagnoli)) }

func seal(b []byte) []byte { return binary.LittleEndian.AppendUint32(b, castagnoli(b)) }

// unseal checks kind and sum and gives the number of values with the columns behind it.
func unseal(b []byte, kind byte) (n int64, columns []byte, err error) {
	if len(b) < 2+sumLen || b[0] != kind {
		return 0, nil, errDamaged
	}
	body := b[:len(b)-sumLen]
	if castagnoli(body) != binary.LittleEndian.Uint32(b[len(body):]) {
		return 0, nil, errDamaged
	}
	count, columns, ok := uvarint(body[1:])
	if !ok || count > maxSamples {
		return 0, nil, errDamaged
	}
	return int64(count), columns, nil
}
