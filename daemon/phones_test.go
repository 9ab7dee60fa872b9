package daemon

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const phones = 20

// follow keeps a phone's stream of events open and calls heard at each change, until that gives false, the stream ends or ctx does.
func follow(ctx context.Context, d *Daemon, open func(), heard func() bool) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+d.Addr()+"/events", nil)
	if err != nil {
		return err
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("no stream: %s", res.Status)
	}
	open()
	lines := bufio.NewScanner(res.Body)
	for lines.Scan() {
		if lines.Text() == "event: change" && !heard() {
			return nil
		}
	}
	return fmt.Errorf("the stream ended: %w", lines.Err())
}

// fetch gives a page whole.
func fetch(ctx context.Context, d *Daemon, path string) (string, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+d.Addr()+path, nil)
	if err != nil {
		return "", err
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return "", err
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err == nil && res.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s", path, res.Status)
	}
	return string(b), err
}

// TestTwentyPhones: what is entered on one phone each of twenty hears of and then has on its page, and while all of them ask for all pages at once each
// gets every page that it asked for, whole.
func TestTwentyPhones(t *testing.T) {
	s := onLoopback(t)
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	title := regexp.MustCompile(`<title>[^<]+</title>`)
	paths := []string{"/", "/coats", "/coats/new", "/plan", "/book", "/mix", "/probes", "/settings", "/history?days=1", "/history?days=180"}
	titles := map[string]string{}
	for _, p := range paths {
		body, err := fetch(ctx, s.d, p)
		require.NoError(t, err)
		titles[p] = title.FindString(body)
		require.NotEmpty(t, titles[p], p)
	}
	job := s.made("add-job", object{"name": "Dunlin (invented)"})
	var open, all sync.WaitGroup
	var heard atomic.Int64
	errs := make(chan error, phones)
	open.Add(phones)
	for i := range phones {
		all.Go(func() {
			errs <- func() error {
				var failed error
				err := follow(ctx, s.d, open.Done, func() bool {
					var body string
					if body, failed = fetch(ctx, s.d, fmt.Sprintf("/book/jobs/%d", job)); failed != nil {
						return false
					}
					return !strings.Contains(body, "twentieth plank") // another change came first
				})
				if err != nil || failed != nil {
					return fmt.Errorf("phone %d: %w", i, errors.Join(err, failed))
				}
				heard.Add(1)
				for k := range paths {
					p := paths[(i+k)%len(paths)]
					body, err := fetch(ctx, s.d, p)
					if err != nil {
						return fmt.Errorf("phone %d: %w", i, err)
					}
					if title.FindString(body) != titles[p] || !strings.HasSuffix(strings.TrimSpace(body), "</html>") {
						return fmt.Errorf("phone %d asked for %s and got %d bytes of %q", i, p, len(body), title.FindString(body))
					}
				}
				return nil
			}()
		})
	}
	open.Wait()
	s.made("add-piece", object{"job": job, "name": "twentieth plank", "lie": "flat", "bare": true, "thickness_mm": 9, "area_m2": 2})
	all.Wait()
	close(errs)
	for err := range errs {
		require.NoError(t, err)
	}
	require.EqualValues(t, phones, heard.Load())
}

// BenchmarkTwentyPhones gives the server's time for each page at the end of a season while twenty phones follow the shed by events and all load pages:
// an operation is one page, so that its time is the server's share; from tap to page is what one phone waits while the nineteen others ask too.
func BenchmarkTwentyPhones(b *testing.B) {
	d := afterASeason(b)
	ctx, cancel := context.WithCancel(b.Context())
	var open, all sync.WaitGroup
	open.Add(phones)
	for range phones {
		all.Go(func() { _ = follow(ctx, d, open.Done, func() bool { return true }) })
	}
	open.Wait()
	defer all.Wait()
	defer cancel()
	for _, p := range [][]string{{"shed", "/"}, {"history", "/history?days=1", "/history?days=7", "/history?days=31", "/history?days=180"},
		{"all", "/", "/coats", "/coats/new", "/plan", "/book", "/mix", "/probes", "/history?days=1"}} {
		b.Run(p[0], func(b *testing.B) {
			var mu sync.Mutex
			var waits []time.Duration
			var failed error
			var asked atomic.Int64
			var asking sync.WaitGroup
			before := processorTime(b)
			b.ResetTimer()
			for range phones {
				asking.Go(func() {
					for {
						n := asked.Add(1)
						if n > int64(b.N) {
							return
						}
						begun := time.Now()
						_, err := fetch(ctx, d, p[1:][n%int64(len(p)-1)])
						mu.Lock()
						waits, failed = append(waits, time.Since(begun)), errors.Join(failed, err)
						mu.Unlock()
					}
				})
			}
			asking.Wait()
			require.NoError(b, failed)
			b.ReportMetric(float64((processorTime(b)-before).Microseconds())/1000/float64(b.N), "cpu-ms/op")
			slices.Sort(waits)
			b.ReportMetric(float64(waits[len(waits)/2].Microseconds())/1000, "ms-from-tap-to-page")
		})
	}
}
