package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"tackline/daemon/config"
	"tackline/daemon/store"
	"tackline/daemon/transfer"
	"tackline/sensors/tracefile"
)

// dataFlags name the store that a command works on.
type dataFlags struct {
	config *string
	data   string
}

func addDataFlags(c *cobra.Command, e env) *dataFlags {
	f := &dataFlags{config: configFlag(c, e)}
	c.Flags().StringVar(&f.data, "data-dir", "", "folder of the two databases, instead of the config's")
	return f
}

// shed gives the folder, and what the config says of the shed where it can be read.
func (f *dataFlags) shed() (folder string, shed config.Shed, err error) {
	c, err := config.Load(*f.config)
	switch {
	case f.data == "" && err != nil:
		return "", shed, err
	case err != nil:
		return f.data, config.Default().Shed, nil
	case f.data != "":
		return f.data, c.Shed, nil
	}
	return c.Shed.Data, c.Shed, nil
}

func newExportCmd(e env) *cobra.Command {
	var form, probe, from, to, file string
	var flags *dataFlags
	c := &cobra.Command{
		Use:   "export",
		Short: "Write the readings as CSV or line protocol, while the daemon runs",
		Long: "Writes all readings, or those of one probe or one stretch of time. csv has every reading with its status, in UTC and in the shed's local time\n" +
			"with its offset; line is the line protocol of a time-series server, usable readings only, with times in milliseconds.",
		Example: "  tackline export --probe \"bow air\" --from 2026-01-01 --out january.csv",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) (err error) {
			folder, shed, err := flags.shed()
			if err != nil {
				return err
			}
			o := transfer.ExportOptions{Form: transfer.Form(form), Shed: shed.Name, Zone: shed.Zone, Probe: probe}
			if o.Form != transfer.CSV && o.Form != transfer.Line {
				return usagef("--form %q: want csv or line", form)
			}
			if o.From, err = timeFlag("from", from, shed.Zone); err != nil {
				return err
			}
			if o.To, err = timeFlag("to", to, shed.Zone); err != nil {
				return err
			}
			if o.To != 0 && o.To <= o.From {
				return usagef("--to %s: is not after --from", to)
			}
			s, done, err := openCopy(c.Context(), filepath.Join(folder, "readings.db"))
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, done()) }()
			out := e.out
			if file != "" {
				f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
				if err != nil {
					return fmt.Errorf("--out: %w", err)
				}
				defer func() { err = errors.Join(err, f.Close()) }()
				out = f
			}
			n, err := transfer.Export(c.Context(), s, out, o)
			if err != nil {
				return err
			}
			fmt.Fprintf(e.err, "readings: %d, probes: %d", n.Rows, n.Probes)
			if n.Left > 0 {
				fmt.Fprintf(e.err, ", flagged and left out: %d", n.Left)
			}
			fmt.Fprintln(e.err)
			return nil
		},
	}
	flags = addDataFlags(c, e)
	c.Flags().StringVar(&form, "form", "csv", "csv or line")
	c.Flags().StringVar(&probe, "probe", "", "one probe by its name (default all)")
	c.Flags().StringVar(&from, "from", "", "first moment: RFC 3339, or a date or time of the shed's zone such as 2026-01-14 or 2026-01-14T08:00")
	c.Flags().StringVar(&to, "to", "", "first moment that is left out, as --from")
	c.Flags().StringVar(&file, "out", "", "a new file to write to (default the standard output)")
	return c
}

// timeFlag reads a time of a flag, Unix ms; "" is 0.
func timeFlag(flag, text string, zone *time.Location) (int64, error) {
	if text == "" {
		return 0, nil
	}
	for _, form := range []string{time.RFC3339, "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02"} {
		if t, err := time.ParseInLocation(form, text, zone); err == nil {
			return t.UnixMilli(), nil
		}
	}
	return 0, usagef("--%s %q: want a time such as 2026-01-14T08:00:00Z, 2026-01-14T08:00 or 2026-01-14", flag, text)
}

