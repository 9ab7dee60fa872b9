package outlook

import (
	"context"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// The answers are invented, in layouts of our own.
const columns = `{"place":"invented","ahead":{"when":["2026-01-14T12:00","2026-01-14T13:00","2026-01-14T14:00","2026-01-14T15:00"],"dry":[4.5,5,null,41]}}`

func TestReadsEitherLayout(t *testing.T) {
	cases := map[string]struct {
		body  string
		c     Config
		at    []float64
		airC  []float64
		fault string
	}{
		"an object of lists, null left out, Fahrenheit, a zone": {columns, Config{Times: "ahead.when", Air: "ahead.dry", Unit: "F", Zone: time.FixedZone("", 3600)},
			[]float64{1768388400, 1768392000, 1768399200}, []float64{-15.2778, -15, 5}, ""},
		"a list of objects, Unix seconds, kelvin": {`{"hours":[{"t":1768392000,"air":{"k":278.15}},{"t":1768395600,"air":{"k":279.15}}]}`,
			Config{Times: "hours.t", Air: "hours.air.k", Unit: "K"}, []float64{1768392000, 1768395600}, []float64{5, 6}, ""},
		"a bare list, milliseconds":  {`[{"t":1768392000000,"c":5},{"t":1768395600000,"c":6}]`, Config{Times: "t", Air: "c"}, []float64{1768392000, 1768395600}, []float64{5, 6}, ""},
		"humidities that do not fit": {`{"t":[1768392000,1768395600],"c":[5,6],"h":[80]}`, Config{Times: "t", Air: "c", RH: "h"}, nil, nil, "1 humidities at"},
		"a humidity out of range":    {`{"t":[1768392000,1768395600],"c":[5,6],"h":[80,0]}`, Config{Times: "t", Air: "c", RH: "h"}, nil, nil, `"h", entry 1: 0 is no relative humidity`},
		"no JSON":                    {"<html>", Config{Times: "t", Air: "c"}, nil, nil, "no JSON"},
		"a wrong path":               {columns, Config{Times: "ahead.time", Air: "ahead.dry"}, nil, nil, `"time" of "ahead.time" is not there; there is dry, when`},
		"no list":                    {columns, Config{Times: "place", Air: "ahead.dry"}, nil, nil, `no list at "place"`},
		"lists of two lengths":       {`{"t":[1768392000],"c":[5,6]}`, Config{Times: "t", Air: "c"}, nil, nil, "1 times"},
		"text for a number":          {`{"t":[1768392000,1768395600],"c":["mild",6]}`, Config{Times: "t", Air: "c"}, nil, nil, "entry 0: mild is no outdoor temperature"},
		"out of range":               {`{"t":[1768392000,1768395600],"c":[278,6]}`, Config{Times: "t", Air: "c"}, nil, nil, "entry 0: 278 is no outdoor temperature in "},
		"times that go back":         {`{"t":[1768395600,1768392000],"c":[5,6]}`, Config{Times: "t", Air: "c"}, nil, nil, "entry 1: its time is not after"},
		"no time":                    {`{"t":["noon","1 pm"],"c":[5,6]}`, Config{Times: "t", Air: "c"}, nil, nil, "noon is no time"},
		"one hour":                   {`{"t":[1768392000],"c":[5]}`, Config{Times: "t", Air: "c"}, nil, nil, "fewer than two hours"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			c.c.File = filepath.Join(t.TempDir(), "outlook.json")
			require.NoError(t, os.WriteFile(c.c.File, []byte(c.body), 0o600))
			s, err := New(c.c)
			require.NoError(t, err)
			err = s.Refresh(t.Context())
			if c.fault != "" {
				require.ErrorContains(t, err, c.fault)
				_, ok := s.Latest()
				require.False(t, ok)
				return
			}
			require.NoError(t, err)
			f, ok := s.Latest()
			require.True(t, ok)
			require.Equal(t, c.at, f.At)
			require.InDeltaSlice(t, c.airC, f.AirC, 1e-3)
		})
	}
}

