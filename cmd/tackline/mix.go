package main

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"tackline/advisor"
	"tackline/advisor/batch"
	"tackline/advisor/cure"
	"tackline/advisor/units/quantity"
)

type mixOut struct {
	System          string   `json:"system"`
	Source          string   `json:"source"`
	AreaM2          float64  `json:"area_m2"`
	FabricGM2       *float64 `json:"fabric_g_m2"`
	Layers          *int64   `json:"layers"`
	Coats           int64    `json:"coats"`
	GM2             float64  `json:"g_m2"` // on the work, without waste
	MixedG          float64  `json:"mixed_g"`
	ResinG          float64  `json:"resin_g"`
	HardenerG       float64  `json:"hardener_g"`
	ResinML         float64  `json:"resin_ml"`
	HardenerML      float64  `json:"hardener_ml"`
	StrokesResin    *int64   `json:"strokes_resin"` // null where the pumps do not give the ratio
	StrokesHardener *int64   `json:"strokes_hardener"`
	StrokesWhy      string   `json:"strokes_why"`
	Batches         int64    `json:"batches"`
	BatchG          float64  `json:"batch_g"`
	FillerML        float64  `json:"filler_ml"`
	Consistency     string   `json:"consistency"` // pours, sags, stands
}

func newMixCmd(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "mix --system S --area 6 [--fabric 200 --layers 2] [--coats 1] [--filler 2]",
		Short: "How much to mix for an area, by weight, by volume and in strokes",
		Long: "Mixed resin for coats on bare timber, or for wetting out fabric, with the system's own coverage and waste, and how to part it into batches no\n" +
			"larger than the sheet's pot. Weigh grams by the ratio by weight, measure millilitres by the ratio by volume: never one by the other.\n" +
			"--fabric is a weight in g/m2; with oz it is ounces per square yard. --filler is volumes of filler to one volume of mixed epoxy.",
		Example: "  tackline mix --system medium --area 6 --fabric 200 --layers 2\n  tackline mix --system medium --area 65ft2 --fabric 6oz\n  tackline mix --system medium --area 0.5 --kind glue --thickness 1 --filler 2",
		Args:    cobra.NoArgs,
	}
	system := systemFlag(c)
	f := map[string]*value{
		"area":      quantityFlag(c, "area", quantity.Area(), 0.001, 10000, "area to coat"),
		"fabric":    quantityFlag(c, "fabric", quantity.ArealMass(), 1, 5000, "weight of one layer of fabric"),
		"filler":    quantityDefault(c, "filler", quantity.Ratio(), 0, 0, 10, "volumes of filler to one of mixed epoxy"),
		"thickness": quantityFlag(c, "thickness", quantity.Length(), 0.01, 100, "of fairing or glue, in place of a coverage"),
		"batch":     quantityFlag(c, "batch", quantity.Mass(), batch.LeastG, batch.MostG, "largest batch (default the mass of the sheet's pot)"),
	}
	layers, coats := countFlag(c, "layers", 1, 100, "of fabric"), countFlag(c, "coats", 1, 100, "number of coats")
	kind := c.Flags().String("kind", "", "seal, bedding, wet-out, fill, fairing, glue or finish (default wet-out with fabric, else seal)")
	show := outputFlags(c)
	c.RunE = func(*cobra.Command, []string) error {
		if err := need(f, "area"); err != nil {
			return err
		}
		if layers.set && !f["fabric"].set {
			return usagef("--layers goes with --fabric 200 (g/m2) or --fabric 6oz")
		}
		if err := checkKind(*kind, f); err != nil {
			return err
		}
		m, err := loadModel(*system)
		if err != nil {
			return err
		}
		out, err := calcMix(m.System(), *kind, f, layers.n, coats.n)
		if err != nil {
			return err
		}
		if show.asJSON {
			return printJSON(e.out, out)
		}
		printMix(e, *show, out, f)
		return nil
	}
	return c
}

// checkKind refuses a kind of coat that is unknown or lacks what it needs.
func checkKind(kind string, f map[string]*value) error {
	var names []string
	for _, k := range advisor.Kinds() {
		names = append(names, string(k))
		if string(k) == kind {
			kind = ""
			switch {
			case k == advisor.WetOut && !f["fabric"].set:
				return usagef("--kind wet-out needs --fabric 200 (g/m2) or --fabric 6oz")
			case (k == advisor.Fairing || k == advisor.Glue) && !f["thickness"].set:
				return usagef("--kind %s needs --thickness 1mm", k)
			}
		}
	}
	if kind != "" {
		return usagef("--kind: %q is unknown; want %s", kind, strings.Join(names, ", "))
	}
	return nil
}

