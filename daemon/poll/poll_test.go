package poll

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/clock"
	"tackline/sensors"
	"tackline/sensors/shed"
)

// fake is a probe that a test leads by the hand.
type fake struct {
	mu     sync.Mutex
	read   func(ctx context.Context) ([]sensors.Reading, error)
	reads  int
	closed int
}

func (f *fake) Read(ctx context.Context) ([]sensors.Reading, error) {
	f.mu.Lock()
	f.reads++
	read := f.read
	f.mu.Unlock()
	return read(ctx)
}

func (f *fake) Close() error { f.closed++; return nil }

// asked gives the number of reads begun.
func (f *fake) asked() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.reads
}

func (f *fake) set(read func(ctx context.Context) ([]sensors.Reading, error)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.read = read
}

func (f *fake) says(readings ...sensors.Reading) {
	f.set(func(context.Context) ([]sensors.Reading, error) { return readings, nil })
}

func (f *fake) fails(err error) {
	f.set(func(context.Context) ([]sensors.Reading, error) { return nil, err })
}

func temp(v float64) sensors.Reading  { return sensors.Reading{Quantity: sensors.Temperature, Value: v} }
func humid(v float64) sensors.Reading { return sensors.Reading{Quantity: sensors.Humidity, Value: v} }

var errAway = fmt.Errorf("fake: %w", sensors.ErrAbsent)

// basket is a sink.
type basket struct {
	records []Record
	err     error
}

func (b *basket) Append(_ context.Context, records []Record) error {
	if b.err == nil {
		b.records = append(b.records, records...)
	}
	return b.err
}

func (b *basket) of(probe string, q sensors.Quantity) (values []float64, statuses []sensors.Status) {
	for _, r := range b.records {
		if r.Probe == probe && r.Quantity == q {
			values, statuses = append(values, r.Raw), append(statuses, r.Status)
		}
	}
	return values, statuses
}

// stand is a poller with a clock in hand.
type stand struct {
	*Poller
	t    *testing.T
	sink *basket
	now  clock.Stamp
}

func newStand(t *testing.T, o Options) *stand {
	t.Helper()
	s := &stand{t: t, sink: &basket{}, now: clock.Stamp{Wall: 1_790_000_000_000, Mono: 5_000, Boot: "b1", State: clock.Synced}}
	o.Sink = s.sink
	p, err := New(o)
	require.NoError(t, err)
	s.Poller = p
	return s
}

func (s *stand) step() (next int64) { return s.Step(s.t.Context(), s.now) }

// pass lets time pass and steps, n times.
func (s *stand) pass(d time.Duration, n int) {
	for range n {
		s.now.Wall += d.Milliseconds()
		s.now.Mono += d.Milliseconds()
		s.step()
	}
}

func (s *stand) state(name string) State {
	for _, st := range s.States() {
		if st.Name == name {
			return st
		}
	}
	s.t.Fatalf("no probe %q", name)
	return State{}
}

func TestStampCalibrateHandOn(t *testing.T) {
	f := &fake{}
	f.says(temp(18), humid(60))
	s := newStand(t, Options{Probes: []Entry{{Name: "bench", Place: sensors.Air, Probe: f, Calibrated: Calibrations{{0, Calibration{TemperatureK: -2}}}}}})
	next := s.step()
	require.Equal(t, s.now.Wall+10_000, next)
	require.Len(t, s.sink.records, 2)
	require.Equal(t, Record{Probe: "bench", Place: sensors.Air, Quantity: sensors.Temperature, At: s.now.Wall, Mono: 5000, Boot: "b1",
		ClockState: clock.Synced, Raw: 18, Value: 16, Status: sensors.OK}, s.sink.records[0])
	// At constant vapour pressure: 60 % at 18 C are 12.37 hPa; over 18.18 hPa at 16 C these are 68.1 % (saturation from the WMO No. 8
	// Magnus form, worked by hand).
	require.InDelta(t, 68.1, s.sink.records[1].Value, 0.1)
	require.Equal(t, 60.0, s.sink.records[1].Raw)

	s.step()
	require.Len(t, s.sink.records, 2, "nothing is due yet")
	require.NoError(t, s.SetCalibrations("bench", Calibrations{{0, Calibration{HumidityFactor: 1.1, HumidityPct: 2}}}))
	s.pass(10*time.Second, 1)
	require.Equal(t, 18.0, s.sink.records[2].Value)
	require.InDelta(t, 68, s.sink.records[3].Value, 1e-9)
	require.ErrorContains(t, s.SetCalibrations("beam", nil), `no probe "beam"`)
	require.ErrorContains(t, s.SetCalibrations("bench", Calibrations{{0, Calibration{TemperatureK: math.NaN()}}}), "calibration of temperature")

	require.NoError(t, s.Close(t.Context()))
	require.NoError(t, s.Close(t.Context()))
	require.Equal(t, 1, f.closed)
}

