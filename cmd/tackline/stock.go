package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"tackline/advisor/batch"
	"tackline/advisor/units/quantity"
)

func stockSlots() slots {
	return slots{
		slotText("what", "what", "resin, hardener, fabric, peel ply, filler or other"),
		slotText("system", "system", "resin system, of resin and hardener"),
		slotText("lot", "lot", "lot as it stands on the drum"),
		slotText("unit", "unit", "g, ml, m (fabric and peel ply by the metre) or each"),
		slotAt("opened", "opened", "when it was opened"),
		slotAt("expiry", "expiry", "end of its shelf life"),
		slotMeasure("width", "width_m", quantity.Metres(), 0, 20, "width of a roll"),
		slotMeasure("weight", "g_m2", quantity.ArealMass(), 0, 5000, "weight of a fabric"),
		slotNumber("lap-mm", "lap_mm", 0, 1000, "overlap of neighbouring widths in mm"),
		slotNumber("waste", "waste", 0, 1, "share that is cut off"),
		slotText("note", "note", "a note"),
	}
}

func newStockCmd(e env) *cobra.Command {
	c := groupCmd("stock", "List, enter, count and use resin, fabric and the rest", "  tackline stock add \"resin drum\" --what resin --system medium --lot R12 --unit g --amount 5000 --opened 2026-01-05 --expiry 2027-01-01\n"+
		"  tackline stock add \"200 g twill\" --what fabric --unit m --amount 20 --width 1.2m --weight 200 --lap-mm 50 --waste 0.1\n  tackline stock use \"200 g twill\" 4.4 --coat 14")
	d := newDesk(c, e)
	c.AddCommand(newStockListCmd(d), newStockAddCmd(d), newStockEditCmd(d), newStockUseCmd(d), newStockNeedCmd(d))
	return c
}

func newStockListCmd(d *desk) *cobra.Command {
	return &cobra.Command{Use: "list", Short: "List what there is, and what is left of it", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		items, err := d.all(c.Context(), "stock", nil)
		if err != nil {
			return err
		}
		return d.list(items, "Nothing yet: tackline stock add NAME.", func(t thing) []string {
			left := quantity.Number(t.num("left")) + " " + t.str("unit") + " left"
			if t.num("left") < 0 {
				left += ": count it again"
			}
			lot, expiry := t.str("lot"), t.when(d.e, "expiry")
			if lot != "" {
				lot = "lot " + lot
			}
			if expiry != "" {
				expiry = "until " + expiry
			}
			if at, err := time.Parse(time.RFC3339, t.str("expiry")); err == nil && !at.After(d.e.now()) {
				expiry = "past its shelf life since " + t.when(d.e, "expiry")
			}
			return []string{t.str("name"), t.str("what"), left, lot, expiry}
		})
	}}
}

func newStockAddCmd(d *desk) *cobra.Command {
	all := append(slots{slotNumber("amount", "amount", 0, 1e7, "how much is in it, in its unit")}, stockSlots()...)
	c := &cobra.Command{Use: "add NAME", Short: "Enter a drum, a roll or a tin", Example: "  tackline stock add \"resin drum\" --what resin --system medium --lot R12 --unit g --amount 5000", Args: cobra.ExactArgs(1)}
	all.on(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		payload := map[string]any{"name": args[0]}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		if payload["unit"] == nil {
			payload["unit"] = map[any]string{"fabric": "m", "peel ply": "m"}[payload["what"]]
		}
		return d.keep(c.Context(), "add-stock", payload, all, "stock item %d, "+plain(args[0]))
	}
	return c
}

