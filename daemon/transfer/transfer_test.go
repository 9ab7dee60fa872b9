package transfer_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/store"
	"tackline/daemon/transfer"
	"tackline/sensors"
	"tackline/sensors/tracefile"
)

var berlin = func() *time.Location {
	z, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		panic(err)
	}
	return z
}()

func open(t *testing.T) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "readings.db"), store.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// autumn is the night on which the clocks of Berlin go back, 2026-10-25 at 01:00 UTC, each quarter of an hour.
func autumn() []store.Row {
	var rows []store.Row
	at := time.Date(2026, 10, 24, 23, 0, 0, 0, time.UTC)
	for i := range 12 {
		for _, x := range []struct {
			probe string
			place sensors.Place
			q     sensors.Quantity
			v     float64
		}{{"bow, air", sensors.Air, sensors.Temperature, 11.25}, {"bow, air", sensors.Air, sensors.Humidity, 71}, {"keel \"cold\"", sensors.Surface, sensors.Temperature, -0.5}} {
			r := store.Row{Probe: x.probe, Place: string(x.place), Quantity: x.q, At: at.Add(time.Duration(i) * 15 * time.Minute).UnixMilli(), Clock: store.ClockSource,
				Raw: x.v, Value: x.v + 0.125, Status: sensors.OK}
			if i == 5 && x.q == sensors.Humidity {
				r.Status = sensors.Saturated
			}
			rows = append(rows, r)
		}
	}
	return rows
}

func all(t *testing.T, s *store.Store) (rows []store.Row) {
	t.Helper()
	channels, err := s.Channels(t.Context())
	require.NoError(t, err)
	for _, c := range channels {
		require.NoError(t, s.Raw(t.Context(), c.Probe, c.Quantity, 0, 1<<60, func(r store.Row) error { rows = append(rows, r); return nil }))
	}
	return rows
}

// TestOutAndInAgain: what goes out as CSV comes in elsewhere as the same readings, flags and raw values included; a second time nothing changes.
// The hour that comes twice has two offsets, and the same local time.
func TestOutAndInAgain(t *testing.T) {
	from, to := open(t), open(t)
	require.NoError(t, from.Append(t.Context(), autumn()))
	require.NoError(t, from.Commit(t.Context()))
	var out bytes.Buffer
	n, err := transfer.Export(t.Context(), from, &out, transfer.ExportOptions{Form: transfer.CSV, Zone: berlin})
	require.NoError(t, err)
	require.Equal(t, transfer.Exported{Rows: 36, Probes: 2}, n)
	require.Contains(t, out.String(), "2026-10-25T00:30:00.000Z,2026-10-25T02:30:00.000+02:00,\"bow, air\"")
	require.Contains(t, out.String(), "2026-10-25T01:30:00.000Z,2026-10-25T02:30:00.000+01:00,\"bow, air\"")
	rows, err := csv.NewReader(bytes.NewReader(out.Bytes())).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 37)

	p, err := transfer.Read(out.Bytes(), "", tracefile.Options{})
	require.NoError(t, err)
	require.True(t, p.Own)
	require.Empty(t, p.Wrong)
	require.Len(t, p.Channels, 3)
	require.EqualValues(t, 12, p.Channels[0].Rows)
	done, err := p.Write(t.Context(), to)
	require.NoError(t, err)
	require.EqualValues(t, 36, done.Added)
	done, err = p.Write(t.Context(), to)
	require.NoError(t, err)
	require.Zero(t, done.Added)
	require.EqualValues(t, 36, done.Repeated)
	require.Equal(t, all(t, from), all(t, to))

	out.Reset()
	n, err = transfer.Export(t.Context(), from, &out, transfer.ExportOptions{Form: transfer.CSV, Probe: "bow, air",
		From: time.Date(2026, 10, 25, 0, 0, 0, 0, time.UTC).UnixMilli(), To: time.Date(2026, 10, 25, 1, 0, 0, 0, time.UTC).UnixMilli()})
	require.NoError(t, err)
	require.EqualValues(t, 8, n.Rows, "[from, to)")
	_, err = transfer.Export(t.Context(), from, &out, transfer.ExportOptions{Form: transfer.CSV, Probe: "nobody"})
	require.ErrorContains(t, err, `no probe "nobody"`)
	_, err = transfer.Export(t.Context(), from, &out, transfer.ExportOptions{Form: "xml"})
	require.ErrorContains(t, err, "want csv or line")
}

