package main

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"github.com/spf13/cobra"

	"tackline/advisor/cure"
	"tackline/advisor/heat"
	"tackline/advisor/trace"
	"tackline/advisor/units/quantity"
	"tackline/daemon/config"
)

type markOut struct {
	Mark       string   `json:"mark"`
	AfterMin   *float64 `json:"after_min"`  // null: not reached, or a gap lies before it
	Conversion *float64 `json:"conversion"` // at that moment
	EarlyMin   *float64 `json:"early_min"`  // bounds that a gap leaves open; the same as after_min without one
	LateMin    *float64 `json:"late_min"`
}

type cureOut struct {
	System        string    `json:"system"`
	Source        string    `json:"source"`
	GelMin        *float64  `json:"gel_min"`
	Marks         []markOut `json:"marks"`
	Conversion24h *float64  `json:"conversion_24h"`
	Conversion7d  *float64  `json:"conversion_7d"`
	Tg7dC         *float64  `json:"tg_7d_c"`
	BelowLowest   bool      `json:"below_lowest"` // the film is below the system's lowest temperature before it is firm
	LowestC       float64   `json:"lowest_c"`
	FilmLowestC   *float64  `json:"film_lowest_c"` // the film's lowest before it is firm
	Stalled       bool      `json:"stalled"`       // at the end: hard by Tg and not cured, warmth restarts it
	GapMinutes    float64   `json:"gap_minutes"`   // without a temperature
	CantSay       string    `json:"cant_say"`      // "" or why times are null
	PotMin        *float64  `json:"pot_min"`       // what the model makes of the sheet's pot
	PotSheetMin   *float64  `json:"pot_sheet_min"`
}

// filmThickness is that of a rolled coat, m; it matters only for how fast a film takes on the surface's temperature.
const filmThickness = 0.3e-3

// watched is how long a coat is watched at a steady temperature, s.
const watched = 60 * 86400.0

func systemFlag(c *cobra.Command) *string {
	return c.Flags().String("system", "", "resin system: a shipped one (fast, medium, slow: invented) or the path of a TOML file")
}

// loadModel reads a system and makes its model. A file with mistakes is a matter of its config.
func loadModel(name string) (cure.Model, error) {
	if name == "" {
		return cure.Model{}, usagef("missing: --system medium, or the path of your system's TOML file")
	}
	s, err := config.LoadSystem(name)
	if err != nil {
		var es config.Errors
		if !errors.As(err, &es) {
			err = usagef("--system: %s", strings.TrimPrefix(err.Error(), "config: "))
		}
		return cure.Model{}, err
	}
	return cure.New(s)
}

func newCureCmd(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "cure --system S (--air 12 | --trace FILE.csv)",
		Short: "When a thin coat is tacky, when it closes, when it is firm and can be sanded",
		Long: "Times of a thin coat along a steady temperature or a trace. The temperature is that of the surface: where a trace has surface_c it is\n" +
			"used, else air_c stands for it. Marks, with the nearest term of ASTM D1640 where there is one:\n" +
			"  tack_opens     grabs and leaves the glove clean (set-to-touch)\n" +
			"  tack_closes    fabric and the next coat no longer sink in\n" +
			"  recoat_closes  the next coat no longer bonds without washing and abrading\n" +
			"  firm           a thumbnail leaves no dent (dry-hard)\n" +
			"  sandable       sands to dust\n" +
			"They rest on the system's own numbers. The maker's sheet, and your own touch on the coat, win over them. Wear gloves; the dust of\n" +
			"half-cured resin sensitises.",
		Example: "  tackline cure --system medium --air 12\n  tackline cure --system mine.toml --trace shed.csv --columns air_c=north_outside_c --zone +01:00",
		Args:    cobra.NoArgs,
	}
	system := systemFlag(c)
	airT := quantityFlag(c, "air", quantity.Temperature(), -20, 60, "steady temperature of air and surface")
	resin := quantityFlag(c, "resin", quantity.Temperature(), 0, 60, "temperature of the resin when it is spread (default the surface's)")
	tf := addTraceFlags(c, e)
	show := outputFlags(c)
	c.RunE = func(*cobra.Command, []string) error {
		if airT.set == (tf.file != "") {
			return usagef("want one of --air 12C (%s..%s C) and --trace FILE.csv", quantity.Number(airT.lo), quantity.Number(airT.hi))
		}
		if err := tf.onlyWithTrace(); err != nil {
			return err
		}
		m, err := loadModel(*system)
		if err != nil {
			return err
		}
		film, remark, err := filmOf(airT, tf)
		if err != nil {
			return err
		}
		start, _ := film.First()
		if film, err = warmed(m, film, resin.ptr()); err != nil {
			return err
		}
		out, err := calcCure(m, film, start, airT.set)
		if err != nil {
			return err
		}
		if show.asJSON {
			return printJSON(e.out, out)
		}
		printCure(e, *show, out, remark)
		return nil
	}
	return c
}

