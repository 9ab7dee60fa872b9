package daemon

import (
	"context"
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/daemon/clock"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/daemon/poll"
	"tackline/daemon/store"
	"tackline/dashboard/record"
	"tackline/sensors"
)

// A stretch in which two courses of calibrations differ is from the first date that tells them apart to the last.
func TestDiffers(t *testing.T) {
	a, b := poll.Calibration{TemperatureK: 0.1}, poll.Calibration{TemperatureK: 0.2}
	require.True(t, differs(nil, nil).empty())
	require.True(t, differs(poll.Calibrations{{From: 5, Calibration: a}}, poll.Calibrations{{From: 5, Calibration: a}}).empty())
	require.Equal(t, span{5, math.MaxInt64}, differs(nil, poll.Calibrations{{From: 5, Calibration: a}}))
	require.Equal(t, span{5, 9}, differs(poll.Calibrations{{From: 9, Calibration: a}}, poll.Calibrations{{From: 5, Calibration: a}}), "the same, four sooner")
	require.Equal(t, span{7, 9}, differs(poll.Calibrations{{From: 5, Calibration: a}, {From: 9, Calibration: b}},
		poll.Calibrations{{From: 5, Calibration: a}, {From: 7, Calibration: b}, {From: 9, Calibration: b}}))
}

// A calibration that cannot be is left out and named; the one before it stays in force.
func TestCalibrationThatCannotBe(t *testing.T) {
	p := config.Probe{Name: "bow"}
	entry := func(n int, offset float64) jobbook.Calibration {
		return jobbook.Calibration{CalibrationData: jobbook.CalibrationData{Probe: "bow", Quantity: "temp_c", Offset: offset}, When: jobbook.When{MS: day(n).UnixMilli()}}
	}
	got, err := calibrationsOf(p, &jobbook.State{Calibrations: []jobbook.Calibration{entry(3, 0.2), entry(5, 40), entry(7, 0.3)}})
	require.ErrorContains(t, err, "bow of 2026-01-05: calibration of temperature by 40 K")
	require.Equal(t, poll.Calibrations{{From: day(3).UnixMilli(), Calibration: poll.Calibration{TemperatureK: 0.2}},
		{From: day(7).UnixMilli(), Calibration: poll.Calibration{TemperatureK: 0.3}}}, got)
}

