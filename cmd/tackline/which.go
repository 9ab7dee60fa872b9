package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"tackline/daemon"
	"tackline/sensors"
	"tackline/sensors/drivers"
)

func newProbeWhichCmd(e env, cl *client) *cobra.Command {
	var limit, every time.Duration
	c := &cobra.Command{Use: "which", Short: "Warm a probe in the hand: the one that moves is named", Args: cobra.NoArgs,
		Long: "Watches all thermometers, those that nobody reads yet included. Take the one that you mean into a warm hand, or breathe on it: the one that rises by\n" +
			"a kelvin, and three times as far as any other, is named. Humidity probes have a thermometer too."}
	path, sys := benchFlags(c, e)
	c.Flags().DurationVar(&limit, "for", 2*time.Minute, "at longest")
	c.Flags().DurationVar(&every, "every", 2*time.Second, "between looks")
	c.RunE = func(c *cobra.Command, _ []string) error {
		b, err := newBench(e, *path, *sys)
		if err != nil {
			return err
		}
		defer b.set.Close()
		ctx, cancel := context.WithTimeout(c.Context(), limit)
		defer cancel()
		r := &watcher{client: cl, bench: b, local: *sys != ""}
		defer r.close()
		first := map[string]float64{}
		fmt.Fprintln(e.err, "Watching. Take the probe that you mean into a warm hand now.")
		var list []sensors.Moved
		for {
			list = list[:0]
			for name, v := range r.look(ctx) {
				if _, ok := first[name]; !ok {
					first[name] = v
				}
				first[name] = min(first[name], v) // a probe that cools shows where it began when it warms
				list = append(list, sensors.Moved{Name: name, By: v - first[name]})
			}
			if m, ok := sensors.Warmest(list); ok {
				fmt.Fprintf(e.out, "%s (rose by %.1f K)\n", m.Name, m.By)
				return nil
			}
			if err := pause(ctx, every); err != nil {
				break
			}
		}
		if len(first) == 0 {
			return fmt.Errorf("no thermometer answers: tackline probe list shows what is there")
		}
		for _, m := range list {
			fmt.Fprintf(e.out, "%s: %+.2f K\n", m.Name, m.By)
		}
		fmt.Fprintln(e.out, "None rose by a kelvin and three times as far as any other.")
		return errWanting
	}
	return c
}

// watcher looks at all thermometers: through the daemon where one runs, and those of the kernel that nobody reads by itself.
type watcher struct {
	client *client
	bench  *bench
	local  bool
	open   map[string]sensors.Probe
}

// look gives the temperatures that are known, by name.
func (w *watcher) look(ctx context.Context) map[string]float64 {
	out := map[string]float64{}
	var got daemon.ProbesReport
	asked := false
	if !w.local && w.client.get(ctx, "/api/v1/probes", &got) == nil {
		asked = true
		for _, p := range got.Probes {
			for _, l := range p.Latest {
				if l.Quantity == sensors.Temperature.String() {
					out[p.Name] = l.Raw
				}
			}
		}
	}
	if w.open == nil {
		w.openAll(asked)
	}
	for name, p := range w.open {
		one, cancel := context.WithTimeout(ctx, 2*time.Second)
		readings, err := p.Read(one)
		cancel()
		for _, r := range readings {
			if err == nil && r.Quantity == sensors.Temperature && r.Status.Usable() {
				out[name] = r.Value
			}
		}
	}
	return out
}

// openAll opens the sensors that no daemon reads.
func (w *watcher) openAll(daemonRuns bool) {
	w.open = map[string]sensors.Probe{}
	add := func(name string, spec drivers.Spec) {
		if o, err := w.bench.set.Open(spec); err == nil {
			w.open[name] = o.Probe
		}
	}
	if !daemonRuns {
		for _, p := range w.bench.conf.Probes {
			add(p.Name, drivers.Spec{Kind: p.Kind, Name: p.Name, Place: p.Place, Options: p.Options})
		}
	}
	free, _ := w.bench.unassigned() // what could not be listed is not watched
	for _, f := range free {
		add(f.Kind+" "+f.ID, drivers.Spec{Kind: f.Kind, Name: f.ID, Place: sensors.Air, Options: f.Options})
	}
}

func (w *watcher) close() {
	for _, p := range w.open {
		_ = p.Close()
	}
}
