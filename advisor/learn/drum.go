package learn

import "math"

// Drum is how a drum compares with its sheet.
type Drum struct {
	Coats   int64   // that were touched
	Looks   int64   // findings on them
	Ratio   float64 // speed against the sheet, at the temperatures and with the surface of these coats: the maximum a posteriori
	Low     float64 // 10 % bound
	High    float64 // 90 % bound
	Energy  float64 // kJ/mol above the sheet's, maximum a posteriori
	EnergyU float64 // its standard uncertainty, kJ/mol
	Scale   float64 // by which findings were blurred more since they contradict each other; 1 where they agree
}

// z80 bounds the middle eight of ten of a normal.
const z80 = 1.2816

// Drum sums the fit up; ok is false where no finding says anything.
func (f *Fit) Drum() (d Drum, ok bool) {
	n := float64(len(f.sites))
	if n == 0 {
		return Drum{}, false
	}
	touched := map[int64]bool{}
	along := make([]float64, len(f.mean))
	mode, mean := 0.0, 0.0
	for i := range f.sites {
		s := &f.sites[i]
		c := f.coats[s.coat]
		touched[s.coat] = true
		c.Now = false // the drum, not the batch
		later := func(u []float64) float64 {
			x, e, b := f.natural(u, &c, 0)
			ln, _ := c.Response.at(s.mark, x, e, b)
			return (ln - c.Response.ln[s.mark]) / n
		}
		mode += later(f.mode)
		mean += later(f.mean)
		for _, k := range [...]int64{dimSpeed, dimEnergy, dimFilm} {
			along[k] += s.slope[k] / n
		}
	}
	sd := math.Sqrt(variance(f.cov, along))
	for i := range f.coats {
		if len(f.coats[i].Looks) > 0 {
			d.Looks += int64(len(f.coats[i].Looks))
		}
	}
	d.Coats = int64(len(touched))
	d.Ratio, d.Low, d.High = math.Exp(-mode), math.Exp(-mean-z80*sd), math.Exp(-mean+z80*sd)
	d.Energy = f.prior.Activation * f.mode[dimEnergy]
	d.EnergyU = f.prior.Activation * math.Sqrt(f.cov[dimEnergy][dimEnergy])
	d.Scale = f.scale
	return d, true
}

// Behind gives by how many times coat i comes later than all others say, and how many others that are; ratio 0 where it does not lag far.
func (f *Fit) Behind(i int64) (ratio float64, others int64) {
	return f.behind[i].ratio, f.behind[i].others
}
