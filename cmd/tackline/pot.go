package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"tackline/advisor/batch"
	"tackline/advisor/cure"
	"tackline/advisor/units/quantity"
)

type potOut struct {
	System     string   `json:"system"`
	Source     string   `json:"source"`
	Vessel     string   `json:"vessel"`
	MassG      float64  `json:"mass_g"`
	AirC       float64  `json:"air_c"`
	ResinC     float64  `json:"resin_c"`
	DepthMM    *float64 `json:"depth_mm"`
	WorkingMin *float64 `json:"working_min"`
	GelMin     *float64 `json:"gel_min"`
	PeakC      *float64 `json:"peak_c"`   // null with runaway: the rate law ends at 150 C
	PeakMin    *float64 `json:"peak_min"` // with runaway the minute at which 150 C is passed
	Runaway    bool     `json:"runaway"`
}

func newPotCmd(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "pot --system S --mass 112 --air 22 [--resin 22] --vessel pot [--diameter 80] | --vessel tray [--tray 600]",
		Short: "How long a mixed batch can be worked in a pot or a tray, and how hot it gets",
		Long: "The reaction heats a batch, and heat speeds the reaction: a deep pot goes off far sooner than the same batch in a tray. Minutes count from\n" +
			"mixing. The deep middle of a pot is hotter than this says. A pot left standing past its time smokes, can crack and can catch fire:\n" +
			"spread it out, or set it outdoors on something that does not burn. Keep clear of the fume, wear gloves and eye protection.",
		Example: "  tackline pot --system medium --mass 112 --air 22 --vessel pot\n  tackline pot --system medium --mass 4oz --air 72F --resin 60F --vessel tray --tray 93in2",
		Args:    cobra.NoArgs,
	}
	system := systemFlag(c)
	f := map[string]*value{
		"mass":     quantityFlag(c, "mass", quantity.Mass(), batch.LeastG, batch.MostG, "mixed mass"),
		"air":      quantityFlag(c, "air", quantity.Temperature(), -20, 60, "temperature of the room"),
		"resin":    quantityFlag(c, "resin", quantity.Temperature(), -20, 80, "temperature of the resin when mixed (default the room's)"),
		"diameter": quantityFlag(c, "diameter", quantity.Length(), 10, 1000, "diameter of a pot (default the system's, else 80)"),
		"tray":     quantityDefault(c, "tray", quantity.TrayArea(), 600, 10, 20000, "floor of a tray"),
	}
	vessel := c.Flags().String("vessel", "pot", "pot or tray")
	show := outputFlags(c)
	c.RunE = func(*cobra.Command, []string) error {
		if err := need(f, "mass", "air"); err != nil {
			return err
		}
		switch {
		case *vessel != string(batch.Pot) && *vessel != string(batch.Tray):
			return usagef("--vessel: %q is unknown; want pot or tray", *vessel)
		case *vessel == string(batch.Pot) && f["tray"].set:
			return usagef("--tray goes with --vessel tray")
		case *vessel == string(batch.Tray) && f["diameter"].set:
			return usagef("--diameter goes with --vessel pot")
		}
		m, err := loadModel(*system)
		if err != nil {
			return err
		}
		out, err := calcPot(m, batch.Shape(*vessel), f)
		if err != nil {
			return err
		}
		if show.asJSON {
			return printJSON(e.out, out)
		}
		printPot(e, *show, out)
		return nil
	}
	return c
}

func calcPot(m cure.Model, shape batch.Shape, f map[string]*value) (potOut, error) {
	sys := m.System()
	b := batch.Batch{MassG: f["mass"].v, RoomC: f["air"].v, ResinC: f["air"].v, Vessel: batch.Vessel{Shape: shape, AreaCM2: f["tray"].v, DiameterMM: 80}}
	if f["resin"].set {
		b.ResinC = f["resin"].v
	}
	if sys.Pot != nil {
		b.Vessel.DiameterMM = sys.Pot.DiameterMM
	}
	if f["diameter"].set {
		b.Vessel.DiameterMM = f["diameter"].v
	}
	out := potOut{System: sys.Name, Source: sys.Source, Vessel: fmt.Sprintf("pot of %s mm", quantity.Number(b.Vessel.DiameterMM)), MassG: b.MassG, AirC: b.RoomC, ResinC: b.ResinC}
	if shape == batch.Tray {
		out.Vessel = fmt.Sprintf("tray of %.4g cm2", b.Vessel.AreaCM2)
	}
	life, err := batch.LifeOf(m, b)
	if err != nil {
		return out, err
	}
	out.DepthMM, out.WorkingMin, out.GelMin, out.Runaway = known(life.DepthMM), life.WorkingMin, life.GelMin, life.Runaway
	if life.Runaway {
		out.PeakMin = life.HotMin
	} else {
		out.PeakC, out.PeakMin = known(life.PeakC), known(life.PeakMin)
	}
	return out, nil
}

func printPot(e env, s shown, out potOut) {
	peak := fmt.Sprintf("%s after %s", s.temp(out.PeakC), s.minutes(out.PeakMin))
	if out.Runaway {
		limit := cure.RateEndsC
		peak = fmt.Sprintf("over %s, from %s on", s.temp(&limit), s.minutes(out.PeakMin))
	}
	fmt.Fprintf(e.out, "%s\nsource: %s\n", out.System, out.Source)
	rows(e.out, [][]string{
		{"batch", fmt.Sprintf("%s in a %s, %s deep", s.mass(&out.MassG), out.Vessel, num(out.DepthMM, 0, "mm"))},
		{"room, resin", fmt.Sprintf("%s, %s", s.temp(&out.AirC), s.temp(&out.ResinC))},
		{"can be worked for", s.minutes(out.WorkingMin)},
		{"gels after", s.minutes(out.GelMin)},
		{"hottest", peak},
	})
	if out.Runaway {
		fmt.Fprintln(e.out, "Left standing it runs away: smoke, charring, fire. Spread it out before it warms; never bin it warm.")
	}
}
