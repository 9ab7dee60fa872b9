// Package daemon wires the parts of one shed together: clock, probes, poller, store, job book, assessor, alerts, mirror and page. It holds no
// law and no picture of its own; whatever can be known of a part is in that part.
//
// One loop does the work, step by step, by whatever clock it is given: read what is due, store it, commit, assess, decide what to tell. So the
// same code runs on a board, in a demonstration that is faster than life, and in a replay as fast as it goes. The page, the outbox and the
// mirror run beside it and may fail alone.
package daemon

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"tackline/advisor"
	"tackline/daemon/access"
	"tackline/daemon/alert"
	"tackline/daemon/alert/heartbeat"
	"tackline/daemon/assess"
	"tackline/daemon/attest"
	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/daemon/poll"
	"tackline/daemon/store"
	"tackline/dashboard"
	"tackline/sensors/drivers"
	"tackline/sensors/tracefile"
)

// Daemon is one running shed. New makes it, Run works until its context ends or Stop is called.
type Daemon struct {
	o        Options
	log      *slog.Logger
	clock    *clock.Kept
	store    *store.Store
	book     *jobbook.Book
	systems  config.Library
	drivers  *drivers.Set
	wireless *wireless
	sink     *sink
	poller   *poll.Poller
	assess   *assess.Assessor
	alerts   *alerting
	mirror   *mirroring // nil where none is configured
	outdoors *outdoors  // likewise
	door     *door
	page     *dashboard.Handler
	server   *http.Server
	listen   net.Listener

	life    context.Context // ends with Stop
	end     context.CancelFunc
	nudges  chan struct{} // a command came in: assess now
	telling sync.Mutex    // guards told
	told    *toldClock    // who has set the clock, until the loop takes it over
	latest  atomic.Pointer[Moment]
	planner planner
	salvage salvaging
	beats   beats
	errs    partErrors
	loop    loopState

	stored atomic.Int64 // good readings that reached the disk
	pulse  *heartbeat.Heart
	signer attest.Signer

	stopped sync.Once
	closed  error
}

// loopState is the loop's own: nobody else touches it.
type loopState struct {
	commitAt   int64 // ms since boot
	began      bool  // whether the first readings of this run were given to the store
	committed  int64 // ms since boot at which the store last answered to a commit
	assessed   int64 // minute of the last assessment
	assessedAt int64 // ms since boot
	savedAt    int64 // ms since boot of the last advice kept
	savedGist  string
	boot       string
	swept      int64                  // day of the last sweep, since 1970
	tomorrow   []alert.Condition      // of the best starts of the day after toldOn
	toldOn     string                 // date
	corrected  map[string]corrections // by probe, as written down in the store
	room       room
}

// New checks the options, opens both files, the probes and the listener. On an error everything that was opened is closed again. A mistake of
// the config is a config.Errors.
func New(o Options) (_ *Daemon, err error) {
	if err := o.validate(); err != nil {
		return nil, err
	}
	d := &Daemon{o: o, log: o.Log, nudges: make(chan struct{}, 1)}
	d.planner.d = d
	d.life, d.end = context.WithCancel(context.Background())
	defer func() {
		if err != nil {
			err = errors.Join(err, d.close())
		}
	}()
	c := &d.o.Config
	if d.systems, err = c.LoadSystems(); err != nil {
		return nil, err
	}
	board := o.Clock
	if board == nil {
		if board, err = clockOf(c); err != nil {
			return nil, err
		}
	}
	d.clock = clock.NewKept(board)
	if err = os.MkdirAll(c.Shed.Data, 0o750); err != nil {
		return nil, fmt.Errorf("daemon: data folder: %w", err)
	}
	if d.book, err = jobbook.Open(d.life, filepath.Join(c.Shed.Data, "jobbook.db"), jobbook.Options{}); err != nil {
		return nil, err
	}
	reserve := int64(0)
	if _, size, err := d.disk(); err == nil {
		reserve = leastRoom(c.Keep.LowDiskMB, size) / stopAt
	}
	if d.store, err = store.Open(d.life, filepath.Join(c.Shed.Data, "readings.db"), store.Options{Now: d.now, Reserve: reserve, Disk: d.disk}); err != nil {
		return nil, err
	}
	d.salvage.wake, d.salvage.queue = make(chan struct{}, 1), unsalvaged(d.store.Path())
	if aside := d.store.SetAside(); aside != "" { // the loop finds it, and queues it again
		d.salvage.queue = slices.DeleteFunc(d.salvage.queue, func(name string) bool { return name == aside })
	}
	if err = d.resumeClock(d.life); err != nil {
		return nil, err
	}
	if err = d.assemble(); err != nil {
		return nil, err
	}
	return d, nil
}

