package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tackline/daemon/config"
)

func newAlertCmd(e env) *cobra.Command {
	c := groupCmd("alert", "What rings now, and whether it can reach you: list, seen, snooze, try", "  tackline alert try \"my phone\"\n  tackline alert snooze coat/12/margin 1h")
	d := newDesk(c, e)
	c.AddCommand(newAlertListCmd(d), newAlertSeenCmd(d), newAlertSnoozeCmd(d), newAlertTryCmd(d))
	return c
}

func newAlertListCmd(d *desk) *cobra.Command {
	return &cobra.Command{Use: "list", Short: "What holds now, and how each way of telling is doing", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		b, err := d.cl.call(c.Context(), http.MethodGet, "/api/v1/alerts", nil)
		if err != nil {
			return err
		}
		if d.asJSON {
			return d.raw(b)
		}
		var a struct {
			Standing []struct {
				Key, Title, Severity, By string
				Since                    time.Time
				Told, Acknowledged       bool
				Snoozed                  *time.Time `json:"snoozed_until"`
			}
			Ways []struct {
				Name      string
				LastOK    time.Time `json:"last_ok"`
				LastFail  time.Time `json:"last_fail"`
				LastError string    `json:"last_error"`
				Failing   int64
				Waiting   int64
				SentToday int64 `json:"sent_today"`
				Spent     bool
			}
		}
		if err := json.Unmarshal(b, &a); err != nil {
			return fmt.Errorf("the daemon's answer can't be read; are both of one version? %w", err)
		}
		if len(a.Standing) == 0 {
			fmt.Fprintln(d.e.out, "Nothing holds that would ring.")
		}
		for _, s := range a.Standing {
			more := ""
			switch {
			case s.Acknowledged:
				more = ", seen by " + s.By
			case s.Snoozed != nil:
				more = ", silent until " + s.Snoozed.Local().Format("15:04")
			case !s.Told:
				more = ", waits for the end of the quiet hours"
			}
			fmt.Fprintf(d.e.out, "%-9s %s since %s%s\n          %s\n", s.Severity, s.Title, s.Since.Local().Format("2 Jan 15:04"), more, s.Key)
		}
		if len(a.Ways) == 0 {
			fmt.Fprintln(d.e.out, "No way of telling is in the config: nothing reaches a phone.")
		}
		for _, w := range a.Ways {
			state := "not used yet"
			if !w.LastOK.IsZero() {
				state = "last through " + w.LastOK.Local().Format("2 Jan 15:04")
			}
			if w.Failing > 0 {
				state += fmt.Sprintf("; failing since, %d times, last %s: %s", w.Failing, w.LastFail.Local().Format("2 Jan 15:04"), w.LastError)
			}
			if w.Waiting > 0 {
				state += fmt.Sprintf("; waiting: %d", w.Waiting)
			}
			if w.Spent {
				state += "; the day's budget is spent"
			}
			fmt.Fprintf(d.e.out, "way %q: %s; sent in 24 h: %d\n", w.Name, state, w.SentToday)
		}
		return nil
	}}
}

func newAlertSeenCmd(d *desk) *cobra.Command {
	return &cobra.Command{Use: "seen KEY", Short: "Say that you have seen it: it is not repeated unless it becomes worse", Args: cobra.ExactArgs(1), RunE: func(c *cobra.Command, args []string) error {
		return d.keep(c.Context(), "acknowledge", map[string]any{"alert_key": args[0]}, nil, args[0]+" is seen")
	}}
}

func newAlertSnoozeCmd(d *desk) *cobra.Command {
	return &cobra.Command{Use: "snooze KEY TIME", Short: "Keep it silent for a time such as 1h, then hear of it again if it still holds", Args: cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			length, err := config.ParseLength(args[1])
			if err != nil || length < time.Minute || length > 7*24*time.Hour {
				return usagef("%q is no time from 1min to 7d: want such as 30min or 2h", args[1])
			}
			var now struct{ At time.Time }
			if err := d.cl.get(c.Context(), "/api/v1/now", &now); err != nil { // by the shed's clock, not this machine's
				return err
			}
			return d.keep(c.Context(), "snooze", map[string]any{"alert_key": args[0], "until_ms": now.At.Add(length).UnixMilli()}, nil, args[0]+" is silent for "+args[1])
		}}
}

func newAlertTryCmd(d *desk) *cobra.Command {
	return &cobra.Command{Use: "try [WAY...]", Short: "Send a trial message by each way, or those named, and print the server's real answer", RunE: func(c *cobra.Command, args []string) error {
		b, err := d.cl.call(c.Context(), http.MethodPost, "/api/v1/alerts/try", map[string]any{"ways": args})
		if err != nil {
			return err
		}
		var a struct {
			Trials []struct {
				Way, Answer string
				OK          bool
			}
		}
		if err := json.Unmarshal(b, &a); err != nil {
			return fmt.Errorf("the daemon's answer can't be read; are both of one version? %w", err)
		}
		if d.asJSON {
			if err := d.raw(b); err != nil {
				return err
			}
		}
		failed := 0
		for _, t := range a.Trials {
			word := "accepted"
			if !t.OK {
				word, failed = "not accepted", failed+1
			}
			if !d.asJSON {
				fmt.Fprintf(d.e.out, "%s: %s. %s\n", t.Way, word, strings.TrimSpace(t.Answer))
			}
		}
		switch {
		case len(a.Trials) == 0:
			return errors.New("no way of telling is in the config: see deploy/tackline.toml for the kinds")
		case failed > 0:
			return errWanting
		}
		return nil
	}}
}
