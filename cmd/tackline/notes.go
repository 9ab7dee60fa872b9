package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"strings"

	"github.com/spf13/cobra"
)

// about are the flags that say what a note or a photo is of.
type about struct{ job, piece, coat string }

func aboutFlags(c *cobra.Command) *about {
	a := &about{}
	c.Flags().StringVar(&a.job, "job", "", "name or number of a job it is of")
	c.Flags().StringVar(&a.piece, "piece", "", "name or number of a piece it is of")
	c.Flags().StringVar(&a.coat, "coat", "", "number of a coat it is of")
	return a
}

// read gives the one thing that was named: "" and 0 for the shed.
func (a *about) read(ctx context.Context, d *desk) (field string, id int64, err error) {
	for _, x := range []struct{ field, path, typed string }{{"job", "jobs", a.job}, {"piece", "pieces", a.piece}, {"coat", "", a.coat}} {
		if x.typed == "" {
			continue
		}
		if field != "" {
			return "", 0, usagef("give one of --job, --piece and --coat")
		}
		field = x.field
		if x.path == "" {
			id, err = itemNumber(x.typed, "coat", "tackline coat list")
		} else {
			id, err = d.find(ctx, x.path, x.field, x.typed)
		}
		if err != nil {
			return "", 0, err
		}
	}
	return field, id, nil
}

func newNoteCmd(d *desk) *cobra.Command {
	all := slots{slotAt("at", "when", "when; default now")}
	c := &cobra.Command{Use: "note TEXT", Short: "Write a note on the shed, a job, a piece or a coat; list notes", Example: "  tackline job note \"sun came round at three\" --piece \"port topside\"", Args: cobra.ExactArgs(1)}
	of := aboutFlags(c)
	all.on(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		payload := map[string]any{"text": args[0]}
		field, id, err := of.read(c.Context(), d)
		if err != nil {
			return err
		}
		if field != "" {
			payload[field] = id
		}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "note", payload, all, "note %d")
	}
	c.AddCommand(newAboutListCmd(d, "notes", "List the notes", "No note yet: tackline job note TEXT.", func(t thing) []string {
		return []string{t.when(d.e, "when"), t.str("who"), aboutText(t), t.str("text")}
	}))
	return c
}

func aboutText(t thing) string {
	for _, f := range []string{"job", "piece", "coat"} {
		if n := t.num(f); n > 0 {
			return fmt.Sprintf("%s %.0f", f, n)
		}
	}
	return "shed"
}

func newAboutListCmd(d *desk, path, short, none string, row func(thing) []string) *cobra.Command {
	c := &cobra.Command{Use: "list", Short: short, Args: cobra.NoArgs}
	of := aboutFlags(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		query := url.Values{}
		field, id, err := of.read(c.Context(), d)
		if err != nil {
			return err
		}
		if field != "" {
			query.Set(field, fmt.Sprint(id))
		}
		items, err := d.all(c.Context(), path, query)
		if err != nil {
			return err
		}
		return d.list(items, none, row)
	}
	return c
}

func newPhotoCmd(d *desk) *cobra.Command {
	all := slots{slotText("caption", "caption", "what is to be seen"), slotAt("at", "when", "when it was taken; default now")}
	c := &cobra.Command{Use: "photo FILE", Short: "Keep a photo (PNG or JPEG, up to 8 MB) with the job; list and fetch photos", Args: cobra.ExactArgs(1),
		Example: "  tackline job photo weave.jpg --coat 14 --caption \"weave full\"\n  tackline job photo get 31 --out weave.jpg"}
	of := aboutFlags(c)
	all.on(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		data, err := os.ReadFile(args[0])
		if err != nil {
			return err
		}
		payload := map[string]any{}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		query := url.Values{"key": {newKey()}}
		if d.who != "" {
			query.Set("who", d.who)
		}
		for k, v := range payload {
			query.Set(k, fmt.Sprint(v))
		}
		field, id, err := of.read(c.Context(), d)
		if err != nil {
			return err
		}
		if field != "" {
			query.Set(field, fmt.Sprint(id))
		}
		b, err := d.cl.send(c.Context(), http.MethodPost, "/api/v1/photos?"+query.Encode(), http.DetectContentType(data), data)
		return d.tell(b, err, all, "photo %d")
	}
	c.AddCommand(newAboutListCmd(d, "photos", "List the photos", "No photo yet: tackline job photo FILE.", func(t thing) []string {
		return []string{t.when(d.e, "when"), aboutText(t), fmt.Sprintf("%.0f x %.0f, %.0f kB", t.num("width"), t.num("height"), t.num("bytes")/1024), t.str("caption")}
	}), newPhotoGetCmd(d))
	return c
}

