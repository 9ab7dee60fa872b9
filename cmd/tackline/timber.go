package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"tackline/advisor/timber"
	"tackline/advisor/units"
	"tackline/advisor/units/quantity"
	"tackline/daemon/config"
)

type timberOut struct {
	AirC            float64  `json:"air_c"`
	RHPct           float64  `json:"rh_pct"`
	ThicknessMM     float64  `json:"thickness_mm"`
	DensityKgM3     float64  `json:"density_kg_m3"`
	EMCPct          *float64 `json:"emc_pct"`
	ConductivityWMK *float64 `json:"conductivity_w_mk"` // this and what follows: null above 30 % moisture, where no law holds
	HeatCapacity    *float64 `json:"heat_capacity_j_kgk"`
	VoidFraction    *float64 `json:"void_fraction"`
	ResponseMin     *float64 `json:"response_min"`
}

func newTimberCmd(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "timber --air 12 --rh 75 [--thickness 9] [--density 500]",
		Short: "The moisture that timber tends to in this air, and how it takes heat",
		Long: "Equilibrium moisture content (what timber tends to over weeks, within 1 to 2 % for its kind and history), and conductivity, heat\n" +
			"capacity, void fraction and response time at that moisture. Response is the time constant with which a free panel follows the air; it is\n" +
			"within 5 % after three of them. For what is in the timber now, use a moisture meter.",
		Example: "  tackline timber --air 12 --rh 75\n  tackline timber --air 54F --rh 75 --thickness 0.5in --density 31lb/ft3",
		Args:    cobra.NoArgs,
	}
	f := map[string]*value{
		"air":       quantityFlag(c, "air", quantity.Temperature(), float64(timber.MinTemperature), float64(timber.MaxTemperature), "temperature of the air"),
		"rh":        quantityFlag(c, "rh", quantity.Percent(), 0, 100, "relative humidity of the air"),
		"thickness": quantityDefault(c, "thickness", quantity.Length(), 9, 0.5, 500, "thickness of the panel"),
		"density":   quantityDefault(c, "density", quantity.Density(), 500, 100, 1100, "density at 12 % moisture"),
	}
	show := outputFlags(c)
	c.RunE = func(*cobra.Command, []string) error {
		if err := need(f, "air", "rh"); err != nil {
			return err
		}
		out, err := calcTimber(units.Celsius(f["air"].v), units.Percent(f["rh"].v), f["thickness"].v, f["density"].v)
		if err != nil {
			return err
		}
		if show.asJSON {
			return printJSON(e.out, out)
		}
		printTimber(e, *show, out)
		return nil
	}
	return c
}

func calcTimber(t units.Celsius, rh units.Percent, thicknessMM, density float64) (timberOut, error) {
	out := timberOut{AirC: float64(t), RHPct: float64(rh), ThicknessMM: thicknessMM, DensityKgM3: density}
	emc, err := timber.EMC(t, rh)
	if err != nil {
		return out, err
	}
	out.EMCPct = known(float64(emc))
	if emc > timber.MaxMoisture {
		return out, nil
	}
	gravity, err := timber.Gravity(density)
	if err != nil {
		return out, err
	}
	conductivity, err := timber.Conductivity(gravity, emc)
	if err != nil {
		return out, err
	}
	capacity, err := timber.HeatCapacity(t, emc)
	if err != nil {
		return out, err
	}
	void, voidErr := timber.VoidFraction(gravity, emc) // so dense that no pores are left: unknown
	response, err := timber.ResponseTime(units.Metre(thicknessMM/1000), density, t, emc)
	if err != nil {
		return out, err
	}
	out.ConductivityWMK, out.HeatCapacity = known(conductivity), known(capacity)
	out.VoidFraction, out.ResponseMin = when(void, voidErr == nil), known(float64(response)/60)
	return out, nil
}

func printTimber(e env, s shown, out timberOut) {
	rows(e.out, [][]string{
		{"air", fmt.Sprintf("%s, %s", s.temp(&out.AirC), num(&out.RHPct, 0, "%"))},
		{"panel", fmt.Sprintf("%s, %s at 12 %% moisture", s.length(&out.ThicknessMM), num(&out.DensityKgM3, 0, "kg/m3"))},
		{"equilibrium moisture", num(out.EMCPct, 1, "% of dry mass")},
		{"conductivity", num(out.ConductivityWMK, 3, "W/(m K)")},
		{"heat capacity", num(out.HeatCapacity, 0, "J/(kg K)")},
		{"pores", num(percent(out.VoidFraction), 0, "% of the volume")},
		{"response", s.after(out.ResponseMin, "dense")},
	})
	limits := config.Default().Limits
	switch emc := units.Percent(*out.EMCPct); {
	case emc > limits.MoistureStopPct:
		fmt.Fprintf(e.out, "Bare timber left in this air goes above %s %%: too wet to coat.\n", quantity.Number(float64(limits.MoistureStopPct)))
	case emc > limits.MoistureGoodPct:
		fmt.Fprintf(e.out, "Bare timber left in this air goes above %s %%: better dried first.\n", quantity.Number(float64(limits.MoistureGoodPct)))
	}
}

func percent(x *float64) *float64 {
	if x == nil {
		return nil
	}
	return known(100 * *x)
}

// length writes a thickness.
func (s shown) length(mm *float64) string {
	switch {
	case mm == nil:
		return unknown
	case s.us:
		return fmt.Sprintf("%.3g in", *mm/25.4)
	}
	return fmt.Sprintf("%s mm", quantity.Number(*mm))
}
