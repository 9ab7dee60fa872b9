package nodes

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
	"tackline/sensors/sensortest"
)

// stand is a hub with its clock in hand.
type stand struct {
	*Hub
	at time.Time
}

func newStand() *stand {
	s := &stand{at: time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)}
	s.Hub = New(func() time.Time { return s.at })
	return s
}

func temp(v float64) sensors.Reading { return sensors.Reading{Quantity: sensors.Temperature, Value: v} }

func report(node string, v ...float64) Report {
	r := Report{Node: node}
	for _, x := range v {
		r.Readings = append(r.Readings, temp(x))
	}
	return r
}

func values(readings []sensors.Reading) []float64 {
	var out []float64
	for _, r := range readings {
		out = append(out, r.Value)
	}
	return out
}

func TestConformance(t *testing.T) {
	open := func() (*stand, *Probe) {
		s := newStand()
		s.Bind(map[string]string{"mqtt:a": "bow"})
		return s, s.Probe("bow", time.Minute)
	}
	sensortest.Run(t, sensortest.Case{
		Healthy: func(t *testing.T) sensors.Probe {
			s, p := open()
			_, err := s.Put(report("mqtt:a", 12))
			require.NoError(t, err)
			return p
		},
		Absent: func(*testing.T) sensors.Probe { _, p := open(); return p },
	})
}

func TestAProbeIsThereUntilItsExpiry(t *testing.T) {
	s := newStand()
	p := s.Probe("bow", 30*time.Minute)
	_, err := p.Read(t.Context())
	require.ErrorIs(t, err, sensors.ErrAbsent)
	require.ErrorContains(t, err, "no node is bound")
	s.Bind(map[string]string{"mqtt:a": "bow"})
	_, err = p.Read(t.Context())
	require.ErrorContains(t, err, "nothing was heard of node mqtt:a")

	_, err = s.Put(report("mqtt:a", 12))
	require.NoError(t, err)
	s.at = s.at.Add(4 * time.Second)
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.Equal(t, []sensors.Reading{{Quantity: sensors.Temperature, Value: 12, Age: 4 * time.Second}}, got)
	s.at = s.at.Add(29 * time.Minute)
	got, err = p.Read(t.Context())
	require.NoError(t, err, "the next report is awaited")
	require.Empty(t, got)
	s.at = s.at.Add(2 * time.Minute)
	_, err = p.Read(t.Context())
	require.ErrorIs(t, err, sensors.ErrAbsent)
	require.ErrorContains(t, err, "not heard for more than 30m0s")

	_, _ = s.Put(report("mqtt:a", 13))
	s.Away("mqtt:a", true)
	got, err = p.Read(t.Context())
	require.NoError(t, err, "what it said before it went is kept")
	require.Equal(t, []float64{13}, values(got))
	_, err = p.Read(t.Context())
	require.ErrorContains(t, err, "says that it is away")
	_, _ = s.Put(report("mqtt:a", 14))
	_, err = p.Read(t.Context())
	require.NoError(t, err)
}

func TestUnknownNodesAreListedAndNeverUsed(t *testing.T) {
	s := newStand()
	p := s.Probe("bow", 0)
	s.Bind(map[string]string{"mqtt:a": "bow"})
	probe, err := s.Put(report("mqtt:b", 9))
	require.NoError(t, err)
	require.Empty(t, probe)
	_, err = p.Read(t.Context())
	require.ErrorIs(t, err, sensors.ErrAbsent)
	all := s.Nodes()
	require.Len(t, all, 2)
	require.Equal(t, Node{Key: "mqtt:b", Heard: s.at, Reports: 1, Last: []sensors.Reading{temp(9)}}, all[1])

	s.Bind(map[string]string{"mqtt:b": "bow"}) // a new battery, a new number
	_, err = p.Read(t.Context())
	require.ErrorIs(t, err, sensors.ErrAbsent, "what it said before it was bound belongs to nobody")
	probe, err = s.Put(report("mqtt:b", 10))
	require.NoError(t, err)
	require.Equal(t, "bow", probe)
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.Equal(t, []float64{10}, values(got))
	require.Empty(t, s.Nodes()[0].Probe, "the old number is unassigned now")
}

func TestRetainedIsNotFresh(t *testing.T) {
	s := newStand()
	p := s.Probe("bow", 0)
	s.Bind(map[string]string{"mqtt:a": "bow"})
	r := report("mqtt:a", 12)
	r.Retained = true
	_, err := s.Put(r)
	require.NoError(t, err)
	_, err = p.Read(t.Context())
	require.ErrorIs(t, err, sensors.ErrAbsent, "its age is unknown: it says nothing of now")
	require.Equal(t, sensors.UnknownAge, s.Nodes()[0].Last[0].Status)
	require.True(t, s.Nodes()[0].Heard.IsZero())

	r.Readings[0].At = s.at.Add(-3 * time.Hour)
	_, err = s.Put(r)
	require.NoError(t, err)
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.Equal(t, s.at.Add(-3*time.Hour), got[0].At, "with a time of its own it is stored at that")
	_, err = p.Read(t.Context())
	require.ErrorIs(t, err, sensors.ErrAbsent, "and does not make the node present")
}