// TestLineProtocol: each usable reading is one line with its names escaped as the line protocol's own description says (commas, blanks, equal
// signs in tags by a backslash; from memory), and what is flagged stays out and is counted.
func TestLineProtocol(t *testing.T) {
	s := open(t)
	require.NoError(t, s.Append(t.Context(), autumn()))
	var out bytes.Buffer
	n, err := transfer.Export(t.Context(), s, &out, transfer.ExportOptions{Form: transfer.Line, Shed: "Osier Slip (invented)"})
	require.NoError(t, err)
	require.Equal(t, transfer.Exported{Rows: 35, Probes: 2, Left: 1}, n)
	lines := strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n")
	require.Len(t, lines, 35)
	require.Equal(t, fmt.Sprintf(`reading,place=air,probe=bow\,\ air,shed=Osier\ Slip\ (invented) temp_c=11.375 %d`, autumn()[0].At), lines[0])
}

// TestATraceComesIn: columns become probes by place, broken lines are named and the rest is kept, the future is flagged, and a trace whose probe nobody
// named is refused.
func TestATraceComesIn(t *testing.T) {
	text := "when;air_f;rh_pct;surface_c;colour\n" +
		"14.01.2026 08:00;50;70;8,5;red\n" + "2026-01-14 08:10;50;70;8,5;red\n" + "2026-01-14 08:20;59;x;9;red\n" + "2026-01-14 08:30;59;71;9;red\n" + "2030-01-14 08:40;59;71;9;red\n"
	_, err := transfer.Read([]byte(text), "", tracefile.Options{})
	require.ErrorContains(t, err, "name the probe")
	o := tracefile.Options{Zone: berlin, Columns: map[string]string{"time": "when", "air_c": "air_f"}}
	p, err := transfer.Read([]byte(text), "old logger", o)
	require.NoError(t, err)
	require.False(t, p.Own)
	require.Equal(t, []string{"colour"}, p.Ignored)
	require.Len(t, p.Wrong, 2)
	require.EqualValues(t, 2, p.Wrong[0].Line)
	require.EqualValues(t, 4, p.Wrong[1].Line)
	p.FlagFuture(time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC))
	require.EqualValues(t, 3, p.Future)
	require.Len(t, p.Channels, 3)
	require.Equal(t, "old logger", p.Channels[0].Probe)
	require.InDelta(t, 10, p.Channels[0].Min, 1e-9, "50 F")
	require.Equal(t, "old logger surface", p.Channels[2].Probe)
	s := open(t)
	_, err = p.Write(t.Context(), s)
	require.NoError(t, err)
	n, err := s.Latest(t.Context(), "old logger", sensors.Temperature)
	require.NoError(t, err)
	require.Equal(t, time.Date(2026, 1, 14, 7, 30, 0, 0, time.UTC).UnixMilli(), n.Usable.At)

	own := "time_utc,time_local,probe,place,quantity,value,raw,status\n2026-01-14T08:00:00Z,,a,air,temp_c,12,12,ok\nyesterday,,a,air,temp_c,12,12,ok\n" +
		"2026-01-14T08:00:00Z,,a,loft,temp_c,12,12,ok\n2026-01-14T08:00:00Z,,a,air,warmth,12,12,ok\n2026-01-14T08:00:00Z,,a,air,temp_c,NaN,12,ok\n" +
		"2026-01-14T08:00:00Z,,,air,temp_c,12,12,ok\n2026-01-14T08:00:00Z,,a,air,temp_c,12,12,fine\n2026-01-14T08:00:00Z,,a\n"
	p, err = transfer.Read([]byte(own), "", tracefile.Options{})
	require.NoError(t, err)
	require.Len(t, p.Rows, 1)
	require.Len(t, p.Wrong, 7)
	for i, l := range p.Wrong {
		require.EqualValues(t, i+3, l.Line)
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte("time_utc,time_local,probe,place,quantity,value,raw,status\n2026-01-14T08:00:00Z,,a,air,temp_c,12,12,ok\n"))
	f.Add([]byte("time,air_c\n2026-01-14T08:00:00Z,12\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := transfer.Read(data, "a", tracefile.Options{Zone: time.UTC})
		if err != nil {
			return
		}
		var n int64
		for _, c := range p.Channels {
			n += c.Rows
		}
		require.EqualValues(t, len(p.Rows), n)
	})
}
