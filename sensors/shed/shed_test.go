package shed

import (
	"bytes"
	"flag"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
	"tackline/sensors/sensortest"
	"tackline/sensors/tracefile"
)

var update = flag.Bool("update", false, "rewrite the committed trace")

var start = time.Date(2026, 1, 10, 0, 0, 0, 0, time.UTC)

func ms(t time.Time) int64 { return t.UnixMilli() }

func open(t *testing.T, change func(o *Options)) *Shed {
	t.Helper()
	o := Defaults(7, ms(start))
	if change != nil {
		change(&o)
	}
	s, err := New(o)
	require.NoError(t, err)
	return s
}

// Sonntag's formula against WMO and IAPWS tables: 6.1121 hPa at 0 C within 0.02 %, 23.388 hPa at 20 C (NIST/ASME steam tables,
// 2.3388 kPa, from memory) within 0.05 %, and 12.279 hPa at 10 C likewise.
func TestSaturation(t *testing.T) {
	require.InEpsilon(t, 611.2, saturation(0), 2e-4)
	require.InEpsilon(t, 2338.8, saturation(20), 1e-3)
	require.InEpsilon(t, 1228.0, saturation(10), 1e-3)
	for temp := -30.0; temp <= 40; temp += 0.5 {
		require.InDelta(t, temp, dewPoint(saturation(temp)), 1e-8)
	}
}

func TestSameSeedSameWinter(t *testing.T) {
	a, b := open(t, nil), open(t, nil)
	other := open(t, func(o *Options) { o.Seed = 8 })
	times := []time.Time{start.Add(40 * 24 * time.Hour), start, start.Add(time.Hour + 17*time.Second), start.Add(20 * 24 * time.Hour), start}
	differ := false
	for _, at := range times {
		// a has gone far ahead and come back; b is asked the same once only, on the way.
		require.Equal(t, b.Truth(ms(at)), a.Truth(ms(at)))
		differ = differ || other.Truth(ms(at)) != a.Truth(ms(at))
	}
	require.True(t, differ)
	fresh := open(t, nil)
	require.Equal(t, fresh.Truth(ms(times[3])), a.Truth(ms(times[3])), "the way there does not matter")
	require.Equal(t, a.Truth(ms(start)), a.Truth(ms(start.Add(-time.Hour))), "before the start")
}

// What any winter shed does, over 80 days and several seeds.
func TestAWinterIsPlausible(t *testing.T) {
	for seed := uint64(1); seed <= 4; seed++ {
		s := open(t, func(o *Options) { o.Seed = seed; o.Heater.Watts = 0 })
		var lowest, highest, slowest = math.Inf(1), math.Inf(-1), 0.0
		var lowP, highP = math.Inf(1), math.Inf(-1)
		var falls int
		var before []float64
		for at := start; at.Before(start.Add(80 * 24 * time.Hour)); at = at.Add(10 * time.Minute) {
			tr := s.Truth(ms(at))
			for _, v := range []float64{tr.AirC, tr.RHPct, tr.SurfaceC, tr.TimberC, tr.ResinC, tr.OutdoorsC, tr.PressureHPa} {
				require.False(t, math.IsNaN(v) || math.IsInf(v, 0))
			}
			require.True(t, tr.RHPct > 15 && tr.RHPct <= 100, "seed %d: humidity %v at %v", seed, tr.RHPct, at)
			require.LessOrEqual(t, tr.DewPointC(), tr.AirC+1e-9)
			lowest, highest = min(lowest, tr.OutdoorsC), max(highest, tr.OutdoorsC)
			lowP, highP = min(lowP, tr.PressureHPa), max(highP, tr.PressureHPa)
			slowest = max(slowest, math.Abs(tr.AirC-tr.TimberC))
			before = append(before, tr.OutdoorsC)
			if n := len(before); n > 36 && before[n-37]-tr.OutdoorsC > 5 {
				falls++
			}
		}
		require.True(t, lowest < -2 && lowest > -20, "seed %d: coldest %v", seed, lowest)
		require.True(t, highest > 8 && highest < 22, "seed %d: warmest %v", seed, highest)
		require.True(t, lowP > 950 && highP < 1060 && highP-lowP > 25, "seed %d: pressure %v..%v", seed, lowP, highP)
		require.Greater(t, slowest, 0.5, "seed %d: timber lags", seed)
		require.Positive(t, falls, "seed %d: cold fronts come", seed)
	}
}

