package batch

import (
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/cure"
)

// system reads a shipped system.
func system(t testing.TB, name string) cure.System {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "daemon", "config", "systems", name+".toml"))
	require.NoError(t, err)
	var s cure.System
	require.NoError(t, toml.Unmarshal(text, &s))
	return s
}

func model(t testing.TB, s cure.System) cure.Model {
	t.Helper()
	m, err := cure.New(s)
	require.NoError(t, err)
	return m
}

// reference reads a table of testdata/reference; each file states its source.
func reference(t testing.TB, name string) [][]string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "reference", name))
	require.NoError(t, err)
	var rows [][]string
	for _, line := range strings.Split(strings.TrimSpace(string(text)), "\n") {
		if !strings.HasPrefix(line, "#") {
			rows = append(rows, strings.Split(line, ","))
		}
	}
	return rows[1:]
}

func num(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return v
}

// synthetic is the law of the reference tables, 1100 kg/m3, 450 J/g.
func synthetic(t testing.TB) cure.Model {
	s := system(t, "medium")
	k := *s.Kinetics
	k.K1PerS, k.K2PerS, k.GelConversion, k.HeatJG, k.Diffusion = 1e-5, 2.5e-4, 0.57735, 450, false
	s.Kinetics, s.DensityKgM3, s.Pot = &k, 1100, nil
	s.Marks.By = "conversion"
	return model(t, s)
}

// The pot of the table by its vessel: 80 mm wide, 60 mm deep.
func TestPotByVessel(t *testing.T) {
	m := synthetic(t)
	mass := math.Pi * 0.04 * 0.04 * 0.06 * 1100 * 1000
	for _, row := range reference(t, "batch_pot_tray_film.csv")[:3] {
		temp := num(t, row[1])
		life, err := LifeOf(m, Batch{MassG: mass, RoomC: temp, ResinC: temp, Vessel: Vessel{Shape: Pot, DiameterMM: 80}})
		require.NoError(t, err)
		require.InEpsilon(t, num(t, row[3]), *life.GelMin, 1e-3)
		require.InDelta(t, num(t, row[4]), life.PeakC, 0.5)
		require.True(t, life.Runaway)
		require.InDelta(t, 60, life.DepthMM, 1e-9)
	}
	// A tray that holds 3 mm, both faces losing heat.
	row := reference(t, "batch_pot_tray_film.csv")[4]
	life, err := LifeOf(m, Batch{MassG: 0.06 * 0.003 * 1100 * 1000, RoomC: 20, ResinC: 20, Vessel: Vessel{Shape: Tray, AreaCM2: 600}})
	require.NoError(t, err)
	require.InEpsilon(t, num(t, row[3]), *life.GelMin, 1e-3)
	require.InDelta(t, num(t, row[4]), life.PeakC, 0.5)
	require.False(t, life.Runaway)
	require.Nil(t, life.HotMin)
}

// Common practice, no source: one parameter set for pot, tray and film.
func TestPracticeOfMedium(t *testing.T) {
	m := model(t, system(t, "medium"))
	for _, row := range reference(t, "batch_practice.csv") {
		var got float64
		b := Batch{MassG: num(t, row[1]), RoomC: 22, ResinC: 22, Vessel: Vessel{Shape: Pot, DiameterMM: num(t, row[3])}}
		switch row[0] {
		case "film":
			min, ok := m.MarkMinutes(22)
			require.True(t, ok[cure.TackOpens])
			got = min[cure.TackOpens]
		case "tray":
			b.Vessel = Vessel{Shape: Tray, AreaCM2: num(t, row[3])}
			fallthrough
		default:
			life, err := LifeOf(m, b)
			require.NoError(t, err)
			got = *life.WorkingMin
		}
		require.GreaterOrEqual(t, got, 0.85*num(t, row[4]), row)
		require.LessOrEqual(t, got, 1.15*num(t, row[5]), row)
		t.Logf("%s: %.1f min", row[0], got)
	}
	require.Equal(t, 2.0, MixingMin, "two minutes of mixing: common practice, no source")
	require.Equal(t, Stands, ConsistencyOf(2), "about two volumes stand on an upright face: common practice, no source")
}

// The pot goes off before the tray, the tray before the film; more in a pot goes off sooner; warm resin sooner than cold.
func TestOrderOfVessels(t *testing.T) {
	for _, name := range []string{"fast", "medium", "slow"} {
		m := model(t, system(t, name))
		for _, room := range []float64{8, 15, 22, 30} {
			last := 0.0
			for _, b := range []Batch{
				{MassG: 300, Vessel: Vessel{Shape: Pot, DiameterMM: 80}}, {MassG: 110, Vessel: Vessel{Shape: Pot, DiameterMM: 80}},
				{MassG: 110, Vessel: Vessel{Shape: Tray, AreaCM2: 600}}, {MassG: 110, Vessel: Vessel{Shape: Tray, AreaCM2: 6000}},
			} {
				b.RoomC, b.ResinC = room, room
				life, err := LifeOf(m, b)
				require.NoError(t, err)
				require.Greater(t, *life.WorkingMin, last, "%s at %g C", name, room)
				last = *life.WorkingMin
				cold := b
				cold.ResinC = room - 6
				other, err := LifeOf(m, cold)
				require.NoError(t, err)
				require.Greater(t, *other.WorkingMin, *life.WorkingMin)
			}
			film, ok := m.IsothermalMinutes(m.WorkingConversion(), room)
			require.True(t, ok)
			require.Greater(t, film, last)
		}
	}
}

