package main

import (
	"fmt"
	"net/http"
	"strings"

	"github.com/spf13/cobra"

	"tackline/advisor"
	"tackline/advisor/units"
)

func newNowCmd(e env) *cobra.Command {
	var asJSON bool
	var cl *client
	c := &cobra.Command{
		Use: "now", Short: "What the probes read, verdicts on the pieces and windows of the running coats", Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if asJSON {
				b, err := cl.call(c.Context(), http.MethodGet, "/api/v1/now", nil)
				if err != nil {
					return err
				}
				_, err = e.out.Write(b)
				return err
			}
			var now struct {
				advisor.Advice
				Problem string `json:"problem"`
				Probes  []struct {
					Probe   string       `json:"probe"`
					Problem string       `json:"problem"`
					Last    []heardValue `json:"last"`
				} `json:"probes"`
			}
			if err := cl.get(c.Context(), "/api/v1/now", &now); err != nil {
				return err
			}
			if now.At.Known() {
				fmt.Fprintf(e.out, "At %s\n", moment(now.At))
			} else {
				fmt.Fprintln(e.out, "Nothing was advised yet: it comes with the first readings.")
			}
			if now.Problem != "" {
				fmt.Fprintln(e.out, now.Problem)
			}
			for _, p := range now.Probes {
				parts := valuesOf(p.Last)
				if p.Problem != "" {
					parts = append(parts, p.Problem)
				}
				fmt.Fprintf(e.out, "%s: %s\n", p.Probe, strings.Join(parts, ", "))
			}
			showAdvice(e, now.Advice)
			return nil
		},
	}
	cl = serverFlag(c, e)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

func showAdvice(e env, a advisor.Advice) {
	for _, p := range a.Pieces {
		fmt.Fprintf(e.out, "\n%s: %s\n", p.Name, p.Verdict)
		for _, r := range p.Reasons {
			if r.Verdict == p.Verdict || r.Rule == "margin" {
				fmt.Fprintf(e.out, "  %-10s %-9s %s\n", r.Rule, r.Verdict, r.Text)
			}
		}
		if p.Next != nil {
			fmt.Fprintf(e.out, "  step %d of %d: %s\n", p.Next.Step, p.Next.Of, p.Next.Text)
		}
		for _, m := range p.Means {
			fmt.Fprintf(e.out, "  %s, %s: %s\n", m.At.Time().Local().Format("2 Jan 15:04"), m.Work.Past(), m.Text)
		}
	}
	for _, c := range a.Coats {
		fmt.Fprintf(e.out, "\ncoat %d, %s (%s): %s\n", c.Coat, c.Name, c.System, c.State)
		if c.CantSay != "" {
			fmt.Fprintf(e.out, "  can't say: %s\n", c.CantSay)
			continue
		}
		if c.Lag != nil {
			fmt.Fprintln(e.out, "  far behind: wrong ratio or unmixed? Check the witness cup.")
		}
		for _, w := range c.Windows {
			fmt.Fprintf(e.out, "  %-7s %-8s opens %s, closes %s (early %s)\n", w.Window, w.Phase, moment(w.Opens.Likely), moment(w.Closes.Likely), moment(w.Closes.Early))
		}
	}
	if len(a.Drums) > 0 {
		fmt.Fprintln(e.out)
		showDrums(e, a.Drums)
	}
	if len(a.Pieces) == 0 {
		fmt.Fprintln(e.out, "No piece is in the job book yet: tackline job add, then tackline job piece.")
	}
}

func moment(i units.Instant) string {
	if !i.Known() {
		return "not within two days"
	}
	return i.Time().Local().Format("Mon 15:04")
}
