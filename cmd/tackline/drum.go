package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"tackline/advisor"
)

func newDrumCmd(e env) *cobra.Command {
	c := &cobra.Command{Use: "drum", Short: "How each drum runs against its sheet, by your touches; set one aside", Args: noCommand,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() }}
	cl := serverFlag(c, e)
	c.AddCommand(newDrumListCmd(e, cl), newDrumForgetCmd(e, cl))
	return c
}

func newDrumListCmd(e env, cl *client) *cobra.Command {
	return &cobra.Command{Use: "list", Short: "Say of each drum what touches have taught of it", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		var a advisor.Advice
		if err := cl.get(c.Context(), "/api/v1/now", &a); err != nil {
			return err
		}
		showDrums(e, a.Drums)
		if len(a.Drums) == 0 {
			fmt.Fprintln(e.out, "No touch has taught anything of a drum yet: the windows are those of the sheets. tackline coat touch.")
		}
		return nil
	}}
}

func showDrums(e env, drums []advisor.DrumAdvice) {
	for _, d := range drums {
		fmt.Fprintln(e.out, d.Text)
	}
}

func newDrumForgetCmd(e env, cl *client) *cobra.Command {
	var drum, note, who string
	c := &cobra.Command{Use: "forget SYSTEM", Short: "Say that touches so far no longer count for a drum; they stay in the record, and an undo brings them back",
		Args: cobra.ExactArgs(1), RunE: func(c *cobra.Command, args []string) error {
			id, err := cl.keep(c.Context(), "forget-drum", who, map[string]any{"system": args[0], "drum": drum, "note": note})
			if err != nil {
				return err
			}
			name := args[0]
			if drum != "" {
				name = fmt.Sprintf("%s, drum %s", name, drum)
			}
			fmt.Fprintf(e.out, "Kept: %s starts from its sheet again (entry %d).\n", name, id)
			return nil
		}}
	f := c.Flags()
	f.StringVar(&drum, "drum", "", "the drum as drum list names it; default the coats of which nobody said the drum")
	f.StringVar(&note, "note", "", "why")
	f.StringVar(&who, "who", "", "who says so")
	return c
}
