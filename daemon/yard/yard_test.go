package yard

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var noon = time.Date(2026, 1, 14, 12, 0, 0, 0, time.UTC)

func ago(d time.Duration) time.Time { return noon.Add(-d) }

func secs(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }

// remembered is an invented yard with everything in it that can be out of order.
func remembered() memory {
	m := memory{}
	read := func(shed, probe, place, q string, v float64, at time.Time) {
		m.keep(series{"reading", shed, probe, q}, point{at: at, place: place, value: v})
	}
	say := func(shed, piece, verdict string, at time.Time, more map[string]float64) {
		for f, v := range map[string]any{"verdict": verdict, "rule": "margin", "text": "The surface is 4.1 K above the dew point."} {
			m.keep(series{"advice", shed, piece, f}, point{at: at, value: v})
		}
		for f, v := range more {
			m.keep(series{"advice", shed, piece, f}, point{at: at, value: v})
		}
	}
	for _, shed := range []string{"Shed 10", "Shed 9"} {
		read(shed, "air by the hull", "air", "temp_c", 14.5, ago(20*time.Second))
		read(shed, "air by the hull", "air", "rh_pct", 61, ago(20*time.Second))
	}
	read("Shed 9", "hull skin", "surface", "temp_c", 11, ago(5*time.Hour))
	say("Shed 9", "foredeck", "clear", ago(time.Minute), map[string]float64{
		"tack_opens_likely": secs(ago(10 * time.Minute)), "tack_closes_early": secs(noon.Add(20 * time.Minute)), "tack_closes_likely": secs(noon.Add(40 * time.Minute)),
		"recoat_opens_likely": secs(noon), "recoat_closes_likely": secs(noon.Add(4 * time.Hour))})
	// a window of a coat that has ended: an older time than the verdict
	m.keep(series{"advice", "Shed 10", "rudder", "tack_opens_likely"}, point{at: ago(2 * time.Hour), value: secs(ago(time.Hour))})
	m.keep(series{"advice", "Shed 10", "rudder", "tack_closes_likely"}, point{at: ago(2 * time.Hour), value: secs(noon.Add(time.Hour))})
	say("Shed 10", "rudder", "wait", ago(10*time.Minute), nil)
	read("gone", "air", "air", "temp_c", 3, ago(50*time.Hour))
	say("gone", "keel", "clear", ago(50*time.Hour), map[string]float64{"tack_opens_likely": secs(ago(time.Hour)), "tack_closes_likely": secs(noon.Add(time.Hour))})
	say("gone", "stem", "stop", ago(50*time.Hour), nil)
	read("hasty", "air", "air", "temp_c", 5, noon.Add(3*time.Hour))
	say("hasty", "keel", "clear", noon.Add(3*time.Hour), nil)
	say("Only words", "keel", "clear", ago(time.Minute), nil)
	return m
}

func find(t *testing.T, y Yard, name string) Shed {
	t.Helper()
	for _, s := range y.Sheds {
		if s.Name == name {
			return s
		}
	}
	t.Fatalf("no shed %s", name)
	return Shed{}
}

func TestWhatIsOldIsNeverGivenAsNew(t *testing.T) {
	y := remembered().judge(noon, 30*time.Minute)
	var names []string
	for _, s := range y.Sheds {
		names = append(names, s.Name)
	}
	require.Equal(t, []string{"gone", "hasty", "Only words", "Shed 9", "Shed 10"}, names)

	nine := find(t, y, "Shed 9")
	require.False(t, nine.Silent)
	require.Equal(t, ago(20*time.Second), *nine.Seen)
	require.True(t, nine.Probes[1].Silent, "one probe of a shed that reports")
	require.True(t, nine.Probes[1].Values[0].Old)
	require.Equal(t, "clear", nine.Pieces[0].Verdict)
	require.Len(t, nine.Pieces[0].Windows, 2)
	tack, recoat := nine.Pieces[0].Windows[0], nine.Pieces[0].Windows[1]
	require.True(t, tack.Open)
	require.Equal(t, noon.Add(20*time.Minute), *tack.ClosesEarly)
	require.True(t, recoat.Open, "a window begins with its opening")
	require.Nil(t, recoat.ClosesEarly)

	require.Empty(t, find(t, y, "Shed 10").Pieces[0].Windows, "the window of a coat that has ended is not in the newest advice")

	gone := find(t, y, "gone")
	require.True(t, gone.Silent)
	require.Equal(t, CantSay, gone.Pieces[0].Verdict)
	require.Equal(t, "clear", gone.Pieces[0].Told)
	require.Empty(t, gone.Pieces[0].Windows)
	require.Equal(t, "stop", gone.Pieces[1].Verdict, "a stop holds until it is taken back")

	hasty := find(t, y, "hasty")
	require.True(t, hasty.Ahead)
	require.False(t, hasty.Silent)
	require.Equal(t, CantSay, hasty.Pieces[0].Verdict)

	words := find(t, y, "Only words")
	require.Nil(t, words.Seen)
	require.Equal(t, CantSay, words.Pieces[0].Verdict, "a verdict of a shed that measures nothing")
}

// The same memory, looked at later: nothing new was read, so everything grows old by itself.
func TestTimeAloneMakesItOld(t *testing.T) {
	m := remembered()
	require.True(t, find(t, m.judge(noon.Add(15*time.Minute), 30*time.Minute), "Shed 9").Pieces[0].Windows[0].Open)
	late := find(t, m.judge(noon.Add(35*time.Minute), 30*time.Minute), "Shed 9")
	require.True(t, late.Silent)
	require.Equal(t, CantSay, late.Pieces[0].Verdict)
	require.Empty(t, late.Pieces[0].Windows)
	// with more patience the window itself is over
	patient := find(t, m.judge(noon.Add(45*time.Minute), 2*time.Hour), "Shed 9")
	require.Equal(t, "clear", patient.Pieces[0].Verdict)
	require.Len(t, patient.Pieces[0].Windows, 1)
	require.Equal(t, "recoat", patient.Pieces[0].Windows[0].Window)
}

func TestNewestOfAMovedProbe(t *testing.T) {
	m := memory{}
	m.keep(series{"reading", "s", "p", "temp_c"}, point{at: ago(time.Minute), place: "air", value: 5.0})
	m.keep(series{"reading", "s", "p", "temp_c"}, point{at: ago(time.Hour), place: "surface", value: 4.0})
	p := m.judge(noon, time.Hour).Sheds[0].Probes[0]
	require.Equal(t, "air", p.Place)
	require.InDelta(t, 5, p.Values[0].Value, 0)
}

func TestByName(t *testing.T) {
	for _, c := range [][2]string{{"Shed 9", "Shed 10"}, {"a", "B"}, {"Shed", "Shed 1"}, {"x02", "x3"}, {"x2", "x02"}} {
		if c[0] == "x2" {
			require.NotZero(t, byName(c[0], c[1]))
			continue
		}
		require.Negative(t, byName(c[0], c[1]), c)
		require.Positive(t, byName(c[1], c[0]), c)
	}
	require.Zero(t, byName("Shed 7", "Shed 7"))
}
