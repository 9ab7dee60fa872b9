package pack

import (
	"encoding/json"
	"fmt"
	"math"

	"tackline/advisor/cure"
	"tackline/advisor/trace"
	"tackline/daemon/jobbook"
	"tackline/dashboard/record"
)

// Computed is what follows of a coat from its frozen trace and its system alone. nil is not known.
type Computed struct {
	Coat       int64    `json:"coat"`
	Why        string   `json:"why,omitempty"` // nothing could be worked out
	Conversion *float64 `json:"conversion"`    // at the end of the trace, 0..1
	TgC        *float64 `json:"tg_c"`          // C
	GelMin     *float64 `json:"gel_min"`       // min after the first wetting
	Marks      []MarkAt `json:"marks"`
	Hard       bool     `json:"hard"`    // Tg above the film's temperature at the end
	Stalled    bool     `json:"stalled"` // hard, and the sheet's conversion for sanding is not reached
	Limits     []Kept   `json:"limits"`
}

// Kept is for how long a limit was kept from the first wetting to the end, in minutes. Worst is the value furthest to the wrong side; nil where
// nothing was measured.
type Kept struct {
	Quantity   string   `json:"quantity"`
	AtLeast    bool     `json:"at_least"` // else at most
	Value      float64  `json:"value"`
	WithinMin  float64  `json:"within_min"`
	OutsideMin float64  `json:"outside_min"`
	UnknownMin float64  `json:"unknown_min"`
	Worst      *float64 `json:"worst"`
}

// MarkAt is when the film passed a mark by its sheet; nil where it did not within the trace.
type MarkAt struct {
	Mark     string   `json:"mark"`
	AfterMin *float64 `json:"after_min"`
}

// compute works a coat out from its trace.
func compute(c record.Coat, frozen jobbook.MinuteTrace, system []byte) Computed {
	out := Computed{Coat: c.ID, Marks: []MarkAt{}, Limits: []Kept{}}
	for _, l := range c.Limits {
		for _, ch := range c.Channels {
			if ch.Quantity == l.Quantity {
				k := record.Keep(ch, l, c.Started, c.Ended)
				one := Kept{Quantity: l.Quantity, AtLeast: l.Above, Value: l.Value, WithinMin: k.Within, OutsideMin: k.Outside, UnknownMin: k.Unknown}
				if k.Known {
					one.Worst = &k.Worst
				}
				out.Limits = append(out.Limits, one)
			}
		}
	}
	course, model, err := courseOf(c, frozen, system)
	if err != nil {
		out.Why = err.Error()
		return out
	}
	start, last := float64(c.Started.UnixMilli())/1000, course.End()
	known := func(v float64, ok bool) *float64 {
		if !ok || math.IsNaN(v) {
			return nil
		}
		return &v
	}
	after := func(at float64, ok bool) *float64 { return known((at-start)/60, ok) }
	out.Conversion = known(course.ConversionAt(last))
	out.TgC = known(course.TgAt(last))
	out.GelMin = after(course.GelAt())
	for _, m := range cure.AllMarks() {
		out.Marks = append(out.Marks, MarkAt{Mark: m.String(), AfterMin: after(course.MarkAt(m))})
	}
	if film, ok := course.FilmAt(last); ok && out.TgC != nil && out.Conversion != nil {
		out.Hard = *out.TgC > film
		out.Stalled = out.Hard && *out.Conversion < 0.9*model.MarkConversion(cure.Sandable)
	}
	return out
}

func courseOf(c record.Coat, frozen jobbook.MinuteTrace, system []byte) (cure.Course, cure.Model, error) {
	var sys cure.System
	if err := json.Unmarshal(system, &sys); err != nil {
		return cure.Course{}, cure.Model{}, fmt.Errorf("its system cannot be read: %w", err)
	}
	model, err := cure.New(sys)
	if err != nil {
		return cure.Course{}, cure.Model{}, err
	}
	film := trace.Trace{MaxGap: 2 * 3600}
	values, _ := frozen.Column(jobbook.ColSurfaceC)
	for i, v := range values {
		if v != nil {
			film.At, film.V = append(film.At, float64(frozen.From+int64(i)*60_000)/1000+30), append(film.V, *v)
		}
	}
	if film.Len() == 0 {
		return cure.Course{}, model, fmt.Errorf("no temperature of its surface was kept")
	}
	last := math.Min(float64(c.Ended.UnixMilli())/1000, film.At[film.Len()-1]) // no further than its temperature is known
	course, err := model.Course(film, float64(c.Started.UnixMilli())/1000, last)
	return course, model, err
}
