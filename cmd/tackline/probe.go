package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tackline/daemon"
	"tackline/daemon/config"
	"tackline/sensors"
	"tackline/sensors/drivers"
)

func newProbeCmd(e env) *cobra.Command {
	c := &cobra.Command{Use: "probe", Short: "List, try, tell apart and calibrate the probes", Args: noCommand, RunE: func(c *cobra.Command, _ []string) error { return c.Help() }}
	cl := serverFlag(c, e)
	c.AddCommand(newProbeListCmd(e, cl), newProbeTryCmd(e, cl), newProbeWhichCmd(e, cl), newProbeCalibrateCmd(e, cl))
	return c
}

// bench is where probes are read without a daemon: the config's, and those that the kernel drives and no probe reads.
type bench struct {
	set  *drivers.Set
	conf config.Config
}

func newBench(e env, path, sys string) (*bench, error) {
	conf, err := config.Load(path)
	if err != nil {
		fmt.Fprintf(e.err, "the config is not used (%s)\n", path)
		conf = config.Default()
	}
	if sys == "" {
		sys = conf.Shed.Sys
	}
	return &bench{drivers.New(drivers.Env{Sys: sys, Zone: conf.Shed.Zone, Dir: conf.Dir(), Note: func(s string) { fmt.Fprintln(e.err, s) }}), conf}, nil
}

// unassigned lists the kernel's sensors that no probe of the config reads.
func (b *bench) unassigned() ([]drivers.Found, error) {
	all, err := b.set.Kernel()
	return slices.DeleteFunc(all, func(f drivers.Found) bool {
		return slices.ContainsFunc(b.conf.Probes, func(p config.Probe) bool { return f.Same(p.Kind, p.Options) })
	}), err
}

// benchFlags adds the flags of commands that can do without a daemon.
func benchFlags(c *cobra.Command, e env) (path *string, sys *string) {
	path = configFlag(c, e)
	return path, c.Flags().String("sys", "", "root of the kernel's tree of devices, where no daemon is asked (default the config's, /sys)")
}

type listOut struct {
	Daemon     bool                      `json:"daemon"` // whether a daemon was asked
	Probes     []daemon.ProbeReport      `json:"probes"`
	Unassigned []daemon.UnassignedReport `json:"unassigned"`
	Nodes      []daemon.NodeReport       `json:"nodes"` // unassigned wireless nodes; only a daemon hears them
	Buses      []int                     `json:"buses"`
	Owned      []string                  `json:"owned"` // addresses that the kernel's drivers have taken
	Scanned    []daemon.UnassignedReport `json:"scanned"`
}

func newProbeListCmd(e env, cl *client) *cobra.Command {
	var asJSON bool
	var scan int64
	c := &cobra.Command{Use: "list", Short: "Probes of the config, sensors that are there, and what nobody reads", Args: cobra.NoArgs,
		Long: "Lists the probes of the config with what they last said, the sensors that the kernel drives and nobody reads, the wireless nodes that are\n" +
			"heard and are no probe yet, and the I2C buses with the addresses that the kernel has taken. Where a daemon runs it is asked; else the config and this board's files are read. --scan also asks each\n" +
			"address of one I2C bus at which a known chip can sit; it is not for use beside a daemon that reads that bus."}
	path, sys := benchFlags(c, e)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	c.Flags().Int64Var(&scan, "scan", -1, "number of an I2C bus to ask for chips")
	c.RunE = func(c *cobra.Command, _ []string) error {
		out := listOut{Probes: []daemon.ProbeReport{}, Unassigned: []daemon.UnassignedReport{}, Nodes: []daemon.NodeReport{}, Buses: []int{}, Owned: []string{}, Scanned: []daemon.UnassignedReport{}}
		b, err := newBench(e, *path, *sys)
		if err != nil {
			return err
		}
		defer b.set.Close()
		var got daemon.ProbesReport
		if err := cl.get(c.Context(), "/api/v1/probes", &got); err == nil && *sys == "" {
			out.Daemon, out.Probes, out.Unassigned, out.Nodes = true, got.Probes, got.Unassigned, got.Nodes
		} else if err := b.list(&out); err != nil {
			return err
		}
		buses, owned, err := b.set.Buses()
		if err != nil {
			return err
		}
		out.Buses = append(out.Buses, buses...)
		for _, o := range owned {
			out.Owned = append(out.Owned, fmt.Sprintf("i2c-%d 0x%02x: %s", o.Bus, o.Address, o.Driver))
		}
		if scan >= 0 {
			found, err := b.set.Scan(c.Context(), int(scan))
			if err != nil {
				return err
			}
			out.Scanned = append(out.Scanned, unassignedOf(found)...)
		}
		if asJSON {
			return printJSON(e.out, out)
		}
		showList(e.out, out, scan >= 0, e.now())
		return nil
	}
	return c
}

