package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"tackline/advisor/air"
	"tackline/advisor/units"
	"tackline/advisor/units/quantity"
	"tackline/daemon/config"
)

type airOut struct {
	AirC             float64  `json:"air_c"`
	RHPct            float64  `json:"rh_pct"`
	DewPointC        *float64 `json:"dew_point_c"`
	FrostPointC      *float64 `json:"frost_point_c"` // null unless below 0
	WetBulbC         *float64 `json:"wet_bulb_c"`
	VapourPressurePa *float64 `json:"vapour_pressure_pa"`
	AbsHumidityGM3   *float64 `json:"abs_humidity_g_m3"`
	SurfaceC         *float64 `json:"surface_c"` // this and what follows: null without --surface
	MarginK          *float64 `json:"margin_k"`
	MarginUK         *float64 `json:"margin_u_k"`
	SurfaceRHPct     *float64 `json:"surface_rh_pct"`
}

func newAirCmd(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "air --air 18 --rh 70 [--surface 15]",
		Short: "Dew point, and how far a surface is from it",
		Long: "Dew point, frost point, wet bulb and vapour of the air, and with --surface the margin of that surface over the dew point with its\n" +
			"standard uncertainty. Practice (ISO 8502-4) is to coat only where margin less uncertainty is 3 K (5.4 F) or more. Measure the surface\n" +
			"itself: a hull can be far colder than the air around it.",
		Example: "  tackline air --air 18 --rh 70 --surface 15\n  tackline air --air 64F --rh 70% --surface 59F --units us",
		Args:    cobra.NoArgs,
	}
	f := map[string]*value{
		"air":       quantityFlag(c, "air", quantity.Temperature(), float64(air.MinAir), float64(air.MaxAir), "temperature of the air"),
		"rh":        quantityFlag(c, "rh", quantity.Percent(), 0.1, 100, "relative humidity of the air"),
		"surface":   quantityFlag(c, "surface", quantity.Temperature(), float64(air.MinAir), float64(air.MaxSurface), "temperature of the surface"),
		"pressure":  quantityDefault(c, "pressure", quantity.Pressure(), 1013.25, air.MinPressure.Hectopascal(), air.MaxPressure.Hectopascal(), "pressure of the air"),
		"air-u":     quantityDefault(c, "air-u", quantity.Difference(), 0.3, 0, 10, "standard uncertainty of the air's temperature"),
		"rh-u":      quantityDefault(c, "rh-u", quantity.Percent(), 2, 0, 20, "standard uncertainty of the humidity"),
		"surface-u": quantityDefault(c, "surface-u", quantity.Difference(), 0.5, 0, 10, "standard uncertainty of the surface's temperature"),
	}
	show := outputFlags(c)
	c.RunE = func(*cobra.Command, []string) error {
		if err := need(f, "air", "rh"); err != nil {
			return err
		}
		out, err := calcAir(f)
		if err != nil {
			return err
		}
		if show.asJSON {
			return printJSON(e.out, out)
		}
		printAir(e, *show, out)
		return nil
	}
	return c
}

func calcAir(f map[string]*value) (airOut, error) {
	t, rh := units.Celsius(f["air"].v), units.Percent(f["rh"].v)
	out := airOut{AirC: f["air"].v, RHPct: f["rh"].v}
	dew, err := air.DewPoint(t, rh)
	if err != nil {
		return out, err
	}
	frost, below, err := air.FrostPoint(t, rh)
	if err != nil {
		return out, err
	}
	wet, err := air.WetBulb(t, rh, units.FromHectopascal(f["pressure"].v))
	if err != nil {
		return out, err
	}
	vapour, err := air.VapourPressure(t, rh)
	if err != nil {
		return out, err
	}
	abs, err := air.AbsoluteHumidity(t, rh)
	if err != nil {
		return out, err
	}
	out.DewPointC, out.FrostPointC, out.WetBulbC = known(float64(dew)), when(float64(frost), below), known(float64(wet))
	out.VapourPressurePa, out.AbsHumidityGM3 = known(float64(vapour)), known(abs)
	if !f["surface"].set {
		return out, nil
	}
	s := units.Celsius(f["surface"].v)
	margin, err := air.Margin(s, t, rh)
	if err != nil {
		return out, err
	}
	u, err := air.MarginU(t, rh, units.Diff(f["air-u"].v), units.Percent(f["rh-u"].v), units.Diff(f["surface-u"].v))
	if err != nil {
		return out, err
	}
	srh, err := air.SurfaceRH(t, rh, s)
	if err != nil {
		return out, err
	}
	out.SurfaceC, out.MarginK, out.MarginUK, out.SurfaceRHPct = f["surface"].ptr(), known(float64(margin)), known(float64(u)), known(float64(srh))
	return out, nil
}

func printAir(e env, s shown, out airOut) {
	table := [][]string{
		{"air", s.temp(&out.AirC)},
		{"humidity", num(&out.RHPct, 0, "%")},
		{"dew point", s.temp(out.DewPointC)},
	}
	if out.FrostPointC != nil {
		table = append(table, []string{"frost point", s.temp(out.FrostPointC)})
	}
	table = append(table, []string{"wet bulb", s.temp(out.WetBulbC)},
		[]string{"vapour pressure", num(out.VapourPressurePa, 0, "Pa")},
		[]string{"water in the air", num(out.AbsHumidityGM3, 1, "g/m3")})
	if out.SurfaceC != nil {
		table = append(table, []string{"surface", s.temp(out.SurfaceC)},
			[]string{"margin over dew point", fmt.Sprintf("%s, u %s", s.diff(out.MarginK), s.diff(out.MarginUK))},
			[]string{"humidity at the surface", num(out.SurfaceRHPct, 0, "%")})
	}
	rows(e.out, table)
	if out.MarginK != nil {
		limit := float64(config.Default().Limits.MarginK)
		switch least := *out.MarginK - *out.MarginUK; {
		case *out.MarginK <= 0:
			fmt.Fprintln(e.out, "The surface is at or below the dew point: it is wet, or about to be.")
		case least < limit:
			fmt.Fprintf(e.out, "Margin less uncertainty is %s, under the %s of ISO 8502-4 practice.\n", s.diff(&least), s.diff(&limit))
		default:
			fmt.Fprintf(e.out, "Margin less uncertainty is %s, at or over the %s of ISO 8502-4 practice.\n", s.diff(&least), s.diff(&limit))
		}
	}
}
