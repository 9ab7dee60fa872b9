package tracefile

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/stretchr/testify/require"
)

func parse(t *testing.T, text string, o Options) *Table {
	t.Helper()
	table, err := Parse(strings.NewReader(text), o)
	require.NoError(t, err)
	return table
}

func values(t *testing.T, table *Table, name string) []any {
	t.Helper()
	col, ok := table.Columns[name]
	require.True(t, ok, "column %s", name)
	var out []any
	for i := range table.Times {
		if v, ok := col.At(i); ok {
			out = append(out, math.Round(v*1e4)/1e4)
		} else {
			out = append(out, nil)
		}
	}
	return out
}

func TestOwnHeadings(t *testing.T) {
	table := parse(t, "\ufeff# from the notebook\n\ntime,air_c,rh_pct\r\n2016-01-11T17:30:00+01:00,6.5,83\r\n2016-01-11T18:00:00Z,,84.5\n", Options{})
	require.Equal(t, []int64{1452529800000, 1452535200000}, table.Times)
	require.Equal(t, []int64{4, 5}, table.Lines)
	require.Equal(t, []any{6.5, nil}, values(t, table, "air_c"))
	require.Equal(t, []any{83.0, 84.5}, values(t, table, "rh_pct"))
	require.Equal(t, []string{"air_c", "rh_pct"}, table.Names())
}

func TestSecondsAndUnix(t *testing.T) {
	table := parse(t, "time_s,air_c\n0,10\n0.5,11\n3600,12\n", Options{})
	require.Equal(t, []int64{0, 500, 3_600_000}, table.Times)
	table = parse(t, "time_s,air_c\n-60,10\n", Options{Start: 1_000_000})
	require.Equal(t, []int64{940_000}, table.Times)
	table = parse(t, "unix_ms,air_c\n1458117704955,20.68\n", Options{})
	require.Equal(t, []int64{1458117704955}, table.Times)
	table = parse(t, "when,air_c\n1458117704.955,20.68\n", Options{Columns: map[string]string{"unix_s": "when"}})
	require.Equal(t, []int64{1458117704955}, table.Times)
}

func TestMappingAndUnits(t *testing.T) {
	text := "when,out_f,press_mmhg,Damp [ratio],extra\n2016-01-11 17:30,50,760,0.835,x\n"
	zone, err := Zone("+01:00")
	require.NoError(t, err)
	table := parse(t, text, Options{Zone: zone, Columns: map[string]string{
		"time": "when", "air_c": "out_f", "pressure_hpa": "press_mmhg", "rh_pct": "Damp [ratio]"}})
	require.Equal(t, []int64{1452529800000}, table.Times)
	require.Equal(t, []any{10.0}, values(t, table, "air_c"))
	// 760 mmHg is a standard atmosphere, 1013.25 hPa (ISO 2533), to the seventh figure.
	require.Equal(t, []any{1013.2501}, values(t, table, "pressure_hpa"))
	require.Equal(t, []any{83.5}, values(t, table, "rh_pct"))
	require.Equal(t, []string{"extra"}, table.Ignored)
}

func TestMappingTakesAndLeaves(t *testing.T) {
	text := "time_s,air_c,rh_pct,surface_c\n0,10,80,9\n"
	table := parse(t, text, Options{Columns: map[string]string{"air_c": "surface_c", "rh_pct": ""}})
	require.Equal(t, []string{"air_c"}, table.Names())
	require.Equal(t, []any{9.0}, values(t, table, "air_c"))
	require.Equal(t, []string{"air_c", "rh_pct"}, table.Ignored)
}

func TestLongForm(t *testing.T) {
	text := "entry,unix_ms,node,air_c\n1,1000,4,20\n2,1500,2,21\n3,2000,4,22\n4,junk,2,oops\n"
	table := parse(t, text, Options{Node: "4"})
	require.Equal(t, []any{20.0, 22.0}, values(t, table, "air_c"))
	require.Equal(t, []string{"2", "4"}, table.Nodes)
	require.Equal(t, int64(2), table.Others)
	_, err := Parse(strings.NewReader(text), Options{Columns: map[string]string{"node": "node"}})
	require.ErrorContains(t, err, "rows of 2 nodes (2, 4): say which one is meant")
	_, err = Parse(strings.NewReader(text), Options{Node: "7"})
	require.ErrorContains(t, err, `no row of node "7": there are 2, 4`)
}

func TestSemicolonsAndDecimalCommas(t *testing.T) {
	table := parse(t, "time_s;air_c;rh_pct\n0;6,5;83\n\"60\";7.5;\n", Options{})
	require.Equal(t, []any{6.5, 7.5}, values(t, table, "air_c"))
	require.Equal(t, []any{83.0, nil}, values(t, table, "rh_pct"))
}

