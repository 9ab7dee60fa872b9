package advisor

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/cure"
	"tackline/advisor/learn"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// earlier gives coats of a drum that ended days ago in an invented shed of 16 C, each touched as found: hours since its start, and the state.
func earlier(s *Situation, coats int64, touches ...Touch) []Earlier {
	var out []Earlier
	for i := range coats {
		e := Earlier{Coat: 100 + i, Kind: Kinds()[i%3], System: medium(), Started: s.At - units.Instant(86400*(2+i)), Modelled: true}
		for at := float64(e.Started); at < float64(e.Started)+86400; at += 600 {
			e.SurfaceC.At, e.SurfaceC.V = append(e.SurfaceC.At, at), append(e.SurfaceC.V, 16)
		}
		for _, t := range touches {
			t.At += e.Started
			e.Touches = append(e.Touches, t)
		}
		out = append(out, e)
	}
	return out
}

// slow are findings at 16 C as of a drum that takes half as long again as the sheet: the sheet's tack is from about 30 minutes to about 4 hours.
func touchesOf(t testing.TB, times float64, marks ...cure.Mark) []Touch {
	t.Helper()
	model, err := cure.New(medium())
	require.NoError(t, err)
	minutes, ok := model.MarkMinutes(16)
	var out []Touch
	for _, m := range marks {
		require.True(t, ok[m])
		before := [...]State{StateWet, StateTacky, "", StateGreen, StateFirm}[m]
		after := [...]State{StateTacky, StateGreen, "", StateFirm, StateSandable}[m]
		at := times * minutes[m] * 60
		out = append(out, Touch{At: units.Instant(0.93 * at), State: before}, Touch{At: units.Instant(1.07 * at), State: after})
	}
	return out
}

func TestEarlierCoatsTeachTheNext(t *testing.T) {
	s := situation(10, 16, 1, 50)
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 60}}
	plain := Advise(s)
	require.Empty(t, plain.Drums)
	s.Earlier = earlier(&s, 3, touchesOf(t, 1.3, cure.TackOpens, cure.TackCloses)...)
	slow := Advise(s)
	a, b := plain.Coats[0].Windows[0].Closes, slow.Coats[0].Windows[0].Closes
	require.Greater(t, float64(b.Likely), float64(a.Likely))
	require.Less(t, float64(b.Late-b.Early), 0.7*float64(a.Late-a.Early), "touches narrow")
	require.Len(t, slow.Drums, 1)
	d := slow.Drums[0]
	require.InDelta(t, 1/1.3, d.Speed, 0.06)
	require.Less(t, d.SpeedLow, d.Speed)
	require.Greater(t, d.SpeedHigh, d.Speed)
	require.Less(t, d.SpeedHigh, 1.0)
	require.Equal(t, int64(3), d.Coats)
	require.Equal(t, int64(12), d.Touches)
	require.Regexp(t, `^This drum of medium \(invented\) runs 2\d % slower than its sheet \(eight of ten: -\d+ % to -\d+ %\), by 12 touches on 3 coats\.$`, d.Text)

	said := false
	for _, r := range slow.Coats[0].Reasons {
		said = said || r.Rule == "drum" && r.Text == d.Text
	}
	require.True(t, said, "the coat's own reasons say what its windows owe to touches")

	other := s
	other.Coats = []Coat{s.Coats[0]}
	other.Coats[0].Drum = "second drum"
	require.Equal(t, plain.Coats[0].Windows, Advise(other).Coats[0].Windows, "another drum learns nothing from it")

	for i := range s.Earlier {
		for k := range s.Earlier[i].Touches {
			s.Earlier[i].Touches[k].Forgotten = true
		}
	}
	require.Equal(t, plain.Coats[0], Advise(s).Coats[0], "what was set aside teaches nothing")
}

// TestThePieceWaitsForTheDrumItKnows: the next coat's own advice rests on the drum too.
func TestSlowDrumMakesTheNextCoatWaitLonger(t *testing.T) {
	s := situation(10, 16, 1, 50)
	w := read(&s)
	kept := earlier(&s, 3, touchesOf(t, 1.3, cure.TackOpens, cure.TackCloses)...)
	likely := func(e []Earlier) float64 {
		s.Earlier = e
		spread := learned(&s, &w, func(*Piece) *skin { return nil }).forNext(drumKey{system: medium().Name}, Fill)
		return spread.Member([learn.Draws]float64{}).LnSpeed
	}
	require.InDelta(t, 0, likely(nil), 1e-12)
	require.Less(t, likely(kept), -0.1)
}

func TestContradictingTouchesWiden(t *testing.T) {
	s := situation(10, 16, 1, 50)
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 60}}
	width := func(touches ...Touch) (float64, Advice) {
		s.Earlier = earlier(&s, 2, touches...)
		a := Advise(s)
		c := a.Coats[0].Windows[0].Closes
		return float64(c.Late - c.Early), a
	}
	agree := touchesOf(t, 1, cure.TackCloses)
	narrow, _ := width(agree...)
	torn := []Touch{{At: 2 * agree[0].At, State: agree[0].State}, {At: agree[1].At / 2, State: agree[1].State}}
	wide, a := width(torn...)
	require.Greater(t, wide, 1.3*narrow)
	require.True(t, a.Drums[0].Disagree)
	require.Contains(t, a.Drums[0].Text, "contradict")
	require.Equal(t, int64(4), a.Drums[0].Touches, "kept")
}

