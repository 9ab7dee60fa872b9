package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"tackline/advisor"
	"tackline/daemon/config"
	"tackline/daemon/yard"
	"tackline/dashboard"
)

// yardFlags are the flags of the yard as they are given.
type yardFlags struct {
	opt               yard.Options
	tokenFile, listen string
	name, zone        string
	hosts, shows      []string
	asJSON            bool
}

func newYardCmd(e env) *cobra.Command {
	f := yardFlags{}
	c := &cobra.Command{
		Use:   "yard --url URL --bucket BUCKET [--token-file FILE]",
		Short: "Show many sheds at once, from the InfluxDB that they mirror to",
		Long: "Reads verdicts, windows and the newest readings of every shed that mirrors to one InfluxDB (1.8 with Flux, or 2), and no shed itself: a token that\n" +
			"may only read is enough. Prints them once, or with --listen serves a page for reading only. What nobody has renewed for --silent-after is marked\n" +
			"as old: a verdict is then \"can't say\", and its windows are not shown.",
		Example: "  tackline yard --url http://127.0.0.1:8086 --org yard --bucket sheds --token-file yard.token\n" +
			"  tackline yard --url http://127.0.0.1:8086 --bucket sheds --listen 127.0.0.1:8418 --name \"Osier Slip (invented)\"",
		Args: cobra.NoArgs,
	}
	o := &f.opt
	c.Flags().StringVar(&o.URL, "url", "http://127.0.0.1:8086", "address of InfluxDB")
	c.Flags().StringVar(&o.Bucket, "bucket", "sheds", "bucket of InfluxDB 2, or database or database/policy of 1.8")
	c.Flags().StringVar(&o.Org, "org", "", "organisation of InfluxDB 2; 1.8 has none")
	c.Flags().StringVar(&f.tokenFile, "token-file", "", "file with a token that may read the bucket, or user:password of 1.8; a bare name is looked for in CREDENTIALS_DIRECTORY first")
	c.Flags().DurationVar(&o.SilentAfter, "silent-after", 30*time.Minute, "without a reading for so long a shed or a probe is silent, and a verdict old")
	c.Flags().Int64Var(&o.Days, "days", 14, "how many days back a silent shed or probe is still shown")
	c.Flags().StringVar(&f.listen, "listen", "", "serve a page at this address, such as 127.0.0.1:8418, instead of printing once")
	c.Flags().StringVar(&f.name, "name", "", "name over the page")
	c.Flags().StringVar(&f.zone, "zone", "", "IANA zone of the times that are shown; this machine's where not given")
	c.Flags().StringSliceVar(&f.hosts, "host", nil, "host names that the page answers to, beside addresses and localhost; any where none is given")
	c.Flags().StringSliceVar(&f.shows, "units", nil, "units that the page tells numbers in, of F, oz, ft2, in, inHg, and comma for the decimal mark; C, g, m2, mm, hPa and a point where not given")
	c.Flags().BoolVar(&f.asJSON, "json", false, "print JSON")
	c.RunE = func(c *cobra.Command, _ []string) error { return f.run(c.Context(), e) }
	return c
}

func (f *yardFlags) run(ctx context.Context, e env) error {
	zone := time.Local
	if f.zone != "" {
		var err error
		if zone, err = time.LoadLocation(f.zone); err != nil {
			return usagef("--zone %q is no zone that is known here: want an IANA name such as Europe/Lisbon", f.zone)
		}
	}
	switch {
	case f.opt.SilentAfter < time.Minute:
		return usagef("--silent-after is %v: want 1m or more", f.opt.SilentAfter)
	case f.opt.Days < 1 || f.opt.Days > 400:
		return usagef("--days is %d: want 1 to 400", f.opt.Days)
	case f.listen != "" && f.asJSON:
		return usagef("--listen serves a page and --json prints: one of them")
	}
	var err error
	if f.opt.Token, err = config.Default().Token(f.tokenFile); err != nil {
		return fmt.Errorf("--token-file: %w", err)
	}
	f.opt.Now = e.now
	if f.listen != "" {
		f.opt.Every = 10 * time.Second
	}
	reader, err := yard.New(f.opt)
	if err != nil {
		return usageError{err}
	}
	defer reader.Close()
	if f.listen != "" {
		return f.serve(ctx, e, reader, zone)
	}
	y, err := reader.Look(ctx)
	if err != nil {
		return err
	}
	if f.asJSON {
		return printJSON(e.out, y)
	}
	showYard(e, y, zone)
	return nil
}

