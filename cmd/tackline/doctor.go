package main

import (
	"fmt"
	"os/user"
	"slices"
	"strconv"

	"github.com/spf13/cobra"

	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/doctor"
)

func newDoctorCmd(e env) *cobra.Command {
	var asJSON bool
	var root, who string
	c := &cobra.Command{
		Use:   "doctor [--config FILE]",
		Short: "Look the board over: supply, clock, card, permissions",
		Long: "Looks over what makes a winter's log go wrong: low voltage, an unset clock, mount options, free space and wear of the card, a hot board, and\n" +
			"whether the daemon's user may use the buses that the config's probes need; where it may not, the exact group or udev rule that is missing. It changes\n" +
			"nothing. Exit code 3: something is wrong.",
		Args: cobra.NoArgs,
	}
	path := configFlag(c, e)
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	c.Flags().StringVar(&root, "root", "/", "root folder of the board's files")
	c.Flags().StringVar(&who, "user", "tackline", "the user that the daemon runs as; where there is none of this name, who runs this")
	c.RunE = func(*cobra.Command, []string) error {
		conf, err := config.Load(*path)
		if err != nil {
			conf = config.Default()
			fmt.Fprintf(e.err, "the config is not used (%s): looking at I2C bus 1 and %s\n", *path, conf.Shed.Data)
		}
		o := doctor.Options{Root: root, Data: conf.Shed.Data, Who: identity(who)}
		if root == "/" {
			o.Synced = func() bool { return clock.NewSystem().Now().State == clock.Synced }
		}
		for _, p := range conf.Probes {
			o.W1 = o.W1 || p.Kind == "w1"
			if n, err := strconv.ParseInt(p.Options["bus"], 10, 64); err == nil && !slices.Contains(o.Buses, n) {
				o.Buses = append(o.Buses, n)
			}
		}
		if err != nil {
			o.Buses = []int64{1}
		}
		slices.Sort(o.Buses)
		return showFindings(e, doctor.Examine(o), asJSON)
	}
	return c
}

func showFindings(e env, found []doctor.Finding, asJSON bool) error {
	bad := slices.ContainsFunc(found, func(f doctor.Finding) bool { return f.State == doctor.Wrong })
	if asJSON {
		if err := printJSON(e.out, map[string]any{"ok": !bad, "findings": found}); err != nil {
			return err
		}
	} else {
		for _, f := range found {
			fmt.Fprintf(e.out, "%-8s %-12s %s\n", f.State, f.Part, f.Text)
			if f.Do != "" {
				fmt.Fprintf(e.out, "%21s -> %s\n", "", f.Do)
			}
		}
	}
	if bad {
		return errWanting
	}
	return nil
}

// identity looks a user up; where there is none of this name, who runs this.
func identity(name string) doctor.Identity {
	u, err := user.Lookup(name)
	if err != nil {
		if u, err = user.Current(); err != nil {
			return doctor.Identity{User: name, UID: 65534}
		}
	}
	out := doctor.Identity{User: u.Username, UID: number32(u.Uid)}
	ids, err := u.GroupIds()
	if err != nil {
		ids = []string{u.Gid}
	}
	for _, id := range ids {
		out.Groups = append(out.Groups, number32(id))
	}
	return out
}

func number32(s string) uint32 {
	n, err := strconv.ParseUint(s, 10, 32)
	if err != nil {
		return 65534 // nobody's
	}
	return uint32(n)
}
