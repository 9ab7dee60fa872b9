package main

import (
	"encoding/json"
	"fmt"

	"github.com/spf13/cobra"

	"tackline/advisor"
	"tackline/advisor/units/quantity"
)

func newCoatCmd(e env) *cobra.Command {
	c := groupCmd("coat", "List, start, touch, correct and end coats",
		"  tackline coat start --piece \"port topside\" --kind bedding --system medium --resin 18C --batch 17\n  tackline coat touch 19 tacky\n  tackline coat end 19")
	d := newDesk(c, e)
	c.AddCommand(newCoatListCmd(d), newCoatStartCmd(d), newCoatTouchCmd(d), newCoatEditCmd(d), newCoatEndCmd(d))
	return c
}

// coats reads the coats with their advice, page by page.
func (d *desk) coats(c *cobra.Command) ([]thing, error) {
	out, after := []thing{}, int64(0)
	for {
		var page struct {
			Coats []thing
			Next  *int64
		}
		if err := d.cl.get(c.Context(), fmt.Sprintf("/api/v1/coats?after=%d", after), &page); err != nil {
			return nil, err
		}
		out = append(out, page.Coats...)
		if page.Next == nil {
			return out, nil
		}
		after = *page.Next
	}
}

func newCoatListCmd(d *desk) *cobra.Command {
	return &cobra.Command{Use: "list", Short: "List the coats, oldest first", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		coats, err := d.coats(c)
		if err != nil {
			return err
		}
		if d.asJSON {
			return printJSON(d.e.out, coats)
		}
		if len(coats) == 0 {
			fmt.Fprintln(d.e.out, "No coat yet: tackline coat start.")
		}
		var a advisor.Advice
		if err := d.cl.get(c.Context(), "/api/v1/now", &a); err != nil {
			return err
		}
		newest := map[float64]float64{}
		for i := len(coats) - 1; i >= 0; i-- {
			newest[coats[i].num("piece_id")] = coats[i].num("coat_id")
		}
		for i := len(coats) - 1; i >= 0; i-- {
			k := coats[i]
			state := "running"
			if ended := k.when(d.e, "ended"); ended != "" {
				state = "ended " + ended
			} else if a := adviceOf(k); a != "" {
				state = "running, " + a
			}
			fmt.Fprintf(d.e.out, "%4.0f  %s on %s, %s, since %s, %s\n", k.num("coat_id"), k.str("kind"), k.str("piece"), k.str("system"), k.when(d.e, "started"), state)
			showPlace(d.e, a, int64(k.num("coat_id")), int64(k.num("piece_id")), newest[k.num("piece_id")] == k.num("coat_id"))
		}
		return nil
	}}
}

// showPlace says under a coat what its place in the sequence means, and under the newest of a piece which step comes next.
func showPlace(e env, a advisor.Advice, coat, piece int64, newest bool) {
	for _, p := range a.Pieces {
		if p.Piece != piece {
			continue
		}
		for _, m := range p.Means {
			if m.Coat == coat {
				fmt.Fprintf(e.out, "      %s\n", m.Text)
			}
		}
		if newest && p.Next != nil {
			fmt.Fprintf(e.out, "      step %d of %d. %s\n", p.Next.Step, p.Next.Of, p.Next.Text)
		}
	}
}

func adviceOf(k thing) string {
	var a struct {
		State   string `json:"state"`
		CantSay string `json:"cant_say"`
	}
	_ = json.Unmarshal(k["advice"], &a)
	if a.CantSay != "" {
		return "can't say: " + a.CantSay
	}
	return a.State
}

func coatSlots() slots {
	return slots{
		slotText("kind", "kind", "seal, bedding, wet-out, fill, fairing, glue or finish"),
		slotText("system", "system", "name of the resin system"),
		slotMeasure("resin", "resin_c", quantity.Temperature(), -20, 80, "temperature of the resin when mixed"),
		slotMeasure("amount", "amount_g", quantity.Mass(), 1, 100000, "mixed resin on the piece"),
		slotMeasure("area", "area_m2", quantity.Area(), 0, 1000, "coated (default the piece's)"),
		slotNumber("batch", "batch", 1, 1e15, "number of the batch: tackline batch list"),
		slotNumber("over", "over", 1, 1e15, "number of the coat beneath"),
		slotText("fabric", "fabric", "fabric that was laid into it"),
		slotSwitch("peel-ply", "peel_ply", "peel ply was laid into it"),
		slotText("prepared", "preparation", "what was done to what lies beneath: washed, scuffed"),
		slotText("note", "note", "a note"),
		slotAt("at", "when", "first wetting; default now"),
	}
}

func newCoatStartCmd(d *desk) *cobra.Command {
	all := coatSlots()
	var piece string
	c := &cobra.Command{Use: "start", Short: "Say that a coat went on", Args: cobra.NoArgs,
		Example: "  tackline coat start --piece \"port topside\" --kind bedding --system medium --resin 18C --batch 17 --fabric \"200 g twill\""}
	c.Flags().StringVar(&piece, "piece", "", "name or number of the piece")
	all.on(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		id, err := d.find(c.Context(), "pieces", "--piece", piece)
		if err != nil {
			return err
		}
		payload := map[string]any{"piece": id}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "start-coat", payload, all, fmt.Sprintf("%v on %s, coat %%d", payload["kind"], plain(piece)))
	}
	return c
}

func newCoatEditCmd(d *desk) *cobra.Command {
	all := coatSlots()
	c := &cobra.Command{Use: "edit COAT", Short: "Correct what was said of a coat; its record shows the correction", Example: "  tackline coat edit 19 --resin 17C --at 08:40", Args: cobra.ExactArgs(1)}
	all.on(c)
	rev := revFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		id, err := coatNumber(args[0])
		if err != nil {
			return err
		}
		return d.edit(c, "coats", "edit-coat", "coat", id, *rev, all, "piece")
	}
	return c
}

func newCoatTouchCmd(d *desk) *cobra.Command {
	all := slots{slotSwitch("witness", "witness", "found on a cup or scrap of the same batch"), slotAt("at", "when", "when; default now"), slotText("note", "note", "a note")}
	c := &cobra.Command{Use: "touch COAT STATE", Short: "Say what a gloved finger found: wet, tacky, green, firm or sandable", Args: cobra.ExactArgs(2), Example: "  tackline coat touch 19 tacky"}
	all.on(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		id, err := coatNumber(args[0])
		if err != nil {
			return err
		}
		payload := map[string]any{"coat": id, "state": args[1]}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "touch", payload, all, fmt.Sprintf("coat %d is %s", id, plain(args[1])))
	}
	return c
}

func newCoatEndCmd(d *desk) *cobra.Command {
	all := slots{slotAt("at", "when", "when; default now"), slotText("note", "note", "a note")}
	c := &cobra.Command{Use: "end COAT", Short: "End a coat: its trace is kept with the job for good", Args: cobra.ExactArgs(1)}
	all.on(c)
	rev := revFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		id, err := coatNumber(args[0])
		if err != nil {
			return err
		}
		payload := map[string]any{"coat": id, "saw_rev": *rev}
		if *rev == 0 {
			was, err := d.one(c.Context(), "coats", id)
			if err != nil {
				return err
			}
			payload["saw_rev"] = was["rev"]
		}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "end-coat", payload, all, fmt.Sprintf("coat %d has ended", id))
	}
	return c
}

func coatNumber(s string) (int64, error) { return itemNumber(s, "coat", "tackline coat list") }
