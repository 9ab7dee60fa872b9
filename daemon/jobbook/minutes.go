package jobbook

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
)

// Columns of a minute trace. Others may be added; a reader shows those it knows.
const (
	ColAirC        = "air_c"
	ColAirU        = "air_u_k"
	ColRHPct       = "rh_pct"
	ColRHU         = "rh_u_pct"
	ColSurfaceC    = "surface_c"
	ColSurfaceU    = "surface_u_k"
	ColTimberC     = "timber_c"
	ColPressureHPa = "pressure_hpa"
	ColDewPointC   = "dew_point_c"
	ColMarginK     = "margin_k"
	ColMarginU     = "margin_u_k"
	ColSurfaceRH   = "surface_rh_pct"
	ColMoisture    = "moisture_pct"
	ColOutdoorC    = "outdoor_c"
	ColConversion  = "conversion"
)

// minuteScale: values are kept in thousandths of the column's unit, finer than any probe here resolves.
const minuteScale = 1000

// Bounds of a minute trace: two years, 64 columns, values whose thousandths fit 2^53.
const (
	mostMinutes = 2 * 366 * 1440
	mostColumns = 64
	mostValue   = 9e12
)

const minuteMagic = "tackline minutes 1\n"

// Column is one quantity, a value for each minute; nil where there is none.
type Column struct {
	Name   string     `json:"name"` // with the unit: one of the Col constants
	Values []*float64 `json:"values"`
}

// MinuteTrace is the conditions of a coat minute by minute: value i of each column holds for [From + i min, From + (i+1) min).
type MinuteTrace struct {
	From    int64    `json:"from_ms"` // Unix ms of the first minute
	Columns []Column `json:"columns"`
}

// Minutes gives the number of minutes.
func (t MinuteTrace) Minutes() int64 {
	if len(t.Columns) == 0 {
		return 0
	}
	return int64(len(t.Columns[0].Values))
}

// Column gives a column by its name.
func (t MinuteTrace) Column(name string) ([]*float64, bool) {
	for _, c := range t.Columns {
		if c.Name == name {
			return c.Values, true
		}
	}
	return nil, false
}

// Round gives the trace as Decode will give it back: values to the nearest thousandth. Advice that is to be recomputed from the record to
// the same bytes must be computed from this.
func (t MinuteTrace) Round() MinuteTrace {
	out := MinuteTrace{From: t.From}
	for _, c := range t.Columns {
		v := make([]*float64, len(c.Values))
		for i, p := range c.Values {
			if p != nil {
				x := float64(int64(math.Round(*p*minuteScale))) / minuteScale
				v[i] = &x
			}
		}
		out.Columns = append(out.Columns, Column{Name: c.Name, Values: v})
	}
	return out
}

// Encode packs the trace. After a line that names the form follow, deflated (RFC 1951): From as varint, the numbers of minutes and columns
// as uvarints; then for each column the length of its name as uvarint and the name, one bit for each minute (lowest first, 1 where there is
// a value), and the differences of the present values in thousandths as varints, the first from 0. Varints are those of encoding/binary.
func (t MinuteTrace) Encode() ([]byte, error) {
	if err := t.check(); err != nil {
		return nil, err
	}
	n := t.Minutes()
	b := binary.AppendVarint(nil, t.From)
	b = binary.AppendUvarint(b, uint64(n))
	b = binary.AppendUvarint(b, uint64(len(t.Columns)))
	for _, c := range t.Columns {
		b = binary.AppendUvarint(b, uint64(len(c.Name)))
		b = append(b, c.Name...)
		present := make([]byte, (n+7)/8)
		var deltas []byte
		last := int64(0)
		for i, p := range c.Values {
			if p == nil {
				continue
			}
			present[i/8] |= 1 << (i % 8)
			v := int64(math.Round(*p * minuteScale))
			deltas = binary.AppendVarint(deltas, v-last)
			last = v
		}
		b = append(append(b, present...), deltas...)
	}
	packed, err := deflate(b)
	if err != nil {
		return nil, err
	}
	return append([]byte(minuteMagic), packed...), nil
}

func (t MinuteTrace) check() error {
	n := t.Minutes()
	if n > mostMinutes || len(t.Columns) > mostColumns {
		return fmt.Errorf("jobbook: minute trace of %d minutes and %d columns: at most %d and %d", n, len(t.Columns), mostMinutes, mostColumns)
	}
	seen := map[string]bool{}
	for _, c := range t.Columns {
		if c.Name == "" || len(c.Name) > 64 || seen[c.Name] {
			return fmt.Errorf("jobbook: minute trace: column name %q is empty, too long or there twice", c.Name)
		}
		seen[c.Name] = true
		if int64(len(c.Values)) != n {
			return fmt.Errorf("jobbook: minute trace: column %s has %d minutes, the first has %d", c.Name, len(c.Values), n)
		}
		for i, p := range c.Values {
			if p != nil && !(math.Abs(*p) <= mostValue) {
				return fmt.Errorf("jobbook: minute trace: column %s, minute %d: %g is no value", c.Name, i, *p)
			}
		}
	}
	return nil
}

// DecodeMinutes is the inverse of Encode. The error says that the bytes are damaged or of another form.
func DecodeMinutes(b []byte) (MinuteTrace, error) {
	if !bytes.HasPrefix(b, []byte(minuteMagic)) {
		return MinuteTrace{}, fmt.Errorf("jobbook: this is no minute trace")
	}
	plain, err := inflate(b[len(minuteMagic):], mostUnpacked)
	if err != nil {
		return MinuteTrace{}, err
	}
	r := &cut{b: plain}
	t := MinuteTrace{From: r.varint()}
	n, columns := int64(r.uvarint(mostMinutes)), r.uvarint(mostColumns)
	for k := uint64(0); k < columns && !r.bad; k++ {
		c := Column{Name: string(r.take(int64(r.uvarint(64)))), Values: make([]*float64, n)}
		present := r.take((n + 7) / 8)
		last := int64(0)
		for i := int64(0); i < n && !r.bad; i++ {
			if present[i/8]&(1<<(i%8)) == 0 {
				continue
			}
			last += r.varint()
			v := float64(last) / minuteScale
			c.Values[i] = &v
		}
		t.Columns = append(t.Columns, c)
	}
	if r.bad || len(r.b) != 0 {
		return MinuteTrace{}, fmt.Errorf("jobbook: the minute trace is damaged")
	}
	if err := t.check(); err != nil {
		return MinuteTrace{}, err
	}
	return t, nil
}

// cut takes pieces off the front of its bytes and remembers when there were too few.
type cut struct {
	b   []byte
	bad bool
}

func (r *cut) varint() int64 {
	v, n := binary.Varint(r.b)
	if n <= 0 {
		r.bad = true
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *cut) uvarint(most uint64) uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 || v > most {
		r.bad = true
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *cut) take(n int64) []byte {
	if n < 0 || n > int64(len(r.b)) {
		r.bad = true
		return make([]byte, max(n, 0))
	}
	out := r.b[:n]
	r.b = r.b[n:]
	return out
}
