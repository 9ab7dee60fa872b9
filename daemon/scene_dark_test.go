package daemon

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/daemon/alert"
	"tackline/daemon/clock"
	"tackline/sensors"
	"tackline/sensors/shed"
)

// The power goes for 25 minutes while the coat becomes tacky, and for ten later on. The process is gone in mid work; the next one starts on what
// is on the card. What came true meanwhile is told as soon as it is back, and nothing twice.
func TestScenePowerCut(t *testing.T) {
	s := scene{name: "power cut", seed: 15, start: winterDay(9, 0), length: 4 * time.Hour, history: 24 * time.Hour,
		system: "medium", kind: advisor.Fill, coatAt: 10 * time.Minute,
		acts: []act{
			{at: 30 * time.Minute, do: func(t *testing.T, r *run) { r.cut(25*time.Minute, 0, clock.Synced) }},
			{at: 2 * time.Hour, do: func(t *testing.T, r *run) { r.cut(10*time.Minute, 0, clock.RTC) }},
		}}
	for _, c := range []struct{ at, long time.Duration }{{30 * time.Minute, 25 * time.Minute}, {2 * time.Hour, 10 * time.Minute}} {
		from := s.start.Add(c.at).UnixMilli()
		s.blind = append(s.blind, sight{from - late, from + c.long.Milliseconds(), from + c.long.Milliseconds() + late})
	}
	r := play(t, s)
	r.check()
	rows := r.rows("bench", sensors.Temperature)
	gaps := int64(0)
	for i, row := range rows[1:] {
		require.Greater(t, row.At, rows[i].At)
		if d := row.At - rows[i].At; d > 90_000 && row.At > r.begun {
			gaps++
			require.LessOrEqual(t, d, int64(27*minuteMs), "more than the outage and a commit is gone")
		}
	}
	require.EqualValues(t, 2, gaps)
}

// The air's probe is dead for two hours, and another time the one on the piece: then the surface is worked out from the air, which does not see
// the cold walls, and is believed to one and a half of its stated 1.1 K.
func TestSceneProbeDead(t *testing.T) {
	for _, c := range []struct {
		probe string
		band  float64
		seed  uint64
	}{{"bench", probeBand, 16}, {"topside skin", 0.4, 17}} {
		t.Run(c.probe, func(t *testing.T) {
			from, to := 75*time.Minute, 195*time.Minute
			r := play(t, scene{name: c.probe + " dead for two hours", seed: c.seed, start: winterDay(9, 0), length: 4 * time.Hour,
				history: 24 * time.Hour, system: "medium", kind: advisor.Fill, coatAt: 10 * time.Minute, band: c.band,
				shed: func(o *shed.Options, at func(time.Duration) float64) {
					o.Events = []shed.Event{{Kind: shed.ProbeDead, From: at(from), To: at(to), Probe: c.probe}}
				}})
			r.check()
			dead, back := r.begun+from.Milliseconds(), r.begun+to.Milliseconds()
			told := r.of("bus/shed")
			require.Len(t, told, 2)
			require.Equal(t, alert.Raise, told[0].Kind)
			require.LessOrEqual(t, told[0].at-dead, int64(minuteMs+20_000+minuteMs), "a minute of hold, a read, and the minute")
			require.GreaterOrEqual(t, told[0].at, dead+minuteMs)
			require.Equal(t, alert.Clear, told[1].Kind)
			require.LessOrEqual(t, told[1].at-back, int64(minuteMs+minuteMs+minuteMs), "a minute between tries, a minute of hold, and the minute")
			for _, m := range r.minutes {
				if c.probe == "bench" && m.at > dead+6*minuteMs && m.at <= back {
					require.Equal(t, advisor.CantSay, m.verdict.Worse(advisor.CantSay))
					require.NotEqual(t, advisor.Clear, m.verdict)
					require.Nil(t, m.piece.MarginK.Value, "an old number at %s", r.clock(m.at))
				}
			}
		})
	}
}
