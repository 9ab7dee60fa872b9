package main

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tackline/advisor"
)

// book is what the client reads of the job book.
type book struct {
	Jobs []struct {
		ID   int64  `json:"id"`
		Name string `json:"name"`
	}
	Pieces []struct {
		ID   int64  `json:"id"`
		Name string `json:"name"`
	}
	Coats []struct {
		ID      int64  `json:"id"`
		Piece   int64  `json:"piece"`
		Kind    string `json:"kind"`
		System  string `json:"system"`
		Started struct {
			MS int64 `json:"ms"`
		} `json:"started"`
		Ended struct {
			MS int64 `json:"ms"`
		} `json:"ended"`
	}
}

func newCoatCmd(e env) *cobra.Command {
	c := &cobra.Command{Use: "coat", Short: "List, start, touch and end coats", Args: noCommand, RunE: func(c *cobra.Command, _ []string) error { return c.Help() }}
	cl := serverFlag(c, e)
	c.AddCommand(newCoatListCmd(e, cl), newCoatStartCmd(e, cl), newCoatTouchCmd(e, cl), newCoatEndCmd(e, cl))
	return c
}

func newCoatListCmd(e env, cl *client) *cobra.Command {
	return &cobra.Command{Use: "list", Short: "List the coats", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		var b book
		if err := cl.get(c.Context(), "/api/v1/book", &b); err != nil {
			return err
		}
		if len(b.Coats) == 0 {
			fmt.Fprintln(e.out, "No coat yet: tackline coat start.")
		}
		var a advisor.Advice
		if err := cl.get(c.Context(), "/api/v1/now", &a); err != nil {
			return err
		}
		newest := map[int64]int64{}
		for _, k := range b.Coats {
			newest[k.Piece] = k.ID
		}
		for _, k := range b.Coats {
			name := ""
			for _, p := range b.Pieces {
				if p.ID == k.Piece {
					name = p.Name
				}
			}
			state := "running"
			if k.Ended.MS > 0 {
				state = "ended " + time.UnixMilli(k.Ended.MS).Local().Format("2 Jan 15:04")
			}
			fmt.Fprintf(e.out, "%4d  %s on %s, %s, since %s, %s\n", k.ID, k.Kind, name, k.System, time.UnixMilli(k.Started.MS).Local().Format("2 Jan 15:04"), state)
			showPlace(e, a, k.ID, k.Piece, newest[k.Piece] == k.ID)
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

func newCoatStartCmd(e env, cl *client) *cobra.Command {
	var piece, kind, system, at, who string
	c := &cobra.Command{Use: "start", Short: "Say that a coat went on", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		var b book
		if err := cl.get(c.Context(), "/api/v1/book", &b); err != nil {
			return err
		}
		id := int64(0)
		var names []string
		for _, p := range b.Pieces {
			names = append(names, p.Name)
			if strings.EqualFold(p.Name, piece) {
				id = p.ID
			}
		}
		if id == 0 {
			return usagef("--piece %q is not in the job book: want one of %s", piece, strings.Join(names, ", "))
		}
		body := map[string]any{"key": newKey(), "piece": id, "kind": kind, "system": system, "who": who}
		if at != "" {
			body["at"] = at
		}
		if _, err := cl.call(c.Context(), http.MethodPost, "/api/v1/coats", body); err != nil {
			return err
		}
		fmt.Fprintf(e.out, "Kept: %s on %s.\n", kind, piece)
		return nil
	}}
	f := c.Flags()
	f.StringVar(&piece, "piece", "", "name of the piece")
	f.StringVar(&kind, "kind", "", "seal, bedding, wet-out, fill, fairing, glue or finish")
	f.StringVar(&system, "system", "", "name of the resin system")
	f.StringVar(&at, "at", "", "first wetting, RFC 3339; default now")
	f.StringVar(&who, "who", "", "who put it on")
	return c
}

func newCoatTouchCmd(e env, cl *client) *cobra.Command {
	var witness bool
	c := &cobra.Command{Use: "touch COAT STATE", Short: "Say what a gloved finger found: wet, tacky, green, firm or sandable", Args: cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			id, err := coatNumber(args[0])
			if err != nil {
				return err
			}
			if _, err := cl.call(c.Context(), http.MethodPost, fmt.Sprintf("/api/v1/coats/%d/touches", id), map[string]any{"key": newKey(), "state": args[1], "witness": witness}); err != nil {
				return err
			}
			fmt.Fprintf(e.out, "Kept: coat %d is %s.\n", id, args[1])
			return nil
		}}
	c.Flags().BoolVar(&witness, "witness", false, "found on a cup or scrap of the same batch")
	return c
}

func newCoatEndCmd(e env, cl *client) *cobra.Command {
	return &cobra.Command{Use: "end COAT", Short: "End a coat: its trace is kept with the job for good", Args: cobra.ExactArgs(1), RunE: func(c *cobra.Command, args []string) error {
		id, err := coatNumber(args[0])
		if err != nil {
			return err
		}
		if _, err := cl.call(c.Context(), http.MethodPost, fmt.Sprintf("/api/v1/coats/%d/end", id), map[string]any{"key": newKey()}); err != nil {
			return err
		}
		fmt.Fprintf(e.out, "Kept: coat %d has ended.\n", id)
		return nil
	}}
}

func coatNumber(s string) (int64, error) {
	id, err := strconv.ParseInt(s, 10, 64)
	if err != nil || id < 1 {
		return 0, usagef("%q is no number of a coat: tackline coat list shows them", s)
	}
	return id, nil
}
