package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"tackline/advisor"
	"tackline/advisor/sequence"
)

// bookPiece is a piece as the book has it.
type bookPiece struct {
	ID    int64             `json:"id"`
	Rev   int64             `json:"rev"`
	Name  string            `json:"name"`
	Steps []json.RawMessage `json:"steps"`
}

// pieceOf finds a piece by its name or number. Of two of one name the number has to be given.
func pieceOf(c *cobra.Command, cl *client, arg string) (bookPiece, error) {
	var b struct{ Pieces []bookPiece }
	if err := cl.get(c.Context(), "/api/v1/book", &b); err != nil {
		return bookPiece{}, err
	}
	var found []bookPiece
	var names []string
	for _, p := range b.Pieces {
		names = append(names, fmt.Sprintf("%s (%d)", p.Name, p.ID))
		if strings.EqualFold(p.Name, arg) || strconv.FormatInt(p.ID, 10) == arg {
			found = append(found, p)
		}
	}
	switch len(found) {
	case 0:
		return bookPiece{}, usagef("piece %q is not in the job book: want one of %s", arg, strings.Join(names, ", "))
	case 1:
		return found[0], nil
	}
	return bookPiece{}, usagef("more than one piece is named %q: give its number, of %s", arg, strings.Join(names, ", "))
}

func newTemplatesCmd(e env) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{Use: "templates", Short: "List the plans that a piece can start from", Args: cobra.NoArgs, RunE: func(*cobra.Command, []string) error {
		all := sequence.Templates()
		if asJSON {
			return printJSON(e.out, all)
		}
		for _, t := range all {
			fmt.Fprintf(e.out, "%s\n  %s\n", t.Name, t.About)
			for i, s := range t.Steps {
				fmt.Fprintf(e.out, "  %2d. %s\n", i+1, stepLine(s))
			}
		}
		fmt.Fprintln(e.out, "All of it is common practice, no source: change what your maker's sheet says otherwise.")
		return nil
	}}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}

// stepLine says a step in a line.
func stepLine(s sequence.Step) string {
	var b strings.Builder
	b.WriteString(string(s.Work))
	if s.Times() > 1 {
		fmt.Fprintf(&b, " x %d", s.Times())
	}
	if s.UntilFull {
		b.WriteString(", until the weave is full")
	}
	if s.Wait != sequence.Nothing {
		fmt.Fprintf(&b, "; waits for: %s", s.Wait)
	}
	if s.WaitMin > 0 {
		fmt.Fprintf(&b, ", and %.0f min", s.WaitMin)
	}
	for _, x := range []struct {
		v    float64
		text string
	}{{s.FabricGM2, "fabric %g g/m2"}, {s.CoverageGM2, "%g g/m2"}, {s.ServiceC, "to stand %g C"}} {
		if x.v > 0 {
			fmt.Fprintf(&b, "; "+x.text, x.v)
		}
	}
	if s.System != "" {
		fmt.Fprintf(&b, "; %s", s.System)
	}
	if s.Note != "" {
		fmt.Fprintf(&b, " (%s)", s.Note)
	}
	return b.String()
}

// stepEdits is what is to be done to a plan.
type stepEdits struct {
	template, system, from string
	fabric                 float64
	fills                  int64
	drop                   []int64
	insert                 []string
	clear                  bool
}

func (o *stepEdits) any(c *cobra.Command) bool {
	for _, f := range []string{"template", "system", "from", "fabric", "fills", "drop", "insert", "clear"} {
		if c.Flags().Changed(f) {
			return true
		}
	}
	return false
}