func TestContradictingTouchesOnTheCoatItselfWiden(t *testing.T) {
	s := situation(10, 16, 1, 50)
	width := func(touches ...Touch) float64 {
		s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 4*3600, Touches: touches}}
		c := Advise(s).Coats[0].Marks[cure.Sandable].When
		return float64(c.Late-c.Early) / float64(c.Likely-s.Coats[0].Started)
	}
	start := s.At - 4*3600
	agree := width(Touch{At: start + 2400, State: StateWet}, Touch{At: start + 4800, State: StateTacky}, Touch{At: start + 4*3600 - 600, State: StateTacky})
	torn := width(Touch{At: start + 2400, State: StateGreen}, Touch{At: start + 4800, State: StateTacky}, Touch{At: start + 4*3600 - 600, State: StateWet})
	require.Greater(t, torn, 1.2*agree)
}

func TestABatchFarBehindSaysSo(t *testing.T) {
	s := situation(10, 16, 0.1, 50)
	s.Earlier = earlier(&s, 3, touchesOf(t, 1, cure.TackOpens, cure.TackCloses)...)
	hours := func(h float64) *Coat {
		s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - units.Instant(3600*h), Touches: []Touch{{At: s.At - 60, State: StateWet}}}}
		return &s.Coats[0]
	}
	hours(0.4)
	fine := Advise(s).Coats[0]
	require.Nil(t, fine.Lag)
	hours(3)
	late := Advise(s)
	require.NotNil(t, late.Coats[0].Lag)
	require.Greater(t, late.Coats[0].Lag.Times, 1.3)
	require.Equal(t, int64(3), late.Coats[0].Lag.Others)
	found := false
	for _, r := range late.Coats[0].Reasons {
		if r.Rule == "lag" {
			found = true
			require.Contains(t, r.Text, "wrong ratio or an unmixed batch")
			require.Contains(t, r.Text, "witness")
			require.Contains(t, r.Text, "3 touched coats")
		}
	}
	require.True(t, found)
	require.Greater(t, float64(late.Coats[0].Marks[0].When.Likely), float64(s.At)-1800, "its own windows follow its own touch")
	require.InDelta(t, 1, late.Drums[0].Speed, 0.12, "one bad batch does not teach the drum")
}

func TestWitnessesTeachLess(t *testing.T) {
	s := situation(10, 16, 1, 50)
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 60}}
	width := func(witness bool) float64 {
		touches := touchesOf(t, 1, cure.TackCloses)
		for i := range touches {
			touches[i].Witness = witness
		}
		s.Earlier = earlier(&s, 2, touches...)
		c := Advise(s).Coats[0].Windows[0].Closes
		return float64(c.Late - c.Early)
	}
	require.Greater(t, width(true), width(false))
}

// TestAGapInAnEarlierLogTeachesLess: what is not known of the film is not guessed.
func TestAGapInAnEarlierLogTeachesLess(t *testing.T) {
	s := situation(10, 16, 1, 50)
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 60}}
	width := func() float64 {
		c := Advise(s).Coats[0].Windows[0].Closes
		return float64(c.Late - c.Early)
	}
	s.Earlier = earlier(&s, 2, touchesOf(t, 1, cure.Firm)...)
	whole := width()
	for i := range s.Earlier {
		full, start := s.Earlier[i].SurfaceC, float64(s.Earlier[i].Started)
		holed := trace.Trace{MaxGap: 1800}
		for k, at := range full.At {
			if at < start+1800 || at > start+9*3600 {
				holed.At, holed.V = append(holed.At, at), append(holed.V, full.V[k])
			}
		}
		s.Earlier[i].SurfaceC = holed
	}
	require.Greater(t, width(), 1.05*whole)
}

func TestUprightFacesHaveAFilmLimit(t *testing.T) {
	s := situation(10, 16, 1, 50)
	s.Pieces[1].Lie = LieUpright
	amount := 220.0
	s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Fill, System: medium(), Started: s.At - 60, AmountGM2: &amount}}
	a := Advise(s)
	require.Nil(t, a.Pieces[0].FilmLimitGM2, "flat")
	require.Equal(t, uprightLimitGM2, *a.Pieces[1].FilmLimitGM2)
	require.Equal(t, uprightLimitGM2, *a.Coats[0].FilmLimitGM2)
	sag := func(a Advice) *Reason {
		for i := range a.Coats[0].Reasons {
			if r := &a.Coats[0].Reasons[i]; r.Rule == "sag" {
				return r
			}
		}
		return nil
	}
	require.Equal(t, Wait, sag(a).Verdict)
	require.Contains(t, sag(a).Text, "220 g/m2")
	s.Coats[0].AmountGM2 = nil
	require.Equal(t, Clear, sag(Advise(s)).Verdict)
	s.Pieces[1].Lie = LieOverhead
	require.Less(t, *Advise(s).Coats[0].FilmLimitGM2, uprightLimitGM2)
	s.Coats[0].Kind = WetOut
	require.Nil(t, Advise(s).Coats[0].FilmLimitGM2, "fabric holds it")
}

func BenchmarkAdviseTaught(b *testing.B) {
	for _, coats := range []int64{0, 3, 12, 40} {
		b.Run(fmt.Sprintf("coats=%d/touches=5", coats), func(b *testing.B) {
			s := situation(18, 16, 2, 55)
			s.Coats = []Coat{{ID: 7, Piece: 2, Kind: Bedding, System: medium(), Started: s.At - 7200}}
			s.Earlier = earlier(&s, coats, touchesOf(b, 1.1, cure.TackOpens, cure.TackCloses, cure.Firm)[:5]...)
			b.ReportAllocs()
			for b.Loop() {
				Advise(s)
			}
		})
	}
}
