package daemon

import (
	"compress/gzip"
	"io"
	"net/http"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// BenchmarkFirstLoad tells what a phone that was never here gets for a page at the end of a season, compressed, with everything that the page names: kB-first-load.
// The budget is 60 kB.
func BenchmarkFirstLoad(b *testing.B) {
	d := afterASeason(b)
	fetch := func(path string, head ...string) (sent int, text string) {
		r, err := http.NewRequestWithContext(b.Context(), http.MethodGet, "http://"+d.Addr()+path, nil)
		require.NoError(b, err)
		r.Header.Set("Accept-Encoding", "gzip")
		for i := 0; i+1 < len(head); i += 2 {
			r.Header.Set(head[i], head[i+1])
		}
		got, err := http.DefaultClient.Do(r)
		require.NoError(b, err)
		defer got.Body.Close()
		require.Equal(b, http.StatusOK, got.StatusCode, path)
		count := &counter{r: got.Body}
		plain, err := gzip.NewReader(count)
		require.NoError(b, err, path)
		all, err := io.ReadAll(plain)
		require.NoError(b, err)
		return count.n, string(all)
	}
	asset := regexp.MustCompile(`"(/static/[^"]+)"`)
	for _, p := range [][2]string{{"shed", "/"}, {"coats", "/coats"}, {"new", "/coats/new"}, {"plan", "/plan"}, {"book", "/book"}, {"mix", "/mix"}, {"probes", "/probes"},
		{"history day", "/history?days=1"}, {"history winter", "/history?days=180"}, {"settings", "/settings"}} {
		b.Run(p[0], func(b *testing.B) {
			total := 0
			for b.Loop() {
				size, text := fetch(p[1])
				total = size
				if strings.Contains(text, "data-fetch") { // what comes after its page
					size, _ = fetch(p[1], "X-Part", "main")
					total += size
				}
				for _, m := range asset.FindAllStringSubmatch(text, -1) {
					size, _ = fetch(m[1])
					total += size
				}
			}
			b.ReportMetric(float64(total)/1000, "kB-first-load")
		})
	}
}

// counter counts what is read through it.
type counter struct {
	r io.Reader
	n int
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n += n
	return n, err
}
