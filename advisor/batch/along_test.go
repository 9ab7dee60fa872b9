package batch

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// A life in pieces is the life in one: cutting it changes nothing.
func TestLifeAlongIsLifeOf(t *testing.T) {
	m := model(t, system(t, "medium"))
	for _, massG := range []float64{40, 112, 400} {
		b := Batch{MassG: massG, RoomC: 20, ResinC: 17, Vessel: Vessel{Shape: Pot, DiameterMM: 80}}
		whole, err := LifeOf(m, b)
		require.NoError(t, err)
		stay := Stay{Vessel: b.Vessel, RoomC: b.RoomC}
		var stays []Stay
		for _, from := range []float64{0, 3, 11, 17.5, 40} {
			stay.FromMin = from
			stays = append(stays, stay)
		}
		cut, begun, err := LifeAlong(m, b, stays)
		require.NoError(t, err)
		require.Len(t, begun, 5)
		require.InEpsilon(t, *whole.WorkingMin, *cut.WorkingMin, 1e-4)
		require.InEpsilon(t, *whole.GelMin, *cut.GelMin, 1e-4)
		require.Equal(t, whole.Runaway, cut.Runaway)
		if !whole.Runaway {
			require.InDelta(t, whole.PeakC, cut.PeakC, 0.05)
			require.InEpsilon(t, whole.PeakMin, cut.PeakMin, 1e-2)
		}
		require.InDelta(t, whole.DepthMM, cut.DepthMM, 1e-9)
		for i := 1; i < len(begun); i++ {
			require.Greater(t, begun[i].Conversion, begun[i-1].Conversion)
		}
	}
}

// A tray keeps longer than the pot, but not as long as if the batch had been in it from the first: what the pot converted it carries.
func TestThePotsConversionIsCarriedIntoTheTray(t *testing.T) {
	m := model(t, system(t, "medium"))
	b := Batch{MassG: 200, RoomC: 20, ResinC: 20}
	pot, tray := Vessel{Shape: Pot, DiameterMM: 80}, Vessel{Shape: Tray, AreaCM2: 600}
	life := func(stays ...Stay) float64 {
		l, _, err := LifeAlong(m, b, stays)
		require.NoError(t, err)
		return *l.WorkingMin
	}
	inPot, inTray := life(Stay{0, pot, 20}), life(Stay{0, tray, 20})
	require.Greater(t, inTray, 1.2*inPot)
	last := inTray
	for _, at := range []float64{1, 5, 10, inPot - 1} {
		moved := life(Stay{0, pot, 20}, Stay{at, tray, 20})
		require.Less(t, moved, last, "later into the tray, sooner gone")
		require.Greater(t, moved, inPot)
		last = moved
	}
	require.InEpsilon(t, inPot, life(Stay{0, pot, 20}, Stay{inPot + 1, tray, 20}), 1e-4, "too late to help")
	l, _, err := LifeAlong(m, b, []Stay{{0, pot, 20}, {inPot - 1, tray, 20}})
	require.NoError(t, err)
	alone, _, err := LifeAlong(m, b, []Stay{{0, pot, 20}})
	require.NoError(t, err)
	require.Less(t, l.PeakC, alone.PeakC, "poured out flat it stays cooler")
}

func TestLifeAlongRefuses(t *testing.T) {
	m := model(t, system(t, "medium"))
	pot := Vessel{Shape: Pot, DiameterMM: 80}
	b := Batch{MassG: 100, ResinC: 20}
	for _, stays := range [][]Stay{nil, {{5, pot, 20}}, {{0, pot, 20}, {0, pot, 20}}, {{0, pot, 20}, {5, pot, 20}, {4, pot, 20}}, {{0, pot, 90}}, {{0, Vessel{}, 20}}} {
		_, _, err := LifeAlong(m, b, stays)
		require.ErrorContains(t, err, "batch: ")
	}
}
