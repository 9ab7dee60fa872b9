package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tackline/daemon/config"
)

// Exit codes.
const (
	exitOK      = 0
	exitFailed  = 1
	exitUsage   = 2
	exitWanting = 3  // checked, and found wanting
	exitConfig  = 78 // EX_CONFIG of sysexits: the unit does not restart on it
)

// env is what a command has of the world, so that tests run commands in their own process.
type env struct {
	in       io.Reader
	out, err io.Writer
	now      func() time.Time
	getenv   func(string) string
}

func systemEnv() env {
	return env{in: os.Stdin, out: os.Stdout, err: os.Stderr, now: time.Now, getenv: os.Getenv}
}

// newRootCmd makes the whole command. A further subcommand is one line below.
func newRootCmd(e env) *cobra.Command {
	root := &cobra.Command{
		Use:   "tackline",
		Short: "Says when a shed and a hull are fit to coat with epoxy, and when the next coat must follow",
		Long: "tackline logs the conditions in a shed, says when a hull may be coated with epoxy and when the next coat must follow, rings a phone,\n" +
			"and keeps the cure record. Its advice rests on your probes and on the numbers of your resin's own sheet; the sheet wins over it.\n\n" +
			"Exit codes: 0 ok, 1 failed, 2 usage, 3 checked and found wanting, 78 config.",
		Args:          noCommand,
		RunE:          func(c *cobra.Command, _ []string) error { return c.Help() },
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.SetIn(e.in)
	root.SetOut(e.out)
	root.SetErr(e.err)
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return usageError{flagError(err)} })
	root.AddGroup(&cobra.Group{ID: groupShed, Title: "The shed:"}, &cobra.Group{ID: groupHand, Title: "Calculators for a hand-held meter:"})
	root.SuggestionsMinimumDistance = 2

	add(root, groupShed,
		newDemoCmd(e),
		newDaemonCmd(e),
		newNowCmd(e),
		newPlanCmd(e),
		newCoatCmd(e),
		newDrumCmd(e),
		newJobCmd(e),
		newBatchCmd(e),
		newStockCmd(e),
		newPeopleCmd(e),
		newAlertCmd(e),
		newPairCmd(e),
		newRecordCmd(e),
		newNodeCmd(e),
		newHandCmd(e),
		newProbeCmd(e),
		newCheckCmd(e),
		newDoctorCmd(e),
		newImportCmd(e),
		newExportCmd(e),
		newBackupCmd(e),
		newRestoreCmd(e),
		newYardCmd(e),
	)
	add(root, groupHand,
		newAirCmd(e),
		newTimberCmd(e),
		newOutgasCmd(e),
		newCureCmd(e),
		newForecastCmd(e),
		newPotCmd(e),
		newMixCmd(e),
	)
	root.AddCommand(newVersionCmd(e))
	for _, more := range further {
		root.AddCommand(more(e))
	}
	return root
}

// further are the commands of other builds of this program; the shipped one has none.
var further []func(env) *cobra.Command

const groupShed, groupHand = "shed", "hand"

func add(root *cobra.Command, group string, cmds ...*cobra.Command) {
	for _, c := range cmds {
		c.GroupID = group
		root.AddCommand(c)
	}
}

// run runs one command and gives its exit code.
func run(ctx context.Context, e env, args []string) int {
	root := newRootCmd(e)
	started := false
	root.PersistentPreRun = func(*cobra.Command, []string) { started = true }
	root.SetArgs(args)
	cmd, err := root.ExecuteContextC(ctx)
	if err == nil {
		return exitOK
	}
	code := exitCode(err)
	if !started {
		code = exitUsage
	}
	say(e.err, cmd, err, code)
	return code
}

// say tells people what went wrong. Findings have been printed by the command itself.
func say(w io.Writer, cmd *cobra.Command, err error, code int) {
	if errors.Is(err, errWanting) {
		return
	}
	fmt.Fprintf(w, "%s: %v\n", cmd.CommandPath(), err)
	if code == exitUsage {
		fmt.Fprintf(w, "see: %s --help\n", cmd.CommandPath())
	}
}

// usageError is a command line that cannot be understood or values that cannot be.
type usageError struct{ err error }

func (e usageError) Error() string { return e.err.Error() }
func (e usageError) Unwrap() error { return e.err }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// errWanting ends a command that has checked something, found it wanting and printed what.
var errWanting = errors.New("found wanting")

func exitCode(err error) int {
	var usage usageError
	var conf config.Errors
	switch {
	case errors.Is(err, errWanting):
		return exitWanting
	case errors.As(err, &usage):
		return exitUsage
	case errors.As(err, &conf):
		return exitConfig
	}
	return exitFailed
}

// flagError says what is wrong with a flag in our own words. The library's are: invalid argument "x" for "--air" flag: cause.
func flagError(err error) error {
	cause := errors.Unwrap(err)
	if cause == nil {
		return err
	}
	_, name, ok := strings.Cut(strings.TrimSuffix(err.Error(), cause.Error()), `" for "`)
	name, _, closed := strings.Cut(name, `" flag: `)
	if !ok || !closed {
		return err
	}
	if num := (*strconv.NumError)(nil); errors.As(cause, &num) {
		return fmt.Errorf("%s: %q is not what it takes; see its help", name, num.Num)
	}
	return fmt.Errorf("%s: %w", name, cause)
}

// noCommand refuses words after the program's name that are no command.
func noCommand(c *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	text := fmt.Sprintf("there is no command %q", args[0])
	if near := c.SuggestionsFor(args[0]); len(near) > 0 {
		text += "; did you mean " + strings.Join(near, " or ") + "?"
	}
	return usageError{errors.New(text)}
}
