package advisor

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/trace"
)

// silentFor is a shed at 16 C whose topside was read a kelvin colder, each minute, until so many seconds ago, and a coat on it.
func silentFor(seconds float64) Situation {
	s := situation(3, 16, 0, 55)
	at := float64(s.At)
	probe := trace.Trace{MaxGap: 300}
	for x := at - 86400; x <= at-seconds; x += 60 {
		probe.At, probe.V = append(probe.At, x), append(probe.V, 15)
	}
	c := Channel{Probe: "skin", Trace: probe, U: 0.2, LastSeen: s.At}
	if seconds > 300 {
		c.Problem = "stale"
	}
	s.Pieces[1].SurfaceC = c
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 4*3600}}
	return s
}

// A probe that falls silent leaves no step: what it differed from the heat model by is carried, fades, and is doubted more as it gets old, until it
// is the model alone again.
func TestSilentProbeIsCarried(t *testing.T) {
	fresh := Advise(silentFor(60)).Coats[0]
	require.False(t, fresh.SurfaceModelled)
	require.InDelta(t, 15, *fresh.SurfaceC.Value, 1e-9)
	none := silentFor(60)
	none.Pieces[1].SurfaceC = Channel{Problem: "no probe is taped to this piece"}
	model := Advise(none).Coats[0]
	require.InDelta(t, 16, *model.SurfaceC.Value, 0.05)
	was := fresh
	for _, seconds := range []float64{360, 1800, 2 * 3600, 6 * 3600} {
		s := silentFor(seconds)
		a := Advise(s)
		c := a.Coats[0]
		require.True(t, c.SurfaceModelled)
		require.InDelta(t, 16-math.Exp(-seconds/slowTau), *c.SurfaceC.Value, 0.05)
		require.Greater(t, *c.SurfaceC.U, *was.SurfaceC.U, "older, and doubted more")
		require.Less(t, *c.SurfaceC.U, *model.SurfaceC.U+0.1)
		require.InDelta(t, *c.SurfaceC.Value, *a.Pieces[1].SurfaceC.Value, 1e-12)
		want := "since " + span(seconds) + " ago"
		if math.Exp(-seconds/slowTau) < carriedFrom {
			want = "No probe is on this piece"
		}
		require.Contains(t, reasonOf(a.Pieces[1], "trust").Text, want)
		was = c
	}
	require.Less(t, *Advise(silentFor(360)).Coats[0].SurfaceC.U, 0.5, "a few minutes cost little")
	old := Advise(silentFor(20 * 3600)).Coats[0]
	require.InDelta(t, *model.SurfaceC.Value, *old.SurfaceC.Value, 0.01)
	require.InDelta(t, *model.SurfaceC.U, *old.SurfaceC.U, 0.01)
}

// The windows of a coat whose probe is silent lie between those of its last reading and those of the model, and open wider than with the probe.
func TestSilentProbeWidensTheWindows(t *testing.T) {
	mark := func(s Situation) Moment { return Advise(s).Coats[0].Marks[2].When }
	none := silentFor(60)
	none.Pieces[1].SurfaceC = Channel{Problem: "no probe is taped to this piece"}
	probe, carried, model := mark(silentFor(60)), mark(silentFor(3600)), mark(none)
	require.Greater(t, probe.Likely, model.Likely, "colder, and later")
	require.Greater(t, carried.Likely, model.Likely)
	require.Less(t, math.Abs(float64(carried.Likely-probe.Likely)), 0.5*float64(probe.Likely-model.Likely))
	width := func(s Situation) float64 { // of a probe that agreed with the model, so that nothing but doubt is left
		for i := range s.Pieces[1].SurfaceC.Trace.V {
			s.Pieces[1].SurfaceC.Trace.V[i] = 16
		}
		m := mark(s)
		return float64(m.Late - m.Early)
	}
	require.Greater(t, width(silentFor(3600)), width(silentFor(60)))
	require.Less(t, width(silentFor(3600)), width(none))
}

// Between two stretches of a probe the film goes from the one's difference to the other's, and falls back towards the model where that is far off.
func TestDifferencesBridgeAGap(t *testing.T) {
	front := trace.Trace{At: []float64{0, 200_000}, V: []float64{10, 10}}
	probe := trace.Trace{At: []float64{1000, 1600, 1600 + slowTau, 2200 + slowTau}, V: []float64{12, 12, 11, 11}, MaxGap: 900}
	d := differ(front, probe)
	require.Len(t, d.last, 2)
	require.InDelta(t, 2, d.at(1600.001), 1e-3)
	require.InDelta(t, 1, d.at(1599.999+slowTau), 1e-3)
	middle := d.at(1600 + slowTau/2)
	require.InDelta(t, 1.5/math.Cosh(0.5), middle, 1e-9, "the mean of a bridge of that process, by hand")
	require.InDelta(t, 2*math.Exp(-1000/slowTau), d.at(0), 1e-9, "before the first")
	require.InDelta(t, math.Exp(-1), d.at(2200+2*slowTau), 1e-9, "after the last")
	far := trace.Trace{At: []float64{1000, 1600, 1600 + 50*slowTau}, V: []float64{12, 12, 11}, MaxGap: 900}
	front.At[1] = 100 * slowTau
	d = differ(front, far)
	require.InDelta(t, 2*math.Exp(-1), d.at(1600+slowTau), 1e-9)
	require.InDelta(t, 0, d.at(1600+25*slowTau), 1e-9)
	var empty differences
	require.Zero(t, empty.at(5))
	require.Equal(t, front, empty.added(front))
}

