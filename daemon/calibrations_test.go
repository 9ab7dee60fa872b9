package daemon

import (
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/daemon/poll"
	"tackline/sensors"
)

func day(n int) time.Time { return time.Date(2026, 1, n, 0, 0, 0, 0, time.UTC) }

// The newest correction of each quantity is in force, from its date, whether it stands in the config or in the job book.
func TestCorrectionsByDate(t *testing.T) {
	gain := 1.05
	p := config.Probe{Name: "bow", Calibrations: []config.Calibration{
		{From: day(5), Offset: map[sensors.Quantity]float64{sensors.Temperature: -0.5, sensors.Humidity: 1}, By: "Wren"},
		{From: day(20), Offset: map[sensors.Quantity]float64{sensors.Temperature: -0.2}, By: "Wren"}}}
	facts := &jobbook.State{Calibrations: []jobbook.Calibration{
		{CalibrationData: jobbook.CalibrationData{Probe: "bow", Quantity: "rh_pct", Method: "saturated salt NaCl", Offset: -3, Gain: &gain, U: 1.1, Due: day(18).UnixMilli(),
			True: 75.5, Before: 74.8, After: 75.5}, When: jobbook.When{MS: day(10).UnixMilli()}},
		{CalibrationData: jobbook.CalibrationData{Probe: "stern", Quantity: "temp_c", Offset: 9}, When: jobbook.When{MS: day(11).UnixMilli()}},
		{CalibrationData: jobbook.CalibrationData{Probe: "bow", Quantity: "temp_c", Method: "ice water", Offset: 0.1}, When: jobbook.When{MS: day(25).UnixMilli()}},
	}}
	for _, c := range []struct {
		day  int
		want poll.Calibration
		good bool
	}{
		{1, poll.Calibration{}, false},
		{6, poll.Calibration{TemperatureK: -0.5, HumidityFactor: 1, HumidityPct: 1}, true},
		{12, poll.Calibration{TemperatureK: -0.5, HumidityFactor: 1.05, HumidityPct: -3}, true},
		{19, poll.Calibration{TemperatureK: -0.5, HumidityFactor: 1.05, HumidityPct: -3}, false}, // overdue
		{21, poll.Calibration{TemperatureK: -0.2, HumidityFactor: 1.05, HumidityPct: -3}, false},
		{26, poll.Calibration{TemperatureK: 0.1, HumidityFactor: 1.05, HumidityPct: -3}, false},
	} {
		at := day(c.day).UnixMilli()
		require.Equal(t, c.want, calibrationOf(correctionsAt(p, facts, at)), "day %d", c.day)
		require.Equal(t, c.good, calibrated(p, facts, at), "day %d", c.day)
	}
	require.Equal(t, []int64{day(6).UnixMilli(), day(10).UnixMilli(), day(20).UnixMilli()}, calibrationDates(p, facts, day(6).UnixMilli(), day(24).UnixMilli()))
}

