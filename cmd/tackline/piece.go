package main

import (
	"fmt"
	"net/url"
	"strings"

	"github.com/spf13/cobra"

	"tackline/advisor/units/quantity"
)

func jobSlots() slots {
	return slots{slotText("name", "name", "name of the job"), slotText("boat", "boat", "what it is"), slotText("owner", "owner", "whose it is"), slotText("note", "note", "a note"),
		slotAt("begins", "begins", "when it began")}
}

func newJobAddCmd(d *desk) *cobra.Command {
	all := jobSlots()[1:]
	c := &cobra.Command{Use: "add NAME", Short: "Begin a job", Example: `  tackline job add "Sandpiper" --boat "plywood dinghy" --owner Wren`, Args: cobra.ExactArgs(1)}
	all.on(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		payload := map[string]any{"name": args[0]}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "add-job", payload, all, "job %d, "+plain(args[0]))
	}
	return c
}

// plain makes a text safe within a sentence that has a number put in.
func plain(s string) string { return strings.ReplaceAll(s, "%", "%%") }

func newJobListCmd(d *desk) *cobra.Command {
	return &cobra.Command{Use: "list", Short: "List the jobs", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		items, err := d.all(c.Context(), "jobs", nil)
		if err != nil {
			return err
		}
		return d.list(items, "No job yet: tackline job add NAME.", func(t thing) []string {
			state := "running"
			if t.yes("closed") {
				state = "closed"
			}
			return []string{t.str("name"), state, t.str("boat"), "since " + t.when(d.e, "begins")}
		})
	}}
}

func newJobEditCmd(d *desk) *cobra.Command {
	all := jobSlots()
	c := &cobra.Command{Use: "edit JOB", Short: "Correct what was said of a job", Example: "  tackline job edit 2 --owner \"Wren and Ida\"", Args: cobra.ExactArgs(1)}
	all.on(c)
	rev := revFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		id, err := d.find(c.Context(), "jobs", "job", args[0])
		if err != nil {
			return err
		}
		return d.edit(c, "jobs", "edit-job", "job", id, *rev, all, "closed")
	}
	return c
}

// newJobCloseCmd closes or opens a job again.
func newJobCloseCmd(d *desk, use, short string, closed bool) *cobra.Command {
	return &cobra.Command{Use: use + " JOB", Short: short, Args: cobra.ExactArgs(1), RunE: func(c *cobra.Command, args []string) error {
		id, err := d.find(c.Context(), "jobs", "job", args[0])
		if err != nil {
			return err
		}
		was, err := d.one(c.Context(), "jobs", id)
		if err != nil {
			return err
		}
		payload := map[string]any{}
		jobSlots().copyFrom(was, payload)
		payload["job"], payload["saw_rev"], payload["closed"] = id, was["rev"], closed
		what := "job %d is open again"
		if closed {
			what = "job %d is closed; its record stays"
		}
		return d.keep(c.Context(), "edit-job", payload, nil, what)
	}}
}

func pieceSlots() slots {
	return slots{
		slotText("lie", "lie", "overhead, upright or flat"),
		slotText("timber", "timber", "what it is of"),
		slotMeasure("thickness", "thickness_mm", quantity.Length(), 0, 500, "thickness; 0 is not known"),
		slotMeasure("density", "density_kg_m3", quantity.Density(), 0, 1500, "at 12 % moisture; 0 is not known"),
		slotMeasure("area", "area_m2", quantity.Area(), 0, 1000, "face that is coated; 0 is not known"),
		slotNumber("faces", "faces", 0, 2, "faces from which air can leave; 0 is not known"),
		slotText("sealed", "sealed_face", "face that lets no air out: coated, back or both"),
		slotText("note", "note", "a note"),
	}
}

// newPieceCmd is "job piece NAME" with "list" and "edit" under it.
func newPieceCmd(d *desk) *cobra.Command {
	all := pieceSlots()
	var job string
	var coated bool
	var mm, m2 float64
	c := &cobra.Command{Use: "piece NAME", Short: "Add a piece to a job; list and edit pieces", Args: cobra.ExactArgs(1),
		Example: "  tackline job piece \"port topside\" --job Sandpiper --lie upright --thickness 9mm --area 4.4m2 --sealed back\n" +
			"  tackline job piece edit \"port topside\" --thickness 12mm",
	}
	c.Flags().StringVar(&job, "job", "", "name or number of the job")
	c.Flags().BoolVar(&coated, "coated", false, "it is not bare timber any more")
	c.Flags().Float64Var(&mm, "thickness-mm", 0, "as --thickness, in mm")
	c.Flags().Float64Var(&m2, "area-m2", 0, "as --area, in m2")
	all.on(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		id, err := d.find(c.Context(), "jobs", "job", job)
		if err != nil {
			return err
		}
		payload := map[string]any{"job": id, "name": args[0], "lie": "flat", "bare": !coated}
		if c.Flags().Changed("thickness-mm") {
			payload["thickness_mm"] = mm
		}
		if c.Flags().Changed("area-m2") {
			payload["area_m2"] = m2
		}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "add-piece", payload, all, "piece %d, "+plain(args[0]))
	}
	c.AddCommand(newPieceListCmd(d), newPieceEditCmd(d))
	return c
}