func TestBatchOfNonsense(t *testing.T) {
	m := model(t, system(t, "medium"))
	good := Batch{MassG: 100, RoomC: 20, ResinC: 20, Vessel: Vessel{Shape: Pot, DiameterMM: 80}}
	for want, spoil := range map[string]func(b *Batch){
		"mass 0 g":      func(b *Batch) { b.MassG = 0 },
		"room -300 C":   func(b *Batch) { b.RoomC = -300 },
		"resin NaN C":   func(b *Batch) { b.ResinC = math.NaN() },
		"pot of 0 mm":   func(b *Batch) { b.Vessel.DiameterMM = 0 },
		"tray of 0 cm2": func(b *Batch) { b.Vessel.Shape = Tray },
		`vessel "cup"`:  func(b *Batch) { b.Vessel.Shape = "cup" },
	} {
		b := good
		spoil(&b)
		_, err := LifeOf(m, b)
		require.ErrorContains(t, err, "batch: "+want)
	}
}

func TestHowMuch(t *testing.T) {
	m := model(t, system(t, "medium"))
	at := Batch{RoomC: 18, ResinC: 20, Vessel: Vessel{Shape: Pot, DiameterMM: 80}}
	p, err := HowMuch(m, 858, at, Pace{M2PerHour: 3, GM2: 143})
	require.NoError(t, err)
	require.Greater(t, p.Batches, int64(1))
	require.InDelta(t, 858, float64(p.Batches)*p.BatchG, 1e-9)
	require.LessOrEqual(t, p.BatchG, p.LargestG+1e-9)
	require.LessOrEqual(t, p.UseMin, 0.9*p.WorkingMin)
	more := at
	more.MassG = p.LargestG * 1.02
	life, err := LifeOf(m, more)
	require.NoError(t, err)
	require.Greater(t, MixingMin+more.MassG/(3*143.0/60), 0.9**life.WorkingMin, "nothing larger would do")
	tray := at
	tray.Vessel = Vessel{Shape: Tray, AreaCM2: 900}
	q, err := HowMuch(m, 858, tray, Pace{M2PerHour: 3, GM2: 143})
	require.NoError(t, err)
	require.Greater(t, q.LargestG, p.LargestG)
	one, err := HowMuch(m, 20, at, Pace{M2PerHour: 3, GM2: 143})
	require.NoError(t, err)
	require.Equal(t, int64(1), one.Batches)
	hot := Batch{RoomC: 45, ResinC: 60, Vessel: at.Vessel}
	_, err = HowMuch(model(t, system(t, "fast")), 500, hot, Pace{M2PerHour: 0.05, GM2: 100})
	require.ErrorIs(t, err, ErrTooSlow)
	_, err = HowMuch(m, math.NaN(), at, Pace{M2PerHour: 3, GM2: 143})
	require.ErrorContains(t, err, "in all")
	_, err = HowMuch(m, 500, at, Pace{GM2: 143})
	require.ErrorContains(t, err, "pace")
}

// Faster hands never get smaller batches, and every batch is used in time.
func TestHowMuchOfAnything(t *testing.T) {
	m := model(t, system(t, "medium"))
	rapid.Check(t, func(t *rapid.T) {
		at := Batch{RoomC: rapid.Float64Range(5, 35).Draw(t, "room"), Vessel: Vessel{Shape: Tray, AreaCM2: 600}}
		at.ResinC = at.RoomC + rapid.Float64Range(-10, 10).Draw(t, "resin")
		if rapid.Bool().Draw(t, "pot") {
			at.Vessel = Vessel{Shape: Pot, DiameterMM: rapid.Float64Range(50, 200).Draw(t, "diameter")}
		}
		total := rapid.Float64Range(50, 5000).Draw(t, "total")
		pace := Pace{M2PerHour: rapid.Float64Range(0.5, 12).Draw(t, "pace"), GM2: rapid.Float64Range(80, 600).Draw(t, "coverage")}
		p, err := HowMuch(m, total, at, pace)
		if err != nil {
			require.ErrorIs(t, err, ErrTooSlow)
			return
		}
		require.InEpsilon(t, total, float64(p.Batches)*p.BatchG, 1e-9)
		require.LessOrEqual(t, p.UseMin, p.WorkingMin)
		pace.M2PerHour *= 1.5
		q, err := HowMuch(m, total, at, pace)
		require.NoError(t, err)
		require.GreaterOrEqual(t, q.LargestG, p.LargestG*0.999)
	})
}

func BenchmarkLifeOfPot(b *testing.B) {
	m := model(b, system(b, "medium"))
	for b.Loop() {
		_, _ = LifeOf(m, Batch{MassG: 110, RoomC: 22, ResinC: 22, Vessel: Vessel{Shape: Pot, DiameterMM: 80}})
	}
}
