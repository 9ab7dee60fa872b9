// Package mirror copies readings and advice to InfluxDB, for whoever looks after more than one shed. It follows its source by a cursor that
// the source remembers, writes in blocking batches, and may lag for weeks or die without anyone else noticing. It keeps no buffer of its
// own: what is not delivered stays in the source.
//
// A point always has the same bytes, so that writing it again changes nothing. Measurement `reading`: one float field named by the quantity
// (temp_c, rh_pct ...), tags shed, probe, place. Measurement `advice`: tags shed, piece; string fields verdict, rule, text; times of windows as
// floats in seconds since 1970. Times are in ms. Only usable readings are sent: a value there has no mark that would keep it from being used.
package mirror

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api"
	ihttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/write"
	ilog "github.com/influxdata/influxdb-client-go/v2/log"

	"tackline/sensors"
)

// Reading is one reading to be sent.
type Reading struct {
	Probe, Place string
	Quantity     sensors.Quantity
	At           int64 // ms UTC
	Value        float64
	Status       sensors.Status
}

// Advice is the verdict on a piece at a time.
type Advice struct {
	At                  int64 // ms UTC
	Piece               string
	Verdict, Rule, Text string
	Times               map[string]float64 // window and edge, such as tack_opens_likely: seconds since 1970
}

// Batch is what a source gives at a time. An empty one says that there is nothing new.
type Batch struct {
	Readings []Reading
	Advice   []Advice
	Next     string // to be passed as done once all of this is delivered; differs from done wherever the source moved on
	Behind   int64  // commits of the source after Next
}

// Source gives what follows done and remembers that everything before it was delivered; "" goes on from what it remembers. It may give a
// thing twice, and passes over what was stamped by a clock that was not set.
type Source interface {
	Follow(ctx context.Context, done string, limit int64) (Batch, error)
}

// Options of New. URL, Bucket and Shed are needed.
type Options struct {
	URL    string // http://host:8086
	Token  string // of 2 and 3, or user:password of 1.8, or "" where none is asked for
	Org    string // of 2; anything for 1.8 and 3
	Bucket string // of 2, database of 3, database/policy of 1.8
	Shed   string // the tag that tells this shed from others

	Batch int64         // points a request, 2000 where 0
	Every time.Duration // how often to look for new points, 10 s where 0
	First time.Duration // pause after a first failure, doubled up to Most; 2 s where 0
	Most  time.Duration // 5 min where 0

	Held  func() bool                                      // while it says true nothing is sent: the clock is not set; never where nil
	Now   func() time.Time                                 // time.Now where nil
	Pause func(ctx context.Context, d time.Duration) error // waits, or returns early with the error of ctx; a timer where nil
}

// Status is how the mirror fares, for the status page.
type Status struct {
	LastSuccess time.Time // zero before the first
	LastError   string    // of the last failure, in words for people; "" once a write went well
	LastFailure time.Time
	Behind      int64 // commits of the source that are not delivered
	Held        bool
	Stopped     bool  // the server refuses all that we send, for the token, the bucket or the address: LastError says which
	Sent        int64 // points, repeats included
	DeadLetters int64 // points that the server will not take, whatever is done
	TooOld      int64 // of those: beyond the server's retention
	Flagged     int64 // readings passed over because they may not be used
	Unsendable  int64 // numbers that are not finite
}

// Mirror copies from one source to one bucket.
type Mirror struct {
	opt    Options
	source Source
	conns  *http.Client
	write  api.WriteAPIBlocking

	mu     sync.Mutex
	status Status
}