func TestThermostatKeepsHours(t *testing.T) {
	s := open(t, nil)
	// 12 January 2026 is a Monday, 17 January a Saturday.
	noon := s.Truth(ms(time.Date(2026, 1, 12, 14, 0, 0, 0, time.UTC)))
	require.InDelta(t, 17, noon.AirC, 1.0)
	require.Less(t, s.Truth(ms(time.Date(2026, 1, 13, 5, 0, 0, 0, time.UTC))).AirC, 14.0, "off at night")
	require.Less(t, s.Truth(ms(time.Date(2026, 1, 17, 14, 0, 0, 0, time.UTC))).AirC, 14.5, "nobody works on Saturday")
	require.Greater(t, noon.AirC-noon.ResinC, 1.0, "the drums are slow to warm")
	require.Less(t, noon.RHPct, 70.0, "warming dries")
}

// Each event against the same winter without it.
func TestEvents(t *testing.T) {
	at := time.Date(2026, 1, 14, 9, 0, 0, 0, time.UTC)
	event := func(kind EventKind, size float64) *Shed {
		return open(t, func(o *Options) {
			o.Events = []Event{{Kind: kind, From: float64(at.Unix()), To: float64(at.Add(3 * time.Hour).Unix()), Size: size}}
		})
	}
	plain := open(t, nil)
	after := func(s *Shed, d time.Duration) (with, without Truth) {
		return s.Truth(ms(at.Add(d))), plain.Truth(ms(at.Add(d)))
	}

	with, without := after(event(DoorOpen, 20), 10*time.Minute)
	require.Less(t, with.AirC, without.AirC-1.5)
	require.Equal(t, without.OutdoorsC, with.OutdoorsC)
	with, without = after(event(SunOnHull, 250), 40*time.Minute)
	require.Greater(t, with.SurfaceC, without.SurfaceC+8)
	require.InDelta(t, without.AirC, with.AirC, 0.01)
	with, without = after(event(HeaterOff, 0), 2*time.Hour)
	require.False(t, with.HeaterOn)
	require.Less(t, with.AirC, without.AirC-2)
	with, without = after(event(Steam, 1500), 2*time.Hour)
	require.Greater(t, with.RHPct, without.RHPct+10)
	long := open(t, func(o *Options) {
		o.Events = []Event{{Kind: ColdSnap, From: float64(at.Unix()), To: float64(at.Add(72 * time.Hour).Unix()), Size: 10}}
	})
	with, without = after(long, 24*time.Hour)
	require.InDelta(t, without.OutdoorsC-10, with.OutdoorsC, 0.5)
	for _, s := range []*Shed{event(DoorOpen, 20), event(SunOnHull, 250)} {
		with, without = after(s, 0)
		require.Equal(t, without, with, "nothing before it happens")
	}
}

// The panel cools by its film: heat capacity per face over film gives 520*1500*0.009/2/7.7 = 456 s, and the model's step response must
// have that time constant within a tenth (a slab at Biot number 7.7*0.0045/0.12 = 0.29 is nearly, not wholly, one lump).
func TestPanelLag(t *testing.T) {
	s := open(t, nil)
	s.now = state{air: 10, fabric: 10, surface: 10, core: 10, deep: 10, resin: 10, vapour: 800, damp: 0.7}
	for range 8 { // 480 s
		s.timber(s.begin, 20)
	}
	// room is (2*20+10)/3 = 16.67
	share := (s.now.core - 10) / (50.0/3 - 10)
	require.InDelta(t, 1-math.Exp(-480.0/456), share, 0.1)
	require.Greater(t, s.now.surface, s.now.core)
	require.Less(t, s.now.deep, s.now.core)
}

func TestProbesAreChips(t *testing.T) {
	s := open(t, nil)
	at := ms(start.Add(50 * time.Hour))
	now := func() int64 { return at }
	read := func(place sensors.Place, name string, bias map[sensors.Quantity]float64) []sensors.Reading {
		p, err := s.Probe(place, name, now, bias)
		require.NoError(t, err)
		got, err := p.Read(t.Context())
		require.NoError(t, err)
		return got
	}
	truth := s.Truth(at)
	air := read(sensors.Air, "bench", nil)
	require.Len(t, air, 3)
	require.InDelta(t, truth.AirC, air[0].Value, 0.15)
	require.InDelta(t, truth.RHPct, air[1].Value, 0.6)
	require.InDelta(t, truth.PressureHPa, air[2].Value, 0.2)
	require.Equal(t, air, read(sensors.Air, "bench", nil), "the same probe at the same time")
	require.NotEqual(t, air, read(sensors.Air, "beam", nil), "another probe")
	require.InDelta(t, truth.AirC+3, read(sensors.Air, "bench", map[sensors.Quantity]float64{sensors.Temperature: 3})[0].Value, 0.15)
	panel := read(sensors.Surface, "panel", nil)
	require.Equal(t, panel[0].Value, math.Round(panel[0].Value*16)/16, "steps of a sixteenth")
	require.InDelta(t, truth.SurfaceC, panel[0].Value, 0.15)
	require.Len(t, read(sensors.Outdoors, "mast", nil), 2)
	require.InDelta(t, truth.TimberC, read(sensors.Timber, "stem", nil)[0].Value, 0.15)
	require.InDelta(t, truth.ResinC, read(sensors.Resin, "drum", nil)[0].Value, 0.15)
	_, err := s.Probe("loft", "x", now, nil)
	require.ErrorContains(t, err, `no place "loft"`)
}