// assemble makes the parts that stand on the two files.
func (d *Daemon) assemble() error {
	c := &d.o.Config
	if err := d.bringHand(d.life); err != nil {
		return err
	}
	var err error
	if d.wireless, err = newWireless(d); err != nil {
		return err
	}
	entries, err := d.open()
	if err != nil {
		return err
	}
	d.sink = &sink{store: d.store, now: func() int64 { return d.clock.Now().Wall }}
	if d.poller, err = poll.New(poll.Options{Probes: entries, Sink: d.sink, Log: d.log, Now: d.clock.Now}); err != nil {
		return err
	}
	d.assess = assess.New(assess.Options{Readings: readings{d.store}, Facts: d.book, Probes: assessed(c, d.clock.Now().Wall), Zone: c.Shed.Zone,
		Hours: advisor.Hours{StartMin: c.Shed.Hours.StartMin, EndMin: c.Shed.Hours.EndMin, Days: c.Shed.Hours.Days},
		Limits: advisor.Limits{MarginK: c.Limits.MarginK, MarginSource: c.Limits.MarginSource, MoistureGoodPct: c.Limits.MoistureGoodPct,
			MoistureStopPct: c.Limits.MoistureStopPct, MoistureSource: c.Limits.MoistureSource, GasGrowth: c.Limits.GasGrowth,
			UnventedBurner: c.Limits.UnventedBurner, ResinLowestC: c.Limits.ResinLowestC, ResinSource: c.Limits.ResinSource},
		Next: d.firstSystem(), System: d.systems.Find, HandFresh: c.Shed.HandFresh})
	if d.alerts, err = newAlerting(d); err != nil {
		return err
	}
	if d.mirror, err = newMirroring(d); err != nil {
		return err
	}
	if d.outdoors, err = newOutdoors(d); err != nil {
		return err
	}
	if d.pulse, err = d.heart(); err != nil {
		return err
	}
	if d.signer, err = attest.OpenKey(c.Shed.Data); err != nil {
		return err
	}
	if d.door, err = newDoor(d); err != nil {
		return err
	}
	if d.page, err = dashboard.New(dashboard.Options{Source: source{d}, Commands: commands{d}, Entries: commands{d}, Photos: commands{d}, Books: books{d}, Planner: &d.planner, Bench: probeBench{d},
		Seal: d.sealRecord, Live: d.healthy, Ready: d.ready, Log: d.log, Further: d.apiRoutes(),
		Visitor: d.door.visitor, Pairing: d.door, Settings: settings{d}, Hosts: d.hosts(), Origins: d.origins()}); err != nil {
		return err
	}
	if d.listen, err = net.Listen("tcp", d.o.Listen); err != nil {
		return fmt.Errorf("daemon: listen for the page: %w", err)
	}
	var secure *tls.Config
	if c.Page.TLS() {
		if secure, err = access.Certificate(c.TokenPath(c.Page.Cert), c.TokenPath(c.Page.Key), func(err error) { d.log.Error("the certificate was not renewed", "error", err) }); err != nil {
			return fmt.Errorf("daemon: TLS of the page: %w", err)
		}
	}
	d.listen = access.Listen(d.listen, secure)
	d.server = &http.Server{Handler: d.door.admit(d.page), TLSConfig: secure, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 30 * time.Second, WriteTimeout: 60 * time.Second,
		IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10, ErrorLog: slog.NewLogLogger(d.log.Handler(), slog.LevelDebug)}
	return nil
}

// Addr is where the page listens, host:port.
func (d *Daemon) Addr() string { return d.listen.Addr().String() }

// now is the shed's wall clock.
func (d *Daemon) now() time.Time { return time.UnixMilli(d.clock.Now().Wall).UTC() }

