package main

import (
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/spf13/cobra"

	"tackline/daemon"
	"tackline/daemon/config"
)

func newDaemonCmd(e env) *cobra.Command {
	var data string
	var path *string
	c := &cobra.Command{
		Use:   "daemon",
		Short: "Read the probes, log them, advise, ring, and serve the page",
		Long: "Reads the probes, logs them, advises, rings, and serves the page, until it is told to end (SIGTERM).\n" +
			"SIGHUP loads the config anew and swaps all of it; a config with mistakes is refused, and the one before it goes on.",
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			log := slog.New(slog.NewTextHandler(e.err, nil))
			load := func() (daemon.Options, error) {
				conf, err := config.Load(*path)
				if err != nil {
					return daemon.Options{}, err
				}
				if wrong := checkProbes(conf); len(wrong) > 0 {
					return daemon.Options{}, wrong
				}
				if data != "" {
					conf.Shed.Data = data
				}
				for _, n := range conf.Notices {
					log.Warn(n.Error())
				}
				return daemon.Options{Config: conf, Version: buildVersion().Version, Log: log}, nil
			}
			if os.Getenv("GOGC") == "" {
				debug.SetGCPercent(50) // on a small board memory is scarcer than the processor's time
			}
			again := make(chan os.Signal, 1)
			signal.Notify(again, syscall.SIGHUP)
			defer signal.Stop(again)
			return daemon.Keep(c.Context(), load, again)
		},
	}
	path = configFlag(c, e)
	c.Flags().StringVar(&data, "data-dir", "", "folder of the two databases, instead of the config's")
	return c
}
