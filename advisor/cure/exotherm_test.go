package cure

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// selfHeating is the synthetic law with the heat of the reference tables: 450 J/g, 1.8 J/(g K), so an adiabatic rise of 250 K.
func selfHeating(t testing.TB) Model {
	s := s1()
	s.Kinetics.HeatJG, s.Kinetics.CpJGK = 450, 1.8
	return model(t, s)
}

func TestPotTrayFilm(t *testing.T) {
	_, rows := reference(t, "batch_pot_tray_film.csv")
	m := selfHeating(t)
	for _, row := range rows {
		temp := num(t, row[1])
		e, err := m.Exotherm(Mass{VolumePerSurfaceM: num(t, row[2]), RoomC: temp, StartC: temp, LossWM2K: 8, DensityKgM3: 1100})
		require.NoError(t, err)
		require.InEpsilon(t, num(t, row[3]), *e.GelMin, 1e-3, row[0])
		require.InDelta(t, num(t, row[4]), e.PeakC, 0.5, row[0])
		require.InEpsilon(t, num(t, row[5]), e.PeakMin, 5e-3, row[0])
		require.Equal(t, e.PeakC > 150, e.HotMin != nil)
		if e.HotMin != nil {
			require.Less(t, *e.HotMin, e.PeakMin)
		}
	}
	require.InDelta(t, 0.012, PotVolumePerSurface(math.Pi*0.04*0.04*0.06*1100*1000, 1100, 0.08), 1e-12)
}

// No loss: times by quadrature, and temperature follows conversion exactly.
func TestAdiabatic(t *testing.T) {
	_, rows := reference(t, "batch_adiabatic.csv")
	m := selfHeating(t)
	for _, row := range rows {
		start := num(t, row[0])
		for i, a := range []float64{0.1, 0.3, 0.57735} {
			e, err := m.exotherm(Mass{VolumePerSurfaceM: 0.01, RoomC: 20, StartC: start, DensityKgM3: 1100}, a, false)
			require.NoError(t, err)
			require.InDelta(t, num(t, row[i+1]), *e.WorkingMin/60, num(t, row[i+1])*1e-5+5e-6)
			require.InDelta(t, start+250*e.EndA, e.EndC, 1e-9*250, "T - T0 = rise x conversion")
			require.InDelta(t, start+250, e.PeakC, 0.01)
		}
	}
}

// No volume: isothermal, and close to it the limit is approached.
func TestNoVolumeIsIsothermal(t *testing.T) {
	m := selfHeating(t)
	want, _ := m.IsothermalMinutes(m.GelConversion(), 20)
	for _, c := range []struct{ vs, tol float64 }{{0, 1e-6}, {1e-12, 1e-6}, {1e-7, 1e-4}, {1e-6, 1e-3}} {
		e, err := m.Exotherm(Mass{VolumePerSurfaceM: c.vs, RoomC: 20, StartC: 20, LossWM2K: 8, DensityKgM3: 1100})
		require.NoError(t, err)
		require.InEpsilon(t, want, *e.GelMin, c.tol, c.vs)
		require.InDelta(t, 20, e.PeakC, 0.01)
	}
}

// Resin that starts warm goes off sooner, cold later; a warm start can itself be the peak.
func TestStartTemperature(t *testing.T) {
	m := model(t, medium())
	pot := Mass{VolumePerSurfaceM: PotVolumePerSurface(110, 1110, 0.08), RoomC: 15, LossWM2K: 8, DensityKgM3: 1110}
	last := math.Inf(1)
	for _, start := range []float64{2, 8, 15, 22, 30} {
		pot.StartC = start
		e, err := m.Exotherm(pot)
		require.NoError(t, err)
		require.Less(t, *e.WorkingMin, last)
		last = *e.WorkingMin
	}
	thin := Mass{VolumePerSurfaceM: 0.0002, RoomC: 10, StartC: 40, LossWM2K: 8, DensityKgM3: 1110}
	e, err := m.Exotherm(thin)
	require.NoError(t, err)
	require.Equal(t, 40.0, e.PeakC)
	require.Zero(t, e.PeakMin)
}

func TestMassOfNonsense(t *testing.T) {
	m := model(t, medium())
	good := Mass{VolumePerSurfaceM: 0.01, RoomC: 20, StartC: 20, LossWM2K: 8, DensityKgM3: 1110}
	for _, spoil := range []func(b *Mass){
		func(b *Mass) { b.RoomC = math.NaN() }, func(b *Mass) { b.StartC = -273.15 }, func(b *Mass) { b.DensityKgM3 = 0 },
		func(b *Mass) { b.VolumePerSurfaceM = -1 }, func(b *Mass) { b.LossWM2K = math.Inf(1) },
	} {
		b := good
		spoil(&b)
		_, err := m.Exotherm(b)
		require.ErrorContains(t, err, "cure: mass of resin")
	}
}

// Any mass in any room: finite, no colder than the colder of start and room, no hotter than the warmer plus the whole adiabatic rise.
func TestAnyMass(t *testing.T) {
	models := []Model{model(t, medium()), model(t, s1()), model(t, byTimes())}
	rapid.Check(t, func(t *rapid.T) {
		m := models[rapid.IntRange(0, 2).Draw(t, "model")]
		b := Mass{
			VolumePerSurfaceM: math.Pow(10, rapid.Float64Range(-5, -1).Draw(t, "log V/S")),
			RoomC:             rapid.Float64Range(-20, 45).Draw(t, "room"), StartC: rapid.Float64Range(-10, 60).Draw(t, "start"),
			LossWM2K: rapid.Float64Range(0, 25).Draw(t, "h"), DensityKgM3: 1100,
		}
		e, err := m.Exotherm(b)
		require.NoError(t, err)
		require.False(t, math.IsNaN(e.PeakC+e.PeakMin+e.EndA+e.EndC))
		k := m.Kinetics()
		require.LessOrEqual(t, e.PeakC, math.Max(b.RoomC, b.StartC)+k.HeatJG/k.CpJGK+0.01)
		require.GreaterOrEqual(t, e.EndC, math.Min(b.RoomC, b.StartC)-0.01)
		if e.GelMin != nil && e.WorkingMin != nil {
			require.Less(t, *e.WorkingMin, *e.GelMin)
		}
	})
}
