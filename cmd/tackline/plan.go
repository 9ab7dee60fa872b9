package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tackline/advisor"
	"tackline/advisor/plan"
	"tackline/advisor/units"
	"tackline/daemon/config"
)

func newPlanCmd(e env) *cobra.Command {
	var asJSON bool
	var whatIf []string
	var cl *client
	var offline *planTrace
	c := &cobra.Command{
		Use: "plan [PIECE]", Short: "When to start on a piece so that every coat of its sequence fits, and what would help",
		Long: "Looks at every start of the next two days, each quarter of an hour, in every member of the forecast: the windows of the whole rest of the\n" +
			"sequence, the margin over the dew point, the lowest temperature, outgassing of bare timber, your hours, and how long a batch lasts.\n\n" +
			"A chance is the share of the members in which all of that is kept. Exits with 3 where nothing can be said, or no start is likelier than not.\n\n" +
			"Try something out with --what-if, more than once if you like; \"+\" joins what goes together:\n" +
			"  hold=18C 08:00-16:00     hold the shed at a temperature (burner=propane or burner=kerosene: unvented)\n" +
			"  warm=22C 06:00-09:00     warm the timber first and let it cool while you seal\n" +
			"  tent=5K, lamp=8K 07:00-19:00   over this one piece\n" +
			"  dry=20%, thinner=0.5, system=fast, hours=07:00-20:00",
		Example: "  tackline plan \"port topside\" --what-if \"hold=18C 08:00-16:00\" --what-if \"tent=5K + hours=07:00-20:00\"\n" +
			"  tackline plan --trace shed.csv --at 2026-01-14T07:30:00Z --system medium --sequence \"wet method\" --area 4m2 --moisture 11 --work 08:00-18:00",
		Args: cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if offline.file != "" {
				if len(args) > 0 {
					return usagef("a plan from a trace is of no piece in the job book: leave out %q", args[0])
				}
				p, err := offline.plan(whatIf)
				if err != nil {
					return err
				}
				if asJSON {
					err = printJSON(e.out, p)
				} else {
					showPlan(e, p)
				}
				return errors.Join(err, found(p))
			}
			q := url.Values{}
			if len(args) > 0 {
				q.Set("piece", args[0])
			}
			for _, w := range whatIf {
				if _, err := plan.ParseWhatIf(w); err != nil {
					return usageError{err}
				}
				q.Add("what_if", w)
			}
			b, err := cl.call(c.Context(), http.MethodGet, "/api/v1/plan?"+q.Encode(), nil)
			if err != nil {
				return err
			}
			var p advisor.Plan
			if err := json.Unmarshal(b, &p); err != nil {
				return fmt.Errorf("the daemon's answer can't be read; are both of one version? %w", err)
			}
			if asJSON {
				if _, err = e.out.Write(b); err != nil {
					return err
				}
			} else {
				showPlan(e, p)
			}
			return found(p)
		},
	}
	cl, offline = serverFlag(c, e), addPlanTrace(c, e)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	c.Flags().StringArrayVar(&whatIf, "what-if", nil, "something to be done differently, such as \"hold=18C 08:00-16:00\"")
	return c
}

// found tells by its error that a plan has nothing to offer.
func found(p advisor.Plan) error {
	if p.CantSay != "" || p.Nothing != "" {
		return errWanting
	}
	return nil
}

func showPlan(e env, p advisor.Plan) {
	zone, err := config.ParseZone(p.Zone)
	if err != nil {
		zone = time.UTC // the texts of a zone that this program does not know are in it all the same
	}
	clock := func(at units.Instant) string {
		if !at.Known() {
			return "not within the forecast"
		}
		return at.Time().In(zone).Format("Mon 15:04")
	}
	fmt.Fprintf(e.out, "%s, at %s\n", p.Name, clock(p.At))
	if p.CantSay != "" {
		fmt.Fprintf(e.out, "Can't say: %s.\n", p.CantSay)
		return
	}
	fmt.Fprintf(e.out, "What is left: %s\n", work(p.Work))
	if p.Nothing != "" {
		fmt.Fprintf(e.out, "\n%s\n", p.Nothing)
	}
	for i, s := range p.Best {
		head := "\nBest start"
		if i > 0 {
			head = "\nor"
		}
		fmt.Fprintf(e.out, "%s %s: %.0f %%. %s\n", head, clock(s.At), 100*s.Chance, s.Why)
		showSteps(e, s, clock)
	}
	if len(p.Others) > 0 {
		fmt.Fprintln(e.out, "\nWhy not at other times:")
		var table [][]string
		for _, o := range p.Others {
			table = append(table, []string{"  " + clock(o.From) + " to " + clock(o.To), fmt.Sprintf("%.0f %%", 100*o.Chance), o.Why})
		}
		rows(e.out, table)
	}
	for _, g := range p.WhatIf {
		fmt.Fprintf(e.out, "\nWhat if %s?\n  %s\n", g.WhatIf, g.Text)
		if g.HeatBasis != "" {
			fmt.Fprintf(e.out, "  (Heat is %s.)\n", g.HeatBasis)
		}
		for _, c := range g.Cautions {
			fmt.Fprintf(e.out, "  %s\n", c)
		}
	}
	fmt.Fprintf(e.out, "\nForecast: %s; %d members.\n", p.Basis, p.Members)
	for _, c := range p.Cautions {
		fmt.Fprintln(e.out, c)
	}
}

// work lists the steps that are left, with what they take.
func work(all []advisor.PlanWork) string {
	parts := make([]string, len(all))
	for i, w := range all {
		parts[i] = fmt.Sprintf("%s (%.0f min", w.Step, w.WorkMin)
		if w.Batches > 0 {
			parts[i] += fmt.Sprintf(", %d × %.0f g", w.Batches, w.BatchG)
		}
		parts[i] += ")"
	}
	return strings.Join(parts, ", ")
}

func showSteps(e env, s plan.Start, clock func(units.Instant) string) {
	table := [][]string{{"  step", "early", "likely", "late"}}
	for _, x := range s.Steps {
		table = append(table, []string{"  " + x.Step, clock(x.Early), clock(x.Likely), clock(x.Late)})
	}
	rows(e.out, table)
	night := ""
	if s.Nights > 0 {
		night = fmt.Sprintf(", %d of the nights", s.Nights)
	}
	fmt.Fprintf(e.out, "  %.1f h in the shed%s\n", s.HoursInShed, night)
}
