package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"

	"tackline/daemon/sdnotify"
)

// Keep runs a daemon by the options that load gives, until ctx ends. At each again the options are loaded anew and the whole daemon is swapped
// for one of the new ones: the files are closed and opened, and nothing reaches into a running part. New options that are wrong, or that no
// daemon can be made of, change nothing: the old daemon goes on (or is started again by the old options), and log, page, metrics and service
// manager say that the reload was refused. A mistake of the first config is returned as it is.
func Keep(ctx context.Context, load func() (Options, error), again <-chan os.Signal) error {
	o, err := load()
	if err != nil {
		return err
	}
	d, err := New(o)
	if err != nil {
		return err
	}
	manager := managerOf(d.log)
	for {
		life, end := context.WithCancel(ctx)
		ended := make(chan error, 1)
		go func() { ended <- d.Run(life) }()
		next, err := d.untilSwap(ctx, load, again, manager, ended)
		end()
		if next == nil {
			return err
		}
		if err := <-ended; err != nil { // what was buffered is on the disk now, or this says why not
			d.log.Error("the old config's run did not end well", "error", err)
		}
		if ctx.Err() != nil {
			return nil
		}
		fresh, err := New(*next)
		if err == nil {
			o, d = *next, fresh
			d.log.Info("the new config is in force", "file", d.o.Config.File)
			continue
		}
		if d, err = resume(o, err); err != nil {
			return err
		}
		d.log.Error("no daemon could be made of the new config: the old one goes on", "error", d.errs.get("config"))
	}
}

// resume starts the old options once more, with what was wrong with the new ones.
func resume(o Options, wrong error) (*Daemon, error) {
	d, err := New(o)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("daemon: neither the new config nor the old one can be run: %w", wrong), err)
	}
	d.errs.set("config", wrong)
	return d, nil
}

// untilSwap waits until the daemon has ended, then next is nil and err what it said, or until there are new options that can be believed.
func (d *Daemon) untilSwap(ctx context.Context, load func() (Options, error), again <-chan os.Signal, manager *sdnotify.Notifier, ended <-chan error) (next *Options, err error) {
	for {
		select {
		case err := <-ended:
			return nil, err
		case <-ctx.Done():
			_ = manager.Stopping() // it may have gone
			return nil, <-ended
		case <-again:
		}
		if now, err := sdnotify.Monotonic(); err == nil {
			_ = manager.Reloading(now)
		}
		o, err := load()
		if err == nil {
			err = o.validate()
		}
		if err == nil {
			return &o, nil // the new daemon says that it is ready
		}
		d.errs.set("config", err)
		d.log.Error("the new config is wrong: the old one goes on", "error", err)
		_ = manager.Status("the new config is wrong, the old one goes on: " + err.Error())
		_ = manager.Ready()
		d.nudge()
	}
}

// managerOf gives the service manager; nil, which takes everything and tells nobody, where there is none.
func managerOf(log *slog.Logger) *sdnotify.Notifier {
	n, err := sdnotify.New(os.Getenv("NOTIFY_SOCKET"))
	if err != nil {
		log.Warn("the service manager cannot be told", "error", err)
		return nil
	}
	return n
}
