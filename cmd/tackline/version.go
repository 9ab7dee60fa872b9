package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"

	"tackline/daemon/config"
)

type versionOut struct {
	Version      string `json:"version"`
	Commit       string `json:"commit"`
	Go           string `json:"go"`
	OS           string `json:"os"`
	Arch         string `json:"arch"`
	ConfigFormat int64  `json:"config_format"`
}

func buildVersion() versionOut {
	v := versionOut{Version: "unreleased", Go: runtime.Version(), OS: runtime.GOOS, Arch: runtime.GOARCH, ConfigFormat: config.Format}
	if b, ok := debug.ReadBuildInfo(); ok {
		if b.Main.Version != "" && b.Main.Version != "(devel)" {
			v.Version = b.Main.Version
		}
		for _, s := range b.Settings {
			if s.Key == "vcs.revision" {
				v.Commit = s.Value
			}
		}
	}
	return v
}

func newVersionCmd(e env) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use: "version", Short: "Print the version", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			v := buildVersion()
			if asJSON {
				return printJSON(e.out, v)
			}
			fmt.Fprintf(e.out, "tackline %s %s %s/%s, config format %d\n", v.Version, v.Go, v.OS, v.Arch, v.ConfigFormat)
			return nil
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}