func (b *bench) list(out *listOut) error {
	for _, p := range b.conf.Probes {
		out.Probes = append(out.Probes, daemon.ProbeReport{Name: p.Name, Kind: p.Kind, Options: p.Options, Place: string(p.Place), Piece: p.Piece, Presence: "not asked"})
	}
	free, err := b.unassigned()
	out.Unassigned = unassignedOf(free)
	return err
}

func unassignedOf(found []drivers.Found) []daemon.UnassignedReport {
	out := []daemon.UnassignedReport{}
	for _, f := range found {
		u := daemon.UnassignedReport{Kind: f.Kind, ID: f.ID, Text: f.Text}
		for _, q := range f.Quantities {
			u.Quantities = append(u.Quantities, q.String())
		}
		out = append(out, u)
	}
	return out
}

func showList(w io.Writer, out listOut, scanned bool, now time.Time) {
	for _, p := range out.Probes {
		fmt.Fprintf(w, "%-20s %-10s %-9s %s", p.Name, p.Kind, p.Place, p.Presence)
		for _, l := range p.Latest {
			fmt.Fprintf(w, "  %s %.2f (%s)", l.Quantity, l.Value, l.Status)
		}
		if p.Problem != "" {
			fmt.Fprintf(w, "  %s", p.Problem)
		}
		if out.Daemon && len(p.Calibrations) == 0 {
			fmt.Fprint(w, "  not calibrated")
		}
		fmt.Fprintln(w)
	}
	if len(out.Probes) == 0 {
		fmt.Fprintln(w, "The config names no probe.")
	}
	section := func(head string, list []daemon.UnassignedReport) {
		fmt.Fprintln(w, "\n"+head)
		for _, u := range list {
			key := map[string]string{"sysfs": "device", "w1": "address"}[u.Kind]
			if key == "" {
				fmt.Fprintf(w, "  kind = %q  # %s: %s\n", u.Kind, u.ID, strings.Join(u.Quantities, ", "))
				continue
			}
			fmt.Fprintf(w, "  kind = %q  %s = %q  # %s\n", u.Kind, key, u.ID, strings.Join(u.Quantities, ", "))
		}
		if len(list) == 0 {
			fmt.Fprintln(w, "  none")
		}
	}
	section("There, and read by nobody (tackline probe which tells them apart):", out.Unassigned)
	fmt.Fprintln(w, "\nHeard, and no probe yet (tackline node bind NODE PROBE says which probe one is):")
	for _, n := range out.Nodes {
		fmt.Fprintf(w, "  %s  %s\n", n.Node, heardOf(n).line(now))
	}
	switch {
	case !out.Daemon:
		fmt.Fprintln(w, "  wireless nodes are heard by a running daemon only")
	case len(out.Nodes) == 0:
		fmt.Fprintln(w, "  none")
	}
	fmt.Fprintln(w, "\nI2C buses:", strings.Trim(fmt.Sprint(out.Buses), "[]"))
	for _, o := range out.Owned {
		fmt.Fprintf(w, "  taken by the kernel: %s\n", o)
	}
	if scanned {
		section("Answered on the bus:", out.Scanned)
	}
}

func newProbeTryCmd(e env, cl *client) *cobra.Command {
	var count int64
	var every time.Duration
	var kind string
	var settings map[string]string
	c := &cobra.Command{Use: "try [NAME] [--kind KIND --set address=0x44]", Short: "Show live values, errors and the rate of one probe", Args: cobra.MaximumNArgs(1),
		Long: "Reads a probe again and again and shows values, errors and how many reads failed. A probe of the config is shown as the daemon reads it, where\n" +
			"one runs; else it is read here. --kind with --set tries a sensor that no config names yet; it is not for use beside a daemon that reads it."}
	path, sys := benchFlags(c, e)
	c.Flags().Int64Var(&count, "count", 10, "reads")
	c.Flags().DurationVar(&every, "every", 2*time.Second, "between reads")
	c.Flags().StringVar(&kind, "kind", "", "kind of a sensor that is not in the config")
	c.Flags().StringToStringVar(&settings, "set", nil, "its settings: bus=1,address=0x44")
	c.RunE = func(c *cobra.Command, args []string) error {
		if (len(args) == 1) == (kind != "") {
			return usagef("want the name of a probe, or --kind with --set")
		}
		if count < 1 || every < 100*time.Millisecond {
			return usagef("--count from 1, --every from 100ms")
		}
		if len(args) == 1 {
			if _, err := probeOf(c.Context(), cl, args[0]); err == nil {
				return tryDaemon(c.Context(), e, cl, args[0], count, every)
			} else if !errors.Is(err, errNoDaemon) {
				return err
			}
		}
		b, err := newBench(e, *path, *sys)
		if err != nil {
			return err
		}
		defer b.set.Close()
		spec := drivers.Spec{Kind: kind, Name: "try", Place: sensors.Air, Options: settings}
		if kind == "" {
			i := slices.IndexFunc(b.conf.Probes, func(p config.Probe) bool { return p.Name == args[0] })
			if i < 0 {
				return usagef("no probe %q in the config", args[0])
			}
			p := b.conf.Probes[i]
			spec = drivers.Spec{Kind: p.Kind, Name: p.Name, Place: p.Place, Options: p.Options}
		}
		return tryHere(c.Context(), e, b.set, spec, count, every)
	}
	return c
}

