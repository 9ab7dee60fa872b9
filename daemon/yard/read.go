package yard

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api"
	ihttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	ilog "github.com/influxdata/influxdb-client-go/v2/log"
)

// Options of New. URL and Bucket are needed.
type Options struct {
	URL    string // http://host:8086
	Token  string // of 2, or user:password of 1.8, or "" where none is asked for. One that may only read is enough
	Org    string // of 2; anything for 1.8
	Bucket string // of 2; database or database/policy of 1.8

	Days        int64         // a shed or a probe that has said nothing for so long is forgotten; 14 where 0
	SilentAfter time.Duration // without a reading for so long a shed or a probe is silent, and a verdict old; 30 min where 0
	Every       time.Duration // the server is asked no more often than this; each time where 0
	Timeout     time.Duration // of one look, 10 s where 0
	Now         func() time.Time
}

// Reader looks at one bucket. It may be used by many goroutines at once; they share one look.
type Reader struct {
	opt     Options
	conns   *http.Client
	service ihttp.Service

	mu      sync.Mutex
	known   memory
	readAt  time.Time // of the last look that went well
	wholeAt time.Time // of the last look over all days
	next    time.Time // not to ask before
	failed  error     // of the last look; nil where it went well
}

// Trouble is why InfluxDB could not be read, in words for people.
type Trouble struct {
	Status int           // of HTTP; 0 where there was no answer
	What   string        // what is wrong and what to do
	Again  time.Duration // that the server asks to wait; 0 where it does not say
	Err    error
}

func (t *Trouble) Error() string { return "yard: " + t.What + ": " + t.Err.Error() }
func (t *Trouble) Unwrap() error { return t.Err }

// New checks the options. Nothing is asked of the server yet.
func New(opt Options) (*Reader, error) {
	u, err := url.Parse(opt.URL)
	switch {
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "":
		return nil, fmt.Errorf("yard: url %q: want http or https, such as http://127.0.0.1:8086", opt.URL)
	case u.User != nil:
		return nil, errors.New("yard: the url holds a password: put it into the token file, as user:password")
	case opt.Bucket == "":
		return nil, errors.New("yard: bucket is empty: want the bucket of InfluxDB 2, or the database of 1.8")
	case strings.Contains(opt.Bucket, "${"):
		return nil, fmt.Errorf("yard: bucket %q: ${ is not possible in a name", opt.Bucket)
	case opt.Days < 0 || opt.SilentAfter < 0 || opt.Every < 0 || opt.Timeout < 0:
		return nil, errors.New("yard: a length of time is negative")
	}
	if opt.Days == 0 {
		opt.Days = 14
	}
	if opt.SilentAfter == 0 {
		opt.SilentAfter = 30 * time.Minute
	}
	if opt.Timeout == 0 {
		opt.Timeout = 10 * time.Second
	}
	if opt.Now == nil {
		opt.Now = time.Now
	}
	ilog.Log = nil // the client would write to stderr; what went wrong comes back as an error
	conns := &http.Client{Transport: onlyCSV{http.DefaultTransport.(*http.Transport).Clone()}, Timeout: opt.Timeout + time.Second}
	login := ""
	if opt.Token != "" {
		login = "Token " + opt.Token
	}
	// The parts of the client by themselves, as in the mirror.
	service := ihttp.NewService(strings.TrimSuffix(opt.URL, "/")+"/", login, ihttp.DefaultOptions().SetApplicationName("tackline").SetHTTPClient(conns))
	return &Reader{opt: opt, conns: conns, service: service, known: memory{}}, nil
}

// onlyCSV refuses a good answer that is no CSV: the page of a log-in or of a proxy would else be read as a yard without sheds.
type onlyCSV struct{ *http.Transport }

func (o onlyCSV) RoundTrip(r *http.Request) (*http.Response, error) {
	res, err := o.Transport.RoundTrip(r)
	if err != nil {
		return nil, err
	}
	if kind := res.Header.Get("Content-Type"); res.StatusCode == http.StatusOK && !strings.HasPrefix(kind, "text/csv") {
		_ = res.Body.Close()
		return nil, fmt.Errorf("the answer is %q, no CSV: another server listens there", kind)
	}
	return res, nil
}

// Close lets go of the connections.
func (r *Reader) Close() { r.conns.CloseIdleConnections() }

const (
	wholeEvery = 10 * time.Minute // how often all days are read: what came late, or was deleted, is seen by then
	overlap    = 10 * time.Minute // how far the looks between go back before the last one: only the newest point counts, and a mirror is a minute or two behind
	mostPoints = 200_000          // newest points that are taken: more are not sheds
)

// Look gives all sheds as of now. On an error, always a *Trouble, it gives what is known from before beside it: judged by its age, so that it grows old by itself.
func (r *Reader) Look(ctx context.Context) (Yard, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	now := r.opt.Now().UTC()
	if !now.Before(r.next) || r.next.Sub(now) > time.Hour { // the second: the clock was set back
		// whoever asked first may go away: the look is for all who wait
		asking, done := context.WithTimeout(context.WithoutCancel(ctx), r.opt.Timeout)
		r.failed = r.read(asking, now)
		done()
		wait := r.opt.Every
		var t *Trouble
		if errors.As(r.failed, &t) {
			wait = max(wait, min(t.Again, 10*time.Minute))
		}
		r.next = now.Add(wait)
		now = r.opt.Now().UTC()
	}
	y := r.known.judge(now, r.opt.SilentAfter)
	y.ReadAt = r.readAt
	return y, r.failed
}

