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
	sun := r.begun + (25 * time.Minute).Milliseconds()
	standing := false // as the sun came: a warming morning blows, too
	for _, m := range gas {
		if m.at <= sun+3*minuteMs+late {
			standing = m.Kind == alert.Raise
		}
	}
	require.True(t, standing, "the sun warms bare timber under a wet coat, and nothing was told in three minutes of hold and what a reading takes")
	last := gas[len(gas)-1]
	require.Equal(t, alert.Clear, last.Kind, "tacky resin is past it")
}