// openCopy opens a copy of a store that a daemon may be writing: no long reader then keeps its write-ahead log from being cut.
func openCopy(ctx context.Context, path string) (*store.Store, func() error, error) {
	dir, err := os.MkdirTemp("", "tackline-copy-")
	if err != nil {
		return nil, nil, err
	}
	clear := func() error { return os.RemoveAll(dir) }
	to := filepath.Join(dir, "readings.db")
	if err := store.Copy(ctx, path, to); err != nil {
		return nil, nil, errors.Join(err, clear())
	}
	s, err := store.Open(ctx, to, store.Options{})
	if err != nil {
		return nil, nil, errors.Join(err, clear())
	}
	return s, func() error { return errors.Join(s.Close(), clear()) }, nil
}

func newImportCmd(e env) *cobra.Command {
	var probe string
	var yes bool
	var trace *traceFlags
	var flags *dataFlags
	c := &cobra.Command{
		Use:   "import FILE.csv",
		Short: "Bring readings in from a CSV file: first shown, then written with --yes",
		Long: "Reads a CSV file of an earlier log, or an export of ours, and shows what it has: columns, times, ranges, and each line that could not be read.\n" +
			"With --yes the rest is written; a second time changes nothing. The daemon must be stopped for that. Other headings are mapped by --columns;\n" +
			"times without an offset are of --zone, or of the shed's zone. A file that says no probes needs --probe.",
		Example: "  tackline import old-logger.csv --probe \"bow air\" --columns time=when,air_c=temperature_f,rh_pct=humidity --zone Europe/Lisbon",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) (err error) {
			folder, shed, err := flags.shed()
			if err != nil {
				return err
			}
			o := tracefile.Options{Node: trace.node, Zone: shed.Zone}
			if o.Columns, err = columnMap(trace.columns); err != nil {
				return err
			}
			if trace.zone != "" {
				if o.Zone, err = trace.location(); err != nil {
					return err
				}
			}
			data, err := os.ReadFile(args[0])
			if err != nil {
				return usageError{err}
			}
			p, err := transfer.Read(data, probe, o)
			if err != nil {
				return err
			}
			p.FlagFuture(e.now())
			showImport(e.out, p, shed.Zone)
			switch {
			case len(p.Rows) == 0:
				return errors.New("there is nothing in it to bring in")
			case !yes:
				fmt.Fprintln(e.out, "Nothing was written. Say --yes to write the readings.")
				return nil
			}
			s, err := store.Open(c.Context(), filepath.Join(folder, "readings.db"), store.Options{})
			if errors.Is(err, store.ErrLocked) {
				return fmt.Errorf("the daemon runs and holds the readings: stop it, import, start it again (%w)", err)
			}
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, s.Close()) }()
			n, err := p.Write(c.Context(), s)
			fmt.Fprintf(e.out, "Written: %d. There already: %d.\n", n.Added, n.Repeated)
			return err
		},
	}
	flags = addDataFlags(c, e)
	trace = &traceFlags{e: e}
	c.Flags().StringVar(&probe, "probe", "", "the probe whose readings these are; not needed for an export of ours")
	c.Flags().StringSliceVar(&trace.columns, "columns", nil, "other headings, such as air_c=north_outside_c,rh_pct=north_outside_rh_pct")
	c.Flags().StringVar(&trace.node, "node", "", "the node to take where several share the file")
	c.Flags().StringVar(&trace.zone, "zone", "", "of times without one: Europe/Lisbon or +01:00 (default the shed's)")
	c.Flags().BoolVar(&yes, "yes", false, "write the readings")
	return c
}

// showImport prints what a file has.
func showImport(w io.Writer, p *transfer.Plan, zone *time.Location) {
	const form = "2006-01-02 15:04:05 -07:00"
	for _, c := range p.Channels {
		fmt.Fprintf(w, "%s (%s), %s: %d readings from %s to %s, %g to %g\n", c.Probe, c.Place, c.Quantity, c.Rows,
			time.UnixMilli(c.From).In(zone).Format(form), time.UnixMilli(c.To).In(zone).Format(form), c.Min, c.Max)
	}
	for _, h := range p.Ignored {
		fmt.Fprintf(w, "left out: column %q\n", h)
	}
	if p.Future > 0 {
		fmt.Fprintf(w, "%d are stamped ahead of now: they are kept, and used for nothing\n", p.Future)
	}
	const most = 20
	for i, l := range p.Wrong {
		if i == most {
			fmt.Fprintf(w, "and %d more lines\n", len(p.Wrong)-most)
			break
		}
		fmt.Fprintf(w, "not read: line %d: %s\n", l.Line, l.Text)
	}
}
