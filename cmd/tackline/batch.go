package main

import (
	"encoding/json"
	"fmt"
	"net/http"

	"github.com/spf13/cobra"

	"tackline/advisor"
	"tackline/advisor/batch"
	"tackline/advisor/units/quantity"
)

const batchCaution = "A pot left standing heats itself, smokes and can burn: mix what you can use, pour it out flat, never leave it. The maker's sheet decides."

func newBatchCmd(e env) *cobra.Command {
	c := groupCmd("batch", "Start a batch, move it from pot to tray, end it, and see how long it lasts",
		"  tackline batch start --system medium --mass 250g --resin 18C --vessel pot --diameter 90mm\n  tackline batch move 17 --vessel tray --tray 900cm2\n  tackline batch list\n  tackline batch end 17 --how used")
	c.Long = "The clock of a batch runs from the moment at which the two parts meet. What it has converted in the pot it carries into the tray.\n" + batchCaution
	d := newDesk(c, e)
	c.AddCommand(newBatchListCmd(d), newBatchStartCmd(d), newBatchMoveCmd(d), newBatchEndCmd(d))
	return c
}

func vesselSlots() slots {
	return slots{
		slotText("vessel", "vessel", "pot or tray"),
		slotMeasure("diameter", "diameter_mm", quantity.Length(), 10, 1000, "of a pot (default the system's, else 80)"),
		slotMeasure("tray", "tray_cm2", quantity.TrayArea(), 10, 20000, "floor of a tray (default 600)"),
	}
}

func newBatchStartCmd(d *desk) *cobra.Command {
	all := append(slots{
		slotText("system", "system", "name of the resin system"),
		slotMeasure("mass", "mass_g", quantity.Mass(), batch.LeastG, batch.MostG, "mixed mass"),
		slotNumber("strokes", "strokes", 1, 10000, "strokes of each pump, in place of --mass"),
		slotMeasure("resin", "resin_c", quantity.Temperature(), -20, 80, "temperature of the resin; without it the time is told more widely"),
		slotAt("at", "when", "when the two parts met; default now"),
		slotText("note", "note", "a note"),
	}, vesselSlots()...)
	var lots []int64
	c := &cobra.Command{Use: "start", Short: "Say that a batch was mixed", Args: cobra.NoArgs, Long: batchCaution,
		Example: "  tackline batch start --system medium --mass 250g --resin 18C --vessel pot --diameter 90mm\n  tackline batch start --system medium --strokes 8 --vessel tray --tray 900cm2"}
	all.on(c)
	c.Flags().Int64SliceVar(&lots, "stock", nil, "numbers of the drums it was taken from: tackline stock list")
	c.RunE = func(c *cobra.Command, _ []string) error {
		payload := map[string]any{"vessel": "pot"}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		if (payload["mass_g"] == nil) == (payload["strokes"] == nil) {
			return usagef("give either --mass (such as 250g) or --strokes")
		}
		if payload["system"] == nil {
			return usagef("--system is missing: the name of the resin system, such as medium")
		}
		if len(lots) > 0 {
			payload["lots"] = lots
		}
		return d.keep(c.Context(), "start-batch", payload, all, "batch %d is mixed; its time runs: tackline batch list")
	}
	return c
}

// numbered reads the batch's number and its revision.
func (d *desk) numbered(c *cobra.Command, s string, rev int64) (int64, any, error) {
	id, err := itemNumber(s, "batch", "tackline batch list")
	if err != nil || rev > 0 {
		return id, rev, err
	}
	was, err := d.one(c.Context(), "batches", id)
	return id, was["rev"], err
}

func newBatchMoveCmd(d *desk) *cobra.Command {
	all := append(vesselSlots(), slotAt("at", "when", "when; default now"))
	c := &cobra.Command{Use: "move BATCH", Short: "Say that a batch was emptied into another vessel, such as from the pot into the tray", Args: cobra.ExactArgs(1),
		Example: "  tackline batch move 17 --vessel tray --tray 900cm2"}
	all.on(c)
	rev := revFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		id, saw, err := d.numbered(c, args[0], *rev)
		if err != nil {
			return err
		}
		payload := map[string]any{"batch": id, "saw_rev": saw, "vessel": "tray"}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "move-batch", payload, all, fmt.Sprintf("batch %%d is in the %v", payload["vessel"]))
	}
	return c
}

