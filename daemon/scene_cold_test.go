package daemon

import (
	"os"
	"testing"
	"time"

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

func winterNoon(hour, minute int) time.Time {
	return time.Date(2026, 1, 14, hour, minute, 0, 0, time.UTC)
}

// A front comes through while the coat is wet: tack and recoat come later than any sheet says, and nothing is told by the sheet.
func TestSceneColdSnap(t *testing.T) {
	r := play(t, scene{name: "cold snap in mid cure", seed: 11, start: winterNoon(9, 0), length: longer(6*time.Hour, 24*time.Hour), history: 24 * time.Hour,
		system: "medium", kind: advisor.Fill, coatAt: 10 * time.Minute,
		shed: func(o *shed.Options, at func(time.Duration) float64) {
			o.Heater.FrostC = 12
			o.Events = []shed.Event{{Kind: shed.ColdSnap, From: at(time.Hour), To: at(40 * time.Hour), Size: 12}}
		}})
	r.check()
}
