package daemon

import (
	"errors"
	"fmt"
	"log/slog"
	"time"

	"tackline/advisor"
	"tackline/daemon/alert"
	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/sensors/drivers"
	"tackline/sensors/shed"
)

// Options is what a Daemon is made of. Config is required; the zero value of everything else is right for a board.
type Options struct {
	Config  config.Config
	Version string       // of the program, for records
	Log     *slog.Logger // nil logs nothing
	Clock   clock.Clock  // nil: by the config
	Shed    *shed.Shed   // what probes of kind shed measure; nil: by the config's seed
	ShedNow func() int64 // the present in that shed, Unix ms, where the board's clock may be wrong; nil: the clock's
	Notice  string       // a sentence at the head of every page and record, such as that all is simulated
	Listen  string       // where the page listens; "" is the config's. Port 0 takes a free one, see Addr

	// Disk says how many bytes are free, and how many there are, where a folder is; nil asks the kernel.
	Disk func(folder string) (free, size int64, err error)
	// Observe is called by the main loop after each assessment, with what was concluded and told. It may give commands. It must not keep
	// what it gets beyond the call.
	Observe func(Moment)
	// StopAtEnd ends Run when no probe will ever have another reading: for a replay as fast as it goes.
	StopAtEnd bool
	// Ways are ways out beside those of the config, for those who embed the daemon.
	Ways []alert.Route
	// OpenPin opens a pin for a buzzer or a lamp; nil opens the board's own.
	OpenPin func(name string) (drivers.Pin, error)
}

// Moment is one assessment.
type Moment struct {
	At        time.Time
	Situation advisor.Situation
	Advice    advisor.Advice
	Told      []alert.Message

	seq int64 // the newest entry of the job book when it was assessed; 0 where that is not known
}

// validate turns a wrong embedding into an error at New.
func (o *Options) validate() error {
	var errs []error
	if o.Config.Shed.Zone == nil {
		errs = append(errs, errors.New("daemon: the config has no zone: make it with config.Load, Parse or Default"))
	}
	if o.Config.Shed.Data == "" {
		errs = append(errs, errors.New("daemon: the config names no data folder"))
	}
	if c := o.Config.Shed.CommitEvery; c < time.Second || c > 15*time.Minute {
		errs = append(errs, fmt.Errorf("daemon: commit_every of %v: want 1 s to 15 min", c))
	}
	if o.Listen == "" {
		o.Listen = o.Config.Shed.Listen
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return errors.Join(errs...)
}