func newBatchEndCmd(d *desk) *cobra.Command {
	all := slots{slotText("how", "how", "used, left over or went off; default used"), slotAt("at", "when", "when; default now")}
	c := &cobra.Command{Use: "end BATCH", Short: "Say that a batch is used up, or what became of the rest", Example: "  tackline batch end 17 --how \"left over\"", Args: cobra.ExactArgs(1), Long: batchCaution}
	all.on(c)
	rev := revFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		id, saw, err := d.numbered(c, args[0], *rev)
		if err != nil {
			return err
		}
		payload := map[string]any{"batch": id, "saw_rev": saw, "how": "used"}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "end-batch", payload, all, fmt.Sprintf("batch %%d: %v", payload["how"]))
	}
	return c
}

func newBatchListCmd(d *desk) *cobra.Command {
	var past bool
	c := &cobra.Command{Use: "list", Short: "Say how long each running batch lasts; with --all, every batch that there was", Args: cobra.NoArgs}
	c.Flags().BoolVar(&past, "all", false, "those that have ended too, as they were entered")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if past {
			items, err := d.all(c.Context(), "batches", nil)
			if err != nil {
				return err
			}
			return d.list(items, "No batch yet: tackline batch start.", func(t thing) []string {
				amount := unlessZero(t.num("mass_g"), "g")
				if amount == "" {
					amount = unlessZero(t.num("strokes"), "strokes")
				}
				end := "running"
				if at := t.when(d.e, "ended"); at != "" {
					end = t.str("how") + " " + at
				}
				return []string{amount, t.str("system"), t.when(d.e, "mixed"), t.str("vessel"), fmt.Sprintf("%d moves", len(list(t["moves"]))), end}
			})
		}
		return d.runningBatches(c)
	}
	return c
}

func list(raw json.RawMessage) []json.RawMessage {
	var out []json.RawMessage
	_ = json.Unmarshal(raw, &out)
	return out
}

func (d *desk) runningBatches(c *cobra.Command) error {
	b, err := d.cl.call(c.Context(), http.MethodGet, "/api/v1/now", nil)
	if err != nil {
		return explained(err, nil)
	}
	var now struct {
		Batches json.RawMessage `json:"batches"`
	}
	var batches []advisor.BatchAdvice
	if err := json.Unmarshal(b, &now); err != nil {
		return fmt.Errorf("the daemon's answer can't be read: %w", err)
	}
	if d.asJSON {
		return d.raw(now.Batches)
	}
	if err := json.Unmarshal(now.Batches, &batches); err != nil {
		return fmt.Errorf("the daemon's answer can't be read: %w", err)
	}
	if len(batches) == 0 {
		fmt.Fprintln(d.e.out, "No batch stands mixed.")
	}
	for _, b := range batches {
		d.printBatch(b)
	}
	return nil
}

func (d *desk) printBatch(b advisor.BatchAdvice) {
	fmt.Fprintf(d.e.out, "batch %d: %s\n  %s\n", b.Batch, b.Phase, b.Text)
	for _, r := range b.Reasons {
		fmt.Fprintf(d.e.out, "  %s (%s)\n", r.Text, r.Source)
	}
	if b.CantSay != "" || !b.Working.Likely.Known() {
		return
	}
	clock := func(m advisor.Moment) string {
		hour := func(t json.Marshaler) string {
			raw, _ := t.MarshalJSON()
			return localTime(d.e, thing{"t": raw}.str("t"))
		}
		late := "later"
		if m.Late.Known() {
			late = hour(m.Late)
		}
		return fmt.Sprintf("about %s (%s to %s)", hour(m.Likely), hour(m.Early), late)
	}
	fmt.Fprintf(d.e.out, "  working time ends %s\n", clock(b.Working))
	if b.Gel.Likely.Known() {
		fmt.Fprintf(d.e.out, "  gels %s\n", clock(b.Gel))
	}
	switch {
	case b.Runaway:
		fmt.Fprintln(d.e.out, "  left standing it passes 150 C: smoke, charring, fire. Pour it out flat now.")
	case b.PeakC != nil:
		fmt.Fprintf(d.e.out, "  hottest about %.0f C; resin at %.1f C when mixed (%s)\n", *b.PeakC, *b.ResinC.Value, b.ResinFrom)
	}
}
