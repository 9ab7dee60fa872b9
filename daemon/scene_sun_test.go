package daemon

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/daemon/alert"
	"tackline/sensors/shed"
)

// The sun comes round onto a hull that was sealed a quarter of an hour before: the skin warms by ten kelvin in minutes, and the timber blows.
func TestSceneSunOnHull(t *testing.T) {
	s := scene{name: "sun on the hull", seed: 14, start: winterDay(13, 0), length: 3 * time.Hour, history: 24 * time.Hour,
		system: "medium", kind: advisor.Seal, bare: true, coatAt: 10 * time.Minute, sudden: true,
		shed: func(o *shed.Options, at func(time.Duration) float64) {
			o.Events = []shed.Event{{Kind: shed.SunOnHull, From: at(25 * time.Minute), To: at(80 * time.Minute), Size: 180}}
		}}
	r := play(t, s)
	r.check()
	gas := r.of(r.key("gas"))
	require.NotEmpty(t, gas)
	last := gas[len(gas)-1]
	require.Equal(t, alert.Clear, last.Kind, "green resin is past it")
}

// Nobody heats through a damp night, and an unvented burner had filled the shed with water by day: the margin goes as the nights before did, and the
// builder hears of it before it is there.
func TestSceneDampNight(t *testing.T) {
	r := play(t, scene{name: "damp night", seed: 31, start: winterDay(20, 0), length: longer(7*time.Hour, 9*time.Hour), history: 96 * time.Hour,
		system: "medium", kind: advisor.Fill, coatAt: 10 * time.Minute, foreseen: true,
		shed: func(o *shed.Options, _ func(time.Duration) float64) {
			o.MeanOutdoors, o.LeakACH = 7, 0.3
			o.Heater = shed.Heater{Watts: 6000, SetC: 18, FrostC: 11, FromHour: 8, ToHour: 17, EveryDay: true, VapourGramsKWh: 120}
		}})
	r.check()
	margin := r.of(r.key("margin"))
	require.GreaterOrEqual(t, len(margin), 2)
	require.Equal(t, alert.Warning, margin[0].Severity, "ahead")
	require.Equal(t, alert.Critical, margin[1].Severity, "and as it is there")
	require.Greater(t, margin[1].at-margin[0].at, int64(60*minuteMs), "with time to do something")
}