func newPhotoGetCmd(d *desk) *cobra.Command {
	var out string
	c := &cobra.Command{Use: "get PHOTO", Short: "Write a photo to a file", Args: cobra.ExactArgs(1), RunE: func(c *cobra.Command, args []string) error {
		id, err := itemNumber(args[0], "photo", "tackline job photo list")
		if err != nil {
			return err
		}
		b, err := d.cl.call(c.Context(), http.MethodGet, fmt.Sprintf("/api/v1/photos/%d/image", id), nil)
		if err != nil {
			return err
		}
		if out == "" || out == "-" {
			_, err = d.e.out.Write(b)
			return err
		}
		return os.WriteFile(out, b, 0o644)
	}}
	c.Flags().StringVar(&out, "out", "", "file to write; default standard output")
	return c
}

// newMeterCmd takes readings of instruments in the hand.
func newMeterCmd(d *desk) *cobra.Command {
	all := slots{slotNumber("depth-mm", "depth_mm", 0, 200, "depth of the pins in mm"), slotText("instrument", "instrument", "which meter"), slotAt("at", "when", "when; default now")}
	c := &cobra.Command{Use: "meter PIECE PERCENT", Short: "Enter what a moisture meter shows on the timber of a piece; list readings", Args: cobra.ExactArgs(2),
		Example: "  tackline job meter \"port topside\" 11.5 --depth-mm 5 --instrument \"pin meter\""}
	all.on(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		id, err := d.find(c.Context(), "pieces", "piece", args[0])
		if err != nil {
			return err
		}
		pct, err := slotNumber("", "", 0.1, 100, "").read(d.e, strings.TrimSuffix(args[1], "%"))
		if err != nil {
			return usagef("moisture: %w", err)
		}
		payload := map[string]any{"piece": id, "moisture_pct": pct}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "meter-reading", payload, all, fmt.Sprintf("piece %d has %g %%%% moisture, reading %%d", id, pct))
	}
	c.AddCommand(&cobra.Command{Use: "list", Short: "List the readings of moisture meters", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		items, err := d.all(c.Context(), "meter-readings", nil)
		if err != nil {
			return err
		}
		return d.list(items, "No reading yet: tackline job meter PIECE PERCENT.", func(t thing) []string {
			return []string{t.when(d.e, "when"), fmt.Sprintf("piece %.0f", t.num("piece")), fmt.Sprintf("%g %%", t.num("moisture_pct")), unlessZero(t.num("depth_mm"), "mm deep"), t.str("instrument")}
		})
	}})
	return c
}

func newUndoCmd(d *desk) *cobra.Command {
	all := slots{slotText("note", "note", "why")}
	c := &cobra.Command{Use: "undo ENTRY", Short: "Take back an entry: what it made is withdrawn, what it changed goes back", Args: cobra.ExactArgs(1),
		Long: "An undo is an entry like any other: nothing is erased, and an undo can be undone. Where something was changed again since, or depends on what\n" +
			"would go, it is refused with the reason.",
		Example: "  tackline job history piece 7\n  tackline job undo 31 --note \"wrong piece\""}
	all.on(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		seq, err := itemNumber(args[0], "entry", "tackline job journal")
		if err != nil {
			return err
		}
		payload := map[string]any{"seq": seq}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "undo", payload, all, fmt.Sprintf("entry %d is taken back", seq))
	}
	return c
}

func newHistoryCmd(d *desk) *cobra.Command {
	return &cobra.Command{Use: "history CLASS NUMBER", Short: "Say who did what to one thing: job, piece, person, stock, coat, batch, touch, note, photo ...", Args: cobra.ExactArgs(2),
		Example: "  tackline job history coat 14", RunE: func(c *cobra.Command, args []string) error {
			id, err := itemNumber(args[1], args[0], "its list")
			if err != nil {
				return err
			}
			items, err := d.all(c.Context(), "history/"+url.PathEscape(args[0])+"/"+fmt.Sprint(id), nil)
			if err != nil {
				return err
			}
			if d.asJSON {
				return printJSON(d.e.out, items)
			}
			for _, t := range items {
				d.printChange(t)
			}
			return nil
		}}
}

