// Package outlook brings an outdoor forecast: a JSON file that something else writes, or the answer of an open weather service, whichever way its
// fields are named. It is an extra: whatever goes wrong here, the shed's own log still gives its forecast. The last answer is kept on disk,
// so that a restart without internet has it, and it is used until its hours have passed.
package outlook

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"net/http"
	"net/url"
	"os"
	"sync"
	"time"

	"tackline/daemon/durable"
)

// most is the largest answer that is read, in bytes.
const most = 1 << 20

// Config says where the forecast is and how its fields are named. Exactly one of URL and File is set.
type Config struct {
	URL    string
	File   string
	Token  string           // sent as a bearer token; "" for none; never in an error
	Times  string           // path of the times in the JSON, such as "hourly.time"; lists on the way are gone through
	Air    string           // path of the temperatures
	RH     string           // path of the relative humidities in %; "" where there are none
	Unit   string           // of the temperatures: C, F or K
	Zone   *time.Location   // of times without a zone; nil is UTC
	Cache  string           // file that keeps the last answer; "" keeps none. A File needs none
	Client *http.Client     // nil: one that gives up after 20 s
	Now    func() time.Time // nil is time.Now
}

// Forecast is what was foretold: Unix seconds, rising, C and % outdoors. RHPct is empty, or NaN at a time, where there is none.
type Forecast struct {
	At      []float64
	AirC    []float64
	RHPct   []float64
	Fetched time.Time // when it was got or the file written
}

// ahead is how far in the future a forecast may have been got: clocks differ a little.
const ahead = 10 * time.Minute

// Fresh tells whether a forecast is no older than an age at a moment. One that was got later than that moment is none: a clock was wrong.
func (f *Forecast) Fresh(now time.Time, age time.Duration) bool {
	old := now.Sub(f.Fetched)
	return old <= age && old >= -ahead
}

// Source is one such forecast, kept up to date by Refresh. It is safe for use by several goroutines.
type Source struct {
	c      Config
	mu     sync.Mutex
	latest *Forecast
}

// New checks the config and takes up what an earlier run kept. A kept answer that can't be read is passed over: the next Refresh replaces it.
func New(c Config) (*Source, error) {
	switch {
	case (c.URL == "") == (c.File == ""):
		return nil, errors.New("outlook: want one of a URL and a file")
	case c.Times == "" || c.Air == "":
		return nil, errors.New("outlook: want the paths of times and of temperatures in the JSON")
	}
	if _, ok := toC(c.Unit, 0); !ok {
		return nil, fmt.Errorf("outlook: unit %q is unknown; want C, F or K", c.Unit)
	}
	if c.URL != "" {
		u, err := url.Parse(c.URL)
		if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
			return nil, errors.New("outlook: the URL is no http or https address")
		}
	}
	if c.Client == nil {
		c.Client = &http.Client{Timeout: 20 * time.Second}
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	s := &Source{c: c}
	if c.URL != "" && c.Cache != "" {
		if st, err := os.Stat(c.Cache); err == nil {
			if body, err := readFile(c.Cache); err == nil {
				if f, err := s.parse(body); err == nil {
					f.Fetched = st.ModTime()
					s.latest = f
				}
			}
		}
	}
	return s, nil
}

// Latest gives the newest forecast; ok is false while there is none.
func (s *Source) Latest() (f Forecast, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.latest == nil {
		return Forecast{}, false
	}
	return *s.latest, true
}

// Refresh gets the forecast anew and keeps it. On an error what was there before stays.
func (s *Source) Refresh(ctx context.Context) error {
	body, when, err := s.get(ctx)
	if err != nil {
		return err
	}
	f, err := s.parse(body)
	if err != nil {
		return err
	}
	f.Fetched = when
	s.mu.Lock()
	s.latest = f
	s.mu.Unlock()
	if s.c.URL != "" && s.c.Cache != "" {
		return keep(s.c.Cache, body, when)
	}
	return nil
}

func (s *Source) get(ctx context.Context) ([]byte, time.Time, error) {
	if s.c.File != "" {
		st, err := os.Stat(s.c.File)
		if err != nil {
			return nil, time.Time{}, fmt.Errorf("outlook: the forecast's file: %w", plain(err))
		}
		body, err := readFile(s.c.File)
		return body, st.ModTime(), err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, s.c.URL, nil)
	if err != nil {
		return nil, time.Time{}, errors.New("outlook: the URL is no http or https address")
	}
	req.Header.Set("Accept", "application/json")
	if s.c.Token != "" {
		req.Header.Set("Authorization", "Bearer "+s.c.Token)
	}
	resp, err := s.c.Client.Do(req)
	if err != nil {
		return nil, time.Time{}, fmt.Errorf("outlook: ask %s: %w", req.URL.Host, withoutURL(err))
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return nil, time.Time{}, fmt.Errorf("outlook: %s answered %d", req.URL.Host, resp.StatusCode)
	}
	body, err := io.ReadAll(io.LimitReader(resp.Body, most+1))
	switch {
	case err != nil:
		return nil, time.Time{}, fmt.Errorf("outlook: read from %s: %w", req.URL.Host, withoutURL(err))
	case len(body) > most:
		return nil, time.Time{}, fmt.Errorf("outlook: %s sent more than %d bytes", req.URL.Host, most)
	}
	return body, s.c.Now(), nil
}

