package batch

import (
	"fmt"
	"math"

	"tackline/advisor/cure"
)

// Need is what a coat asks for.
type Need struct {
	Kind          string  // seal, bedding, wet-out, fill, fairing, glue, finish; "" is wet-out with fabric, else seal
	AreaM2        float64 // m2
	FabricGM2     float64 // weight of one layer of fabric, g/m2; 0 for none
	Layers        int64   // of fabric; 0 is 1 where there is fabric
	Coats         int64   // 0 is 1
	FillerVolumes float64 // volumes of filler to one volume of mixed epoxy
	GM2           float64 // mixed epoxy on the work per coat in place of the system's coverage, g/m2; 0 for the system's
	ThicknessMM   float64 // of fairing or glue, mm, in place of a coverage; 0 for none
	BatchG        float64 // largest batch, g; 0 is the mass of the sheet's pot, or everything at once where there is none
}

// Mix is how much to mix for a Need. Strokes is nil where the pumps do not give the ratio; StrokesWhy then says why.
type Mix struct {
	GM2         float64 // mixed epoxy on the work, all coats and fabric, waste not included, g/m2
	MixedG      float64 // in all, waste included, g
	ResinG      float64
	HardenerG   float64
	MixedML     float64
	ResinML     float64
	HardenerML  float64
	FillerML    float64
	Consistency Consistency
	Batches     int64
	BatchG      float64 // of each, g
	Strokes     *Strokes
	StrokesWhy  string
}

// Metres gives the length of a roll in m that so many layers over an area take: neighbouring widths lap, and a share of the roll is cut off.
//
//	length = layers x area / (width - lap) / (1 - waste)
//
// Area in m2 above 0, width in m above the lap, lap in m from 0, waste from 0 to 0.9 of the roll. By area alone: strips that must not be joined
// along their length take more. The error names what is wrong.
func Metres(areaM2, widthM, lapM, waste float64, layers int64) (float64, error) {
	switch {
	case !(areaM2 > 0 && areaM2 <= 10000):
		return 0, fmt.Errorf("batch: area %g m2: want more than 0, up to 10000 m2", areaM2)
	case !(lapM >= 0 && widthM > lapM && widthM <= 20):
		return 0, fmt.Errorf("batch: width %g m with a lap of %g m: want a width above the lap, up to 20 m", widthM, lapM)
	case !(waste >= 0 && waste <= 0.9):
		return 0, fmt.Errorf("batch: waste %g: want 0 to 0.9 of the roll", waste)
	case layers < 1 || layers > 100:
		return 0, fmt.Errorf("batch: %d layers: want 1 to 100", layers)
	}
	return float64(layers) * areaM2 / (widthM - lapM) / (1 - waste), nil
}

// Strokes are whole strokes of the two pumps.
type Strokes struct {
	Resin, Hardener           int64   // in all
	BatchResin, BatchHardener int64   // in a batch; the last may take less
	MixedG                    float64 // that all strokes together give, g: at least Mix.MixedG
	OffPct                    float64 // by how much the hardener given differs from what the sheet asks, %
}

// Consistency is how a mix of epoxy and filler behaves on an upright face: a scale of our own.
type Consistency string

// The consistencies, with the volumes of low-density filler to one of mixed epoxy from which they hold. That about two volumes stand is
// common practice, no source; where the two limits lie is ours. Heavier fillers and warm mixes run more.
const (
	Pours  Consistency = "pours"  // levels itself
	Sags   Consistency = "sags"   // from 0.8: holds for a moment, then creeps
	Stands Consistency = "stands" // from 1.6: stays as it was left
)

// ConsistencyOf gives the consistency of a mix with so many volumes of low-density filler to one of mixed epoxy.
func ConsistencyOf(fillerVolumes float64) Consistency {
	switch {
	case fillerVolumes >= 1.6:
		return Stands
	case fillerVolumes >= 0.8:
		return Sags
	}
	return Pours
}

// FillerSolid is the part of a bulk volume of low-density filler that is not air between its grains, so that mixed epoxy gains that much in
// volume. Loosely poured spheres fill about 0.6: from memory, medium confidence.
const FillerSolid = 0.6

// RatioTolerance is how far the hardener that whole strokes give may be from the sheet's, as a share. Ours; makers ask for a few per cent.
const RatioTolerance = 0.03