func TestDeadProbe(t *testing.T) {
	from := start.Add(50 * time.Hour)
	s := open(t, func(o *Options) {
		o.Events = []Event{{Kind: ProbeDead, From: float64(from.Unix()), To: float64(from.Add(2 * time.Hour).Unix()), Probe: "bench"}}
	})
	at := ms(from) - 1
	for _, name := range []string{"bench", "beam"} {
		p, err := s.Probe(sensors.Air, name, func() int64 { return at }, nil)
		require.NoError(t, err)
		for _, c := range []struct {
			at   int64
			dead bool
		}{{ms(from) - 1, false}, {ms(from), true}, {ms(from) + 7_199_999, true}, {ms(from) + 7_200_000, false}} {
			at = c.at
			_, err := p.Read(t.Context())
			if c.dead && name == "bench" {
				require.ErrorIs(t, err, sensors.ErrAbsent)
				continue
			}
			require.NoError(t, err)
		}
	}
}

func TestConformance(t *testing.T) {
	for _, place := range sensors.Places() {
		sensortest.Run(t, sensortest.Case{Healthy: func(t *testing.T) sensors.Probe {
			p, err := open(t, nil).Probe(place, "p", func() int64 { return ms(start) }, nil)
			require.NoError(t, err)
			return p
		}})
	}
}

func TestNewRefuses(t *testing.T) {
	o := Defaults(1, 0)
	o.VolumeM3, o.PanelMM = 0, 100
	o.Events = []Event{{Kind: "flood", From: 0, To: 1}, {Kind: DoorOpen, From: 5, To: 5, Size: 1}}
	_, err := New(o)
	for _, want := range []string{"volume", "panel of 100 mm", `unknown kind "flood"`, "event 2 (door open) ends before it begins"} {
		require.ErrorContains(t, err, want)
	}
}

// The committed trace: a simulated winter in the shape of a house's log (ten-minute means, a random quarter of the rows), for tests where
// the measured one is not at hand.
func TestCommittedTrace(t *testing.T) {
	var b bytes.Buffer
	from := time.Date(2016, 1, 11, 16, 0, 0, 0, time.UTC)
	o := Defaults(20160111, ms(from))
	o.ZoneSeconds = traceZone
	house, err := New(o)
	require.NoError(t, err)
	o.Heater.Watts, o.LeakACH = 0, 3
	shed, err := New(o)
	require.NoError(t, err)
	require.NoError(t, WriteTrace(&b, shed, house, TraceOptions{From: ms(from), To: ms(from.Add(80 * 24 * time.Hour)), Share: 0.25}))
	path := filepath.Join("..", "..", "testdata", "traces", "shed-winter.csv")
	if *update {
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, b.Bytes(), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Less(t, len(want), 250_000)

	zone, err := tracefile.Zone("+01:00")
	require.NoError(t, err)
	columns := map[string]string{"air_c": "north_outside_c", "rh_pct": "north_outside_rh_pct", "pressure_hpa": "station_pressure_mmhg"}
	read := func(text []byte) *tracefile.Table {
		table, err := tracefile.Parse(bytes.NewReader(text), tracefile.Options{Zone: zone, Columns: columns})
		require.NoError(t, err)
		return table
	}
	// Other architectures may fuse multiplications: the rows are the same, the values to the last printed digit.
	committed, fresh := read(want), read(b.Bytes())
	require.Equal(t, committed.Times, fresh.Times, "rewrite it with -update if the model was changed on purpose")
	require.InDelta(t, 80*144/4, len(committed.Times), 150)
	var gap int64
	for i, at := range committed.Times {
		for name, col := range committed.Columns {
			require.InDelta(t, col.V[i], fresh.Columns[name].V[i], 0.021, "%s, line %d", name, committed.Lines[i])
		}
		if i > 0 {
			gap = max(gap, at-committed.Times[i-1])
		}
	}
	require.Greater(t, gap, int64(120*60_000), "there are gaps to be found")
	require.Less(t, gap, int64(480*60_000))
}

func BenchmarkDay(b *testing.B) {
	s, err := New(Defaults(1, ms(start)))
	require.NoError(b, err)
	at := ms(start)
	for b.Loop() {
		at += 86_400_000
		s.Truth(at)
	}
}
