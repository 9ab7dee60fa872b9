package poll

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/clock"
	"tackline/sensors"
)

const (
	ok      = sensors.OK
	spike   = sensors.Spike
	tooFast = sensors.TooFast
)

// judged feeds a channel with values at steps of time and gives what came out, the end of the stream included.
func judged(q sensors.Quantity, every time.Duration, values ...float64) (out []float64, status []sensors.Status) {
	e := &entry{moved: math.MinInt64}
	c := newChannel(q, DefaultLimits()[q], 3)
	add := func(recs []Record) {
		for _, r := range recs {
			out, status = append(out, r.Raw), append(status, r.Status)
		}
	}
	for i, v := range values {
		mono := int64(i) * every.Milliseconds()
		add(c.judge(Record{Quantity: q, Raw: v, Mono: mono, At: mono}, false, clock.Stamp{Wall: mono, State: clock.Synced}, e))
	}
	add(c.giveUp())
	return out, status
}

func TestFilter(t *testing.T) {
	for _, c := range []struct {
		name   string
		q      sensors.Quantity
		every  time.Duration
		values []float64
		want   []sensors.Status
	}{
		{"six degrees in 15 ms and back", sensors.Temperature, 15 * time.Millisecond,
			[]float64{10, 10, 16, 10, 10}, []sensors.Status{ok, ok, spike, ok, ok}},
		{"two spikes on end", sensors.Temperature, time.Second, []float64{10, 40, 41, 10.1}, []sensors.Status{ok, spike, spike, ok}},
		{"a spike each way", sensors.Temperature, time.Second, []float64{10, 40, -20, 10.1}, []sensors.Status{ok, tooFast, spike, ok}},
		{"the door opens on a frost: believed with the third", sensors.Temperature, 10 * time.Second,
			[]float64{17, 13, 10.5, 9, 8.2, 7.9}, []sensors.Status{ok, ok, ok, ok, ok, ok}},
		{"the door, and the stream ends too soon", sensors.Temperature, 10 * time.Second, []float64{17, 12, 11}, []sensors.Status{ok, tooFast, tooFast}},
		{"a step that time makes possible", sensors.Temperature, 10 * time.Second, []float64{10, 11.8, 11.9, 11.9}, []sensors.Status{ok, ok, ok, ok}},
		{"walking past in small steps is a real change", sensors.Temperature, 10 * time.Second,
			[]float64{10, 11, 12, 13, 14, 15}, []sensors.Status{ok, ok, ok, ok, ok, ok}},
		{"it never latches on a bad first value", sensors.Temperature, 10 * time.Second,
			[]float64{60, 10, 10.1, 10.2, 10.1}, []sensors.Status{ok, ok, ok, ok, ok}},
		{"nonsense without end", sensors.Temperature, time.Second, []float64{10, 50, -10, 70, 0, 60}, // none agrees with the one before
			[]sensors.Status{ok, tooFast, tooFast, tooFast, tooFast, tooFast}},
		{"out of range is not a measure", sensors.Temperature, 10 * time.Second, []float64{10, 200, 10}, []sensors.Status{ok, sensors.OutOfRange, ok}},
		{"humidity at the rail", sensors.Humidity, 10 * time.Second, []float64{99, 99.9, 100, 99},
			[]sensors.Status{ok, sensors.Saturated, sensors.Saturated, ok}},
		{"humidity at the other rail", sensors.Humidity, 10 * time.Second, []float64{1, 0.1, 0}, []sensors.Status{ok, sensors.Saturated, sensors.Saturated}},
		{"no barometer does this", sensors.Pressure, 10 * time.Second, []float64{1010, 719, 1010}, []sensors.Status{ok, spike, ok}},
		{"an hour's gap allows what an hour can do", sensors.Temperature, time.Hour, []float64{5, 18}, []sensors.Status{ok, ok}},
	} {
		values, status := judged(c.q, c.every, c.values...)
		require.Equal(t, c.values, values, "%s: every reading comes out, in order", c.name)
		require.Equal(t, c.want, status, c.name)
	}
}

// A cold still shed: a thermometer with steps of a sixteenth that stands on one step, or flickers between two, for 72 hours.
func TestStillShedRaisesNothing(t *testing.T) {
	values := make([]float64, 72*60)
	for i := range values {
		values[i] = -1.0625
	}
	_, status := judged(sensors.Temperature, time.Minute, values...)
	require.NotContains(t, status, sensors.Flat)
	for i := range values {
		values[i] = -1.0625 + 0.0625*float64(i/977%2)
	}
	_, status = judged(sensors.Temperature, time.Minute, values...)
	for _, s := range status {
		require.Equal(t, ok, s)
	}
}

