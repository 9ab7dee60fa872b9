package main

import (
	"fmt"
	"log/slog"
	"os"

	"github.com/spf13/cobra"

	"tackline/daemon"
)

func newDemoCmd(e env) *cobra.Command {
	var seed uint64
	var speed float64
	var listen string
	c := &cobra.Command{
		Use:   "demo",
		Short: "Run an invented winter shed: no hardware, no config, no internet",
		Long: "Runs the daemon over a simulated winter shed with ten days of history, two finished coats and one that is about to grab, sixty times\n" +
			"faster than life. Shed, weather, boat and resin are invented. It keeps its data in a temporary folder, and removes it at the end.",
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if !(speed > 0) {
				return usagef("--speed %g: want shed seconds per second, above 0, such as 60", speed)
			}
			folder, err := os.MkdirTemp("", "tackline-demo-")
			if err != nil {
				return err
			}
			defer os.RemoveAll(folder)
			log := slog.New(slog.NewTextHandler(e.err, &slog.HandlerOptions{Level: slog.LevelWarn}))
			d, err := daemon.NewDemo(c.Context(), daemon.DemoOptions{Seed: seed, Speed: speed, Folder: folder, Listen: listen, Version: buildVersion().Version, Log: log})
			if err != nil {
				return err
			}
			fmt.Fprintf(e.out, "Invented shed, seed %d, %g times real speed.\nPage:  http://%s/\nData:  %s (removed at the end)\nStop with Ctrl-C.\n", seed, speed, d.Addr(), folder)
			return d.Run(c.Context())
		},
	}
	c.Flags().Uint64Var(&seed, "seed", 1, "random seed of weather and probes")
	c.Flags().Float64Var(&speed, "speed", 60, "shed seconds per second, above 0")
	c.Flags().StringVar(&listen, "listen", "127.0.0.1:8417", "address of the page")
	return c
}