// Constant vapour pressure against a table: 20 C and 50 % are 11.69 hPa, which is 64.2 % at 16 C (saturation 23.39 and 18.19 hPa: ASHRAE
// Fundamentals, table of moist air, from memory).
func TestCalibrationKeepsVapourPressure(t *testing.T) {
	c := Calibration{TemperatureK: -4}
	require.InDelta(t, 50*23.39/18.19, c.apply(sensors.Humidity, 50, 20, true), 0.1)
	require.Equal(t, 50.0, c.apply(sensors.Humidity, 50, 0, false), "no temperature beside it")
	require.Equal(t, 100.0, c.apply(sensors.Humidity, 95, 20, true), "not above saturation")
	require.Equal(t, 1008.5, Calibration{PressureHPa: -1.5}.apply(sensors.Pressure, 1010, 0, false))
	require.Equal(t, 0.0, Calibration{MoisturePct: -3}.apply(sensors.Moisture, 2, 0, false))
	require.ErrorContains(t, Calibration{HumidityFactor: 9}.Check(), "factor of 9")
	require.NoError(t, Calibration{TemperatureK: 1, HumidityFactor: 0.98, HumidityPct: -2}.Check())
}

func TestAbsentAtStartIsNormalAndComesBackByItself(t *testing.T) {
	f := &fake{}
	f.fails(errAway)
	s := newStand(t, Options{Probes: []Entry{{Name: "panel", Place: sensors.Surface, Probe: f}}})
	s.step()
	require.Equal(t, NeverSeen, s.state("panel").Presence)
	require.Zero(t, s.state("panel").LastOK)
	before := f.asked()
	s.pass(10*time.Second, 360) // an hour
	require.Less(t, f.asked()-before, 70, "asked once a minute in the end")
	require.Greater(t, f.asked()-before, 55)
	f.says(temp(10))
	s.pass(10*time.Second, 7)
	require.Equal(t, Present, s.state("panel").Presence)
	n := len(s.sink.records)
	s.pass(10*time.Second, 6)
	require.Len(t, s.sink.records, n+6, "at its own interval again")
	ok := s.now.Wall
	f.fails(errAway)
	s.pass(10*time.Second, 1)
	st := s.state("panel")
	require.Equal(t, Missing, st.Presence)
	require.Equal(t, ok, st.LastOK)
	require.Contains(t, st.LastError, "probe absent")
}

// Eight probes on one bus, three of them dead, and a bus beside it.
func TestDeadProbesDoNotStopTheirBus(t *testing.T) {
	var entries []Entry
	var fakes []*fake
	for i := range 8 {
		f := &fake{}
		f.says(temp(float64(i)))
		if i%3 == 1 {
			f.fails(errAway)
		}
		fakes = append(fakes, f)
		entries = append(entries, Entry{Name: fmt.Sprint("t", i), Place: sensors.Timber, Bus: "w1", Probe: f})
	}
	other := &fake{}
	other.says(temp(20))
	entries = append(entries, Entry{Name: "air", Place: sensors.Air, Probe: other})
	s := newStand(t, Options{Probes: entries})
	s.step()
	s.pass(10*time.Second, 9)
	for i := range fakes {
		values, _ := s.sink.of(fmt.Sprint("t", i), sensors.Temperature)
		if i%3 == 1 {
			require.Empty(t, values)
		} else {
			require.Len(t, values, 10)
		}
	}
	values, _ := s.sink.of("air", sensors.Temperature)
	require.Len(t, values, 10)
}

