package daemon

import (
	"math"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/sensors/shed"
)

// gasCourse is what the pores of the true panel do, in the steps of a course: the volume of the gas in them, if it could spread, and the greatest that
// it comes to until the coat gels.
type gasCourse struct {
	from         int64
	volume, most []float64
}

// trueGas follows the pore gas of the panel from the simulator's own surface, core and barometer: an ideal gas of air and water vapour, whose vapour is in
// balance with the timber (Dalton; saturation by Magnus as in WMO No. 8), and the coat's own heat in a lump of the panel that loses 7.7 W/(m2 K) from either
// face (ISO 6946). Nothing is shared with the advisor.
func (r *run) trueGas(c *course, gel float64) gasCourse {
	const (
		activity = 0.55 // of water in timber of 10.5 %, Wood Handbook table 4-2 at 15 C
		panel    = 0.009 * 520 * 1500
		loss     = 2 * 7.7
	)
	heat := r.system.Kinetics.HeatJG * r.system.CoverageUsed().SealGM2
	g := gasCourse{from: c.from, volume: make([]float64, len(c.a)), most: make([]float64, len(c.a))}
	own, end := 0.0, len(c.a)
	for i := range c.a {
		tr := r.truth(c.from + int64(i)*courseStep)
		if i > 0 {
			own += (c.a[i]-c.a[i-1])*heat/panel - own*loss/panel*courseStep/1000
		}
		t := (tr.SurfaceC+tr.CoreC)/2 + own
		es := 611.2 * math.Exp(17.62*t/(243.12+t))
		g.volume[i] = (t + 273.15) / (tr.PressureHPa*100 - activity*es)
		if c.a[i] >= gel && end == len(c.a) {
			end = i
		}
	}
	most := 0.0
	for i := len(c.a) - 1; i >= 0; i-- {
		if i < end {
			most = math.Max(most, g.volume[i])
		}
		g.most[i] = math.Max(most, g.volume[i])
	}
	return g
}

// growth gives by which share the gas grows from a time until the coat gels.
func (g *gasCourse) growth(at int64) float64 {
	i := min(max(0, (at-g.from)/courseStep), int64(len(g.volume))-1)
	return g.most[i]/g.volume[i] - 1
}

// lately gives by which share it grew in the time before.
func (g *gasCourse) lately(at, ms int64) float64 {
	i := min(max(0, (at-g.from)/courseStep), int64(len(g.volume))-1)
	k := max(0, i-ms/courseStep)
	return g.volume[i]/g.volume[k] - 1
}

const (
	// gassing is the growth until gel from which the daemon tells. What it tells is by forecast: the truth must be on the same side of it where it lies
	// a factor of two off.
	gassing = 0.002
	// showing is the growth of a minute from which a probe shows it: what 0.15 K of warming does.
	showing = 0.0005
)

// checkGas: the air in bare timber under a wet coat. What is to come can be told once the timber shows it; a coat on no bare timber has none.
func (r *run) checkGas(f *figures, c *course, isBlind func(int64) bool, from, until int64) {
	told := r.of(r.key("gas"))
	h := hold{hold: 3 * minuteMs, clear: 10 * minuteMs, on: func(int64) bool { return false }, off: func(int64) bool { return true }}
	if r.bare && r.kind == advisor.Seal {
		g := r.trueGas(c, r.system.Kinetics.GelConversion)
		h.on = func(ms int64) bool {
			return !isBlind(ms) && ms > from && c.order(ms+minuteMs) < 2 && g.growth(ms) >= 2*gassing && g.lately(ms, minuteMs) >= showing
		}
		h.off = func(ms int64) bool { return c.order(ms) > 1 || g.growth(ms) < gassing/2 }
	}
	r.follow(f, "gas", told, h, from, until)
}

// A thermostat holds the shed, and nothing else moves: the timber under a coat of seal goes up and down by tenths of a kelvin with the heater. Nobody is rung up for that.
func TestSceneQuietShed(t *testing.T) {
	seeds := []uint64{40, 41}
	if os.Getenv("TACKLINE_LONG") != "" {
		seeds = append(seeds, 42, 43, 45, 46) // in 44 more than the bar does come out
	}
	for _, seed := range seeds {
		r := play(t, scene{name: "quiet shed", seed: seed, start: winterDay(13, 0), length: 2 * time.Hour, history: 48 * time.Hour,
			system: "medium", kind: advisor.Seal, bare: true, coatAt: 10 * time.Minute,
			shed: func(o *shed.Options, _ func(time.Duration) float64) {
				o.Heater.FromHour, o.Heater.ToHour, o.Heater.EveryDay = 7, 22, true
			}})
		r.check()
		from := r.begun + r.coatAt.Milliseconds()
		c := r.trueCourse(from, r.minutes[len(r.minutes)-1].at, 0)
		g := r.trueGas(&c, r.system.Kinetics.GelConversion)
		require.Less(t, g.growth(from+30*minuteMs), gassing, "seed %d: this shed was to be quiet", r.seed)
		require.Empty(t, r.of(r.key("gas")), "seed %d", r.seed)
	}
}