func TestOrderAndRepeats(t *testing.T) {
	table := parse(t, "time_s,air_c\n0,1\n120,3\n60,2\n120,3\n", Options{})
	require.Equal(t, []int64{0, 60_000, 120_000}, table.Times)
	require.Equal(t, []any{1.0, 2.0, 3.0}, values(t, table, "air_c"))
	require.Equal(t, int64(1), table.Moved)
	require.Equal(t, int64(1), table.Repeats)
	_, err := Parse(strings.NewReader("time_s,air_c\n0,1\n0,2\n"), Options{})
	require.ErrorContains(t, err, "line 3: same time as line 2, other values")
}

// Every broken row is named, and the good ones are there.
func TestBrokenRows(t *testing.T) {
	text := `time,air_c,rh_pct
2016-01-11T17:30:00Z,6.5,83
2016-01-11T17:40:00Z,6.5
2016-02-30T17:50:00Z,6.5,83
2016-01-11T18:00:00,6.5,83
2016-01-11T18:10:00Z,18C,83
2016-01-11T18:20:00Z,NaN,83
2016-01-11T18:30:00Z,6.5,Inf
2016-01-11T18:40:00Z,"6.5,83
,6.5,83
1066-10-14T09:00:00Z,6.5,83
2016-01-11T18:50:00Z,0x10,83
2016-01-11T19:00:00Z,1e999,83
2016-01-11T19:10:00Z,6.6,82
`
	table, err := Parse(strings.NewReader(text), Options{})
	var errs *Errors
	require.ErrorAs(t, err, &errs)
	want := []struct {
		line int64
		text string
	}{
		{3, "2 fields where the heading has 3"},
		{4, `impossible time "2016-02-30T17:50:00Z"`},
		{5, "has no zone"},
		{6, `column "air_c": "18C" is not a number`},
		{7, `"NaN" is not a number`},
		{8, `"Inf" is not a number`},
		{9, "broken row"},
		{10, "no time"},
		{11, "not between the years"},
		{12, `"0x10" is not a number`},
		{13, `"1e999" is not a number`},
	}
	require.Len(t, errs.Lines, len(want))
	for i, w := range want {
		require.Equal(t, w.line, errs.Lines[i].Line)
		require.Contains(t, errs.Lines[i].Text, w.text)
	}
	require.Equal(t, []int64{2, 14}, table.Lines)
	require.Contains(t, err.Error(), "tracefile: line 3: ")

	var b strings.Builder
	b.WriteString("time_s,air_c\n")
	for range 30 {
		b.WriteString("x,1\n")
	}
	_, err = Parse(strings.NewReader(b.String()), Options{})
	require.ErrorContains(t, err, "and 10 more")
}

func TestBadHeadings(t *testing.T) {
	for _, c := range []struct {
		head    string
		columns map[string]string
		want    string
	}{
		{"", nil, "the file is empty"},
		{"time,air_C", nil, `unknown heading "air_C" (did you mean "air_c"?)`},
		{"time,air_c,rh", nil, `unknown heading "rh"`},
		{"air_c,rh_pct", nil, "no column of times"},
		{"time,time_s,air_c", nil, "two columns of times"},
		{"time,air_c,air_c", nil, `heading "air_c" stands in fields 2 and 3`},
		{"time", nil, "no column of readings"},
		{"time,p_furlong", map[string]string{"pressure_hpa": "p_furlong"}, `unknown unit "furlong"`},
		{"time,p_mmhq", map[string]string{"pressure_hpa": "p_mmhq"}, `unknown unit "mmhq" (did you mean "mmhg"?)`},
		{"time,p_c", map[string]string{"pressure_hpa": "p_c"}, `"c" is a unit of temperature, not of pressure`},
		{"time,outside_c", map[string]string{"air_c": "outsid_c"}, `no heading "outsid_c" (did you mean "outside_c"?)`},
		{"time,outside_c", map[string]string{"air": "outside_c"}, `unknown name "air" (did you mean "air_c"?)`},
		{`time,"air_c`, nil, "broken row"},
	} {
		table, err := Parse(strings.NewReader(c.head+"\n"), Options{Columns: c.columns})
		require.ErrorContains(t, err, c.want, c.head)
		require.ErrorContains(t, err, "line 1", c.head)
		require.Nil(t, table)
	}
	_, err := Parse(strings.NewReader("time,air_c\n"), Options{Node: "3"})
	require.ErrorContains(t, err, `there is no column "node"`)
}

func TestReadErrors(t *testing.T) {
	_, err := Parse(failing{}, Options{})
	require.ErrorIs(t, err, errBroken)
	_, err = Parse(strings.NewReader("time_s,air_c\n"+strings.Repeat("0", longestLine+1)), Options{})
	require.ErrorContains(t, err, "line 2 is longer than")
}

var errBroken = errors.New("the card is broken")

type failing struct{}

func (failing) Read([]byte) (int, error) { return 0, errBroken }