// serve shows the page until ctx ends.
func (f *yardFlags) serve(ctx context.Context, e env, reader *yard.Reader, zone *time.Location) error {
	shows := dashboard.Shows{}
	on := map[string]*bool{"F": &shows.Fahrenheit, "oz": &shows.Ounces, "ft2": &shows.SquareFeet, "in": &shows.Inches, "inHg": &shows.InchesHg, "comma": &shows.Comma}
	for _, unit := range f.shows {
		if on[unit] == nil {
			return usagef("--units %q: want any of F, oz, ft2, in, inHg and comma", unit)
		}
		*on[unit] = true
	}
	log := slog.New(slog.NewTextHandler(e.err, nil))
	page, err := dashboard.NewYard(dashboard.YardOptions{Source: &yardSource{r: reader, log: log}, Shows: shows, Name: f.name, Zone: zone, Hosts: f.hosts, Log: log})
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", f.listen)
	if err != nil {
		return fmt.Errorf("listen for the page: %w", err)
	}
	host, _, _ := net.SplitHostPort(l.Addr().String())
	if ip := net.ParseIP(host); ip != nil && ip.IsLoopback() {
		log.Info("the yard's page is open to this machine alone", "address", "http://"+l.Addr().String()+"/")
	} else {
		log.Warn("the yard's page is open to everyone on this network, for reading", "address", "http://"+l.Addr().String()+"/")
	}
	server := &http.Server{Handler: page, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 15 * time.Second, WriteTimeout: 30 * time.Second,
		IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelDebug)}
	stop := context.AfterFunc(ctx, func() {
		grace, done := context.WithTimeout(context.WithoutCancel(ctx), 3*time.Second)
		defer done()
		if server.Shutdown(grace) != nil {
			_ = server.Close()
		}
	})
	defer stop()
	if err := server.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve the page: %w", err)
	}
	return nil
}

// yardSource shows the reader to the page, and tells the log once what keeps it from reading.
type yardSource struct {
	r    *yard.Reader
	log  *slog.Logger
	mu   sync.Mutex
	said string // the error that was told last; "" where all is well
}

// tell logs an error when it is another than before, and once that it is over.
func (s *yardSource) tell(err error) {
	text := ""
	if err != nil {
		text = err.Error()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case text == s.said:
		return
	case err != nil:
		s.log.Error("InfluxDB could not be read; it is tried again", "error", err)
	default:
		s.log.Info("InfluxDB is read again")
	}
	s.said = text
}

// Yard does as dashboard.YardSource says.
func (s *yardSource) Yard(ctx context.Context) (dashboard.YardView, error) {
	y, err := s.r.Look(ctx)
	v := dashboard.YardView{At: y.At, ReadAt: y.ReadAt}
	s.tell(err)
	var trouble *yard.Trouble
	if errors.As(err, &trouble) { // what the server itself said is for the log alone
		err = errors.New(trouble.What)
	}
	for i := range y.Sheds {
		v.Sheds = append(v.Sheds, yardShed(&y.Sheds[i]))
	}
	return v, err
}

func yardShed(s *yard.Shed) dashboard.YardShed {
	out := dashboard.YardShed{Name: s.Name, Seen: given(s.Seen), Silent: s.Silent, Ahead: s.Ahead, Probes: int64(len(s.Probes))}
	for _, v := range s.Air() {
		out.Air = append(out.Air, dashboard.YardValue{Quantity: v.Quantity, Value: v.Value, Old: v.Old})
	}
	for _, p := range s.Probes {
		if p.Silent {
			out.Mute = append(out.Mute, dashboard.YardProbe{Name: p.Name, Seen: p.Seen})
		}
	}
	for _, p := range s.Pieces {
		piece := dashboard.YardPiece{Name: p.Name, Verdict: advisor.Verdict(p.Verdict), Told: advisor.Verdict(p.Told), At: p.At, Old: p.Old, Text: p.Text}
		for _, w := range p.Windows {
			piece.Windows = append(piece.Windows, dashboard.YardWindow{Window: w.Window, Opens: given(w.Opens), ClosesEarly: given(w.ClosesEarly), Closes: given(w.Closes), Open: w.Open})
		}
		out.Pieces = append(out.Pieces, piece)
	}
	return out
}

// given gives the zero time for one that is not known.
func given(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return *t
}
