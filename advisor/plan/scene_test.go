package plan

import (
	"math"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor/cure"
	"tackline/advisor/units"
)

// medium is the shipped example system; every number of it is invented.
func medium() cure.System {
	k := cure.Generic()
	return cure.System{Name: "medium (invented)", Source: "invented", MixByWeight: [2]float64{100, 34}, MixByVolume: [2]float64{2.5, 1}, DensityKgM3: 1110,
		LowestC: 10, HighestSurfaceRHPct: 85, Kinetics: &k,
		Marks: &cure.Marks{By: "tg", TackOpens: 0.057, TackCloses: 0.40, RecoatCloses: 0.72, Firm: 0.80, Sandable: 0.86}}
}

// sweep is that system's, made once: it takes longer than a small plan.
var sweep = sync.OnceValue(func() *cure.Sweep {
	m, err := cure.New(medium())
	if err != nil {
		panic(err)
	}
	return m.NewSweep()
})

func model(t testing.TB) cure.Model {
	t.Helper()
	m, err := cure.New(medium())
	require.NoError(t, err)
	return m
}

// morning is a Wednesday, 06:00 UTC, in an invented shed.
var morning = time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)

const samples = 96*4 + 1

// weather is an invented forecast: a day's swing around mean C with its top at 15:00, vapour steady; members differ by their place in -1..1.
type weather struct {
	mean, swing, spread float64 // C, K, K
	rh                  float64 // % at mean
	surfaceLag          float64 // samples by which the surface trails
	pressureSlope       float64 // hPa per hour
	members             int64
}

func fair() weather {
	return weather{mean: 18, swing: 2, spread: 1, rh: 50, surfaceLag: 1, members: 20}
}

// input is a plan of the rest of a hull's sheathing in that weather: the seal coat is on timber, the others wet on tacky.
func (w weather) input(testing.TB) Input {
	in := Input{Origin: units.InstantOf(morning), Starts: 192, AW: 0.5,
		Systems: []System{{Name: "medium (invented)", Sweep: sweep(), LowestC: 10, HighestSurfaceRHPct: 85}},
		Limits:  Limits{MarginK: 3, MarginU: 0.7, GasGrowth: 0.0005},
		Steps: []Task{
			{Name: "bedding", Coat: true, WorkMin: 30},
			{Name: "fabric", Wait: Tack, WorkMin: 20},
			{Name: "wet-out", Coat: true, Wait: Tack, WorkMin: 40},
			{Name: "fill", Coat: true, Wait: Recoat, WorkMin: 30},
			{Name: "second fill", Coat: true, Wait: Recoat, WorkMin: 30},
		}}
	vapour := w.rh / 100 * 611.2 * math.Exp(17.62*w.mean/(243.12+w.mean))
	for i := range w.members {
		place := 0.0
		if w.members > 1 {
			place = 2*float64(i)/float64(w.members-1) - 1
		}
		x := Member{Drums: []cure.SweepDrum{{Speed: math.Exp(0.2 * place * math.Cos(7*float64(i)))}}}
		for k := range samples {
			hour := 6 + float64(k)/4
			off := place * w.spread * math.Min(1, 0.3+float64(k)/96)
			air := w.mean + off + w.swing*math.Cos(2*math.Pi*(hour-15)/24)
			lag := w.mean + off + w.swing*math.Cos(2*math.Pi*(hour-w.surfaceLag/4-15)/24)
			x.AirC, x.SurfaceC = append(x.AirC, air), append(x.SurfaceC, lag)
			x.VapourPa = append(x.VapourPa, math.Min(vapour, 611.2*math.Exp(17.62*air/(243.12+air))))
			x.PressureHPa = append(x.PressureHPa, 1013+w.pressureSlope*float64(k)/4)
		}
		in.Members = append(in.Members, x)
	}
	return in
}

func allDays() [7]bool { return [7]bool{true, true, true, true, true, true, true} }