func (d *desk) printChange(t thing) {
	var at struct{ Wall string }
	_ = json.Unmarshal(t["at"], &at)
	undone := ""
	if n := t.num("undone"); n > 0 {
		undone = fmt.Sprintf(", undone by entry %.0f", n)
	}
	fmt.Fprintf(d.e.out, "entry %.0f, %s, %s: %s%s\n", t.num("seq"), localTime(d.e, at.Wall), t.str("who"), t.str("kind"), undone)
	var fields []struct {
		Field         string
		Before, After json.RawMessage
	}
	_ = json.Unmarshal(t["fields"], &fields)
	for _, f := range fields {
		if t.yes("made") {
			fmt.Fprintf(d.e.out, "  %s %s\n", f.Field, shortJSON(f.After))
			continue
		}
		fmt.Fprintf(d.e.out, "  %s was %s, is %s\n", f.Field, shortJSON(f.Before), shortJSON(f.After))
	}
}

func shortJSON(v json.RawMessage) string {
	s := []rune(plainJSON(v))
	if len(s) > 80 {
		return string(s[:77]) + "..."
	}
	return string(s)
}

func newJournalCmd(d *desk) *cobra.Command {
	var after, limit int64
	c := &cobra.Command{Use: "journal", Short: "List the entries of the job book, oldest first", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		b, err := d.cl.call(c.Context(), http.MethodGet, fmt.Sprintf("/api/v1/journal?after=%d&limit=%d", after, limit), nil)
		if err != nil {
			return explained(err, nil)
		}
		if d.asJSON {
			return d.raw(b)
		}
		var page struct {
			Items []thing
			Next  *int64
		}
		if err := json.Unmarshal(b, &page); err != nil {
			return fmt.Errorf("the daemon's answer can't be read: %w", err)
		}
		for _, t := range page.Items {
			var at struct{ Wall string }
			_ = json.Unmarshal(t["at"], &at)
			fmt.Fprintf(d.e.out, "%4.0f  %s  %s: %s %s\n", t.num("seq"), localTime(d.e, at.Wall), t.str("who"), t.str("kind"), shortJSON(t["payload"]))
		}
		if page.Next != nil {
			fmt.Fprintf(d.e.out, "There is more: --after %d.\n", *page.Next)
		}
		return nil
	}}
	c.Flags().Int64Var(&after, "after", 0, "number of the entry after which to begin")
	c.Flags().Int64Var(&limit, "limit", 50, "at most so many, 1 to 1000")
	return c
}

// newLimitCmd sets a limit of the shed; without a value it lists them.
func newLimitCmd(d *desk) *cobra.Command {
	var unit, source string
	var saw int64
	c := &cobra.Command{Use: "limit [NAME VALUE]", Short: "List the limits that were set by hand, or set one: margin_k, moisture_good_pct, moisture_stop_pct, gas_growth, resin_lowest_c", Args: cobra.MaximumNArgs(2),
		Example: "  tackline job limit margin_k 4 --unit K --source \"the maker's sheet\""}
	c.Flags().StringVar(&unit, "unit", "", "of the value")
	c.Flags().StringVar(&source, "source", "", "who or what says so; it is shown beside the limit")
	c.Flags().Int64Var(&saw, "saw", -1, "number of the limit that you looked at (default the present one)")
	c.RunE = func(c *cobra.Command, args []string) error {
		items, err := d.all(c.Context(), "limits", nil)
		if err != nil {
			return err
		}
		if len(args) < 2 {
			if len(args) == 1 {
				return usagef("want a NAME and a VALUE, or neither for the list")
			}
			return d.list(items, "No limit was set by hand: those of the config and the system hold.", func(t thing) []string {
				return []string{t.str("name"), fmt.Sprintf("%g %s", t.num("value"), t.str("unit")), "since " + t.when(d.e, "when"), t.str("source") + ", set by " + t.str("who")}
			})
		}
		v, err := slotNumber("", "", -1e6, 1e6, "").read(d.e, args[1])
		if err != nil {
			return usagef("value: %w", err)
		}
		if source == "" {
			return usagef("--source is missing: who or what says so")
		}
		if saw < 0 {
			saw = 0
			for _, t := range items {
				if t.str("name") == args[0] {
					saw = t.id()
				}
			}
		}
		return d.keep(c.Context(), "set-limit", map[string]any{"name": args[0], "value": v, "unit": unit, "source": source, "saw_id": saw}, nil, plain(fmt.Sprintf("limit %s is %g %s", args[0], v, unit)))
	}
	return c
}