// A driver that never returns, whatever the context says. Its bus is left alone, the others go on, and when it returns at last what it has
// to say is not used.
func TestHungReadIsIsolated(t *testing.T) {
	release := make(chan struct{})
	stuck, behind, well := &fake{}, &fake{}, &fake{}
	stuck.set(func(context.Context) ([]sensors.Reading, error) {
		<-release
		return []sensors.Reading{temp(99)}, nil
	})
	behind.says(temp(7))
	well.says(temp(12))
	s := newStand(t, Options{ReadDeadline: 20 * time.Millisecond, Probes: []Entry{
		{Name: "stuck", Place: sensors.Air, Bus: "i2c-1", Probe: stuck},
		{Name: "behind", Place: sensors.Air, Bus: "i2c-1", Probe: behind},
		{Name: "well", Place: sensors.Air, Bus: "i2c-2", Probe: well},
	}})
	s.step()
	s.pass(10*time.Second, 20)
	require.Equal(t, Hung, s.state("stuck").Presence)
	require.Contains(t, s.state("stuck").LastError, "bus i2c-1 is left alone")
	require.Contains(t, s.state("stuck").LastError, "i2c_arm_baudrate=10000", "what to try is said")
	require.Equal(t, int64(1), s.state("stuck").Failures)
	require.Equal(t, Hung, s.state("behind").Presence)
	require.Contains(t, s.state("behind").LastError, `hangs in probe "stuck"`)
	require.Equal(t, 1, stuck.asked())
	values, _ := s.sink.of("well", sensors.Temperature)
	require.Len(t, values, 21, "the other bus lost nothing")

	stuck.says(temp(11))
	close(release)
	require.Eventually(t, func() bool { s.pass(10*time.Second, 1); return s.state("behind").Presence == Present }, 5*time.Second, time.Millisecond)
	s.pass(10*time.Second, 7)
	values, _ = s.sink.of("stuck", sensors.Temperature)
	require.NotEmpty(t, values)
	for _, v := range values {
		require.Equal(t, 11.0, v, "the late answer is not used")
	}
	require.NoError(t, s.Close(t.Context()))
}

func TestCloseLeavesAHungProbe(t *testing.T) {
	release := make(chan struct{})
	stuck, well := &fake{}, &fake{}
	stuck.set(func(context.Context) ([]sensors.Reading, error) { <-release; return nil, errAway })
	well.says(temp(12))
	s := newStand(t, Options{ReadDeadline: 10 * time.Millisecond, Probes: []Entry{
		{Name: "stuck", Place: sensors.Air, Probe: stuck}, {Name: "well", Place: sensors.Air, Probe: well}}})
	s.step()
	require.NoError(t, s.Close(t.Context()))
	require.Zero(t, stuck.closed)
	require.Equal(t, 1, well.closed)
	close(release)
}

// A driver that keeps to its context: the deadline is an error like another, and the rest of the bus is read.
func TestDeadlineKept(t *testing.T) {
	slow, next := &fake{}, &fake{}
	slow.set(func(ctx context.Context) ([]sensors.Reading, error) { <-ctx.Done(); return nil, ctx.Err() })
	next.says(temp(3))
	s := newStand(t, Options{ReadDeadline: 10 * time.Millisecond, Probes: []Entry{
		{Name: "slow", Place: sensors.Air, Bus: "b", Probe: slow}, {Name: "next", Place: sensors.Air, Bus: "b", Probe: next}}})
	s.step()
	require.Len(t, s.sink.records, 1)
	require.Contains(t, s.state("slow").LastError, "deadline exceeded")
	require.Equal(t, NeverSeen, s.state("slow").Presence)
	require.Equal(t, Present, s.state("next").Presence)
}

func TestPanicOfADriver(t *testing.T) {
	f := &fake{}
	f.set(func(context.Context) ([]sensors.Reading, error) { panic("index out of range") })
	s := newStand(t, Options{Probes: []Entry{{Name: "odd", Place: sensors.Air, Probe: f}}})
	s.step()
	require.Contains(t, s.state("odd").LastError, "the driver panicked: index out of range")
}

