package daemon

import (
	"context"
	"fmt"
	"math"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/clock"
	"tackline/daemon/poll"
	"tackline/daemon/store"
	"tackline/sensors"
	"tackline/sensors/nodes"
)

// probe is a probe that a test leads by the hand.
type probe func(ctx context.Context) ([]sensors.Reading, error)

func (p probe) Read(ctx context.Context) ([]sensors.Reading, error) { return p(ctx) }
func (p probe) Close() error                                        { return nil }

// bench is a poller over a store, with a clock that a test moves on.
type bench struct {
	t      testing.TB
	store  *store.Store
	poller *poll.Poller
	at     clock.Stamp
}

func newBench(t testing.TB, deadline time.Duration, entries []poll.Entry) *bench {
	t.Helper()
	b := &bench{t: t, at: clock.Stamp{Wall: time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC).UnixMilli(), Mono: 1_000_000, Boot: "b", State: clock.Synced}}
	var err error
	b.store, err = store.Open(t.Context(), filepath.Join(t.TempDir(), "readings.db"), store.Options{})
	require.NoError(t, err)
	b.poller, err = poll.New(poll.Options{Probes: entries, ReadDeadline: deadline,
		Sink: &sink{store: b.store, now: func() int64 { return b.at.Wall }}})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, b.store.Close()) })
	return b
}

// second moves the clock on by a second and reads what is due, with a commit each minute.
func (b *bench) second() {
	b.poller.Step(b.t.Context(), b.at)
	b.at.Wall += 1000
	b.at.Mono += 1000
	if b.at.Mono%60_000 == 0 {
		require.NoError(b.t, b.store.Commit(b.t.Context()))
	}
}

func (b *bench) count(probe string) int64 {
	n := int64(0)
	require.NoError(b.t, b.store.Raw(b.t.Context(), probe, sensors.Temperature, 0, math.MaxInt64>>20, func(store.Row) error { n++; return nil }))
	return n
}

// moving gives a temperature that drifts, so that nothing is flagged.
func moving(v *float64) []sensors.Reading {
	*v += 0.001
	return []sensors.Reading{{Quantity: sensors.Temperature, Value: *v}}
}

// TestOneSickProbeCostsTheOthersNothing: a bus that hangs, eight probes that are gone, a node that floods, and six good ones that lose no reading.
func TestOneSickProbeCostsTheOthersNothing(t *testing.T) {
	hang := make(chan struct{})
	hub := nodes.New(nil)
	hub.Bind(map[string]string{"mqtt:loud": "loud"})
	entries := []poll.Entry{{Name: "hung", Bus: "i2c-1", Place: sensors.Air, Interval: time.Second,
		Probe: probe(func(context.Context) ([]sensors.Reading, error) { <-hang; return nil, nil })}}
	for i := range 8 {
		entries = append(entries, poll.Entry{Name: fmt.Sprintf("gone %d", i), Bus: "w1", Place: sensors.Air, Interval: time.Second,
			Probe: probe(func(context.Context) ([]sensors.Reading, error) { return nil, sensors.ErrAbsent })})
	}
	entries = append(entries, poll.Entry{Name: "loud", Place: sensors.Air, Interval: time.Second, Steady: true, Probe: hub.Probe("loud", time.Hour)})
	for i := range 6 {
		v := float64(i)
		entries = append(entries, poll.Entry{Name: fmt.Sprintf("good %d", i), Bus: fmt.Sprintf("i2c-%d", 2+i%2), Place: sensors.Air, Interval: time.Second,
			Probe: probe(func(context.Context) ([]sensors.Reading, error) { return moving(&v), nil })})
	}
	b := newBench(t, 20*time.Millisecond, entries)
	before := heap()
	const seconds = 900
	for i := range seconds {
		for k := range 200 {
			_, err := hub.Put(nodes.Report{Node: "mqtt:loud", Readings: []sensors.Reading{{Quantity: sensors.Temperature, Value: float64(i*200 + k)}}})
			require.NoError(t, err)
		}
		b.second()
	}
	close(hang)
	require.NoError(t, b.poller.Close(t.Context()))
	for i := range 6 {
		require.Equal(t, int64(seconds), b.count(fmt.Sprintf("good %d", i)), "good %d", i)
	}
	require.Zero(t, b.poller.Health().Lost)
	require.Positive(t, hub.Nodes()[0].Dropped, "the one that floods loses its own, and it is counted")
	require.LessOrEqual(t, b.count("loud"), int64(seconds*nodes.MaxRead))
	require.Less(t, heap()-before, int64(24<<20), "bytes: memory stays bounded")
}

func heap() int64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// BenchmarkSixtyFourChannels is a second of a shed with 32 probes of two quantities, each read every second and kept: the time a second of it
// takes is the share of a core that it costs.
func BenchmarkSixtyFourChannels(b *testing.B) {
	var entries []poll.Entry
	for i := range 32 {
		v := float64(i) / 4
		entries = append(entries, poll.Entry{Name: fmt.Sprintf("p%d", i), Bus: fmt.Sprintf("i2c-%d", i%4), Place: sensors.Air, Interval: time.Second,
			Probe: probe(func(context.Context) ([]sensors.Reading, error) {
				return append(moving(&v), sensors.Reading{Quantity: sensors.Humidity, Value: 60 + v/100}), nil
			})})
	}
	s := newBench(b, time.Second, entries)
	before := heap()
	for b.Loop() {
		s.second()
	}
	b.ReportMetric(float64(heap()-before)/1e6, "heap-MB")
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N)/10, "core-%")
	require.NoError(b, s.poller.Close(b.Context()))
}
