package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"tackline/daemon/backup"
)

func newBackupCmd(e env) *cobra.Command {
	var keep int64
	var flags *dataFlags
	c := &cobra.Command{
		Use:   "backup FOLDER",
		Short: "Copy readings and job book to a folder, while the daemon runs",
		Long: "Copies both databases into a new folder within FOLDER, checks the copy, and only then gives it its name. It may run while the daemon runs;\n" +
			"the readings of the last minute may be missing from it. Do not copy the .db files by hand: what was written last is not in them yet.",
		Example: "  tackline backup /media/stick --keep 14",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			from, _, err := flags.shed()
			if err != nil {
				return err
			}
			if c.Flags().Changed("keep") && keep < 1 {
				return usagef("--keep %d: want 1 or more", keep)
			}
			made, err := backup.Make(c.Context(), from, args[0], e.now())
			if err != nil {
				return err
			}
			fmt.Fprintln(e.out, made)
			if keep == 0 {
				return nil
			}
			gone, err := backup.Prune(args[0], keep)
			for _, g := range gone {
				fmt.Fprintln(e.out, "removed "+g)
			}
			return err
		},
	}
	flags = addDataFlags(c, e)
	c.Flags().Int64Var(&keep, "keep", 0, "remove the oldest backups in FOLDER beyond this number (0 removes none)")
	return c
}

func newRestoreCmd(e env) *cobra.Command {
	var only bool
	var flags *dataFlags
	c := &cobra.Command{
		Use:   "restore BACKUP",
		Short: "Bring a backup back, while the daemon is stopped",
		Long: "Checks a backup and puts it in place of readings and job book. It refuses while the daemon runs. What was there is moved to a folder beside,\n" +
			"never deleted. --check only reads the backup through: exit code 3 where it is not whole.",
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if only {
				what, err := backup.Check(c.Context(), args[0])
				if err != nil {
					fmt.Fprintln(e.out, err)
					return errWanting
				}
				fmt.Fprintf(e.out, "%s: whole, made %s, files: %d\n", args[0], what.Made.Format("2006-01-02 15:04:05 UTC"), len(what.Files))
				return nil
			}
			to, _, err := flags.shed()
			if err != nil {
				return err
			}
			aside, err := backup.Restore(c.Context(), args[0], to, e.now())
			if aside != "" {
				fmt.Fprintf(e.out, "What was there is in %s\n", aside)
			}
			if err == nil {
				fmt.Fprintf(e.out, "Restored to %s\n", to)
			}
			return err
		},
	}
	flags = addDataFlags(c, e)
	c.Flags().BoolVar(&only, "check", false, "only check the backup")
	return c
}
