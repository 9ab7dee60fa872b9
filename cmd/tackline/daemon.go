package main

import (
	"log/slog"

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
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			conf, err := config.Load(*path)
			if err != nil {
				return err
			}
			if data != "" {
				conf.Shed.Data = data
			}
			log := slog.New(slog.NewTextHandler(e.err, nil))
			for _, n := range conf.Notices {
				log.Warn(n.Error())
			}
			d, err := daemon.New(daemon.Options{Config: conf, Version: buildVersion().Version, Log: log})
			if err != nil {
				return err
			}
			return d.Run(c.Context())
		},
	}
	path = configFlag(c, e)
	c.Flags().StringVar(&data, "data-dir", "", "folder of the two databases, instead of the config's")
	return c
}