// ForCoat gives how much to mix. Mixed resin is what stays on the work times one plus the system's waste; its parts follow the ratio by
// weight for grams and the ratio by volume for millilitres, the whole the density of the mix. Strokes are rounded up to whole ones that keep
// the ratio, so that both pumps take the same count where they are made for it. The error names what is wrong and its range.
func ForCoat(s cure.System, n Need) (Mix, error) {
	if err := n.check(); err != nil {
		return Mix{}, err
	}
	c := s.CoverageUsed()
	gm2, err := n.perM2(s, c)
	if err != nil {
		return Mix{}, err
	}
	out := Mix{GM2: gm2, MixedG: gm2 * n.AreaM2 * (1 + c.Waste), Consistency: ConsistencyOf(n.FillerVolumes)}
	w, v := s.MixByWeight, s.MixByVolume
	if !(w[0] > 0 && w[1] > 0 && v[0] > 0 && v[1] > 0 && s.DensityKgM3 > 0) {
		return Mix{}, fmt.Errorf("batch: system %q has no mix ratio or no density: check its file", s.Name)
	}
	out.ResinG = out.MixedG * w[0] / (w[0] + w[1])
	out.HardenerG = out.MixedG * w[1] / (w[0] + w[1])
	out.MixedML = out.MixedG / s.DensityKgM3 * 1000
	out.ResinML = out.MixedML * v[0] / (v[0] + v[1])
	out.HardenerML = out.MixedML * v[1] / (v[0] + v[1])
	out.FillerML = out.MixedML * n.FillerVolumes
	limit := n.BatchG
	if limit == 0 && s.Pot != nil {
		limit = s.Pot.MassG
	}
	out.Batches = 1
	if limit > 0 {
		out.Batches = int64(math.Max(1, math.Ceil(out.MixedG/limit-1e-9)))
	}
	out.BatchG = out.MixedG / float64(out.Batches)
	out.Strokes, out.StrokesWhy = strokes(s, out)
	return out, nil
}

func (n Need) check() error {
	for _, x := range []struct {
		name      string
		v         float64
		low, high float64
		unit      string
	}{
		{"area", n.AreaM2, 0.001, 10000, "m2"}, {"fabric", n.FabricGM2, 0, 5000, "g/m2"}, {"layers", float64(n.Layers), 0, 100, ""},
		{"coats", float64(n.Coats), 0, 100, ""}, {"filler", n.FillerVolumes, 0, 10, "volumes per volume of mixed epoxy"},
		{"coverage", n.GM2, 0, 20000, "g/m2"}, {"thickness", n.ThicknessMM, 0, 100, "mm"}, {"largest batch", n.BatchG, 0, MostG, "g"},
	} {
		if !(x.v >= x.low && x.v <= x.high) {
			return fmt.Errorf("batch: %s %g %s: want %g to %g %s", x.name, x.v, x.unit, x.low, x.high, x.unit)
		}
	}
	if n.FabricGM2 > 0 && n.FabricGM2 < 1 {
		return fmt.Errorf("batch: fabric %g g/m2: want 1 to 5000 g/m2, or 0 for none", n.FabricGM2)
	}
	return nil
}

// perM2 gives the mixed epoxy that stays on a square metre.
func (n Need) perM2(s cure.System, c cure.Coverage) (float64, error) {
	kind, coats, layers := n.Kind, math.Max(1, float64(n.Coats)), math.Max(1, float64(n.Layers))
	if kind == "" && n.FabricGM2 > 0 {
		kind = "wet-out"
	}
	base := n.GM2
	if n.ThicknessMM > 0 && base == 0 { // 1 mm on 1 m2 is 1000 ml; filler makes up its solid part of it
		base = n.ThicknessMM * s.DensityKgM3 / (1 + FillerSolid*n.FillerVolumes)
	}
	usual := 0.0
	switch kind {
	case "", "seal", "bedding":
		usual = c.SealGM2
	case "fill", "finish":
		usual = c.FillGM2
	case "wet-out":
		if n.FabricGM2 == 0 && base == 0 {
			return 0, fmt.Errorf("batch: wet-out without the fabric's weight: give it in g/m2")
		}
	case "fairing", "glue":
		if base == 0 {
			return 0, fmt.Errorf("batch: %s needs a thickness in mm or a coverage in g/m2", kind)
		}
	default:
		return 0, fmt.Errorf("batch: kind of coat %q: want seal, bedding, wet-out, fill, fairing, glue or finish", kind)
	}
	if base == 0 {
		base = usual
	}
	return coats * (base + n.FabricGM2*layers*c.FabricRatio), nil
}

// strokes finds the smallest set of strokes that keeps the ratio, and how many of it are needed.
func strokes(s cure.System, m Mix) (*Strokes, string) {
	p := s.PumpUsed()
	want := s.MixByVolume[1] / s.MixByVolume[0]
	if !(p.ResinML > 0 && p.HardenerML > 0) {
		return nil, "no stroke volume is known: weigh it"
	}
	r, h, off := int64(0), int64(0), math.Inf(1)
	for a := int64(1); a <= 10 && math.Abs(off) > RatioTolerance; a++ {
		b := int64(math.Max(1, math.Round(float64(a)*p.ResinML*want/p.HardenerML)))
		if x := float64(b)*p.HardenerML/(float64(a)*p.ResinML)/want - 1; math.Abs(x) < math.Abs(off) {
			r, h, off = a, b, x
		}
	}
	if math.Abs(off) > RatioTolerance {
		return nil, fmt.Sprintf("pumps of %g and %g ml do not give this ratio in whole strokes: weigh it", p.ResinML, p.HardenerML)
	}
	each := float64(r)*p.ResinML + float64(h)*p.HardenerML
	sets := int64(math.Ceil(m.MixedML/each - 1e-9))
	inBatch := (sets + m.Batches - 1) / m.Batches
	return &Strokes{
		Resin: r * sets, Hardener: h * sets, BatchResin: r * inBatch, BatchHardener: h * inBatch,
		MixedG: each * float64(sets) * s.DensityKgM3 / 1000, OffPct: 100 * off,
	}, ""
}