// A hygrometer that has shown hundredths and then nothing but one number for hours has frozen, unless the thermometer in it still moves.
func TestFlat(t *testing.T) {
	hours := func(n int, sibling func(i int) float64) (flat int64, first time.Duration) {
		f := &fake{}
		s := newStand(t, Options{Probes: []Entry{{Name: "bench", Place: sensors.Air, Probe: f, Interval: time.Minute}}})
		f.says(humid(60.01), temp(10))
		s.step()
		f.says(humid(60.02), temp(10.01))
		s.pass(time.Minute, 1)
		begun := s.now.Mono
		for i := range n * 60 {
			f.says(humid(60.03), temp(sibling(i)))
			s.pass(time.Minute, 1)
			if first == 0 && s.state("bench").Counts[sensors.Flat] > 0 {
				first = time.Duration(s.now.Mono-begun) * time.Millisecond
			}
		}
		return s.state("bench").Counts[sensors.Flat], first
	}
	n, first := hours(8, func(int) float64 { return 10.02 })
	require.Positive(t, n)
	require.InDelta(t, (6 * time.Hour).Minutes(), first.Minutes(), 2)
	require.True(t, sensors.Flat.Usable(), "a notice: it is used")
	n, _ = hours(8, func(i int) float64 { return 10 + 0.01*float64(i%3) })
	require.Zero(t, n, "its sibling moves")
}

func TestWarmUp(t *testing.T) {
	f := &fake{}
	f.says(temp(10))
	s := newStand(t, Options{Probes: []Entry{{Name: "ir", Place: sensors.Surface, Probe: f, WarmUp: 30 * time.Second}}})
	s.step()
	s.pass(10*time.Second, 4)
	_, status := s.sink.of("ir", sensors.Temperature)
	require.Equal(t, []sensors.Status{sensors.WarmUp, sensors.WarmUp, sensors.WarmUp, ok, ok}, status)
	require.Equal(t, s.now.Wall, s.state("ir").LastOK)
}

// Readings with times of their own: late ones are stored at their own time and are never the newest; those from the future are set aside
// while the clock is set, and kept as they are while it is not.
func TestOwnTimes(t *testing.T) {
	f := &fake{}
	s := newStand(t, Options{Probes: []Entry{{Name: "node", Place: sensors.Air, Probe: f}}})
	at := func(d time.Duration, v float64) sensors.Reading {
		r := temp(v)
		r.At = time.UnixMilli(s.now.Wall).Add(d)
		return r
	}
	f.says(at(-time.Hour, 9), at(-time.Minute, 10))
	s.step()
	newest := s.sink.records[1].At
	require.Equal(t, s.now.Wall-60_000, newest)
	f.says(at(-30*time.Minute, 9.5), at(-2*time.Hour, 8))
	s.pass(10*time.Second, 1)
	f.says(at(10*time.Minute, 10), at(0, 10.2))
	s.pass(10*time.Second, 1)
	_, status := s.sink.of("node", sensors.Temperature)
	require.Equal(t, []sensors.Status{ok, ok, sensors.Late, sensors.Late, sensors.Future, ok}, status)
	st := s.state("node")
	require.Equal(t, sensors.Future, st.Latest[0].Status, "shown, not used")
	require.Equal(t, s.sink.records[5].At, st.LastOK)
	s.now.State = clock.Unsynced
	f.says(at(10*time.Minute, 10.1))
	s.pass(10*time.Second, 1)
	_, status = s.sink.of("node", sensors.Temperature)
	require.Equal(t, ok, status[6])
}

// What the driver says against a reading stays, and such a reading is no measure for others.
func TestDriversFlagsStay(t *testing.T) {
	f := &fake{}
	s := newStand(t, Options{Probes: []Entry{{Name: "stem", Place: sensors.Timber, Probe: f}}})
	say := func(v float64, st sensors.Status) {
		r := temp(v)
		r.Status = st
		f.says(r)
		s.pass(10*time.Second, 1)
	}
	say(85, sensors.PowerOnValue)
	say(10, sensors.OK)
	say(85, sensors.PowerOnValue)
	say(10.1, sensors.OK)
	say(22, sensors.HeaterOn)
	say(10.1, sensors.ByHand)
	_, status := s.sink.of("stem", sensors.Temperature)
	require.Equal(t, []sensors.Status{sensors.PowerOnValue, ok, sensors.PowerOnValue, ok, sensors.HeaterOn, sensors.ByHand}, status)
}