func TestBadSamplesAreCountedByName(t *testing.T) {
	f := &fake{}
	f.fails(&sensors.BadSample{Status: sensors.BadCRC, Err: errors.New("fake: 00 01")})
	s := newStand(t, Options{Probes: []Entry{{Name: "stem", Place: sensors.Timber, Probe: f}}})
	s.step()
	s.pass(10*time.Second, 4)
	st := s.state("stem")
	require.Equal(t, int64(5), st.Counts[sensors.BadCRC])
	require.Equal(t, int64(5), st.BadSamples)
	require.Equal(t, Present, st.Presence, "something is there")
	require.Empty(t, s.sink.records)
	f.says(temp(math.NaN()), humid(math.Inf(1)))
	s.pass(10*time.Second, 1)
	require.Empty(t, s.sink.records, "no value that is not finite goes on")
	require.Equal(t, int64(2), s.state("stem").Counts[sensors.OutOfRange])
	st = s.States()[0]
	st.Counts[sensors.BadCRC] = 99
	require.Equal(t, int64(5), s.state("stem").Counts[sensors.BadCRC], "a copy")
}

func TestSinkFailureLosesNothing(t *testing.T) {
	f := &fake{}
	f.says(temp(10))
	s := newStand(t, Options{MaxBacklog: 5, Probes: []Entry{{Name: "bench", Place: sensors.Air, Probe: f}}})
	s.sink.err = errors.New("disk full")
	s.step()
	s.pass(10*time.Second, 3)
	require.Equal(t, Health{Backlog: 4, Err: s.sink.err}, s.Health())
	s.sink.err = nil
	s.pass(10*time.Second, 1)
	require.Len(t, s.sink.records, 5)
	require.Equal(t, Health{}, s.Health())
	s.sink.err = errors.New("disk full")
	s.pass(10*time.Second, 8)
	require.Equal(t, int64(3), s.Health().Lost)
	require.Equal(t, int64(5), s.Health().Backlog)
}

func TestLogIsNotFlooded(t *testing.T) {
	var b bytes.Buffer
	f := &fake{}
	f.fails(&sensors.BadSample{Status: sensors.AllZero, Err: errors.New("fake: zero")})
	s := newStand(t, Options{Log: slog.New(slog.NewTextHandler(&b, nil)), Probes: []Entry{{Name: "stem", Place: sensors.Timber, Probe: f}}})
	s.step()
	s.pass(10*time.Second, 3*360) // three hours
	require.Equal(t, 5, strings.Count(b.String(), "level=WARN"), b.String())
	require.Contains(t, b.String(), "times=6")
	b.Reset()
	f.says(temp(1))
	s.pass(10*time.Second, 5)
	require.Equal(t, 1, strings.Count(b.String(), "reads again"), b.String())
	require.Contains(t, b.String(), "after=3h0m")
	// By turns for an hour: a handful of lines, not hundreds.
	b.Reset()
	for i := range 360 {
		if i%2 == 0 {
			f.fails(&sensors.BadSample{Status: sensors.BadCRC, Err: errors.New("fake")})
		} else {
			f.says(temp(1))
		}
		s.pass(10*time.Second, 1)
	}
	require.LessOrEqual(t, strings.Count(b.String(), "\n"), 8, b.String())
	f.says(temp(1))
	s.pass(10*time.Second, 720)
	b.Reset()
	f.fails(&sensors.BadSample{Status: sensors.BadCRC, Err: errors.New("fake")})
	s.pass(10*time.Second, 1)
	require.Contains(t, b.String(), "times=1", "after two good hours it is news")
}

// The board's clock is set while it runs: nothing is lost, nothing repeats, nothing is called late.
func TestWallClockSteps(t *testing.T) {
	f := &fake{}
	f.says(temp(10))
	s := newStand(t, Options{Probes: []Entry{{Name: "bench", Place: sensors.Air, Probe: f}}})
	s.step()
	for _, by := range []time.Duration{-2 * time.Hour, 72 * time.Hour, -365 * 24 * time.Hour} {
		s.now.Wall += by.Milliseconds()
		before := len(s.sink.records)
		s.pass(10*time.Second, 6)
		require.Len(t, s.sink.records, before+6)
	}
	for _, r := range s.sink.records {
		require.Equal(t, sensors.OK, r.Status)
	}
	// A new boot counts from nought.
	s.now.Mono, s.now.Boot = 100, "b2"
	before := len(s.sink.records)
	s.step()
	require.Len(t, s.sink.records, before+1)
}