// read asks for the newest point of every series, of all days or of what is new, and takes it in whole or not at all.
func (r *Reader) read(ctx context.Context, now time.Time) error {
	whole := r.readAt.IsZero() || now.Sub(r.wholeAt) >= wholeEvery || now.Before(r.readAt)
	from := r.readAt.Add(-overlap)
	if whole {
		from = now.Add(-time.Duration(r.opt.Days) * 24 * time.Hour)
	}
	type answer struct {
		got memory
		err error
	}
	asked := []string{"reading", "advice"}
	answers := make([]answer, len(asked))
	var both sync.WaitGroup
	for i, measurement := range asked {
		both.Go(func() { answers[i].got, answers[i].err = r.newest(ctx, measurement, from, now) })
	}
	both.Wait()
	for _, a := range answers {
		if a.err != nil {
			return a.err
		}
	}
	if whole {
		r.known, r.wholeAt = memory{}, now
	}
	for _, a := range answers {
		for s, p := range a.got {
			r.known.keep(s, p)
		}
	}
	r.readAt = now
	return nil
}

// flux is the query of one measurement: the newest point of each series. Both versions answer it from their index, without reading all points.
// It reaches a day into the future, where a shed whose clock is ahead is found.
func (r *Reader) flux(measurement string, from, now time.Time) string {
	quote := strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`, "\r", `\r`)
	return fmt.Sprintf(`from(bucket: "%s") |> range(start: %s, stop: %s) |> filter(fn: (r) => r._measurement == "%s") |> last() |> keep(columns: ["_time", "_value", "_field", "shed", "probe", "place", "piece"])`,
		quote.Replace(r.opt.Bucket), from.UTC().Truncate(time.Second).Format(time.RFC3339), now.UTC().Add(24*time.Hour).Truncate(time.Second).Format(time.RFC3339), measurement)
}

func (r *Reader) newest(ctx context.Context, measurement string, from, now time.Time) (memory, error) {
	// One of its own: of one that is shared the first questions race within the client.
	res, err := api.NewQueryAPI(r.opt.Org, r.service).Query(ctx, r.flux(measurement, from, now))
	if err != nil {
		return nil, r.explain(err)
	}
	defer res.Close()
	got := memory{}
	for res.Next() {
		rec := res.Record()
		text := func(column string) string {
			s, _ := rec.ValueByKey(column).(string)
			return s
		}
		s := series{measurement: measurement, shed: text("shed"), member: text("probe"), field: rec.Field()}
		if measurement == "advice" {
			s.member = text("piece")
		}
		p := point{at: rec.Time().UTC(), place: text("place")}
		switch v := rec.Value().(type) {
		case float64, string:
			p.value = v
		case int64:
			p.value = float64(v)
		default:
			continue
		}
		if s.shed == "" || s.member == "" || s.field == "" || p.at.IsZero() {
			continue // not of a mirror
		}
		got.keep(s, p)
		if len(got) > mostPoints {
			return nil, &Trouble{What: fmt.Sprintf("the bucket has more than %d series: is it one of sheds?", mostPoints), Err: errors.New("answer cut off")}
		}
	}
	if err := res.Err(); err != nil {
		return nil, r.explain(err)
	}
	return got, nil
}

// explain says what an error of the client means and what to do. What a server says is cut to a line.
func (r *Reader) explain(err error) error {
	t := &Trouble{Err: errors.New(oneLine(err.Error()))}
	var e *ihttp.Error
	if errors.As(err, &e) {
		t.Status, t.Again = e.StatusCode, time.Duration(e.RetryAfter)*time.Second
	}
	text := strings.ToLower(err.Error())
	switch c := t.Status; {
	case strings.Contains(text, "flux query service disabled"), strings.Contains(text, "flux-enabled"):
		t.What = "InfluxDB 1.8 answers no Flux: set flux-enabled = true under [http] in its config"
	case c == http.StatusUnauthorized, c == http.StatusForbidden:
		t.What = fmt.Sprintf("InfluxDB refuses us (status %d): check the token file (user:password for 1.8) and that it may read the bucket", c)
	case c == http.StatusNotFound, strings.Contains(text, "bucket") && strings.Contains(text, "not"), strings.Contains(text, "database not found"), strings.Contains(text, "no database"):
		t.What = fmt.Sprintf("InfluxDB does not know the place (status %d): check org and bucket (the database for 1.8)", c)
	case c == http.StatusTooManyRequests:
		t.What = "InfluxDB asks us to come less often (status 429)"
		if t.Again > 0 {
			t.What += fmt.Sprintf(": it is asked again in %v", t.Again)
		}
	case c >= 500:
		t.What = fmt.Sprintf("InfluxDB has trouble of its own (status %d): look at its log; it is asked again", c)
	case errors.Is(err, context.DeadlineExceeded), strings.Contains(text, "timeout"), strings.Contains(text, "deadline"):
		t.What = fmt.Sprintf("InfluxDB did not answer within %v; it is asked again", r.opt.Timeout)
	case c == 0:
		t.What = "InfluxDB at " + r.opt.URL + " can't be reached or did not answer as it should: is it running, is the address right?"
	default:
		t.What = fmt.Sprintf("InfluxDB refuses the query (status %d)", c)
	}
	return t
}

func oneLine(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	if len(s) > 300 {
		s = strings.ToValidUTF8(s[:300], "") + " ..."
	}
	return s
}