// withoutURL takes the address, which may hold a key, out of an error.
func withoutURL(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}

// plain takes the path out of an error.
func plain(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("outlook: the forecast's file: %w", plain(err))
	}
	defer f.Close()
	body, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && len(body) > most {
		err = fmt.Errorf("larger than %d bytes", most)
	}
	if err != nil {
		return nil, fmt.Errorf("outlook: the forecast's file: %w", plain(err))
	}
	return body, nil
}

// keep writes the answer as a whole or not at all, and dates it by when it was got.
func keep(path string, body []byte, when time.Time) error {
	err := durable.WriteFile(path, body, 0o600)
	if err == nil {
		err = os.Chtimes(path, when, when)
	}
	if err != nil {
		return fmt.Errorf("outlook: keep the answer: %w", err)
	}
	return nil
}

// parse reads times and temperatures out of a JSON text. Hours whose value is null are left out; anything else that is wrong is an error.
func (s *Source) parse(body []byte) (*Forecast, error) {
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	var root any
	if err := d.Decode(&root); err != nil {
		return nil, fmt.Errorf("outlook: the answer is no JSON: %w", err)
	}
	times, err := along(root, s.c.Times)
	if err != nil {
		return nil, err
	}
	values, err := along(root, s.c.Air)
	if err != nil {
		return nil, err
	}
	if len(times) != len(values) {
		return nil, fmt.Errorf("outlook: %d times at %q and %d temperatures at %q", len(times), s.c.Times, len(values), s.c.Air)
	}
	var humid []any
	if s.c.RH != "" {
		if humid, err = along(root, s.c.RH); err != nil {
			return nil, err
		}
		if len(humid) != len(times) {
			return nil, fmt.Errorf("outlook: %d times at %q and %d humidities at %q", len(times), s.c.Times, len(humid), s.c.RH)
		}
	}
	f := &Forecast{}
	for i := range times {
		if values[i] == nil {
			continue
		}
		at, err := s.time(times[i])
		if err != nil {
			return nil, fmt.Errorf("outlook: %q, entry %d: %w", s.c.Times, i, err)
		}
		n, _ := values[i].(json.Number)
		v, err := n.Float64()
		c, _ := toC(s.c.Unit, v)
		if err != nil || !(c >= -80 && c <= 60) {
			return nil, fmt.Errorf("outlook: %q, entry %d: %v is no outdoor temperature in %s", s.c.Air, i, values[i], s.c.Unit)
		}
		if k := len(f.At); k > 0 && at <= f.At[k-1] {
			return nil, fmt.Errorf("outlook: %q, entry %d: its time is not after the one before it", s.c.Times, i)
		}
		f.At, f.AirC = append(f.At, at), append(f.AirC, c)
		if humid != nil {
			rh, err := s.humidity(humid[i])
			if err != nil {
				return nil, fmt.Errorf("outlook: %q, entry %d: %w", s.c.RH, i, err)
			}
			f.RHPct = append(f.RHPct, rh)
		}
	}
	if len(f.At) < 2 {
		return nil, fmt.Errorf("outlook: fewer than two hours at %q", s.c.Times)
	}
	return f, nil
}

// humidity reads a relative humidity in %; NaN for null.
func (s *Source) humidity(v any) (float64, error) {
	if v == nil {
		return math.NaN(), nil
	}
	n, _ := v.(json.Number)
	rh, err := n.Float64()
	if err != nil || !(rh > 0 && rh <= 110) {
		return 0, fmt.Errorf("%v is no relative humidity in %%", v)
	}
	return min(rh, 100), nil
}

// toC gives a temperature in C; ok is false for an unknown unit.
func toC(unit string, v float64) (c float64, ok bool) {
	switch unit {
	case "", "C":
		return v, true
	case "F":
		return (v - 32) / 1.8, true
	case "K":
		return v - 273.15, true
	}
	return math.NaN(), false
}

// time reads RFC 3339, the same without seconds or zone, and Unix seconds or milliseconds (numbers over 10^11).
func (s *Source) time(v any) (float64, error) {
	zone := s.c.Zone
	if zone == nil {
		zone = time.UTC
	}
	switch v := v.(type) {
	case json.Number:
		x, err := v.Float64()
		if err != nil || x <= 0 {
			return 0, fmt.Errorf("%s is no Unix time", v)
		}
		if x > 1e11 {
			x /= 1000
		}
		return x, nil
	case string:
		for _, layout := range []string{time.RFC3339, "2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02 15:04"} {
			if t, err := time.ParseInLocation(layout, v, zone); err == nil {
				return float64(t.UnixMilli()) / 1000, nil
			}
		}
	}
	return 0, fmt.Errorf("%v is no time", v)
}