// A calibration that is entered is in force with the next reading, is carried into the doubt of the margin, and stands in the record; when it is due again a
// notice holds.
func TestCalibrationReachesReadingsDoubtAndRecord(t *testing.T) {
	dir := t.TempDir()
	text := "[shed]\nname = \"Yard (invented)\"\nzone = \"UTC\"\nlisten = \"127.0.0.1:0\"\ndata = \"" + filepath.Join(dir, "data") + "\"\n[clock]\nspeed = 60\n" +
		"[[probe]]\nname = \"bow\"\nkind = \"shed\"\nplace = \"air\"\n"
	path := filepath.Join(dir, "tackline.toml")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	c, err := config.Load(path)
	require.NoError(t, err)
	ticking, err := clock.NewScaled(yardAt.UnixMilli(), 60)
	require.NoError(t, err)
	d, err := New(Options{Config: c, Clock: ticking})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, d.Stop()) })
	at := func(minutes int64) clock.Stamp {
		ms := minutes * minuteMs
		return clock.Stamp{Wall: yardAt.UnixMilli() + ms, Mono: 1_000_000 + ms, Boot: "b", State: clock.Simulated}
	}
	read := func(minutes int64) poll.State {
		d.recalibrate(t.Context(), at(minutes))
		d.poller.Step(t.Context(), at(minutes))
		return d.poller.States()[0]
	}
	before := read(1)
	require.Equal(t, before.Latest[0].Raw, before.Latest[0].Value)
	_, err = d.Do(t.Context(), "k1", "Wren", jobbook.Calibrate{When: at(0).Wall + 1, CalibrationData: jobbook.CalibrationData{Probe: "bow", Quantity: "temp_c", Method: "ice water",
		Before: 0.4, Offset: -0.4, U: 0.12, Due: at(600).Wall}})
	require.NoError(t, err)
	after := read(3)
	for _, l := range after.Latest {
		switch l.Quantity {
		case sensors.Temperature:
			require.InDelta(t, l.Raw-0.4, l.Value, 1e-9)
		case sensors.Humidity:
			require.Greater(t, l.Value, l.Raw, "carried over to the cooler temperature at constant vapour pressure")
		}
	}
	facts, err := d.book.State(t.Context())
	require.NoError(t, err)
	require.Contains(t, d.recordProbes(facts, at(1).Wall, at(4).Wall)[0].Calibration, "ice water: 0.40 C before, 0.00 C after")
	require.Empty(t, d.recordProbes(facts, at(-10).Wall, at(0).Wall)[0].Calibration, "a coat of before knows nothing of it")

	s, err := d.assess.Situation(t.Context(), at(10).Wall, true)
	require.NoError(t, err)
	require.Equal(t, 0.12, s.Climate.AirC.U)
	s, err = d.assess.Situation(t.Context(), at(700).Wall, true)
	require.NoError(t, err)
	require.InDelta(t, 0.45, s.Climate.AirC.U, 1e-9, "overdue: half as much again as the class has")
	require.False(t, d.calibrationConditions(t.Context(), at(599))[0].Active)
	due := d.calibrationConditions(t.Context(), at(601))[0]
	require.True(t, due.Active)
	require.Contains(t, due.Body, "temp_c of 14 Jan 2026")

	w := &answerSheet{header: http.Header{}}
	d.serveProbes(w, &http.Request{})
	var got ProbesReport
	require.NoError(t, json.Unmarshal(w.body, &got))
	require.Equal(t, "bow", got.Probes[0].Name)
	require.Equal(t, "present", got.Probes[0].Presence)
	require.Len(t, got.Probes[0].Latest, 3)
	require.NotNil(t, got.Unassigned)
}

// answerSheet takes an answer.
type answerSheet struct {
	header http.Header
	body   []byte
}

func (a *answerSheet) Header() http.Header         { return a.header }
func (a *answerSheet) Write(b []byte) (int, error) { a.body = append(a.body, b...); return len(b), nil }
func (a *answerSheet) WriteHeader(int)             {}

// Where a probe is taped comes from the config, else from the newest placement in the job book.
func TestTapedTo(t *testing.T) {
	at := func(minute int64) jobbook.When { return jobbook.When{MS: 1000 + minute*minuteMs} }
	facts := &jobbook.State{Pieces: []jobbook.Piece{{Head: jobbook.Head{ID: 4}, PieceData: jobbook.PieceData{Name: "foredeck"}}, {Head: jobbook.Head{ID: 5}, PieceData: jobbook.PieceData{Name: "transom"}}},
		Placements: []jobbook.Placement{{Probe: "tape", Piece: 4, From: at(1), Until: at(10).MS}, {Probe: "tape", Piece: 5, From: at(10), Until: at(20).MS}, {Probe: "tape", From: at(20)}, {Probe: "other", Piece: 4, From: at(30)}}}
	for minute, want := range map[int64]string{0: "", 1: "foredeck", 9: "foredeck", 10: "transom", 20: "", 40: ""} {
		require.Equal(t, want, tapedTo(config.Probe{Name: "tape"}, facts, at(minute).MS), "minute %d", minute)
	}
	require.Equal(t, "keel", tapedTo(config.Probe{Name: "tape", Piece: "keel"}, facts, at(1).MS))
	require.Empty(t, tapedTo(config.Probe{Name: "bow"}, facts, at(1).MS))
}
