package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"tackline/daemon/config"
	"tackline/sensors/drivers"
)

// defaultConfig is where the package puts the config.
const defaultConfig = "/etc/tackline/tackline.toml"

// configFlag adds --config. TACKLINE_CONFIG moves its default.
func configFlag(c *cobra.Command, e env) *string {
	def := defaultConfig
	if p := e.getenv("TACKLINE_CONFIG"); p != "" {
		def = p
	}
	return c.Flags().String("config", def, "the config file (default from TACKLINE_CONFIG where that is set)")
}

type finding struct {
	File  string `json:"file"`
	Line  *int64 `json:"line"`
	Col   *int64 `json:"col"`
	Field string `json:"field"`
	Wrong string `json:"wrong"`
	Want  string `json:"want"`
}

type checkOut struct {
	Config   string    `json:"config"`
	OK       bool      `json:"ok"`
	Findings []finding `json:"findings"`
	Notices  []finding `json:"notices"`
}

func newCheckCmd(e env) *cobra.Command {
	var asJSON, strict bool
	c := &cobra.Command{
		Use:   "check [--config FILE]",
		Short: "Check the config, and the systems and files that it names",
		Long: "Reads the config as the daemon does, changes nothing, and prints every mistake with its line, its field, what is wrong and what would be\n" +
			"right. Exit code 0: the daemon would start. 3: it has mistakes. Notices are things that are allowed and worth knowing; with --strict they\n" +
			"count as mistakes.",
		Args: cobra.NoArgs,
	}
	path := configFlag(c, e)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	c.Flags().BoolVar(&strict, "strict", false, "exit 3 on notices too")
	c.RunE = func(*cobra.Command, []string) error {
		conf, err := config.Load(*path)
		var wrong config.Errors
		if err != nil && !errors.As(err, &wrong) {
			return err
		}
		if len(wrong) == 0 {
			wrong = checkProbes(conf)
		}
		if asJSON {
			out := checkOut{Config: *path, OK: len(wrong) == 0, Findings: findings(wrong), Notices: findings(conf.Notices)}
			if err := printJSON(e.out, out); err != nil {
				return err
			}
		} else {
			for _, w := range wrong {
				fmt.Fprintln(e.out, w.Error())
			}
			for _, n := range conf.Notices {
				fmt.Fprintln(e.out, "notice: "+n.Error())
			}
			if len(wrong) == 0 {
				fmt.Fprintf(e.out, "%s: ok: %s, probes: %d, alerts: %d\n", *path, conf.Shed.Name, len(conf.Probes), len(conf.Alerts))
			}
		}
		if len(wrong) > 0 || strict && len(conf.Notices) > 0 {
			return errWanting
		}
		return nil
	}
	return c
}

// checkProbes asks the drivers, which read the traces that are to be replayed. No bus is touched.
func checkProbes(conf config.Config) (wrong config.Errors) {
	set := drivers.New(drivers.Env{Dir: conf.Dir(), Zone: conf.Shed.Zone, Sys: conf.Shed.Sys})
	for i, p := range conf.Probes {
		if err := set.Check(drivers.Spec{Kind: p.Kind, Name: p.Name, Place: p.Place, Options: p.Options}); err != nil {
			wrong = append(wrong, conf.ProbeError(i, err))
		}
	}
	return wrong
}

func findings(list config.Errors) []finding {
	out := []finding{}
	for _, e := range list {
		f := finding{File: e.File, Field: e.Field, Wrong: e.Wrong, Want: e.Want}
		if e.Line > 0 {
			f.Line, f.Col = &e.Line, &e.Col
		}
		out = append(out, f)
	}
	return out
}
