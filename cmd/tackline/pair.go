package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"rsc.io/qr"
)

func newPairCmd(e env) *cobra.Command {
	offer := map[string]string{}
	var phone, person, may string
	var asJSON bool
	c := &cobra.Command{
		Use:   "pair",
		Short: "Let a phone write: shows a code for its camera; list and revoke paired phones",
		Long: "Shows a code that pairs one phone, once, within ten minutes. The phone shows what it is about to be, and is paired when that is confirmed.\n" +
			"Whoever has paired phones in a shed: tackline pair list, and tackline pair revoke NUMBER for one that is lost.",
		Example: "  tackline pair\n  tackline pair --person Wren --phone \"Wren's phone\" --may admin",
		Args:    noCommand,
	}
	cl := serverFlag(c, e)
	c.RunE = func(c *cobra.Command, _ []string) error {
		for name, v := range map[string]string{"phone": phone, "person": person, "may": may} {
			if v != "" {
				offer[name] = v
			}
		}
		b, err := cl.call(c.Context(), http.MethodPost, "/api/v1/pairings", offer)
		if err != nil {
			return err
		}
		if asJSON {
			_, err := e.out.Write(b)
			return err
		}
		var got struct {
			Code     string   `json:"code"`
			Links    []string `json:"links"`
			GoodForS int64    `json:"good_for_s"`
			Note     string   `json:"note"`
		}
		if err := json.Unmarshal(b, &got); err != nil || len(got.Links) == 0 {
			return fmt.Errorf("the daemon's answer can't be read; are both of one version? %w", err)
		}
		fmt.Fprintf(e.out, "Point the phone's camera at this. It pairs one phone, within %d minutes.\n\n", got.GoodForS/60)
		if err := printQR(e.out, got.Links[0]); err != nil {
			return err
		}
		fmt.Fprintf(e.out, "\n%s\nCode to type on the page /pair: %s\n", got.Links[0], got.Code)
		for _, l := range got.Links[1:] {
			fmt.Fprintf(e.out, "or:   %s\n", l)
		}
		if got.Note != "" {
			fmt.Fprintf(e.out, "Note: %s.\n", got.Note)
		}
		return nil
	}
	c.Flags().StringVar(&phone, "phone", "", "name of the phone; without it the phone is asked")
	c.Flags().StringVar(&person, "person", "", "whose phone it is, by name or number in the job book; without it the phone is asked")
	c.Flags().StringVar(&may, "may", "", "read, write, or admin: pairs and revokes too (default write)")
	c.PersistentFlags().BoolVar(&asJSON, "json", false, "print the answer as JSON")
	c.AddCommand(newPairListCmd(e, cl, &asJSON), newPairRevokeCmd(e, cl, &asJSON))
	return c
}

// pairedPhone is what the client reads of a phone.
type pairedPhone struct {
	ID     int64      `json:"id"`
	Name   string     `json:"name"`
	Who    string     `json:"who"`
	May    string     `json:"may"`
	Paired *time.Time `json:"paired"`
	Seen   *time.Time `json:"seen"`
}

func newPairListCmd(e env, cl *client, asJSON *bool) *cobra.Command {
	return &cobra.Command{Use: "list", Short: "List the paired phones", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		b, err := cl.call(c.Context(), http.MethodGet, "/api/v1/phones", nil)
		if err != nil {
			return err
		}
		if *asJSON {
			_, err := e.out.Write(b)
			return err
		}
		var got struct{ Phones []pairedPhone }
		if err := json.Unmarshal(b, &got); err != nil {
			return fmt.Errorf("the daemon's answer can't be read: %w", err)
		}
		if len(got.Phones) == 0 {
			fmt.Fprintln(e.out, "No phone is paired: tackline pair.")
			return nil
		}
		w := tabwriter.NewWriter(e.out, 0, 0, 2, ' ', 0)
		for _, p := range got.Phones {
			used := "not used yet"
			if p.Seen != nil {
				used = "used " + p.Seen.Local().Format("2 Jan 2006 15:04")
			}
			fmt.Fprintf(w, "%d\t%s\t%s\tmay %s\t%s\n", p.ID, plain(p.Name), plain(p.Who), p.May, used)
		}
		return w.Flush()
	}}
}

func newPairRevokeCmd(e env, cl *client, asJSON *bool) *cobra.Command {
	return &cobra.Command{Use: "revoke NUMBER", Short: "Take a phone's rights away, at once", Example: "  tackline pair revoke 2", Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if n, err := strconv.ParseInt(args[0], 10, 64); err != nil || n < 1 {
				return usagef("%q is no number of a phone: see tackline pair list", args[0])
			}
			b, err := cl.call(c.Context(), http.MethodPost, "/api/v1/phones/"+args[0]+"/revoke", map[string]any{})
			if err != nil {
				return err
			}
			if *asJSON {
				_, err := e.out.Write(b)
				return err
			}
			var p pairedPhone
			if err := json.Unmarshal(b, &p); err != nil {
				return fmt.Errorf("the daemon's answer can't be read: %w", err)
			}
			fmt.Fprintf(e.out, "Phone %d, %s, can do no more than a stranger now.\n", p.ID, plain(p.Name))
			return nil
		}}
}

// printQR draws a code for a camera, two rows of it in a line of text. On a terminal it is black on white whatever the terminal's own colours are;
// elsewhere the light parts are the ones that are drawn.
func printQR(w io.Writer, text string) error {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return fmt.Errorf("draw the code: %w", err)
	}
	on, off := "", ""
	if f, ok := w.(*os.File); ok {
		if st, err := f.Stat(); err == nil && st.Mode()&os.ModeCharDevice != 0 {
			on, off = "\x1b[97;40m", "\x1b[0m"
		}
	}
	const quiet = 2 // modules around it; four are asked for, and the terminal's own margin does for the rest
	light := func(x, y int) bool {
		return y < code.Size+quiet && !(x >= 0 && y >= 0 && x < code.Size && y < code.Size && code.Black(x, y))
	}
	for y := -quiet; y < code.Size+quiet; y += 2 {
		var line strings.Builder
		for x := -quiet; x < code.Size+quiet; x++ {
			switch up, down := light(x, y), light(x, y+1); {
			case up && down:
				line.WriteString("█")
			case up:
				line.WriteString("▀")
			case down:
				line.WriteString("▄")
			default:
				line.WriteString(" ")
			}
		}
		if _, err := fmt.Fprintf(w, "%s%s%s\n", on, line.String(), off); err != nil {
			return err
		}
	}
	return nil
}