// errNoDaemon says that nobody answers at the daemon's address.
var errNoDaemon = errors.New("no daemon")

// probeOf gives what the daemon knows of a probe.
func probeOf(ctx context.Context, cl *client, name string) (daemon.ProbeReport, error) {
	var got daemon.ProbesReport
	if err := cl.get(ctx, "/api/v1/probes", &got); err != nil {
		return daemon.ProbeReport{}, fmt.Errorf("%w: %w", errNoDaemon, err)
	}
	var all []string
	for _, p := range got.Probes {
		if p.Name == name {
			return p, nil
		}
		all = append(all, p.Name)
	}
	return daemon.ProbeReport{}, usagef("the daemon has no probe %q: it has %s", name, strings.Join(all, ", "))
}

func tryDaemon(ctx context.Context, e env, cl *client, name string, count int64, every time.Duration) error {
	first, err := probeOf(ctx, cl, name)
	if err != nil {
		return err
	}
	for i := range count {
		if i > 0 {
			if err := pause(ctx, every); err != nil {
				return err
			}
		}
		p, err := probeOf(ctx, cl, name)
		if err != nil {
			return err
		}
		fmt.Fprintf(e.out, "%-12s", p.Presence)
		for _, l := range p.Latest {
			fmt.Fprintf(e.out, "  %s %.3f, raw %.3f (%s) at %s", l.Quantity, l.Value, l.Raw, l.Status, l.At.Local().Format("15:04:05"))
		}
		if p.LastError != "" && p.Failures+p.Bad > 0 {
			fmt.Fprintf(e.out, "  last error: %s", p.LastError)
		}
		fmt.Fprintln(e.out)
		first.Reads, p.Reads = min(first.Reads, p.Reads), max(first.Reads, p.Reads)
		if i == count-1 {
			fmt.Fprintf(e.out, "Since the daemon began: %s\n", rate(p.Reads, p.Failures+p.Bad))
		}
	}
	return nil
}

func rate(reads, bad int64) string {
	share := 0.0
	if reads > 0 {
		share = 100 * float64(bad) / float64(reads)
	}
	return fmt.Sprintf("reads %d, failed or bad %d (%.1f %%)", reads, bad, share)
}

func tryHere(ctx context.Context, e env, set *drivers.Set, spec drivers.Spec, count int64, every time.Duration) error {
	if err := set.Check(spec); err != nil {
		return usageError{err}
	}
	o, err := set.Open(spec)
	if err != nil {
		return err
	}
	defer o.Probe.Close()
	var bad int64
	begun := time.Now()
	for i := range count {
		if i > 0 {
			if err := pause(ctx, every); err != nil {
				return err
			}
		}
		one, cancel := context.WithTimeout(ctx, 3*time.Second)
		at := time.Now()
		readings, err := o.Probe.Read(one)
		cancel()
		took := time.Since(at).Round(time.Millisecond)
		if err != nil {
			bad++
			fmt.Fprintf(e.out, "failed after %v: %v\n", took, err)
			continue
		}
		for _, r := range readings {
			fmt.Fprintf(e.out, "%s %.3f (%s)  ", r.Quantity, r.Value, r.Status)
		}
		fmt.Fprintf(e.out, "in %v\n", took)
	}
	fmt.Fprintf(e.out, "In %v: %s\n", time.Since(begun).Round(time.Second), rate(count, bad))
	if bad > 0 {
		return errWanting
	}
	return nil
}

func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}