// filmOf gives the temperature that the coat lies on: steady, or a trace from its first row.
func filmOf(airT *value, tf *traceFlags) (film trace.Trace, remark string, err error) {
	if airT.set {
		film, err = trace.New([]float64{0, watched}, []float64{airT.v, airT.v}, 0)
		return film, "", err
	}
	table, err := tf.read()
	if err != nil {
		return film, "", err
	}
	film, from, err := tf.column(table, "surface_c", "air_c")
	switch {
	case err != nil:
		return film, "", err
	case film.Len() < 2:
		return film, "", fmt.Errorf("--trace %s: has one row only; want two or more", tf.file)
	case from["surface_c"] == 0:
		remark = "The temperature of the air stands for the surface, which lags behind it."
	case from["air_c"] > 0:
		remark = fmt.Sprintf("The surface's temperature is missing in %d of %d rows; the air's stands for it there.", from["air_c"], film.Len())
	}
	return film, remark, nil
}

// warmed lets a film start at the temperature of its resin and follow the surface from there, as fast as a film of 0.3 mm gives its heat to
// the air. Timber under it takes the heat faster still, so this is the longest that the resin's own temperature can count.
func warmed(m cure.Model, film trace.Trace, resin *float64) (trace.Trace, error) {
	if resin == nil {
		return film, nil
	}
	p := heat.Panel{Layers: []heat.Layer{{Thickness: filmThickness, Conductivity: 0.2, Density: m.System().DensityKgM3,
		HeatCapacity: 1000 * m.Kinetics().CpJGK}}, Front: heat.FaceTowards(heat.Up)}
	if err := p.Check(); err != nil {
		return film, err
	}
	lag := float64(p.Lag())
	start, _ := film.First()
	first, _ := film.Value(start)
	out := trace.Trace{MaxGap: film.MaxGap}
	for k := 0.0; k < 6; k += 0.25 {
		v, ok := film.Value(start + k*lag)
		if !ok {
			break
		}
		out.At, out.V = append(out.At, start+k*lag), append(out.V, v+(*resin-first)*math.Exp(-k))
	}
	return out.Concat(film), nil
}

