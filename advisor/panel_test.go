package advisor

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/cure"
	"tackline/advisor/units"
)

// TestOwnReactionWarmsTheTimber: a thin seal coat warms 9 mm plywood by a part of a kelvin, a coat that is flooded on by much more, and not
// for ever. The size is what the heat balance gives: 130 g/m2 of 400 J/g are 52 kJ/m2, let out through 15 W/(m2 K) over hours.
func TestOwnReactionWarmsTheTimber(t *testing.T) {
	s := situation(4, 16, 0, 50)
	p := &s.Pieces[0]
	panel, err := panelOf(p)
	require.NoError(t, err)
	system := medium()
	model, err := cure.New(system)
	require.NoError(t, err)
	at := float64(s.At)
	w := read(&s)
	k := surfaceOf(&w, p)
	course, err := model.Course(k.ahead[0].film, at, at+Horizon)
	require.NoError(t, err)
	peak := func(kind Kind, sys cure.System) (most, end float64) {
		rise := reactionRise(panel, &sys, kind, &course, 16, at, at+24*3600)
		require.NotZero(t, rise.Len())
		for _, v := range rise.V {
			most = max(most, v)
		}
		return most, rise.V[rise.Len()-1]
	}
	thin, late := peak(Seal, system)
	require.Greater(t, thin, 0.05)
	require.Less(t, thin, 1.0)
	require.Less(t, late, thin/5)
	flooded := system
	flooded.Coverage = &cure.Coverage{SealGM2: 3000, FillGM2: 180, FabricRatio: 1}
	thick, _ := peak(Seal, flooded)
	require.Greater(t, thick, 10*thin)
}

// TestSurfaceLiesWithTheAirInTheEnd: in still air the modelled surface is the air's temperature; a face that looks up, out of the warm air's
// way, follows more slowly than the air.
func TestSurfaceLiesWithTheAirInTheEnd(t *testing.T) {
	s := situation(4, 16, 0, 50)
	a := Advise(s).Pieces[0]
	require.True(t, a.SurfaceModelled)
	require.InDelta(t, 16, *a.SurfaceC.Value, 1e-6)
	require.GreaterOrEqual(t, *a.SurfaceC.U, 1.0)
	at := &s.Climate.AirC.Trace
	for i := range at.V {
		if float64(s.At)-at.At[i] <= 300 {
			at.V[i] = 20
		}
	}
	warmer := *Advise(s).Pieces[0].SurfaceC.Value
	require.Greater(t, warmer, 16.3)
	require.Less(t, warmer, 19.0)
}

// TestBlushOrders: an hour of damp is some, three are high, dry is low, and a burner raises it by one. The thresholds are ours.
func TestBlushOrders(t *testing.T) {
	index := func(rh, hours float64, burner bool) string {
		s := situation(2, 14, 0, rh)
		s.Limits.UnventedBurner = burner
		s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Fill, System: medium(), Started: s.At.Add(units.Second(-3600 * hours))}}
		return Advise(s).Coats[0].Blush
	}
	require.Equal(t, "low", index(50, 1, false))
	require.Equal(t, "some", index(90, 1, false))
	require.Equal(t, "high", index(90, 3, false))
	require.Equal(t, "some", index(50, 1, true))
}