// TestHumidity: goes with its hours; null is NaN, and a little over 100 is saturated.
func TestHumidity(t *testing.T) {
	file := filepath.Join(t.TempDir(), "outlook.json")
	require.NoError(t, os.WriteFile(file, []byte(`{"t":[1768392000,1768395600,1768399200,1768402800],"c":[5,null,7,8],"h":[80,81,null,101]}`), 0o600))
	s, err := New(Config{File: file, Times: "t", Air: "c", RH: "h"})
	require.NoError(t, err)
	require.NoError(t, s.Refresh(t.Context()))
	f, _ := s.Latest()
	require.Equal(t, []float64{5, 7, 8}, f.AirC)
	require.Equal(t, 80.0, f.RHPct[0])
	require.True(t, math.IsNaN(f.RHPct[1]))
	require.Equal(t, 100.0, f.RHPct[2])
}

// TestFresh: up to its age, and not where it seems to be from the future.
func TestFresh(t *testing.T) {
	now := time.Date(2026, 1, 14, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		got   time.Duration
		fresh bool
	}{{-13 * time.Hour, false}, {-12 * time.Hour, true}, {0, true}, {5 * time.Minute, true}, {time.Hour, false}} {
		f := Forecast{Fetched: now.Add(c.got)}
		require.Equal(t, c.fresh, f.Fresh(now, 12*time.Hour), c.got)
	}
}

// TestAServerThatStalls: is given up after the client's time, whether it never answers or stops in the middle.
func TestAServerThatStalls(t *testing.T) {
	gone := make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/middle" {
			_, _ = w.Write([]byte(columns[:40]))
			w.(http.Flusher).Flush()
		}
		<-gone
	}))
	defer server.Close()
	defer close(gone)
	for _, path := range []string{"/silent", "/middle"} {
		s, err := New(Config{URL: server.URL + path, Times: "ahead.when", Air: "ahead.dry", Client: &http.Client{Timeout: 50 * time.Millisecond}})
		require.NoError(t, err)
		require.ErrorContains(t, s.Refresh(t.Context()), "exceeded")
		_, ok := s.Latest()
		require.False(t, ok)
	}
}

func TestRefusesAConfigThatCannotWork(t *testing.T) {
	for _, c := range []Config{{}, {URL: "http://x", File: "y", Times: "t", Air: "c"}, {URL: "http://x"}, {URL: "ftp://x", Times: "t", Air: "c"},
		{File: "y", Times: "t", Air: "c", Unit: "R"}} {
		_, err := New(c)
		require.Error(t, err)
	}
	s, err := New(Config{File: filepath.Join(t.TempDir(), "none"), Times: "t", Air: "c"})
	require.NoError(t, err)
	require.ErrorContains(t, s.Refresh(t.Context()), "no such file")
}

// TestKeepsTheLastAnswer: through errors of the server, and over a restart without it. No error has the address's key or the token.
func TestKeepsTheLastAnswer(t *testing.T) {
	var fail atomic.Int64
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case r.Header.Get("Authorization") != "Bearer sesame":
			w.WriteHeader(http.StatusUnauthorized)
		case fail.Load() == 1:
			w.WriteHeader(http.StatusServiceUnavailable)
		case fail.Load() == 2:
			_, _ = w.Write([]byte(strings.Repeat(" ", most+2)))
		default:
			_, _ = w.Write([]byte(columns))
		}
	}))
	c := Config{URL: server.URL + "/?key=hush", Token: "sesame", Times: "ahead.when", Air: "ahead.dry", Cache: filepath.Join(t.TempDir(), "outlook.json")}
	s, err := New(c)
	require.NoError(t, err)
	require.NoError(t, s.Refresh(t.Context()))
	first, ok := s.Latest()
	require.True(t, ok)
	for _, how := range []int64{1, 2} {
		fail.Store(how)
		err := s.Refresh(t.Context())
		require.Error(t, err)
		require.NotContains(t, err.Error(), "hush")
		still, ok := s.Latest()
		require.True(t, ok)
		require.Equal(t, first, still)
	}
	server.Close()
	err = s.Refresh(t.Context())
	require.Error(t, err)
	require.NotContains(t, err.Error(), "hush")
	require.NotContains(t, err.Error(), "sesame")

	again, err := New(c)
	require.NoError(t, err)
	kept, ok := again.Latest()
	require.True(t, ok)
	require.Equal(t, first.At, kept.At)
	require.WithinDuration(t, first.Fetched, kept.Fetched, 5*time.Second)

	require.NoError(t, os.WriteFile(c.Cache, []byte("{half"), 0o600))
	torn, err := New(c)
	require.NoError(t, err)
	_, ok = torn.Latest()
	require.False(t, ok)

	done, cancel := context.WithCancel(t.Context())
	cancel()
	require.Error(t, again.Refresh(done))
}
