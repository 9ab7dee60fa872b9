package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"tackline/advisor/air"
	"tackline/advisor/timber"
	"tackline/advisor/units"
	"tackline/advisor/units/quantity"
)

type outgasOut struct {
	FromC       float64  `json:"from_c"`
	ToC         float64  `json:"to_c"`
	FromHPa     float64  `json:"from_hpa"`
	ToHPa       float64  `json:"to_hpa"`
	RHPct       *float64 `json:"rh_pct"` // null: dry air
	VolumeRatio *float64 `json:"volume_ratio"`
	Direction   string   `json:"direction"` // out, in, still
}

func newOutgasCmd(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "outgas --from 10 --to 20 [--from-hpa 1013.25 --to-hpa 1013.25] [--rh 60]",
		Short: "Whether the gas in bare timber grows or shrinks between two moments",
		Long: "The gas in the pores grows when the timber warms or the barometer falls, and blows bubbles into a wet coat; it shrinks when the timber\n" +
			"cools or the barometer rises, and draws resin in. The temperatures are the timber's: it lags behind the air, and may still be warming\n" +
			"while the air cools. --rh is that of the air in the pores, which the timber's moisture holds; without it the air counts as dry.",
		Example: "  tackline outgas --from 10 --to 20 --rh 60\n  tackline outgas --from 15 --to 15 --from-hpa 1025 --to-hpa 995",
		Args:    cobra.NoArgs,
	}
	lo, hi := air.MinPressure.Hectopascal(), air.MaxPressure.Hectopascal()
	f := map[string]*value{
		"from":     quantityFlag(c, "from", quantity.Temperature(), float64(timber.MinTemperature), float64(timber.MaxTemperature), "temperature of the timber when the coat goes on"),
		"to":       quantityFlag(c, "to", quantity.Temperature(), float64(timber.MinTemperature), float64(timber.MaxTemperature), "temperature of the timber later, before the coat has gelled"),
		"from-hpa": quantityDefault(c, "from-hpa", quantity.Pressure(), 1013.25, lo, hi, "barometer when the coat goes on"),
		"to-hpa":   quantityDefault(c, "to-hpa", quantity.Pressure(), 1013.25, lo, hi, "barometer later"),
		"rh":       quantityFlag(c, "rh", quantity.Percent(), 0, 100, "humidity of the air in the pores (default dry)"),
	}
	show := outputFlags(c)
	c.RunE = func(*cobra.Command, []string) error {
		if err := need(f, "from", "to"); err != nil {
			return err
		}
		out := outgasOut{FromC: f["from"].v, ToC: f["to"].v, FromHPa: f["from-hpa"].v, ToHPa: f["to-hpa"].v, RHPct: f["rh"].ptr()}
		ratio, err := timber.GasRatio(units.Celsius(out.FromC), units.Celsius(out.ToC), units.FromHectopascal(out.FromHPa), units.FromHectopascal(out.ToHPa), f["rh"].v/100)
		if err != nil {
			return err
		}
		out.VolumeRatio, out.Direction = known(ratio), string(timber.DirectionOf(ratio))
		if show.asJSON {
			return printJSON(e.out, out)
		}
		printOutgas(e, *show, out)
		return nil
	}
	return c
}

func printOutgas(e env, s shown, out outgasOut) {
	pores := "dry air"
	if out.RHPct != nil {
		pores = num(out.RHPct, 0, "% humidity")
	}
	change := 100 * (*out.VolumeRatio - 1)
	rows(e.out, [][]string{
		{"timber", fmt.Sprintf("%s to %s", s.temp(&out.FromC), s.temp(&out.ToC))},
		{"barometer", fmt.Sprintf("%s to %s hPa", quantity.Number(out.FromHPa), quantity.Number(out.ToHPa))},
		{"in the pores", pores},
		{"volume", fmt.Sprintf("x %.4f (%+.2f %%)", *out.VolumeRatio, change)},
		{"direction", out.Direction},
	})
	switch timber.Direction(out.Direction) {
	case timber.Out:
		fmt.Fprintln(e.out, "Gas comes out of bare timber: it blows bubbles into a coat that is still wet.")
	case timber.In:
		fmt.Fprintln(e.out, "Resin is drawn in: a good time to seal bare timber, as long as the surface stays clear of the dew point.")
	default:
		fmt.Fprintln(e.out, "Neither grows nor shrinks enough to count.")
	}
}
