package daemon

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/jobbook"
)

// trueLife follows a batch in a pot or a tray in the true air of the shed, in steps of a quarter of a second, from the heat balance of a
// well-mixed body (Semenov 1928; loss 8 W/(m2 K) from the whole surface of the resin): when it can no longer be worked, by the sheet's conversion, 0 for not until then.
// Nothing is shared with the advisor but the resin's figures.
func (r *run) trueLife(from, until int64, grams, startC float64, volumePerSurface func(at int64) float64) int64 {
	k := r.system.Kinetics
	c := r.trueCourse(r.begun, r.begun+courseStep, 0)
	a, temp := 0.0, startC
	const dt = 0.25
	for ms := float64(from); ms < float64(until); ms += 1000 * dt {
		rate := c.reactor(a, temp)
		loss := 8 / (r.system.DensityKgM3 * k.CpJGK * 1000 * volumePerSurface(int64(ms))) * (temp - r.truth(int64(ms)/10_000*10_000).AirC)
		a, temp = a+dt*rate, temp+dt*(k.HeatJG/k.CpJGK*rate-loss)
		if a >= r.system.Pot.WorkingConversion {
			return int64(ms)
		}
	}
	return 0
}

// A pot is mixed and forgotten: the phone rings before its time is over, again as it becomes a hazard, and is told when it is gone. A second one
// goes into the tray after five minutes, as it should, and lasts.
func TestScenePotLeftStanding(t *testing.T) {
	const grams, startC = 250.0, 20.0
	var left, poured int64
	mix := func(vessel string, to *int64) func(*testing.T, *run) {
		return func(t *testing.T, r *run) {
			raw, err := json.Marshal(r.system)
			require.NoError(t, err)
			c := startC
			res, err := r.d.Do(t.Context(), "", "Wren", jobbook.StartBatch{BatchData: jobbook.BatchData{SystemName: r.system.Name, System: raw, MassG: grams, ResinC: &c,
				Vessel: vessel, DiameterMM: 90}})
			require.NoError(t, err)
			*to = res.ID
		}
	}
	say := func(p func() jobbook.Payload) func(*testing.T, *run) {
		return func(t *testing.T, r *run) {
			_, err := r.d.Do(t.Context(), "", "Wren", p())
			require.NoError(t, err)
		}
	}
	s := scene{name: "a pot left standing", seed: 21, start: winterDay(13, 0), length: 140 * time.Minute, history: 12 * time.Hour, system: "medium", acts: []act{
		{at: 5 * time.Minute, do: mix("pot", &left)},
		{at: 85 * time.Minute, do: say(func() jobbook.Payload { return jobbook.EndBatch{Batch: left, Saw: 1, How: "went off"} })},
		{at: 90 * time.Minute, do: mix("pot", &poured)},
		{at: 95 * time.Minute, do: say(func() jobbook.Payload {
			return jobbook.MoveBatch{Batch: poured, Saw: 1, Vessel: jobbook.VesselTray, TrayCM2: 900}
		})},
		{at: 130 * time.Minute, do: say(func() jobbook.Payload { return jobbook.EndBatch{Batch: poured, Saw: 2, How: "used"} })},
	}}
	r := play(t, s)
	r.noDoubles()
	at := func(after time.Duration) int64 { return r.begun + after.Milliseconds() }
	radius := 0.045
	depth := grams / 1000 / r.system.DensityKgM3 / (math.Pi * radius * radius)
	pot, tray := radius*depth/(2*(radius+depth)), grams/1000/r.system.DensityKgM3/0.09/2
	end := r.trueLife(at(5*time.Minute), at(85*time.Minute), grams, startC, func(int64) float64 { return pot })
	require.NotZero(t, end, "the pot goes off within the scene")
	t.Logf("the pot could be worked for %.1f min by the truth", float64(end-at(5*time.Minute))/minuteMs)

	only := func(key string, kind alert.Kind) telling {
		t.Helper()
		all := filterTold(r.of(key), func(m telling) bool { return m.Kind == kind })
		require.Len(t, all, 1, "%s %s", kind, key)
		return all[0]
	}
	ending := only(fmt.Sprintf("batch/%d/ending", left), alert.Raise)
	require.Less(t, ending.at, end-2*minuteMs, "in time to spread it")
	require.Greater(t, ending.at, at(5*time.Minute))
	past := only(fmt.Sprintf("batch/%d/past", left), alert.Raise)
	require.InDelta(t, float64(end), float64(past.at), late)
	hazard := only(fmt.Sprintf("batch/%d/heat", left), alert.Raise)
	require.InDelta(t, float64(end), float64(hazard.at), late)
	require.Contains(t, hazard.Body, "outdoors")
	gone := only(fmt.Sprintf("batch/%d/heat", left), alert.Clear)
	require.GreaterOrEqual(t, gone.at, at(85*time.Minute))
	require.LessOrEqual(t, gone.at, at(85*time.Minute)+late)

	lasts := r.trueLife(at(90*time.Minute), at(130*time.Minute), grams, startC, func(ms int64) float64 {
		if ms < at(95*time.Minute) {
			return pot
		}
		return tray
	})
	require.Zero(t, lasts, "poured out flat it lasts")
	for _, key := range []string{"past", "heat", "blind"} {
		require.Empty(t, r.of(fmt.Sprintf("batch/%d/%s", poured, key)))
	}
}
