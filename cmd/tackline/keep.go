package main

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"sort"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
)

// desk is what the commands of the job book share: the daemon, who speaks, and how the answer is printed.
type desk struct {
	e      env
	cl     *client
	who    string
	asJSON bool
}

// newDesk adds the flags that all commands under c have.
func newDesk(c *cobra.Command, e env) *desk {
	d := &desk{e: e, cl: serverFlag(c, e)}
	c.PersistentFlags().StringVar(&d.who, "who", e.getenv("TACKLINE_WHO"), "who says so (default from TACKLINE_WHO)")
	c.PersistentFlags().BoolVar(&d.asJSON, "json", false, "print JSON: times in RFC 3339, units in the names")
	return d
}

// groupCmd makes a command that only holds others.
func groupCmd(use, short, example string) *cobra.Command {
	return &cobra.Command{Use: use, Short: short, Example: example, Args: noCommand, RunE: func(c *cobra.Command, _ []string) error { return c.Help() }}
}

// kept is the daemon's answer to a command.
type kept struct {
	Seq    int64    `json:"seq"`
	ID     int64    `json:"id"`
	Rev    int64    `json:"rev"`
	Notes  []string `json:"notes"`
	Repeat bool     `json:"repeat"`
}

// keep has a command of the job book kept and says so: what is a sentence with the thing's number for its %d.
func (d *desk) keep(ctx context.Context, kind string, payload any, all slots, what string) error {
	b, err := d.cl.call(ctx, http.MethodPost, "/api/v1/commands/"+kind, map[string]any{"who": d.who, "key": newKey(), "payload": payload})
	return d.tell(b, err, all, what)
}

func (d *desk) tell(b []byte, err error, all slots, what string) error {
	if err != nil {
		return explained(err, all)
	}
	if d.asJSON {
		return d.raw(b)
	}
	var k kept
	if err := json.Unmarshal(b, &k); err != nil {
		return fmt.Errorf("the daemon's answer can't be read; are both of one version? %w", err)
	}
	if strings.Contains(what, "%d") {
		what = fmt.Sprintf(what, k.ID)
	}
	fmt.Fprintf(d.e.out, "Kept: %s (entry %d).\n", what, k.Seq)
	for _, n := range k.Notes {
		fmt.Fprintf(d.e.out, "Note: %s.\n", strings.TrimSuffix(n, "."))
	}
	return nil
}

// raw prints the daemon's JSON, indented.
func (d *desk) raw(b []byte) error {
	var v any
	dec := json.NewDecoder(strings.NewReader(string(b)))
	dec.UseNumber()
	if err := dec.Decode(&v); err != nil {
		return fmt.Errorf("the daemon's answer can't be read: %w", err)
	}
	return printJSON(d.e.out, v)
}

// thing is something in the job book, field by field.
type thing map[string]json.RawMessage

func (t thing) num(field string) float64 {
	var v float64
	_ = json.Unmarshal(t[field], &v) // null and what is missing stay 0
	return v
}

func (t thing) id() int64 { return int64(t.num("id")) }

func (t thing) str(field string) string {
	var v string
	_ = json.Unmarshal(t[field], &v)
	return v
}

func (t thing) yes(field string) bool { return string(t[field]) == "true" }

// when gives a time as people say it, "" for none.
func (t thing) when(e env, field string) string { return localTime(e, t.str(field)) }

func localTime(e env, s string) string {
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return ""
	}
	return at.In(e.now().Location()).Format("2 Jan 2006 15:04")
}

// all reads a whole list, page by page.
func (d *desk) all(ctx context.Context, path string, query url.Values) ([]thing, error) {
	out := []thing{}
	if query == nil {
		query = url.Values{}
	}
	for {
		var page struct {
			Items []thing
			Next  *int64
		}
		if err := d.cl.get(ctx, "/api/v1/"+path+"?"+query.Encode(), &page); err != nil {
			return nil, err
		}
		out = append(out, page.Items...)
		if page.Next == nil {
			return out, nil
		}
		query.Set("after", strconv.FormatInt(*page.Next, 10))
	}
}

// one reads a single thing by its number.
func (d *desk) one(ctx context.Context, path string, id int64) (thing, error) {
	var t thing
	return t, d.cl.get(ctx, fmt.Sprintf("/api/v1/%s/%d", path, id), &t)
}

// find gives the number of a thing by its name or number.
func (d *desk) find(ctx context.Context, path, what, name string) (int64, error) {
	if id, err := strconv.ParseInt(name, 10, 64); err == nil {
		return id, nil
	}
	list, err := d.all(ctx, path, nil)
	if err != nil {
		return 0, err
	}
	var hits, names []string
	id := int64(0)
	for _, t := range list {
		names = append(names, fmt.Sprintf("%d %s", t.id(), t.str("name")))
		if strings.EqualFold(t.str("name"), name) {
			id = t.id()
			hits = append(hits, strconv.FormatInt(id, 10))
		}
	}
	switch {
	case len(hits) == 1:
		return id, nil
	case len(hits) > 1:
		return 0, usagef("there are %d of the name %q: give the number, one of %s", len(hits), name, strings.Join(hits, ", "))
	case name == "":
		return 0, usagef("which %s? give its name or number: there are %s", what, orNone(names))
	}
	return 0, usagef("%s %q is not in the job book: there are %s", what, name, orNone(names))
}

