package daemon

import (
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/sensors/shed"
)

// longer gives the length of a scene's short form, or of its long one where TACKLINE_LONG asks for it.
func longer(short, long time.Duration) time.Duration {
	if os.Getenv("TACKLINE_LONG") != "" {
		return long
	}
	return short
}

func winterDay(hour, minute int) time.Time {
	return time.Date(2026, 1, 14, hour, minute, 0, 0, time.UTC)
}

// A front comes through while the coat is wet: tack and recoat come later than any sheet says, and nothing is told by the sheet.
func TestSceneColdSnap(t *testing.T) {
	r := play(t, scene{name: "cold snap in mid cure", seed: 11, start: winterDay(9, 0), length: longer(6*time.Hour, 18*time.Hour), history: 24 * time.Hour,
		system: "medium", kind: advisor.Fill, coatAt: 10 * time.Minute,
		shed: func(o *shed.Options, at func(time.Duration) float64) {
			o.Heater.FrostC = 12
			o.Events = []shed.Event{{Kind: shed.ColdSnap, From: at(time.Hour), To: at(40 * time.Hour), Size: 12}}
		}})
	r.check()
	require.NotEmpty(t, r.of(r.key("stalled")), "the snap was to stall it")
}

// The heater goes off in the evening: the coat falls below what its system can do, no time is given, and it is said so.
func TestSceneHeaterOffAtNight(t *testing.T) {
	r := play(t, scene{name: "heater off at night", seed: 12, start: winterDay(16, 0), length: longer(5*time.Hour, 17*time.Hour), history: 24 * time.Hour,
		system: "medium", kind: advisor.Fill, coatAt: 10 * time.Minute,
		shed: func(o *shed.Options, at func(time.Duration) float64) {
			o.Heater.ToHour, o.Heater.FrostC, o.MeanOutdoors = 24, 15, -6
			o.Events = []shed.Event{{Kind: shed.HeaterOff, From: at(time.Hour), To: at(15 * time.Hour)}}
		}})
	f := r.check()
	require.NotEmpty(t, r.of(r.key("lowest")), "the night was to be too cold")
	require.NotZero(t, f.blind)
}

// Somebody leaves the big door open for most of an hour, and shuts it again.
func TestSceneDoorOpen(t *testing.T) {
	r := play(t, scene{name: "door open", seed: 13, start: winterDay(9, 0), length: 4 * time.Hour, history: 24 * time.Hour,
		system: "medium", kind: advisor.Fill, coatAt: 10 * time.Minute,
		shed: func(o *shed.Options, at func(time.Duration) float64) {
			o.Events = []shed.Event{{Kind: shed.DoorOpen, From: at(time.Hour), To: at(105 * time.Minute), Size: 25},
				{Kind: shed.Steam, From: at(150 * time.Minute), To: at(180 * time.Minute), Size: 4000}}
		}})
	r.check()
}