// New checks the options and makes a mirror that does nothing until Run.
func New(source Source, opt Options) (*Mirror, error) {
	switch {
	case source == nil:
		return nil, errors.New("mirror: no source")
	case !strings.HasPrefix(opt.URL, "http://") && !strings.HasPrefix(opt.URL, "https://"):
		return nil, fmt.Errorf("mirror: url %q: want http or https, such as http://host:8086", opt.URL)
	case opt.Bucket == "":
		return nil, errors.New("mirror: bucket is empty: want the bucket of InfluxDB 2, or database/policy of 1.8")
	case opt.Shed == "":
		return nil, errors.New("mirror: shed is empty: want the name that tells this shed from others")
	}
	setDefaults(&opt)
	ilog.Log = nil // the client would write to stderr; what went wrong comes back as an error
	conns := httpClient()
	// The parts of the client by themselves: its front links all that a server can be asked, which is more than a megabyte.
	login := ""
	if opt.Token != "" {
		login = "Token " + opt.Token
	}
	service := ihttp.NewService(strings.TrimSuffix(opt.URL, "/")+"/", login, ihttp.DefaultOptions().SetApplicationName("tackline").SetHTTPClient(conns))
	to := write.DefaultOptions().SetPrecision(time.Millisecond).SetMaxRetries(0).SetUseGZip(true)
	return &Mirror{opt: opt, source: source, conns: conns, write: api.NewWriteAPIBlocking(opt.Org, opt.Bucket, service, to)}, nil
}