func TestAFloodingNodeLosesOnlyItsOwn(t *testing.T) {
	s := newStand()
	loud, quiet := s.Probe("loud", 0), s.Probe("quiet", 0)
	s.Bind(map[string]string{"mqtt:l": "loud", "mqtt:q": "quiet"})
	var wait sync.WaitGroup
	for range 4 {
		wait.Go(func() {
			for i := range 25_000 {
				_, _ = s.Put(report("mqtt:l", float64(i)))
			}
		})
	}
	for i := range 60 {
		_, err := s.Put(report("mqtt:q", float64(i)))
		require.NoError(t, err)
	}
	wait.Wait()
	got, err := quiet.Read(t.Context())
	require.NoError(t, err)
	require.Len(t, got, 60)
	require.Equal(t, int64(0), s.Nodes()[1].Dropped)
	require.Equal(t, int64(100_000), s.Nodes()[0].Reports)
	require.Equal(t, int64(100_000-MaxQueue), s.Nodes()[0].Dropped)
	require.Equal(t, "sends more than is taken", s.Nodes()[0].Problem)
	got, err = loud.Read(t.Context())
	require.NoError(t, err)
	require.Len(t, got, MaxRead)

	// In the long run so many a second are kept, and no more.
	kept := 0
	for range 600 {
		s.at = s.at.Add(time.Second)
		for i := range 100 {
			_, _ = s.Put(report("mqtt:l", float64(i)))
		}
		got, err := loud.Read(t.Context())
		require.NoError(t, err)
		kept += len(got)
	}
	require.LessOrEqual(t, kept, MaxQueue+600*perSecond)
}

func TestAWholeBatchIsTakenOrRefused(t *testing.T) {
	s := newStand()
	p := s.Probe("bow", 24*time.Hour)
	s.Bind(map[string]string{"push:a": "bow"})
	r := report("push:a", make([]float64, 5000)...)
	r.Whole = true
	_, err := s.Put(r)
	require.NoError(t, err)
	_, err = s.Put(r)
	require.ErrorIs(t, err, ErrFull)
	require.Len(t, p.queue, 5000, "nothing of it was taken")
	for range 60 {
		s.at = s.at.Add(time.Minute)
		_, err = p.Read(t.Context())
		require.NoError(t, err)
	}
	_, err = s.Put(r)
	require.NoError(t, err)
}

func TestNumbersThatChangeDoNotFillTheMemory(t *testing.T) {
	s := newStand()
	s.Bind(map[string]string{"mqtt:a": "bow"})
	for i := range 5000 {
		s.at = s.at.Add(time.Second)
		_, err := s.Put(report(fmt.Sprintf("mqtt:%d", i), 1))
		require.NoError(t, err)
	}
	all := s.Nodes()
	require.Len(t, all, MaxUnassigned+1)
	require.Equal(t, "mqtt:a", all[len(all)-1].Key, "the bound one stays")
	require.Equal(t, int64(5000-MaxUnassigned), s.Forgotten())
}

func TestKeys(t *testing.T) {
	key, err := Key("mqtt", " a4c138f2 ")
	require.NoError(t, err)
	require.Equal(t, "mqtt:a4c138f2", key)
	for _, bad := range []string{"", "  ", "a\nb", "a\x00", strings.Repeat("x", MaxNode+1), "\xff"} {
		_, err := Key("mqtt", bad)
		require.True(t, errors.Is(err, ErrBadNode), "%q", bad)
	}
}

func TestWhatIsSaidLastIsListedByTime(t *testing.T) {
	s := newStand()
	early, late := temp(1), temp(2)
	early.At, late.At = s.at.Add(-time.Hour), s.at.Add(-time.Minute)
	_, err := s.Put(Report{Node: "mqtt:a", Readings: []sensors.Reading{late, {Quantity: sensors.Humidity, Value: 60}, early}})
	require.NoError(t, err)
	require.Equal(t, []float64{2, 60}, values(s.Nodes()[0].Last))
	s.Say("mqtt:a", "temp_c: no number")
	require.Equal(t, "temp_c: no number", s.Nodes()[0].Problem)
}

func BenchmarkPut(b *testing.B) {
	h := New(nil)
	p := h.Probe("bow", 0)
	h.Bind(map[string]string{"mqtt:a": "bow"})
	r := Report{Node: "mqtt:a", Readings: []sensors.Reading{temp(1), {Quantity: sensors.Humidity, Value: 60}}}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := h.Put(r); err != nil {
			b.Fatal(err)
		}
		if len(p.queue) > MaxRead {
			if _, err := p.Read(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
	}
}