func calcCure(m cure.Model, film trace.Trace, start float64, steady bool) (cureOut, error) {
	end, _, _ := film.Last()
	course, err := m.Course(film, start, end)
	if err != nil {
		return cureOut{}, err
	}
	sys := m.System()
	out := cureOut{System: sys.Name, Source: sys.Source, LowestC: sys.LowestC, GapMinutes: course.GapMinutes()}
	blind := math.Inf(1) // from here on a gap leaves it open
	if gaps := course.Gaps(); len(gaps) > 0 {
		blind = gaps[0].From
		out.CantSay = fmt.Sprintf("no temperature for %.0f min from %.0f min after the start", gaps[0].Len()/60, (blind-start)/60)
	}
	gel, ok := course.GelAt()
	out.GelMin = when((gel-start)/60, ok && gel <= blind)
	firm := end
	for _, mark := range cure.AllMarks() {
		at, ok := course.MarkAt(mark)
		early, late, earlyOK, lateOK := course.MarkBetween(mark)
		o := markOut{Mark: mark.String(), EarlyMin: when((early-start)/60, earlyOK), LateMin: when((late-start)/60, lateOK)}
		if ok && at <= blind {
			a, _ := course.ConversionAt(at)
			o.AfterMin, o.Conversion = known((at-start)/60), known(a)
		}
		if ok && mark == cure.Firm {
			firm = at
		}
		out.Marks = append(out.Marks, o)
	}
	at := func(seconds float64, f func(float64) (float64, bool)) *float64 {
		v, ok := f(start + seconds)
		return when(v, ok && start+seconds <= blind)
	}
	out.Conversion24h, out.Conversion7d, out.Tg7dC = at(86400, course.ConversionAt), at(7*86400, course.ConversionAt), at(7*86400, course.TgAt)
	if low, ok := lowest(film, start, firm); ok {
		out.FilmLowestC, out.BelowLowest = &low, low < sys.LowestC
	}
	if steady {
		end = start + 7*86400
	}
	out.Stalled = course.Stalled(math.Min(end, course.End())) && end <= blind
	if p, ok := m.PotMinutes(); ok {
		out.PotMin, out.PotSheetMin = &p, &sys.Pot.Minutes
	}
	return out, nil
}

// lowest gives the lowest temperature between two times.
func lowest(film trace.Trace, from, to float64) (low float64, ok bool) {
	s := film.Slice(from, to)
	low = math.Inf(1)
	for _, v := range s.V {
		low = math.Min(low, v)
	}
	if v, inside := film.Value(to); inside {
		low = math.Min(low, v)
	}
	return low, !math.IsInf(low, 0)
}

func printCure(e env, s shown, out cureOut, remark string) {
	table := [][]string{{"mark", "after", "conversion"}}
	for _, m := range out.Marks {
		table = append(table, []string{m.Mark, s.mark(m, out.CantSay != ""), num(m.Conversion, 2, "")})
	}
	fmt.Fprintf(e.out, "%s\nsource: %s\n", out.System, out.Source)
	rows(e.out, table)
	rows(e.out, [][]string{
		{"gel", s.after(out.GelMin, out.CantSay)},
		{"conversion after 24 h", num(out.Conversion24h, 2, "")},
		{"conversion after 7 days", num(out.Conversion7d, 2, "")},
		{"Tg after 7 days", s.temp(out.Tg7dC)},
	})
	if out.PotMin != nil && math.Abs(*out.PotMin-*out.PotSheetMin) > 0.02**out.PotSheetMin {
		fmt.Fprintf(e.out, "The sheet's pot life is %s; these kinetics make it %s.\n", s.minutes(out.PotSheetMin), s.minutes(out.PotMin))
	}
	if remark != "" {
		fmt.Fprintln(e.out, remark)
	}
	if out.CantSay != "" {
		fmt.Fprintf(e.out, "Can't say what comes after a gap: %s.\n", out.CantSay)
	}
	if out.BelowLowest {
		fmt.Fprintf(e.out, "The film is at %s before it is firm, below the system's lowest of %s: these times are not to be relied on, and the coat may blush.\n",
			s.temp(out.FilmLowestC), s.temp(&out.LowestC))
	}
	if out.Stalled {
		fmt.Fprintln(e.out, "It ends hard and not cured: it feels firm because it is cold. Warmth restarts it; do not sand it yet.")
	}
}

// mark writes a mark's time; after a gap the bounds that are left.
func (s shown) mark(m markOut, gap bool) string {
	switch {
	case m.AfterMin != nil || !gap:
		return s.minutes(m.AfterMin)
	case m.EarlyMin == nil:
		return "can't say"
	}
	late := "later"
	if m.LateMin != nil {
		late = s.minutes(m.LateMin)
	}
	return fmt.Sprintf("can't say: %s to %s", s.minutes(m.EarlyMin), late)
}

func (s shown) after(min *float64, cantSay string) string {
	if min == nil && cantSay != "" {
		return "can't say"
	}
	return s.minutes(min)
}
