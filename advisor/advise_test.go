package advisor

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor/cure"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// medium is the shipped example system; every number of it is invented.
func medium() cure.System {
	return cure.System{Name: "medium (invented)", Source: "invented", MixByWeight: [2]float64{100, 34}, MixByVolume: [2]float64{2.5, 1}, DensityKgM3: 1110,
		LowestC: 10, HighestSurfaceRHPct: 85,
		Kinetics: &cure.Kinetics{K1PerS: 5e-5, K2PerS: 6e-4, M: 1, N: 2, ActivationKJMol: 55, GelConversion: 0.577, HeatJG: 400, CpJGK: 1.8,
			Tg0C: -30, TgInfC: 65, Lambda: 0.45, Diffusion: true, VitrifyC: 30, VitrifyOffsetK: 10},
		Marks: &cure.Marks{By: "tg", TackOpens: 0.057, TackCloses: 0.40, RecoatCloses: 0.72, Firm: 0.80, Sandable: 0.86}}
}

// afternoon is 14:00 UTC on an invented winter day.
var afternoon = time.Date(2026, 1, 14, 14, 0, 0, 0, time.UTC)

// situation is an invented shed: days of daily swing around mean C, constant vapour, one bare and one coated piece.
func situation(days, mean, swing, rhAtMean float64) Situation {
	at := float64(afternoon.Unix())
	airC, rh, hpa := trace.Trace{MaxGap: 1800}, trace.Trace{MaxGap: 1800}, trace.Trace{MaxGap: 1800}
	vapour := rhAtMean / 100 * math.Exp(17.62*mean/(243.12+mean))
	for t := at - days*86400; t <= at; t += 300 {
		c := mean + swing*math.Cos(2*math.Pi*(t-at)/86400) // warmest now
		airC.At, airC.V = append(airC.At, t), append(airC.V, c)
		rh.At, rh.V = append(rh.At, t), append(rh.V, math.Min(99, 100*vapour/math.Exp(17.62*c/(243.12+c))))
		hpa.At, hpa.V = append(hpa.At, t), append(hpa.V, 1013)
	}
	system := medium()
	s := Situation{At: units.Instant(at), Zone: time.UTC, ClockSet: true, Limits: DefaultLimits(),
		Hours: Hours{StartMin: 8 * 60, EndMin: 18 * 60, Days: [7]bool{true, true, true, true, true, true, true}},
		Climate: Climate{
			AirC:        Channel{Probe: "bench", Trace: airC, U: 0.3, LastSeen: units.Instant(at)},
			RHPct:       Channel{Probe: "bench", Trace: rh, U: 2, LastSeen: units.Instant(at)},
			PressureHPa: Channel{Probe: "bench", Trace: hpa, U: 1, LastSeen: units.Instant(at)},
		},
		Pieces: []Piece{
			{ID: 1, Name: "foredeck", Bare: true, Lie: LieFlat, ThicknessM: 0.009, DensityKgM3: 500, NextSystem: &system,
				Meter: []MeterReading{{At: units.Instant(at - 86400), Pct: 11}}, SurfaceC: Channel{Problem: "no probe is taped to this piece"}},
			{ID: 2, Name: "port topside", Lie: LieUpright, ThicknessM: 0.009, DensityKgM3: 500, NextSystem: &system,
				SurfaceC: Channel{Problem: "no probe is taped to this piece"}},
		}}
	s.Limits.StaleAfter = 1800
	return s
}

func TestAdviseIsAFunction(t *testing.T) {
	s := situation(10, 16, 2, 55)
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 1200}}
	a, err := json.Marshal(Advise(s))
	require.NoError(t, err)
	b, err := json.Marshal(Advise(s))
	require.NoError(t, err)
	require.Equal(t, string(a), string(b))
	t.Logf("%s", a)
}

func BenchmarkAdvise(b *testing.B) {
	s := situation(18, 16, 2, 55)
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 7200}}
	b.ReportAllocs()
	for b.Loop() {
		Advise(s)
	}
}

// TestDenseLogHasNoGaps: a log of every minute, which counts as stale after three, leaves no gap in a coat, and tells the timber's moisture
// by itself once it is long enough.
func TestDenseLogHasNoGaps(t *testing.T) {
	s := situation(18, 16, 2, 55)
	for _, c := range []*Channel{&s.Climate.AirC, &s.Climate.RHPct, &s.Climate.PressureHPa} {
		full := c.Trace
		full.MaxGap = 0
		dense := trace.Trace{MaxGap: 180}
		for at := full.At[0]; at <= float64(s.At); at += 60 {
			v, ok := full.Value(at)
			require.True(t, ok)
			dense.At, dense.V = append(dense.At, at), append(dense.V, v)
		}
		c.Trace = dense
	}
	s.Limits.StaleAfter = 180
	s.Pieces[0].Meter = nil
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 3*3600}}
	a := Advise(s)
	require.Zero(t, a.Coats[0].GapMinutes)
	m := reasonOf(a.Pieces[0], "moisture")
	require.NotContains(t, m.Text, "no log")
	sparse := situation(18, 16, 2, 55)
	sparse.Coats = s.Coats
	b := Advise(sparse)
	for i := range a.Coats[0].Marks {
		x, y := a.Coats[0].Marks[i].When, b.Coats[0].Marks[i].When
		require.InDelta(t, float64(y.Early), float64(x.Early), 120, "the same weather, however often it was read")
		require.InDelta(t, float64(y.Likely), float64(x.Likely), 120)
	}
}
