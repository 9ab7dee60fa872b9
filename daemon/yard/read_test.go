package yard

import (
	"context"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// An answer in annotated CSV as the query API of InfluxDB 2 gives it (its documentation, "Annotated CSV": datatype, group and default rows, an
// empty line between tables of different columns, CRLF).
const answer2 = "#datatype,string,long,dateTime:RFC3339,double,string,string,string,string\r\n" +
	"#group,false,false,false,false,true,true,true,true\r\n" +
	"#default,_result,,,,,,,\r\n" +
	",result,table,_time,_value,_field,place,probe,shed\r\n" +
	",,0,2026-01-14T11:59:40Z,14.5,temp_c,air,air by the hull,Creek shed\r\n" +
	",,1,2026-01-14T11:59:40Z,61,rh_pct,air,air by the hull,Creek shed\r\n\r\n"

const advice2 = "#datatype,string,long,dateTime:RFC3339,string,string,string,string\r\n" +
	"#group,false,false,false,false,true,true,true\r\n" +
	"#default,_result,,,,,,\r\n" +
	",result,table,_time,_value,_field,piece,shed\r\n" +
	",,0,2026-01-14T11:59:00Z,clear,verdict,foredeck,Creek shed\r\n\r\n"

// A failure after the answer has begun comes as a table of its own (the same documentation, "Errors").
const broken2 = "#datatype,string,string\r\n#group,true,true\r\n#default,,\r\n,error,reference\r\n,engine: out of memory,897\r\n"

// server2 stands in for InfluxDB 2.
type server2 struct {
	asked  atomic.Int64
	status atomic.Int64 // 0: answers well
	body   atomic.Value // string
	head   atomic.Value // Retry-After
	auth   atomic.Value
	query  atomic.Value
	hang   chan struct{} // nil: answers at once
}

func (s *server2) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.asked.Add(1)
	b, _ := io.ReadAll(r.Body)
	s.auth.Store(r.Header.Get("Authorization"))
	s.query.Store(r.URL.String() + " " + string(b))
	if s.hang != nil {
		select {
		case <-s.hang:
		case <-r.Context().Done():
		}
		return
	}
	if status := int(s.status.Load()); status != 0 {
		if after, _ := s.head.Load().(string); after != "" {
			w.Header().Set("Retry-After", after)
		}
		body, _ := s.body.Load().(string)
		if strings.HasPrefix(body, "{") {
			w.Header().Set("Content-Type", "application/json; charset=utf-8")
		}
		w.WriteHeader(status)
		_, _ = io.WriteString(w, body)
		return
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	if body, _ := s.body.Load().(string); body != "" {
		if strings.HasPrefix(body, "<") {
			w.Header().Set("Content-Type", "text/html")
		}
		_, _ = io.WriteString(w, body)
	} else if strings.Contains(string(b), "advice") {
		_, _ = io.WriteString(w, advice2)
	} else {
		_, _ = io.WriteString(w, answer2)
	}
}

func against(t *testing.T, s *server2, change func(*Options)) *Reader {
	t.Helper()
	srv := httptest.NewServer(s)
	t.Cleanup(srv.Close)
	o := Options{URL: srv.URL, Token: "read-only-token", Org: "yard", Bucket: "sheds", Now: func() time.Time { return noon }}
	if change != nil {
		change(&o)
	}
	r, err := New(o)
	require.NoError(t, err)
	t.Cleanup(r.Close)
	return r
}

func TestReadsInfluxDB2(t *testing.T) {
	s := &server2{}
	y, err := against(t, s, nil).Look(t.Context())
	require.NoError(t, err)
	require.Equal(t, "Token read-only-token", s.auth.Load())
	require.Contains(t, s.query.Load(), "/api/v2/query?org=yard")
	require.Len(t, y.Sheds, 1)
	require.Equal(t, "Creek shed", y.Sheds[0].Name)
	require.Equal(t, "clear", y.Sheds[0].Pieces[0].Verdict)
	air := y.Sheds[0].Air()
	require.Equal(t, []string{"temp_c", "rh_pct"}, []string{air[0].Quantity, air[1].Quantity})
	require.InDelta(t, 14.5, air[0].Value, 0)
}

// The error classes of the query API of InfluxDB 2 (its API reference, POST /api/v2/query).
func TestErrorClassesOfInfluxDB2(t *testing.T) {
	for _, c := range []struct {
		status      int
		body, after string
		says        string
		again       time.Duration
	}{
		{401, `{"code":"unauthorized","message":"unauthorized access"}`, "", "check the token file", 0},
		{403, `{"code":"forbidden","message":"insufficient permissions"}`, "", "may read the bucket", 0},
		{404, `{"code":"not found","message":"failed to initialize execute state: could not find bucket \"sheds\""}`, "", "check org and bucket", 0},
		{404, `{"code":"not found","message":"organization name \"yard\" not found"}`, "", "check org and bucket", 0},
		{500, "failed to initialize execute state: no database", "", "check org and bucket", 0}, // 1.8
		{429, `{"code":"too many requests","message":"exceeded rate limit"}`, "30", "asked again in 30s", 30 * time.Second},
		{500, `{"code":"internal error","message":"panic: oh"}`, "", "trouble of its own (status 500)", 0},
		{503, "", "5", "trouble of its own (status 503)", 5 * time.Second},
		{502, "<html>a proxy's page</html>", "", "trouble of its own (status 502)", 0},
		{400, `{"code":"invalid","message":"error in query"}`, "", "refuses the query (status 400)", 0},
		{403, "Flux query service disabled. Verify flux-enabled=true in the [http] section of the InfluxDB config.", "", "flux-enabled = true", 0}, // 1.8
	} {
		s := &server2{}
		s.status.Store(int64(c.status))
		s.body.Store(c.body)
		s.head.Store(c.after)
		y, err := against(t, s, nil).Look(t.Context())
		var trouble *Trouble
		require.ErrorAs(t, err, &trouble, c.body)
		require.Equal(t, c.status, trouble.Status)
		require.Contains(t, trouble.What, c.says)
		require.Equal(t, c.again, trouble.Again)
		require.NotContains(t, err.Error(), "read-only-token")
		require.Empty(t, y.Sheds)
		require.True(t, y.ReadAt.IsZero())
	}
}

func TestServerThatHangsOrIsNotThere(t *testing.T) {
	s := &server2{hang: make(chan struct{})}
	defer close(s.hang)
	_, err := against(t, s, func(o *Options) { o.Timeout = 50 * time.Millisecond }).Look(t.Context())
	require.ErrorContains(t, err, "did not answer within 50ms")

	srv := httptest.NewServer(s)
	url := srv.URL
	srv.Close()
	r, err := New(Options{URL: url, Bucket: "sheds"})
	require.NoError(t, err)
	defer r.Close()
	_, err = r.Look(t.Context())
	require.ErrorContains(t, err, "can't be reached")
}

// An answer that breaks off, or that is no answer, is taken in as a whole or not at all.
func TestBrokenAnswers(t *testing.T) {
	for _, body := range []string{answer2 + broken2, "#datatype,string,long\r\n,result", "<html>log in here</html>", answer2[:len(answer2)-20] + ",,1,notatime"} {
		s := &server2{}
		r := against(t, s, nil)
		_, err := r.Look(t.Context())
		require.NoError(t, err)
		s.body.Store(body)
		y, err := r.Look(t.Context())
		require.Error(t, err, body)
		require.Len(t, y.Sheds, 1, "what was known before stays, and grows old")
	}
}

func TestTroubleKeepsWhatWasKnown(t *testing.T) {
	s := &server2{}
	now := noon
	r := against(t, s, func(o *Options) { o.Now = func() time.Time { return now }; o.Every = 10 * time.Second })
	_, err := r.Look(t.Context())
	require.NoError(t, err)
	require.EqualValues(t, 2, s.asked.Load())
	_, err = r.Look(t.Context())
	require.NoError(t, err)
	require.EqualValues(t, 2, s.asked.Load(), "not asked more often than Every")
	s.status.Store(429)
	s.head.Store("120")
	now = now.Add(15 * time.Second)
	y, err := r.Look(t.Context())
	require.Error(t, err)
	require.Equal(t, noon, y.ReadAt)
	require.False(t, y.Sheds[0].Silent)
	asked := s.asked.Load()
	now = now.Add(time.Minute)
	_, err = r.Look(t.Context())
	require.Error(t, err)
	require.Equal(t, asked, s.asked.Load(), "the server asked for two minutes")
	now = now.Add(time.Hour)
	y, err = r.Look(t.Context())
	require.Error(t, err)
	require.True(t, y.Sheds[0].Silent)
	require.Equal(t, CantSay, y.Sheds[0].Pieces[0].Verdict)
	s.status.Store(0)
	now = noon.Add(2 * time.Hour)
	y, err = r.Look(t.Context())
	require.NoError(t, err)
	require.Equal(t, now, y.ReadAt)
}

// Who asked first and went away does not spoil it for the others.
func TestALookOutlivesWhoAsked(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	y, err := against(t, &server2{}, nil).Look(ctx)
	require.NoError(t, err)
	require.Len(t, y.Sheds, 1)
}

func TestOptions(t *testing.T) {
	for _, o := range []Options{{}, {URL: "127.0.0.1:8086", Bucket: "b"}, {URL: "http://h"}, {URL: "http://u:p@h", Bucket: "b"}, {URL: "http://h", Bucket: "${b}"},
		{URL: "http://h", Bucket: "b", Days: -1}} {
		_, err := New(o)
		require.ErrorContains(t, err, "yard: ")
		require.NotContains(t, err.Error(), "u:p@")
	}
	r, err := New(Options{URL: "http://h", Bucket: "a\"b\\\n"})
	require.NoError(t, err)
	require.Contains(t, r.flux("reading", noon, noon), `from(bucket: "a\"b\\\n")`)
	var trouble *Trouble
	require.True(t, errors.As(r.explain(errors.New(strings.Repeat("x", 5000))), &trouble))
	require.Less(t, len(trouble.Error()), 600)
}