func orNone(names []string) string {
	if len(names) == 0 {
		return "none yet"
	}
	return strings.Join(names, ", ")
}

// list prints a list as a table, or as JSON.
func (d *desk) list(items []thing, none string, row func(thing) []string) error {
	if d.asJSON {
		return printJSON(d.e.out, items)
	}
	if len(items) == 0 {
		fmt.Fprintln(d.e.out, none)
		return nil
	}
	table := make([][]string, 0, len(items))
	for _, t := range items {
		table = append(table, append([]string{fmt.Sprintf("%4d", t.id())}, row(t)...))
	}
	rows(d.e.out, table)
	return nil
}

// edit changes what stands in the book. The revision is that of the present, or the one that --rev names: what someone else changed since is told.
func (d *desk) edit(c *cobra.Command, path, kind, own string, id, rev int64, all slots, more ...string) error {
	was, err := d.one(c.Context(), path, id)
	if err != nil {
		return err
	}
	payload := map[string]any{own: id, "saw_rev": json.Number(was["rev"])}
	if rev > 0 {
		payload["saw_rev"] = rev
	}
	all.copyFrom(was, payload, more...)
	if err := all.fill(d.e, c, payload); err != nil {
		return err
	}
	if !anyChanged(c, all) {
		return usagef("nothing to change: give at least one of %s", flagNames(all))
	}
	return d.keep(c.Context(), kind, payload, all, fmt.Sprintf("%s %%d changed", own))
}

func anyChanged(c *cobra.Command, all slots) bool {
	for _, s := range all {
		if c.Flags().Changed(s.flag) {
			return true
		}
	}
	return false
}

func flagNames(all slots) string {
	var names []string
	for _, s := range all {
		names = append(names, "--"+s.flag)
	}
	return strings.Join(names, ", ")
}

func revFlag(c *cobra.Command) *int64 {
	return c.Flags().Int64("rev", 0, "revision that you looked at: refused, with what changed, where someone changed it since (default the present one)")
}

func itemNumber(s, what, see string) (int64, error) {
	id, err := strconv.ParseInt(s, 10, 64)
	if err != nil || id < 1 {
		return 0, usagef("%q is no number of a %s: %s shows them", s, what, see)
	}
	return id, nil
}

// refused is a problem that the daemon answered with.
type refused struct {
	status  int
	detail  string
	Fields  []struct{ Field, Problem string } `json:"errors"`
	Changes *struct {
		Class   string
		ID      int64
		SawRev  int64 `json:"saw_rev"`
		NowRev  int64 `json:"now_rev"`
		Changes []struct {
			Who, Kind string
			At        struct{ Wall string }
			Fields    []struct {
				Field         string
				Before, After json.RawMessage
			}
		}
	} `json:"conflict"`
}

func (r *refused) Error() string {
	return fmt.Sprintf("the daemon refused (%d): %s", r.status, r.detail)
}

// explained says what the daemon said in the words of the command line: flags for fields, and a conflict as who changed what.
func explained(err error, all slots) error {
	r, ok := err.(*refused) //nolint:errorlint // call gives it unwrapped
	if !ok {
		return err
	}
	var b strings.Builder
	switch {
	case r.Changes != nil && len(r.Changes.Changes) > 0:
		c := r.Changes
		fmt.Fprintf(&b, "nothing was kept: %s %d was changed since you looked at it (revision %d, now %d)", c.Class, c.ID, c.SawRev, c.NowRev)
		for _, ch := range c.Changes {
			sort.Slice(ch.Fields, func(i, j int) bool { return ch.Fields[i].Field < ch.Fields[j].Field })
			for _, f := range ch.Fields {
				fmt.Fprintf(&b, "\n  %s at %s: %s was %s, is %s", ch.Who, ch.At.Wall, all.flagOf(f.Field), plainJSON(f.Before), plainJSON(f.After))
			}
		}
		b.WriteString("\nlook again, then repeat what is still right")
	case r.status == http.StatusUnprocessableEntity && len(r.Fields) > 0:
		b.WriteString("nothing was kept:")
		for _, f := range r.Fields {
			fmt.Fprintf(&b, "\n  %s %s", all.flagOf(f.Field), f.Problem)
		}
	default:
		return err
	}
	return fmt.Errorf("%s", b.String())
}

func plainJSON(v json.RawMessage) string {
	if len(v) == 0 || string(v) == "null" {
		return "nothing"
	}
	return string(v)
}
