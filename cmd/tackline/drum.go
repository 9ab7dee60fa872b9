package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"tackline/advisor"
)

func newDrumCmd(e env) *cobra.Command {
	c := groupCmd("drum", "How each drum runs against its sheet, by your touches; set one aside", "  tackline drum list\n  tackline drum forget medium --drum K12 --note \"a new drum\"")
	d := newDesk(c, e)
	c.AddCommand(newDrumListCmd(d), newDrumForgetCmd(d))
	return c
}

func newDrumListCmd(d *desk) *cobra.Command {
	return &cobra.Command{Use: "list", Short: "Say of each drum what touches have taught of it", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		var a advisor.Advice
		if err := d.cl.get(c.Context(), "/api/v1/now", &a); err != nil {
			return err
		}
		if d.asJSON {
			if a.Drums == nil {
				a.Drums = []advisor.DrumAdvice{}
			}
			return printJSON(d.e.out, a.Drums)
		}
		showDrums(d.e, a.Drums)
		if len(a.Drums) == 0 {
			fmt.Fprintln(d.e.out, "No touch has taught anything of a drum yet: the windows are those of the sheets. tackline coat touch.")
		}
		return nil
	}}
}

func showDrums(e env, drums []advisor.DrumAdvice) {
	for _, d := range drums {
		fmt.Fprintln(e.out, d.Text)
	}
}

func newDrumForgetCmd(d *desk) *cobra.Command {
	all := slots{slotText("drum", "drum", "the drum as drum list names it; default the coats of which nobody said the drum"),
		slotAt("at", "when", "touches before it no longer count; default now"), slotText("note", "note", "why")}
	c := &cobra.Command{Use: "forget SYSTEM", Short: "Say that touches so far no longer count for a drum; they stay in the record, and an undo brings them back",
		Example: "  tackline drum forget medium --drum K12 --note \"a new drum\"", Args: cobra.ExactArgs(1)}
	all.on(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		payload := map[string]any{"system": args[0]}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "forget-drum", payload, all, plain(args[0])+" starts from its sheet again")
	}
	return c
}