func calcMix(s cure.System, kind string, f map[string]*value, layers, coats int64) (mixOut, error) {
	n := batch.Need{Kind: kind, AreaM2: f["area"].v, FabricGM2: f["fabric"].v, Layers: layers, Coats: coats, FillerVolumes: f["filler"].v,
		ThicknessMM: f["thickness"].v, BatchG: f["batch"].v}
	mix, err := batch.ForCoat(s, n)
	if err != nil {
		return mixOut{}, err
	}
	out := mixOut{System: s.Name, Source: s.Source, AreaM2: n.AreaM2, FabricGM2: f["fabric"].ptr(), Coats: coats, GM2: mix.GM2, MixedG: mix.MixedG,
		ResinG: mix.ResinG, HardenerG: mix.HardenerG, ResinML: mix.ResinML, HardenerML: mix.HardenerML, StrokesWhy: mix.StrokesWhy,
		Batches: mix.Batches, BatchG: mix.BatchG, FillerML: mix.FillerML, Consistency: string(mix.Consistency)}
	if out.FabricGM2 != nil {
		out.Layers = &layers
	}
	if mix.Strokes != nil {
		out.StrokesResin, out.StrokesHardener = &mix.Strokes.Resin, &mix.Strokes.Hardener
	}
	return out, nil
}

func printMix(e env, s shown, out mixOut, f map[string]*value) {
	work := s.area(out.AreaM2)
	if out.FabricGM2 != nil {
		work += fmt.Sprintf(", %d x fabric of %s", *out.Layers, echo(f["fabric"], *out.FabricGM2, "g/m2"))
	}
	if out.Coats > 1 {
		work += fmt.Sprintf(", %d coats", out.Coats)
	}
	fmt.Fprintf(e.out, "%s\nsource: %s\n", out.System, out.Source)
	table := [][]string{
		{"work", work},
		{"stays on the work", num(&out.GM2, 0, "g/m2")},
		{"mix, waste included", s.mass(&out.MixedG)},
		{"by weight", fmt.Sprintf("resin %s, hardener %s", s.mass(&out.ResinG), s.mass(&out.HardenerG))},
		{"by volume", fmt.Sprintf("resin %s, hardener %s", num(&out.ResinML, 0, "ml"), num(&out.HardenerML, 0, "ml"))},
	}
	if out.StrokesResin != nil {
		table = append(table, []string{"by pump", fmt.Sprintf("resin %d strokes, hardener %d strokes", *out.StrokesResin, *out.StrokesHardener)})
	} else {
		table = append(table, []string{"by pump", out.StrokesWhy})
	}
	table = append(table, []string{"batches", fmt.Sprintf("%d of %s", out.Batches, s.mass(&out.BatchG))})
	if out.FillerML > 0 {
		table = append(table, []string{"filler", fmt.Sprintf("%s in all: a mix that %s", num(&out.FillerML, 0, "ml"), out.Consistency)})
	}
	rows(e.out, table)
	fmt.Fprintln(e.out, "Stir two minutes, scraping walls and floor. Gloves and eye protection; a dust mask for filler. The maker's sheet wins.")
}

// echo writes a value in our unit, with what was typed beside it where that was another unit.
func echo(v *value, x float64, unit string) string {
	t := fmt.Sprintf("%.0f %s", x, unit)
	if _, err := strconv.ParseFloat(v.typed, 64); err != nil && !strings.Contains(v.typed, "g") {
		return fmt.Sprintf("%s (%s)", t, v.typed)
	}
	return t
}

// area writes an area.
func (s shown) area(m2 float64) string {
	if s.us {
		return fmt.Sprintf("%.0f ft2 (%.2f m2)", m2/(0.3048*0.3048), m2)
	}
	return fmt.Sprintf("%.3g m2", m2)
}

// count is a flag that is a whole number in a range.
type count struct {
	n, lo, hi int64
	set       bool
}

func countFlag(c *cobra.Command, name string, lo, hi int64, about string) *count {
	v := &count{n: lo, lo: lo, hi: hi}
	c.Flags().Var(v, name, fmt.Sprintf("%s, %d..%d", about, lo, hi))
	return v
}

// Set reads the number.
func (v *count) Set(s string) error {
	n, err := strconv.ParseInt(strings.TrimSpace(s), 10, 64)
	if err != nil || n < v.lo || n > v.hi {
		return fmt.Errorf("%q is out of range or no whole number; want %d..%d", s, v.lo, v.hi)
	}
	v.n, v.set = n, true
	return nil
}

// String gives the number.
func (v *count) String() string { return strconv.FormatInt(v.n, 10) }

// Type names it in help.
func (*count) Type() string { return "number" }
