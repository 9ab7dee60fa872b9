package main

import (
	"fmt"

	"github.com/spf13/cobra"
)

func newJobCmd(e env) *cobra.Command {
	c := &cobra.Command{Use: "job", Short: "List and add jobs and their pieces, plan their steps, say what was done", Args: noCommand, RunE: func(c *cobra.Command, _ []string) error { return c.Help() }}
	cl := serverFlag(c, e)
	var who string
	c.PersistentFlags().StringVar(&who, "who", "", "who says so")
	c.AddCommand(&cobra.Command{Use: "list", Short: "List the jobs", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		var b book
		if err := cl.get(c.Context(), "/api/v1/book", &b); err != nil {
			return err
		}
		if len(b.Jobs) == 0 {
			fmt.Fprintln(e.out, "No job yet: tackline job add NAME.")
		}
		for _, j := range b.Jobs {
			fmt.Fprintf(e.out, "%4d  %s\n", j.ID, j.Name)
		}
		return nil
	}})
	c.AddCommand(&cobra.Command{Use: "add NAME", Short: "Begin a job", Args: cobra.ExactArgs(1), RunE: func(c *cobra.Command, args []string) error {
		id, err := cl.keep(c.Context(), "add-job", who, map[string]any{"name": args[0]})
		if err != nil {
			return err
		}
		fmt.Fprintf(e.out, "Kept: job %d, %s.\n", id, args[0])
		return nil
	}}, newPieceCmd(e, cl, &who), newTemplatesCmd(e), newStepsCmd(e, cl, &who), newDidCmd(e, cl, &who), newUndoCmd(e, cl, &who))
	return c
}

func newPieceCmd(e env, cl *client, who *string) *cobra.Command {
	var job int64
	var lie string
	var thickness, density, area *float64
	var coated bool
	c := &cobra.Command{Use: "piece NAME", Short: "Add a piece to a job", Args: cobra.ExactArgs(1)}
	c.Flags().Int64Var(&job, "job", 0, "number of the job")
	c.Flags().StringVar(&lie, "lie", "flat", "overhead, upright or flat")
	thickness = c.Flags().Float64("thickness-mm", 0, "thickness in mm; 0 is not known")
	density = c.Flags().Float64("density", 0, "kg/m3 at 12 % moisture; 0 is not known")
	area = c.Flags().Float64("area-m2", 0, "face that is coated, m2; 0 is not known")
	c.Flags().BoolVar(&coated, "coated", false, "it is not bare timber any more")
	c.RunE = func(c *cobra.Command, args []string) error {
		id, err := cl.keep(c.Context(), "add-piece", *who, map[string]any{"job": job, "name": args[0], "lie": lie, "thickness_mm": *thickness,
			"density_kg_m3": *density, "area_m2": *area, "bare": !coated})
		if err != nil {
			return err
		}
		fmt.Fprintf(e.out, "Kept: piece %d, %s.\n", id, args[0])
		return nil
	}
	return c
}