// Run works until ctx ends, Stop is called, or, with StopAtEnd, the traces are at their end. It commits what is buffered before it returns. A
// part that fails does not end it.
func (d *Daemon) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stop := context.AfterFunc(d.life, cancel)
	defer stop()
	var beside sync.WaitGroup
	beside.Go(func() {
		if err := d.server.Serve(d.listen); err != nil && !errors.Is(err, http.ErrServerClosed) {
			d.errs.set("page", err)
			d.log.Error("the page stopped", "error", err)
		}
	})
	if !d.free() {
		beside.Go(func() { d.alerts.outbox.Run(ctx, d.now, func(err error) { d.errs.set("outbox", err) }) })
	}
	if d.pulse != nil {
		beside.Go(func() { d.beat(ctx, d.pulse, d.o.Config.Beat.Every) })
	}
	if d.mirror != nil {
		beside.Go(func() { d.mirror.run(ctx) })
	}
	if d.outdoors != nil {
		beside.Go(func() { d.outdoors.run(ctx) })
	}
	beside.Go(func() { d.salvage.run(ctx, d) })
	if d.wireless.mqtt != nil {
		beside.Go(func() { d.wireless.mqtt.Run(ctx) })
	}
	d.exposure()
	err := d.work(ctx)
	d.page.Close()
	grace, done := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
	defer done()
	if e := d.server.Shutdown(grace); e != nil {
		_ = d.server.Close()
	}
	cancel()
	beside.Wait()
	return errors.Join(err, d.Stop())
}

// exposure says at the start who can reach the page.
func (d *Daemon) exposure() {
	host, _, _ := net.SplitHostPort(d.Addr())
	if ip := net.ParseIP(host); ip != nil && ip.IsLoopback() {
		d.log.Info("the page is open to this board alone", "address", "http://"+d.Addr()+"/")
		return
	}
	reads := "whoever reaches it can read"
	if d.o.Config.Access.ReadingPaired {
		reads = "it shows nothing to those who are not paired"
	}
	d.log.Warn("the page is open to the network: "+reads+", and a paired phone alone can write (tackline pair)", "address", d.links()[0]+"/", "phones", len(d.door.phones.List()))
}

// Stop ends Run and closes everything. It may be called more than once, and without Run; the first answer is given again.
func (d *Daemon) Stop() error {
	d.stopped.Do(func() {
		d.end()
		d.closed = d.close()
	})
	return d.closed
}

// close closes what is open, in the reverse order of New.
func (d *Daemon) close() error {
	d.end()
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	var errs []error
	if d.server != nil {
		errs = append(errs, d.server.Close())
	} else if d.listen != nil {
		errs = append(errs, d.listen.Close())
	}
	if d.alerts != nil {
		errs = append(errs, d.alerts.keep(ctx))
	}
	if d.poller != nil {
		errs = append(errs, d.poller.Close(ctx))
	}
	if d.drivers != nil {
		errs = append(errs, d.drivers.Close())
	}
	if d.store != nil {
		errs = append(errs, d.store.Close())
	}
	if d.book != nil {
		errs = append(errs, d.book.Close())
	}
	return errors.Join(errs...)
}

// clockOf gives the clock that the config asks for. Simulated time begins where the config says, else at the first row of the first trace,
// else now.
func clockOf(c *config.Config) (clock.Clock, error) {
	if c.Clock.Real() {
		return clock.NewSystem(), nil
	}
	start := int64(float64(c.Clock.Start) * 1000)
	if start == 0 {
		start = firstRow(c)
	}
	if c.Clock.Speed == 0 {
		return clock.NewFree(start), nil
	}
	return clock.NewScaled(start, c.Clock.Speed)
}

// firstRow gives the time of the earliest row of the config's traces in Unix ms; now where there is none that can be read.
func firstRow(c *config.Config) int64 {
	first := int64(0)
	for _, p := range c.Probes {
		if p.Kind != "replay" {
			continue
		}
		if at, ok := traceStart(c, p); ok && (first == 0 || at < first) {
			first = at
		}
	}
	if first == 0 {
		return time.Now().UnixMilli()
	}
	return first
}

func traceStart(c *config.Config, p config.Probe) (int64, bool) {
	columns, err := drivers.ParseColumns(p.Options["columns"])
	if err != nil {
		return 0, false
	}
	o := tracefile.Options{Zone: c.Shed.Zone, Node: p.Options["node"], Columns: columns}
	if z := p.Options["zone"]; z != "" {
		if o.Zone, err = tracefile.Zone(z); err != nil {
			return 0, false
		}
	}
	f, err := os.Open(c.Path(p.Options["file"]))
	if err != nil {
		return 0, false
	}
	defer f.Close()
	t, err := tracefile.Parse(f, o)
	if err != nil || len(t.Times) == 0 {
		return 0, false
	}
	return t.Times[0], true
}

// free tells whether time goes as fast as it can.
func (d *Daemon) free() bool {
	f, ok := d.clock.Board().(interface{ Free() bool })
	return ok && f.Free()
}