// The night of 30 October 2016 has 02:00..03:00 twice in Oslo, that of 27 March 2016 lacks it.
func TestDaylightSaving(t *testing.T) {
	oslo, err := Zone("Europe/Oslo")
	require.NoError(t, err)
	table := parse(t, "time,air_c\n2016-10-30T01:30,1\n2016-10-30T02:30,2\n2016-10-30T02:30,3\n2016-10-30T03:30,4\n", Options{Zone: oslo})
	for i, want := range []string{"2016-10-29T23:30:00Z", "2016-10-30T00:30:00Z", "2016-10-30T01:30:00Z", "2016-10-30T02:30:00Z"} {
		require.Equal(t, want, time.UnixMilli(table.Times[i]).UTC().Format(time.RFC3339))
	}
	_, err = Parse(strings.NewReader("time,air_c\n2016-03-27T02:10:00,1\n"), Options{Zone: oslo})
	require.ErrorContains(t, err, "clocks in Europe/Oslo skip it")
	fixed, err := Zone("+01:00")
	require.NoError(t, err)
	table = parse(t, "time,air_c\n2016-03-27T02:10:00,1\n", Options{Zone: fixed})
	require.Equal(t, "2016-03-27T01:10:00Z", time.UnixMilli(table.Times[0]).UTC().Format(time.RFC3339))
	for _, bad := range []string{"", "Local", "Mars/Phobos", "+1:00", "+25:99"} {
		_, err := Zone(bad)
		require.ErrorContains(t, err, "want UTC", bad)
	}
}

// No input makes the parser panic, and what it takes in is finite and in order.
func FuzzParse(f *testing.F) {
	f.Add("time,air_c\n2016-01-11T17:30:00Z,6.5\n")
	f.Add("time_s;air_c\n0;6,5\n\"1\";7\n")
	f.Add("unix_ms,node,rh_pct\n1,a,5\n2,b,\n")
	f.Fuzz(func(t *testing.T, text string) {
		table, err := Parse(strings.NewReader(text), Options{Zone: time.UTC})
		if table == nil {
			require.Error(t, err)
			return
		}
		for i, at := range table.Times {
			if i > 0 {
				require.Greater(t, at, table.Times[i-1])
			}
			for _, c := range table.Columns {
				v, ok := c.At(i)
				require.False(t, ok && (math.IsNaN(v) || math.IsInf(v, 0)))
			}
		}
	})
}

// The open data sets that the scenario tests replay: 2858 rows of a house (Candanedo et al., Energy and Buildings 140, 2017) and 9832 of
// four nodes in a room (Morgner et al., ESORICS 2017). Counted with a text tool.
func TestOpenData(t *testing.T) {
	dir := shared(t)
	open := func(name string, o Options) *Table {
		f, err := os.Open(filepath.Join(dir, "data", name))
		require.NoError(t, err)
		defer f.Close()
		table, err := Parse(f, o)
		require.NoError(t, err)
		return table
	}
	zone, err := Zone("+01:00")
	require.NoError(t, err)
	house := open("house-winter.csv", Options{Zone: zone, Columns: map[string]string{
		"air_c": "north_outside_c", "rh_pct": "north_outside_rh_pct", "pressure_hpa": "station_pressure_mmhg"}})
	require.Len(t, house.Times, 2858)
	p, ok := house.Columns["pressure_hpa"].At(0)
	require.True(t, ok)
	require.InDelta(t, 978.32, p, 0.01, "733.8 mmHg")
	var rows int64
	for _, node := range []string{"1", "2", "3", "4"} {
		room := open("room-nodes.csv", Options{Node: node})
		require.Equal(t, []string{"1", "2", "3", "4"}, room.Nodes)
		rows += int64(len(room.Times)) + room.Repeats
	}
	require.Equal(t, int64(9832), rows)
}

// shared finds the folder of open data, or skips.
func shared(t *testing.T) string {
	dir := os.Getenv("TACKLINE_SHARED")
	if dir == "" {
		dir = filepath.Join("..", "..", "..", "shared")
	}
	if _, err := os.Stat(filepath.Join(dir, "data")); err != nil {
		t.Skip("the folder of open data is not here: set TACKLINE_SHARED to check against it")
	}
	return dir
}

func BenchmarkParse(b *testing.B) {
	var s strings.Builder
	s.WriteString("time,air_c,rh_pct\n")
	at := time.Date(2016, 1, 11, 0, 0, 0, 0, time.UTC)
	for i := range 10000 {
		fmt.Fprintf(&s, "%s,%.2f,%.1f\n", at.Add(time.Duration(i)*time.Minute).Format(time.RFC3339), 10.25, 80.5)
	}
	text := s.String()
	for b.Loop() {
		if _, err := Parse(strings.NewReader(text), Options{}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.N)*20000/b.Elapsed().Seconds(), "readings/s")
}