func newStepsCmd(e env, cl *client, who *string) *cobra.Command {
	var o stepEdits
	var asJSON bool
	c := &cobra.Command{Use: "steps PIECE", Short: "Show the plan of a piece, set it from a template or a file, or change its steps", Args: cobra.ExactArgs(1)}
	c.Long = "Show the plan of a piece: which step comes next and what must be true for it. With a flag, set or change it.\n" +
		"The order of changes: --clear, --template or --from first, then --drop, then --insert, then --system, --fabric and --fills over what is there."
	f := c.Flags()
	f.StringVar(&o.template, "template", "", "begin with this plan; tackline job templates lists them")
	f.StringVar(&o.from, "from", "", "read the steps from a JSON file, as --json prints them; - is standard input")
	f.BoolVar(&o.clear, "clear", false, "take the plan away")
	f.Int64SliceVar(&o.drop, "drop", nil, "leave out these steps, by number")
	f.StringArrayVar(&o.insert, "insert", nil, "put a step in: NUMBER=WORK, counted after --drop, before the step of that number, e.g. 3=further-fabric; may be repeated")
	f.StringVar(&o.system, "system", "", "resin system of the coats")
	f.Float64Var(&o.fabric, "fabric", 0, "weight of the fabric, g/m2")
	f.Int64Var(&o.fills, "fills", 0, "number of fill coats that is planned")
	f.BoolVar(&asJSON, "json", false, "print JSON: the steps that can be read back by --from, and where the piece stands")
	c.RunE = func(c *cobra.Command, args []string) error {
		p, err := pieceOf(c, cl, args[0])
		if err != nil {
			return err
		}
		if o.any(c) {
			steps, err := o.apply(e, p)
			if err != nil {
				return err
			}
			if _, err := cl.keep(c.Context(), "set-steps", *who, map[string]any{"piece": p.ID, "saw_rev": p.Rev, "steps": steps}); err != nil {
				return err
			}
			if !asJSON {
				fmt.Fprintf(e.out, "Kept: %d steps for %s.\n", len(steps), p.Name)
				for _, r := range sequence.Remarks(steps) {
					fmt.Fprintln(e.out, "  "+r)
				}
			}
			if p, err = pieceOf(c, cl, strconv.FormatInt(p.ID, 10)); err != nil {
				return err
			}
		}
		return showSequence(c, e, cl, p, asJSON)
	}
	return c
}

// apply gives the steps as they are to be.
func (o *stepEdits) apply(e env, p bookPiece) ([]sequence.Step, error) {
	if o.fabric < 0 || o.fills < 0 {
		return nil, usagef("--fabric %g --fills %d: neither can be below 0", o.fabric, o.fills)
	}
	steps, err := o.begin(e, p)
	if err != nil {
		return nil, err
	}
	slices.Sort(o.drop)
	for i := len(o.drop) - 1; i >= 0; i-- {
		n := o.drop[i]
		if n < 1 || n > int64(len(steps)) {
			return nil, usagef("--drop %d: the plan has steps 1 to %d", n, len(steps))
		}
		steps = slices.Delete(steps, int(n-1), int(n))
	}
	for _, in := range o.insert {
		number, word, ok := strings.Cut(in, "=")
		n, err := strconv.ParseInt(number, 10, 64)
		if !ok || err != nil || n < 1 || n > int64(len(steps))+1 {
			return nil, usagef("--insert %q: want NUMBER=WORK with a number from 1 to %d", in, len(steps)+1)
		}
		w, ok := workOf(word)
		if !ok {
			return nil, usagef("--insert %q: %q is not one of %s", in, word, workWords())
		}
		steps = slices.Insert(steps, int(n-1), sequence.Usual(w))
	}
	steps = sequence.Template{Steps: steps}.Fit(o.system, o.fabric, o.fills)
	if bad := sequence.Check(steps); len(bad) > 0 {
		return nil, usagef("%s", strings.TrimPrefix(bad[0].Error(), "sequence: "))
	}
	return steps, nil
}

func (o *stepEdits) begin(e env, p bookPiece) ([]sequence.Step, error) {
	ways := 0
	for _, on := range []bool{o.clear, o.template != "", o.from != ""} {
		if on {
			ways++
		}
	}
	switch {
	case ways > 1:
		return nil, usagef("give one of --clear, --template and --from")
	case o.clear:
		return []sequence.Step{}, nil
	case o.template != "":
		t, ok := sequence.TemplateOf(o.template)
		if !ok {
			return nil, usagef("--template %q is unknown: tackline job templates lists them", o.template)
		}
		return t.Steps, nil
	case o.from != "":
		return readSteps(e, o.from)
	}
	steps := []sequence.Step{}
	for i, raw := range p.Steps {
		var s sequence.Step
		if err := json.Unmarshal(raw, &s); err != nil || s.Work == "" {
			return nil, usagef("step %d of %s was written in an older way (%s): set the plan anew by --template or --from", i+1, p.Name, raw)
		}
		steps = append(steps, s)
	}
	return steps, nil
}

// readSteps reads a list of steps, or an object that has it as "steps".
func readSteps(e env, file string) ([]sequence.Step, error) {
	in := e.in
	if file != "-" {
		f, err := os.Open(file)
		if err != nil {
			return nil, usagef("--from: %v", err)
		}
		defer f.Close()
		in = f
	}
	b, err := io.ReadAll(io.LimitReader(in, 1<<20))
	if err != nil {
		return nil, fmt.Errorf("--from %s: %w", file, err)
	}
	var whole struct {
		Plan []sequence.Step `json:"plan"`
	}
	steps := []sequence.Step{}
	if err := json.Unmarshal(b, &steps); err != nil {
		if err2 := json.Unmarshal(b, &whole); err2 != nil || whole.Plan == nil {
			return nil, usagef("--from %s: want a JSON list of steps, or an object with it as \"plan\": %v", file, err)
		}
		return whole.Plan, nil
	}
	return steps, nil
}