func newStockEditCmd(d *desk) *cobra.Command {
	all := append(slots{slotText("name", "name", "what stands on it"), slotNumber("left", "left", 0, 1e7, "a new count of what is left, in its unit")}, stockSlots()...)
	c := &cobra.Command{Use: "edit ITEM", Short: "Correct what was said of an item, or count it again", Example: "  tackline stock edit \"resin drum\" --left 3200", Args: cobra.ExactArgs(1)}
	all.on(c)
	rev := revFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		id, err := d.find(c.Context(), "stock", "item", args[0])
		if err != nil {
			return err
		}
		was, err := d.one(c.Context(), "stock", id)
		if err != nil {
			return err
		}
		if !anyChanged(c, all) {
			return usagef("nothing to change: give at least one of %s", flagNames(all))
		}
		payload := map[string]any{}
		all.copyFrom(was, payload)
		delete(payload, "left") // what is left is counted only where it is said
		payload["stock"], payload["saw_rev"] = id, was["rev"]
		if *rev > 0 {
			payload["saw_rev"] = *rev
		}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "edit-stock", payload, all, "stock item %d changed")
	}
	return c
}

func newStockUseCmd(d *desk) *cobra.Command {
	all := slots{slotNumber("coat", "coat", 1, 1e15, "number of the coat it went into"), slotAt("at", "when", "when; default now"), slotText("note", "note", "a note")}
	c := &cobra.Command{Use: "use ITEM AMOUNT", Short: "Take an amount from stock, in its unit", Example: "  tackline stock use \"200 g twill\" 4.4 --coat 14", Args: cobra.ExactArgs(2)}
	all.on(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		id, err := d.find(c.Context(), "stock", "item", args[0])
		if err != nil {
			return err
		}
		amount, err := slotNumber("", "", 0, 1e7, "").read(d.e, args[1])
		if err != nil {
			return usagef("amount: %w", err)
		}
		payload := map[string]any{"stock": id, "amount": amount}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "use-stock", payload, all, fmt.Sprintf("%g taken from item %d", amount, id))
	}
	return c
}

// newStockNeedCmd says how much of a roll a piece takes, and whether there is enough.
func newStockNeedCmd(d *desk) *cobra.Command {
	area := slots{slotMeasure("area", "area", quantity.Area(), 0.01, 1000, "area to be covered (default that of --piece)")}
	var piece string
	var layers int64
	c := &cobra.Command{Use: "need ITEM --area AREA | --piece PIECE", Short: "Say how many metres of a roll an area takes, lap and waste included", Args: cobra.ExactArgs(1),
		Example: "  tackline stock need \"200 g twill\" --piece \"port topside\" --layers 2"}
	area.on(c)
	c.Flags().StringVar(&piece, "piece", "", "name or number of the piece to be covered")
	c.Flags().Int64Var(&layers, "layers", 1, "of fabric")
	c.RunE = func(c *cobra.Command, args []string) error {
		id, err := d.find(c.Context(), "stock", "item", args[0])
		if err != nil {
			return err
		}
		roll, err := d.one(c.Context(), "stock", id)
		if err != nil {
			return err
		}
		typed := map[string]any{}
		if err := area.fill(d.e, c, typed); err != nil {
			return err
		}
		m2, ok := typed["area"].(float64)
		if !ok {
			on, err := d.find(c.Context(), "pieces", "--piece", piece)
			if err != nil {
				return err
			}
			p, err := d.one(c.Context(), "pieces", on)
			if err != nil {
				return err
			}
			if m2 = p.num("area_m2"); m2 == 0 {
				return usagef("the area of %s is not known: give it with --area, or tackline job piece edit %d --area", p.str("name"), on)
			}
		}
		if roll.str("unit") != "m" || roll.num("width_m") == 0 {
			return usagef("%s is no roll of a known width: tackline stock edit %d --width 1.2m", roll.str("name"), id)
		}
		need, err := batch.Metres(m2, roll.num("width_m"), roll.num("lap_mm")/1000, roll.num("waste"), layers)
		if err != nil {
			return usagef("%w", err)
		}
		left := roll.num("left")
		if d.asJSON {
			return printJSON(d.e.out, map[string]any{"stock": id, "area_m2": m2, "layers": layers, "need_m": need, "left_m": left, "enough": left >= need})
		}
		enough := "there is enough"
		if left < need {
			enough = fmt.Sprintf("%.1f m are missing", need-left)
		}
		fmt.Fprintf(d.e.out, "%.1f m of %s for %g m2 in %d layers, lap and waste included; %.1f m are left: %s.\n", need, roll.str("name"), m2, layers, left, enough)
		return nil
	}
	return c
}