// TestBackdatedCalibration enters a calibration whose date is past: readings stored from its date on are corrected, once, with the humidity carried over to
// the corrected temperature; history, advice and the frozen trace of a coat follow; the record says that it was corrected. Undone, all is as before.
func TestBackdatedCalibration(t *testing.T) {
	d, err := NewDemo(t.Context(), DemoOptions{Seed: 3, Folder: t.TempDir(), Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var facts *jobbook.State
	rows := func(q sensors.Quantity) (out []store.Row) {
		require.NoError(t, d.store.Raw(ctx, "bench", q, 0, 1<<46, func(r store.Row) error {
			out = append(out, r)
			return nil
		}))
		return out
	}
	look := func() record.Coat {
		facts, err = d.book.State(ctx)
		require.NoError(t, err)
		r, err := d.Record(ctx, facts.Jobs[0].ID, "")
		require.NoError(t, err)
		return r.Coats[0]
	}
	mean := func(c record.Coat, quantity string) float64 {
		sum, n := 0.0, 0
		for _, ch := range c.Channels {
			if ch.Quantity == quantity {
				for _, v := range ch.V {
					sum, n = sum+v, n+1
				}
			}
		}
		require.NotZero(t, n, quantity)
		return sum / float64(n)
	}
	var temps, humid []store.Row
	var before record.Coat
	var advised, corrected Moment
	var from, to, seq, phase int64
	var hourBefore []store.Bucket
	done := func() bool { return !d.recorrecting() && d.loop.corrected["bench"].Freeze.empty() }
	d.o.Observe = func(m Moment) {
		switch {
		case phase == 0:
			advised, before = m, look()
			coat := facts.Coats[0]
			from, to = coat.Started.MS+(coat.Ended.MS-coat.Started.MS)/2, m.At.UnixMilli()
			temps, humid = rows(sensors.Temperature), rows(sensors.Humidity)
			hourBefore, err = d.store.Range(ctx, "bench", sensors.Temperature, from+3_600_000, to, 50)
			require.NoError(t, err)
			r, err := d.Do(ctx, "k1", "Wren", jobbook.Calibrate{When: from, CalibrationData: jobbook.CalibrationData{Probe: "bench", Quantity: "temp_c", Method: "ice water",
				Before: 0.5, Offset: -0.5, U: 0.1}})
			require.NoError(t, err)
			seq, phase = r.Seq, 1
		case phase == 1 && done() && m.At.After(advised.At):
			corrected, phase = m, 2
			now := rows(sensors.Temperature)
			raws := map[int64]float64{}
			for i, r := range temps {
				require.Equal(t, r.Raw, now[i].Raw)
				raws[r.At] = r.Raw
				if r.At < from {
					require.Equal(t, r.Value, now[i].Value)
				} else {
					require.InDelta(t, r.Raw-0.5, now[i].Value, 2e-4, "once, not twice")
				}
			}
			for i, r := range rows(sensors.Humidity) {
				switch {
				case i >= len(humid):
				case r.At < from:
					require.Equal(t, humid[i].Value, r.Value)
				default:
					cal := poll.Calibrations{{Calibration: poll.Calibration{TemperatureK: -0.5}}}
					raw := raws[r.At]
					require.InDelta(t, cal.Correct(sensors.Humidity, r.Raw, &raw, r.At, true), r.Value, 2e-3)
				}
			}
			hour, err := d.store.Range(ctx, "bench", sensors.Temperature, from+3_600_000, to, 50)
			require.NoError(t, err)
			for i := range hour {
				if hour[i].Count > 0 && hour[i].Start >= from && hour[i].End < to {
					require.InDelta(t, hourBefore[i].Mean-0.5, hour[i].Mean, 1e-3)
				}
			}
			after := look()
			require.Len(t, after.Remarks, len(before.Remarks)+1)
			require.Contains(t, after.Remarks[len(after.Remarks)-1], "ice water: 0.50 C before, 0.00 C after")
			require.Contains(t, after.Remarks[len(after.Remarks)-1], "mean air temperature (C)")
			require.InDelta(t, mean(before, record.AirC)-0.25, mean(after, record.AirC), 0.01, "half of the coat's time")
			require.Greater(t, mean(after, record.RHPct), mean(before, record.RHPct))
			require.NotEmpty(t, after.Marks)
			require.NotEmpty(t, after.State)
			r, err := d.Do(ctx, "k2", "Wren", jobbook.Undo{Seq: seq})
			require.NoError(t, err)
			require.NotZero(t, r.Seq)
		case phase == 2 && done() && m.At.After(corrected.At):
			phase = 3
			for i, r := range rows(sensors.Temperature) {
				if i < len(temps) {
					require.InDelta(t, temps[i].Value, r.Value, 2e-4)
				}
			}
			again := look()
			require.InDelta(t, mean(before, record.AirC), mean(again, record.AirC), 1e-3)
			require.Len(t, again.Remarks, len(before.Remarks)+2, "that it was undone is said too")
			cancel()
		}
	}
	require.NoError(t, d.Run(ctx))
	require.EqualValues(t, 3, phase)
	require.InDelta(t, *advised.Advice.Shed.AirC.Value-0.5, *corrected.Advice.Shed.AirC.Value, 0.3, "the advice rests on corrected readings")
}

// What is left to correct is written down, and the next start goes on with it; a reading that comes late is corrected by the calibration of its own day.
func TestCorrectionIsTakenUpAfterAStop(t *testing.T) {
	dir := t.TempDir()
	d, err := NewDemo(t.Context(), DemoOptions{Seed: 3, Folder: dir, Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	n := 0
	d.o.Observe = func(Moment) {
		if n++; n == 2 {
			cancel()
		}
	}
	require.NoError(t, d.Run(ctx))
	cancel()
	c, sim := d.o.Config, d.o.Shed
	at := d.now()
	d, err = New(Options{Config: c, Clock: d.clock, Shed: sim})
	require.NoError(t, err)
	from := at.UnixMilli() - 20*3_600_000
	_, err = d.Do(t.Context(), "k1", "Wren", jobbook.Calibrate{When: from, CalibrationData: jobbook.CalibrationData{Probe: "bench", Quantity: "temp_c", Method: "ice water", Offset: 0.7}})
	require.NoError(t, err)
	facts, err := d.book.State(t.Context())
	require.NoError(t, err)
	by, err := calibrationsOf(c.Probes[0], facts)
	require.NoError(t, err)
	require.Equal(t, "bench", c.Probes[0].Name)
	left, err := json.Marshal(corrections{By: by, Redo: span{from, math.MaxInt64}}) // as if the power went right after it was written down
	require.NoError(t, err)
	require.NoError(t, d.store.SetCorrectedBy(t.Context(), "bench", string(left)))
	require.NoError(t, d.Stop())

	d, err = New(Options{Config: c, Clock: d.clock, Shed: sim})
	require.NoError(t, err)
	defer func() { require.NoError(t, d.Stop()) }()
	d.recalibrate(t.Context(), clock.Stamp{Wall: at.UnixMilli(), State: clock.Simulated})
	for d.recorrect(t.Context()) {
		t.Log("another turn")
	}
	seen := 0
	require.NoError(t, d.store.Raw(t.Context(), "bench", sensors.Temperature, from, 1<<46, func(r store.Row) error {
		seen++
		require.InDelta(t, r.Raw+0.7, r.Value, 2e-4)
		return nil
	}))
	require.Greater(t, seen, 100)
	require.InDelta(t, 5.7, by.Correct(sensors.Temperature, 5, nil, from, true), 1e-9)
	require.InDelta(t, 5, by.Correct(sensors.Temperature, 5, nil, from-1, true), 1e-9)
	require.InDelta(t, 5.7, by.Correct(sensors.Temperature, 5, nil, 0, false), 1e-9, "a clock that is not set: the newest")
}