func setDefaults(o *Options) {
	if o.Batch <= 0 {
		o.Batch = 2000
	}
	if o.Every <= 0 {
		o.Every = 10 * time.Second
	}
	if o.First <= 0 {
		o.First = 2 * time.Second
	}
	if o.Most <= 0 {
		o.Most = 5 * time.Minute
	}
	if o.Held == nil {
		o.Held = func() bool { return false }
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Pause == nil {
		o.Pause = pause
	}
}

func pause(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// Status gives the present state.
func (m *Mirror) Status() Status {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.status
}

// Run copies until ctx ends, and returns its error. Trouble of server or source is no reason to end: Status tells, and it tries again.
func (m *Mirror) Run(ctx context.Context) error {
	defer m.conns.CloseIdleConnections()
	done := ""
	for {
		wait := m.opt.Every
		held := m.opt.Held()
		m.note(func(s *Status) { s.Held = held })
		if !held {
			b, err := m.source.Follow(ctx, done, m.opt.Batch)
			switch {
			case err != nil:
				m.failed(fmt.Errorf("mirror: read: %w", err))
			case b.Next != done || len(b.Readings)+len(b.Advice) > 0:
				if err := m.deliver(ctx, b); err != nil {
					return err
				}
				done, wait = b.Next, 0
			default:
				m.note(func(s *Status) { s.Behind = 0 })
			}
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		if wait > 0 {
			if err := m.opt.Pause(ctx, wait); err != nil {
				return err
			}
		}
	}
}

// deliver writes a batch, again and again until every point is stored or known to be refused. Its only error is that of ctx.
func (m *Mirror) deliver(ctx context.Context, b Batch) error {
	points := m.points(b)
	for delay := m.opt.First; ; delay = min(2*delay, m.opt.Most) {
		left, err := m.send(ctx, points)
		if err == nil {
			now := m.opt.Now()
			m.note(func(s *Status) {
				s.Behind = b.Behind
				if len(points) > 0 {
					s.LastSuccess = now
				}
				s.LastError = ""
			})
			return nil
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		m.failed(err)
		m.note(func(s *Status) { s.Behind = b.Behind + 1 })
		points = left
		if judge(err) == settings {
			if err := m.standBy(ctx, points[:1]); err != nil {
				return err
			}
			delay = m.opt.First
			continue
		}
		if err := m.opt.Pause(ctx, min(max(delay, askedFor(err)), m.opt.Most)); err != nil {
			return err
		}
		for m.opt.Held() {
			m.note(func(s *Status) { s.Held = true })
			if err := m.opt.Pause(ctx, m.opt.Every); err != nil {
				return err
			}
		}
	}
}

// standBy sends nothing more while the server refuses us rather than what we send: nothing goes to waste, and the place in the source stays. Now and
// then it knocks with one point, until the answer is another: somebody has mended the token or made the bucket. Its only error is that of ctx.
func (m *Mirror) standBy(ctx context.Context, knock []*write.Point) error {
	m.note(func(s *Status) { s.Stopped = true })
	defer m.note(func(s *Status) { s.Stopped = false })
	for {
		if err := m.opt.Pause(ctx, m.opt.Most); err != nil {
			return err
		}
		if m.opt.Held() {
			continue
		}
		err := m.write.WritePoint(ctx, knock...)
		if err == nil || judge(err) != settings {
			return nil // sent again with the others: a repeat changes nothing
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		m.failed(explain(err))
	}
}

// send writes points and gives those that must be tried again, with the reason. A batch that the server refuses is halved until the points
// at fault stand alone; they are counted and left out.
func (m *Mirror) send(ctx context.Context, points []*write.Point) (left []*write.Point, err error) {
	if len(points) == 0 {
		return nil, nil
	}
	err = m.write.WritePoint(ctx, points...)
	if err == nil {
		m.note(func(s *Status) { s.Sent += int64(len(points)) })
		return nil, nil
	}
	kind := judge(err)
	if kind == tryAgain || kind == settings {
		return points, explain(err)
	}
	if n := dropped(err); kind == tooOld && n > 0 && n <= int64(len(points)) {
		m.note(func(s *Status) { // the rest was stored
			s.Sent, s.DeadLetters, s.TooOld = s.Sent+int64(len(points))-n, s.DeadLetters+n, s.TooOld+n
		})
		return nil, nil
	}
	if len(points) == 1 {
		m.note(func(s *Status) {
			s.DeadLetters++
			if kind == tooOld {
				s.TooOld++
			}
		})
		return nil, nil
	}
	half := len(points) / 2
	if left, err := m.send(ctx, points[:half]); err != nil {
		return append(left[:len(left):len(left)], points[half:]...), err
	}
	return m.send(ctx, points[half:])
}

func (m *Mirror) note(f func(*Status)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	f(&m.status)
}

func (m *Mirror) failed(err error) {
	now := m.opt.Now()
	m.note(func(s *Status) { s.LastError, s.LastFailure = err.Error(), now })
}

type verdict int8

const (
	tryAgain verdict = iota // the fault is the server's or the way's, and will pass: the points are good
	settings                // we are refused, not the points: nobody knows when that ends
	refused                 // the fault is in the points
	tooOld                  // the points are beyond the server's retention: it will never take them
)

// judge says what an error of the client means. Only a server that cannot be reached (status 0), one that asks for patience (429) and one that
// fails (5xx) are tried again as they stand. Wherever a status says that we are refused whatever we send (401, 403, 404, 407; 408, where a proxy
// takes us for too slow; a redirect, as to a page for logging in), a retry is of no use, and passing on to the next points would lose these: the
// mirror stands by. Any other 4xx is about the points.
func judge(err error) verdict {
	var e *ihttp.Error
	if !errors.As(err, &e) {
		return tryAgain
	}
	text := strings.ToLower(e.Code + " " + e.Message + " " + e.Error())
	old := strings.Contains(text, "beyond retention") || strings.Contains(text, "outside retention")
	switch c := e.StatusCode; {
	case old && c >= 400:
		return tooOld
	case c == 0, c >= 500, c == http.StatusTooManyRequests:
		return tryAgain
	case c == http.StatusUnauthorized, c == http.StatusForbidden, c == http.StatusNotFound, c == http.StatusProxyAuthRequired, c == http.StatusRequestTimeout:
		return settings
	case c >= 400:
		return refused
	}
	return settings
}

// dropped gives the number that a server names which stored all points but those beyond its retention ("partial write: points beyond
// retention policy dropped=3"); 0 where it names none. A backlog of months is thus one request a batch, not two a point.
func dropped(err error) int64 {
	_, tail, ok := strings.Cut(err.Error(), "dropped=")
	var n int64
	if _, err := fmt.Sscanf(tail, "%d", &n); !ok || err != nil {
		return 0
	}
	return n
}

// explain adds what to look at, where the settings are likely at fault.
func explain(err error) error {
	var e *ihttp.Error
	if errors.As(err, &e) {
		switch e.StatusCode {
		case http.StatusUnauthorized, http.StatusForbidden:
			return fmt.Errorf("mirror: the server refuses us (status %d): check token (user:password for 1.8) and its right to write to the bucket: %w",
				e.StatusCode, err)
		case http.StatusNotFound:
			return fmt.Errorf("mirror: the server does not know the place (status 404): check org and bucket (database/policy for 1.8): %w", err)
		}
	}
	return fmt.Errorf("mirror: write: %w", err)
}

func askedFor(err error) time.Duration {
	var e *ihttp.Error
	if errors.As(err, &e) {
		return time.Duration(e.RetryAfter) * time.Second
	}
	return 0
}
