package poll

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

// Every status has a fixture: what a probe says, and under which name it is known. A status that may not be used never moves the time of the last good
// reading, and is never discarded in silence: it is stored with its name, or counted where it has no value.
func TestEveryStatusHasAFixture(t *testing.T) {
	bad := func(st sensors.Status) func(s *stand, f *fake) {
		return func(s *stand, f *fake) {
			f.fails(&sensors.BadSample{Status: st, Err: errors.New("50 05 4b 46 7f ff 0c 10 1c")})
			s.pass(10*time.Second, 1)
		}
	}
	flagged := func(st sensors.Status, v float64) func(s *stand, f *fake) {
		return func(s *stand, f *fake) {
			r := temp(v)
			r.Status = st
			f.says(r)
			s.pass(10*time.Second, 1)
		}
	}
	run := func(values ...float64) func(s *stand, f *fake) {
		return func(s *stand, f *fake) {
			for _, v := range values {
				f.says(temp(v))
				s.pass(time.Second, 1)
			}
		}
	}
	own := func(offsets ...time.Duration) func(s *stand, f *fake) {
		return func(s *stand, f *fake) {
			for _, d := range offsets {
				r := temp(10)
				r.At = time.UnixMilli(s.now.Wall).Add(d)
				f.says(r)
				s.pass(10*time.Second, 1)
			}
		}
	}
	fixtures := map[sensors.Status]func(s *stand, f *fake){
		sensors.OK:           run(10, 10.1),
		sensors.PowerOnValue: bad(sensors.PowerOnValue),
		sensors.BadCRC:       bad(sensors.BadCRC),
		sensors.AllZero:      bad(sensors.AllZero),
		sensors.OutOfRange:   run(10, 128),
		sensors.TooFast:      run(10, 40, -20, 60, -5, 10),
		sensors.Spike:        run(10, 40, 10),
		sensors.Flat: func(s *stand, f *fake) {
			run(10, 10.01)(s, f)
			f.says(temp(10.02))
			s.pass(time.Minute, 400)
		},
		sensors.Saturated:  func(s *stand, f *fake) { f.says(humid(100)); s.pass(10*time.Second, 1) },
		sensors.WarmUp:     flagged(sensors.WarmUp, 20),
		sensors.HeaterOn:   flagged(sensors.HeaterOn, 22),
		sensors.Future:     own(0, 6*time.Minute),
		sensors.Late:       own(0, -time.Hour),
		sensors.UnknownAge: flagged(sensors.UnknownAge, 10),
		sensors.ByHand:     flagged(sensors.ByHand, 10),
		sensors.Rejected:   flagged(sensors.Rejected, 10),
	}
	for _, st := range sensors.Statuses() {
		make, ok := fixtures[st]
		require.True(t, ok, "no fixture for %s", st)
		f := &fake{}
		f.says(temp(10))
		s := newStand(t, Options{Probes: []Entry{{Name: "bow", Place: sensors.Air, Probe: f, Interval: time.Second}}})
		s.step()
		good := s.state("bow").LastOK
		make(s, f)
		state := s.state("bow")
		require.Positive(t, state.Counts[st], "%s", st)
		stored := false
		for _, r := range s.sink.records {
			stored = stored || r.Status == st
		}
		require.True(t, stored || state.BadSamples > 0, "%s: neither stored nor counted", st)
		if last := s.sink.records[len(s.sink.records)-1]; last.Status == st && !st.Usable() && st != sensors.Future && st != sensors.TooFast && st != sensors.Spike {
			require.LessOrEqual(t, state.LastOK, max(good, last.At-1), "%s is never the last good one", st)
		}
	}
}

// The two states that no reading has: never seen, which counts as away from the start, and stale, which is the age of the last good reading.
func TestNeverSeenAndStale(t *testing.T) {
	f := &fake{}
	f.fails(errAway)
	s := newStand(t, Options{Probes: []Entry{{Name: "bow", Place: sensors.Air, Probe: f}}})
	s.pass(10*time.Second, 3)
	require.Equal(t, NeverSeen, s.state("bow").Presence)
	require.Equal(t, "never seen", s.state("bow").Presence.String())
	f.says(temp(10))
	s.pass(10*time.Second, 10)
	good := s.state("bow").LastOK
	require.Positive(t, good)
	// It answers on, and with nothing that may be used: it is there, and its last good reading ages.
	f.says(sensors.Reading{Quantity: sensors.Humidity, Value: 100})
	s.pass(10*time.Second, 60)
	require.Equal(t, Present, s.state("bow").Presence)
	require.Equal(t, good, s.state("bow").LastOK)
}