// A coat on a piece whose probe is silent for a short while does not share the error of surfaces that are only computed; later it does.
func TestSilentProbeSharesTheModelsErrorLater(t *testing.T) {
	for seconds, alone := range map[float64]bool{1800: false, 6 * 3600: true} {
		s := silentFor(seconds)
		w := read(&s)
		k := surfaceOf(&w, &s.Pieces[1])
		require.True(t, k.modelled)
		require.Equal(t, alone, k.alone)
		d := learned(&s, &w, func(*Piece) *skin { return &k })
		require.Equal(t, alone, d.film(&w, &k, &s.Coats[0]).modelled)
	}
}

// What is frozen of a coat is doubted minute by minute: as the probe is while it told, and more with each minute since.
func TestFrozenMinutesOfASilentProbe(t *testing.T) {
	s := silentFor(2 * 3600)
	samples, modelled := Conditions(s, 7, s.Coats[0].Started, s.At)
	require.False(t, modelled, "a probe was on it for a while")
	require.InDelta(t, 0.2, *samples[30].SurfaceU, 1e-12)
	require.InDelta(t, 15, *samples[30].SurfaceC, 1e-9)
	n := len(samples)
	require.Greater(t, *samples[n-2].SurfaceU, *samples[n-60].SurfaceU)
	require.Greater(t, *samples[n-60].SurfaceU, 0.2)
	require.Greater(t, *samples[n-2].MarginU, *samples[30].MarginU)
}

// The sun comes onto a piece: three minutes tell where its surface will go, for the panel answers as its own heat capacity lets it. Before, and once it is
// as warm as that, nothing is told to move; what walls make of it goes on for hours, and the sun does not.
func TestSunGoesOnAhead(t *testing.T) {
	ahead := func(minutes float64) (k skin, s Situation) { // after it came; the air stays at 16 C, walls keep the piece a kelvin below
		s = situation(3, 16, 0, 55)
		at := float64(s.At)
		panel, err := panelOf(&s.Pieces[1])
		require.NoError(t, err)
		probe := trace.Trace{MaxGap: 300}
		for x := at - 86400 + 30; x < at; x += 60 {
			v := 15.0
			if since := x - (at - 60*minutes); since > 0 {
				v += 14 * (1 - math.Exp(-since/answers(panel)))
			}
			probe.At, probe.V = append(probe.At, x), append(probe.V, v)
		}
		s.Pieces[1].SurfaceC = Channel{Probe: "skin", Trace: probe, U: 0.2, LastSeen: s.At}
		s.Limits.StaleAfter = 1800
		w := read(&s)
		return surfaceOf(&w, &s.Pieces[1]), s
	}
	film := func(k skin, s *Situation, minutes float64) float64 {
		v, ok := k.ahead[0].film.Value(float64(s.At) + 60*minutes)
		require.True(t, ok)
		return v
	}
	k, s := ahead(0)
	for _, m := range []float64{5, 30, 60} {
		require.InDelta(t, 15, film(k, &s, m), 0.3, "walls stay as they are")
	}
	k, s = ahead(4)
	require.Less(t, k.now, 21.0)
	require.InDelta(t, 29, film(k, &s, 30), 4, "it goes on to where the sun takes it")
	require.InDelta(t, 15, film(k, &s, 4*60), 1, "and does not stay for ever")
	k, s = ahead(50)
	require.InDelta(t, 29, k.now, 0.2)
	require.InDelta(t, k.now, film(k, &s, 5), 0.5, "it is as warm as it gets")
}

// A forecast starts from where a thermostat's cycles swing about, not from the part of one that the newest minute lies in; what leaves their play is
// news at once.
func TestForecastStartsFromTheMiddleOfACycle(t *testing.T) {
	at := 86400.0
	air := trace.Trace{MaxGap: 180}
	for x := 0.0; x < at; x += 60 {
		air.At, air.V = append(air.At, x+30), append(air.V, 17+0.7*math.Sin(2*math.Pi*x/720))
	}
	for _, minutes := range []float64{0, 3, 6, 9} {
		now := at - 60*minutes
		log := air.Slice(0, now)
		_, v, _ := steadied(log, now).Last()
		require.InDelta(t, 17, v, 0.25)
		_, was, _ := log.Last()
		require.Equal(t, was, log.V[log.Len()-1], "the log itself stays")
	}
	air.V[len(air.V)-1] = 14.5
	_, v, _ := steadied(air, at).Last()
	require.InDelta(t, 14.5, v, 1e-9, "somebody opened the door")
	short := air.Slice(at-600, at)
	require.Equal(t, short, steadied(short, at), "a log of minutes knows no cycles")
	rising := air.Slice(0, at)
	rising.V = append([]float64(nil), rising.V...)
	for i, x := range rising.At {
		rising.V[i] += 2 * math.Max(0, x-at+7200) / 3600
	}
	require.Equal(t, rising, steadied(rising, at), "the heater has just come on: the mean of a quarter of an hour is of a while ago")
}