func newPieceListCmd(d *desk) *cobra.Command {
	var job string
	c := &cobra.Command{Use: "list", Short: "List the pieces", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		query := url.Values{}
		if job != "" {
			id, err := d.find(c.Context(), "jobs", "job", job)
			if err != nil {
				return err
			}
			query.Set("job", fmt.Sprint(id))
		}
		items, err := d.all(c.Context(), "pieces", query)
		if err != nil {
			return err
		}
		return d.list(items, "No piece yet: tackline job piece NAME --job JOB.", func(t thing) []string {
			state := "coated"
			if t.yes("bare_now") {
				state = "bare"
			}
			return []string{t.str("name"), "job " + fmt.Sprint(int64(t.num("job"))), t.str("lie"), state, unlessZero(t.num("thickness_mm"), "mm"), unlessZero(t.num("area_m2"), "m2")}
		})
	}}
	c.Flags().StringVar(&job, "job", "", "of this job only")
	return c
}

func unlessZero(v float64, unit string) string {
	if v == 0 {
		return ""
	}
	return quantity.Number(v) + " " + unit
}

func newPieceEditCmd(d *desk) *cobra.Command {
	all := append(slots{slotText("name", "name", "name of the piece"), slotSwitch("bare", "bare", "it was bare timber when it came into this book; --bare=false: it was coated")}, pieceSlots()...)
	c := &cobra.Command{Use: "edit PIECE", Short: "Correct what was said of a piece", Example: "  tackline job piece edit \"port topside\" --thickness 12mm --sealed back", Args: cobra.ExactArgs(1)}
	all.on(c)
	rev := revFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		id, err := d.find(c.Context(), "pieces", "piece", args[0])
		if err != nil {
			return err
		}
		return d.edit(c, "pieces", "edit-piece", "piece", id, *rev, all, "job")
	}
	return c
}

// newTapeCmd says where a probe sits.
func newTapeCmd(d *desk) *cobra.Command {
	all := slots{slotText("place", "place", "surface (taped to it) or timber (in it); default surface"), slotAt("from", "from", "since when; default now"), slotAt("to", "to", "until when; default until it is moved")}
	var piece string
	var off bool
	c := &cobra.Command{Use: "tape PROBE --piece PIECE | --off", Short: "Say to which piece a probe is taped, or that it was taken off", Args: cobra.ExactArgs(1),
		Long:    "A probe that is taped to another piece has been moved: it speaks for the first until then, and for the second from then on.",
		Example: "  tackline job tape surface --piece \"port topside\" --from 08:30\n  tackline job tape surface --off"}
	c.Flags().StringVar(&piece, "piece", "", "name or number of the piece")
	c.Flags().BoolVar(&off, "off", false, "it was taken off")
	all.on(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		payload := map[string]any{"probe": args[0], "piece": 0}
		what := "probe " + plain(args[0]) + " is on no piece"
		if off == (piece != "") {
			return usagef("give either --piece or --off")
		}
		if !off {
			id, err := d.find(c.Context(), "pieces", "piece", piece)
			if err != nil {
				return err
			}
			payload["piece"], what = id, fmt.Sprintf("probe %s is on piece %d", plain(args[0]), id)
		}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "place-probe", payload, all, what)
	}
	c.AddCommand(&cobra.Command{Use: "list", Short: "List where the probes sat, from a time to a time", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		items, err := d.all(c.Context(), "placements", nil)
		if err != nil {
			return err
		}
		return d.list(items, "No probe was taped to a piece: tackline job tape PROBE --piece PIECE.", func(t thing) []string {
			until := t.when(d.e, "until")
			if until == "" {
				until = "now"
			}
			where := fmt.Sprintf("piece %.0f", t.num("piece"))
			if t.num("piece") == 0 {
				where = "no piece"
			}
			return []string{t.str("probe"), where, t.str("place"), t.when(d.e, "from") + " to " + until}
		})
	}})
	return c
}
