package store

import (
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/mirror/influxtest"
)

// BenchmarkSeasonInfluxDB is the peer of BenchmarkSeason: the same readings in a real InfluxDB 1.8 on the same machine, in the mirror's own schema,
// and the same question by Flux: 600 stretches of one channel with least, greatest and mean. The goal is a tenth of its time. It also tells what
// InfluxDB needs per reading on the disk, once its files no longer shrink. Without TACKLINE_BENCH it is a week, to see that it works.
func BenchmarkSeasonInfluxDB(b *testing.B) {
	if os.Getenv("TACKLINE_INFLUXD") == "" && os.Getenv("TACKLINE_REQUIRE") == "" {
		b.Skip("TACKLINE_INFLUXD does not name an influxd of InfluxDB 1.8")
	}
	days := int64(7)
	if os.Getenv("TACKLINE_BENCH") != "" {
		days = 180
	}
	dir, addr := b.TempDir(), influxtest.FreeAddr(b)
	influxtest.Start(b, dir, addr)
	influxtest.Ask(b, addr, "", "CREATE DATABASE sheds")
	n := fillInflux(b, addr, days)
	size := settled(dir)
	end := t0 + days*24*hourMs
	for _, span := range []struct {
		name string
		from int64
	}{{"all", t0}, {"a quarter", end - days*6*hourMs}, {"1 d", end - 24*hourMs}} {
		b.Run("600 points of "+span.name, func(b *testing.B) {
			every := (end - span.from) / 600
			flux := fmt.Sprintf(`d = from(bucket: "sheds") |> range(start: %s, stop: %s) |> filter(fn: (r) => r._measurement == "reading" and r.probe == "p00" and r._field == "temp_c")
d |> aggregateWindow(every: %dms, fn: min, createEmpty: false) |> yield(name: "min")
d |> aggregateWindow(every: %dms, fn: max, createEmpty: false) |> yield(name: "max")
d |> aggregateWindow(every: %dms, fn: mean, createEmpty: false) |> yield(name: "mean")`,
				time.UnixMilli(span.from).UTC().Format(time.RFC3339), time.UnixMilli(end).UTC().Format(time.RFC3339), every, every, every)
			for b.Loop() {
				res, err := http.Post("http://"+addr+"/api/v2/query", "application/vnd.flux", strings.NewReader(flux))
				require.NoError(b, err)
				text, err := io.ReadAll(res.Body)
				require.NoError(b, firstOf(err, res.Body.Close()))
				require.Equal(b, http.StatusOK, res.StatusCode, string(text))
				require.Greater(b, bytes.Count(text, []byte("\n")), 3*590)
			}
			b.ReportMetric(float64(size)/float64(n), "bytes/reading")
		})
	}
}

// fillInflux writes the readings of a season as the mirror does.
func fillInflux(b *testing.B, addr string, days int64) (n int64) {
	var lines []byte
	send := func() {
		if len(lines) == 0 {
			return
		}
		res, err := http.Post("http://"+addr+"/write?db=sheds&precision=ms", "text/plain", bytes.NewReader(lines))
		require.NoError(b, err)
		require.NoError(b, res.Body.Close())
		require.Equal(b, http.StatusNoContent, res.StatusCode)
		lines = lines[:0]
	}
	for r := range seasonRows(days) {
		if !r.Status.Usable() {
			continue
		}
		lines = append(lines, "reading,place="+r.Place+",probe="+r.Probe+",shed=bench "+r.Quantity.String()+"="...)
		lines = strconv.AppendFloat(lines, float64(scaled(r.Value, r.Quantity))/scaleOf(r.Quantity), 'f', -1, 64)
		lines = append(strconv.AppendInt(append(lines, ' '), r.At, 10), '\n')
		if n++; len(lines) > 1<<20 {
			send()
		}
	}
	send()
	return n
}

// settled gives the size of a folder's data and WAL once it has not changed for some seconds.
func settled(dir string) (size int64) {
	for same := 0; same < 5; {
		now := int64(0)
		_ = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error { // files come and go while it compacts
			if err == nil && !d.IsDir() {
				if info, err := d.Info(); err == nil {
					now += info.Size()
				}
			}
			return nil
		})
		if same++; now != size {
			same = 0
		}
		size = now
		time.Sleep(time.Second)
	}
	return size
}