func TestNextFollowsTheBeat(t *testing.T) {
	fast, slow := &fake{}, &fake{}
	fast.says(temp(1))
	slow.says(temp(2))
	s := newStand(t, Options{Probes: []Entry{{Name: "fast", Place: sensors.Air, Probe: fast, Interval: 10 * time.Second},
		{Name: "slow", Place: sensors.Air, Probe: slow, Interval: time.Minute}}})
	c := clock.NewFree(1_790_000_000_000)
	for c.Now().Mono < 600_000 {
		require.NoError(t, c.Wait(t.Context(), s.Step(t.Context(), c.Now())))
	}
	require.Equal(t, 60, fast.asked())
	require.Equal(t, 10, slow.asked())
	fast.fails(sensors.ErrDone)
	slow.fails(sensors.ErrDone)
	for range 3 {
		require.NoError(t, c.Wait(t.Context(), s.Step(t.Context(), c.Now())+60_000))
	}
	require.Equal(t, Done, s.state("fast").Presence)
	reads := fast.asked()
	require.Equal(t, c.Now().Wall+60_000, s.Step(t.Context(), c.Now()), "nothing left to ask")
	require.Equal(t, reads, fast.asked())
}

func TestNewRefuses(t *testing.T) {
	_, err := New(Options{Probes: []Entry{{Name: ""}, {Name: "a", Probe: &fake{}, Interval: time.Millisecond},
		{Name: "a", Probe: &fake{}, Calibrated: Calibrations{{0, Calibration{PressureHPa: 500}}}}}})
	for _, want := range []string{"no sink", "probe 1 has no name", "not open", `two probes have the name "a"`, "below 100 ms", "pressure by 500 hPa"} {
		require.ErrorContains(t, err, want)
	}
}

// A whole week of an invented shed, with all its probes, as fast as it goes: no reading is called anything but good, though the heater goes
// on and off and fronts pass; and the same options give the same records.
func TestAWeekInAShedIsAllGood(t *testing.T) {
	start := time.Date(2026, 1, 10, 0, 0, 0, 0, time.UTC).UnixMilli()
	run := func() []Record {
		house, err := shed.New(shed.Defaults(3, start))
		require.NoError(t, err)
		c := clock.NewFree(start)
		var entries []Entry
		for _, place := range sensors.Places() {
			probe, err := house.Probe(place, string(place), func() int64 { return c.Now().Wall }, nil)
			require.NoError(t, err)
			entries = append(entries, Entry{Name: string(place), Place: place, Probe: probe, Interval: time.Minute})
		}
		sink := &basket{}
		p, err := New(Options{Probes: entries, Sink: sink})
		require.NoError(t, err)
		for c.Now().Mono < 7*86_400_000 {
			require.NoError(t, c.Wait(t.Context(), p.Step(t.Context(), c.Now())))
		}
		require.NoError(t, p.Close(t.Context()))
		return sink.records
	}
	first := run()
	require.Len(t, first, 7*1440*8)
	for _, r := range first {
		require.Equal(t, sensors.OK, r.Status, "%+v", r)
	}
	require.Equal(t, first, run())
}

// A season's load: 64 channels at one reading a second.
func BenchmarkStep64(b *testing.B) {
	var entries []Entry
	for i := range 32 {
		f := &fake{}
		f.says(temp(10), humid(50))
		entries = append(entries, Entry{Name: fmt.Sprint(i), Place: sensors.Air, Bus: fmt.Sprint("bus", i%4), Probe: f, Interval: time.Second})
	}
	p, err := New(Options{Probes: entries, Sink: discard{}})
	require.NoError(b, err)
	c := clock.NewFree(0)
	for b.Loop() {
		_ = c.Wait(b.Context(), p.Step(b.Context(), c.Now()))
	}
}

type discard struct{}

func (discard) Append(context.Context, []Record) error { return nil }
