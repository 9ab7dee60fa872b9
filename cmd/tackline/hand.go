package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tackline/advisor/air"
	"tackline/advisor/units"
	"tackline/advisor/units/quantity"
)

// handFlags is what was read, and of what.
type handFlags struct {
	v                            map[string]*value
	place, piece, at, who, meter string
}

func newHandCmd(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "hand",
		Short: "Enter what you read on a hygrometer or a hand-held meter",
		Long: "Keeps a reading that was taken by hand. It stands in for a probe that does not tell the present, for an hour unless the config says otherwise\n" +
			"(hand_fresh), and advice that rests on it says so. Whirl the hygrometer for a minute, wick wet, and read the wet bulb first.",
		Example: "  tackline hand --dry 14.5 --wet 12\n  tackline hand --air 14.5 --rh 78\n  tackline hand --surface 9.5 --piece \"port topside\" --instrument \"infrared\"",
		Args:    cobra.NoArgs,
	}
	cl := serverFlag(c, e)
	t := func(name, about string) *value { return quantityFlag(c, name, quantity.Temperature(), -45, 60, about) }
	f := &handFlags{v: map[string]*value{"dry": t("dry", "dry bulb of a hygrometer"), "wet": t("wet", "its wet bulb"), "air": t("air", "temperature of the air"),
		"surface":  t("surface", "temperature of a piece's surface"),
		"rh":       quantityFlag(c, "rh", quantity.Percent(), 0.1, 100, "relative humidity of the air"),
		"pressure": quantityFlag(c, "pressure", quantity.Pressure(), 500, 1100, "pressure of the air, at the height of the shed")}}
	c.Flags().StringVar(&f.place, "place", "air", "where the air was read: air, outdoors or resin")
	c.Flags().StringVar(&f.piece, "piece", "", "name of the piece whose surface was read")
	c.Flags().StringVar(&f.at, "at", "", "when, RFC 3339; default now")
	c.Flags().StringVar(&f.who, "who", "", "who read it")
	c.Flags().StringVar(&f.meter, "instrument", "", "what it was read on")
	c.RunE = func(c *cobra.Command, _ []string) error {
		entries, err := f.entries(c.Context(), cl)
		if err != nil {
			return err
		}
		for _, entry := range entries {
			if _, err := cl.keep(c.Context(), "hand-reading", f.who, entry); err != nil {
				return err
			}
		}
		fmt.Fprintf(e.out, "Kept: %s.\n", f.said())
		return nil
	}
	return c
}

// entries gives the entries of the job book that the flags make.
func (f *handFlags) entries(ctx context.Context, cl *client) ([]map[string]any, error) {
	dry, wet := f.v["dry"], f.v["wet"]
	switch {
	case dry.set != wet.set:
		return nil, usagef("--dry and --wet belong together: a hygrometer has two bulbs")
	case dry.set && (f.v["air"].set || f.v["rh"].set):
		return nil, usagef("--dry and --wet are the bulbs of a hygrometer, --air and --rh what a meter shows: want one of the two")
	case f.v["surface"].set != (f.piece != ""):
		return nil, usagef("--surface and --piece belong together: a surface is that of a piece")
	}
	common := map[string]any{"instrument": f.meter}
	if f.at != "" {
		at, err := time.Parse(time.RFC3339, f.at)
		if err != nil {
			return nil, usagef("--at %q: want RFC 3339 with its offset, such as 2026-01-14T06:30:00Z", f.at)
		}
		common["when_ms"] = at.UnixMilli()
	}
	with := func(q string, v *value, more ...any) map[string]any {
		m := map[string]any{"quantity": q, "value": v.v, "place": f.place}
		for k, x := range common {
			m[k] = x
		}
		for i := 0; i < len(more); i += 2 {
			m[more[i].(string)] = more[i+1]
		}
		return m
	}
	var out []map[string]any
	if dry.set {
		m := with("temp_c", dry, "wet_c", wet.v)
		if p := f.v["pressure"].ptr(); p != nil {
			m["pressure_hpa"] = *p
		}
		out = append(out, m)
	}
	for _, one := range []struct{ flag, q string }{{"air", "temp_c"}, {"rh", "rh_pct"}, {"pressure", "pressure_hpa"}} {
		if f.v[one.flag].set {
			out = append(out, with(one.q, f.v[one.flag]))
		}
	}
	if f.v["surface"].set {
		id, err := (&desk{cl: cl}).find(ctx, "pieces", "--piece", f.piece)
		if err != nil {
			return nil, err
		}
		out = append(out, with("temp_c", f.v["surface"], "place", "surface", "piece", id))
	}
	if len(out) == 0 {
		return nil, usagef("nothing was read: want --dry and --wet, --air, --rh, --pressure, or --surface with --piece")
	}
	return out, nil
}

// said repeats what was read, with the humidity that two bulbs mean.
func (f *handFlags) said() string {
	var parts []string
	for _, one := range []struct{ flag, text, unit string }{{"dry", "dry bulb", "C"}, {"wet", "wet bulb", "C"}, {"air", "air", "C"}, {"rh", "humidity", "%"},
		{"surface", "surface of " + f.piece, "C"}, {"pressure", "pressure", "hPa"}} {
		if v := f.v[one.flag]; v.set {
			parts = append(parts, fmt.Sprintf("%s %.4g %s", one.text, v.v, one.unit))
		}
	}
	if f.v["dry"].set {
		p := air.StandardAtmosphere
		if x := f.v["pressure"]; x.set {
			p = units.Pascal(x.v * 100)
		}
		if rh, err := air.HumidityFromWetBulb(units.Celsius(f.v["dry"].v), units.Celsius(f.v["wet"].v), p); err == nil {
			parts = append(parts, fmt.Sprintf("which is %.0f %% relative humidity", float64(rh)))
		}
	}
	return strings.Join(parts, ", ")
}