func workOf(word string) (sequence.Work, bool) {
	plain := strings.ToLower(strings.TrimSpace(word))
	for _, w := range sequence.Works() {
		if plain == string(w) || plain == strings.ReplaceAll(string(w), " ", "-") {
			return w, true
		}
	}
	return "", false
}

func workWords() string {
	var all []string
	for _, w := range sequence.Works() {
		if w != sequence.WeaveFull && w != sequence.Inspect {
			all = append(all, strings.ReplaceAll(string(w), " ", "-"))
		}
	}
	return strings.Join(all, ", ")
}

// showSequence prints the plan, and where the piece stands by the newest advice.
func showSequence(c *cobra.Command, e env, cl *client, p bookPiece, asJSON bool) error {
	var a advisor.Advice
	if err := cl.get(c.Context(), "/api/v1/now", &a); err != nil {
		return err
	}
	var on advisor.PieceAdvice
	for _, x := range a.Pieces {
		if x.Piece == p.ID {
			on = x
		}
	}
	if asJSON {
		if p.Steps == nil {
			p.Steps = []json.RawMessage{}
		}
		return printJSON(e.out, map[string]any{"piece_id": p.ID, "piece": p.Name, "rev": p.Rev, "plan": p.Steps, "at": a.At, "next": on.Next, "done": on.Steps, "means": on.Means})
	}
	if len(p.Steps) == 0 {
		fmt.Fprintf(e.out, "%s has no plan: tackline job steps %d --template \"wet method\"; tackline job templates lists more.\n", p.Name, p.ID)
		return nil
	}
	fmt.Fprintf(e.out, "%s (piece %d)\n", p.Name, p.ID)
	current := len(on.Steps) == len(p.Steps) // else the advice is of the plan before
	for i, raw := range p.Steps {
		var s sequence.Step
		if err := json.Unmarshal(raw, &s); err != nil || s.Work == "" {
			fmt.Fprintf(e.out, "%3d. written in an older way, does not count: %s\n", i+1, raw)
			continue
		}
		mark := ""
		if current && on.Steps[i].Work == s.Work {
			mark = placeText(on.Steps[i])
		}
		fmt.Fprintf(e.out, "%3d. %-9s %s\n", i+1, mark, stepLine(s))
	}
	showNext(e, on, current)
	return nil
}

func placeText(p sequence.Place) string {
	if p.Mark == sequence.Partly {
		return fmt.Sprintf("%d of %d", p.Done, p.Times)
	}
	return string(p.Mark)
}

// showNext prints the next step of a piece with its conditions, and what was done out of order.
func showNext(e env, p advisor.PieceAdvice, current bool) {
	if n := p.Next; n != nil && current {
		fmt.Fprintf(e.out, "  %s\n", n.Text)
		for _, c := range n.Conditions {
			fmt.Fprintf(e.out, "    %-8s %-16s %s\n", c.Truth, c.Need, c.Text)
		}
		for _, d := range n.First {
			fmt.Fprintf(e.out, "    first    %-16s %s\n", d.Work, d.Text)
		}
	}
	for _, m := range p.Means {
		fmt.Fprintf(e.out, "  %s, %s: %s\n", m.At.Time().Local().Format("2 Jan 15:04"), m.Work.Past(), m.Text)
	}
}

func newDidCmd(d *desk) *cobra.Command {
	all := slots{slotAt("at", "when", "when; default now"), slotText("note", "note", "a note to it")}
	c := &cobra.Command{Use: "did PIECE WHAT", Short: "Say what was done to a piece, or found on it: " + strings.Join(sequence.DeedWords(), ", "), Args: cobra.MinimumNArgs(2)}
	c.Long = c.Short + ".\nIt is kept whatever the coat beneath is like; tackline job steps PIECE and tackline now say what it means. A slip is taken back by tackline job undo."
	all.on(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		p, err := pieceOf(c, d.cl, args[0])
		if err != nil {
			return err
		}
		what := strings.Join(args[1:], " ")
		w, ok := sequence.DeedOf(what)
		if !ok {
			return usagef("%q is not one of %s; a coat is entered by tackline coat start", what, strings.Join(sequence.DeedWords(), ", "))
		}
		body := map[string]any{"piece": p.ID, "what": w.Past()}
		if err := all.fill(d.e, c, body); err != nil {
			return err
		}
		return d.keep(c.Context(), "did", body, all, plain(p.Name+", "+w.Past()))
	}
	return c
}
