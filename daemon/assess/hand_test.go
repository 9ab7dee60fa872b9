package assess

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/daemon/jobbook"
	"tackline/sensors"
)

// bookOf is a job book with nothing in it but readings taken by hand, and one piece.
type bookOf []jobbook.HandValue

func (b bookOf) State(context.Context) (*jobbook.State, error) {
	return &jobbook.State{Hand: b, Pieces: []jobbook.Piece{{Head: jobbook.Head{ID: 3}, PieceData: jobbook.PieceData{Name: "keel", ThicknessMM: 20, DensityKgM3: 500}}}}, nil
}

func (bookOf) Frozen(ctx context.Context, coat int64) (jobbook.Frozen, error) {
	return emptyBook{}.Frozen(ctx, coat)
}

// bulbsAt is a hygrometer that was whirled at a time.
func bulbsAt(at int64, dry, wet float64) jobbook.HandValue {
	return jobbook.HandValue{Quantity: "temp_c", Value: dry, WetC: &wet, Place: "air", When: jobbook.When{MS: at}}
}

func withHand(l *log, hand ...jobbook.HandValue) *Assessor {
	a := assessor(l)
	a.o.Facts, a.o.HandFresh = bookOf(hand), time.Hour
	return a
}

func TestHandStandsInWhileItIsFresh(t *testing.T) {
	nothing := &log{}
	for _, c := range []struct {
		ageMin int64
		used   bool
	}{{0, true}, {20, true}, {60, true}, {61, false}} {
		s, err := withHand(nothing, bulbsAt(noon-c.ageMin*60_000, 15, 12)).Situation(t.Context(), noon, true)
		require.NoError(t, err)
		require.Equal(t, c.used, s.Climate.AirC.ByHand, "%d min", c.ageMin)
		require.Equal(t, c.used, s.Climate.RHPct.Problem == "", "%d min", c.ageMin)
		if c.used {
			_, v, _ := s.Climate.RHPct.Trace.Last()
			require.InDelta(t, 70.4, v, 0.5)
			require.InDelta(t, float64(noon-c.ageMin*60_000)/1000, float64(s.Climate.AirC.LastSeen), 0)
		}
	}
	// One that lies ahead, one for another place, and one that was undone (then it is not in the book) say nothing.
	other := bulbsAt(noon-60_000, 15, 12)
	other.Place = "outdoors"
	s, err := withHand(nothing, bulbsAt(noon+60_000, 15, 12), other).Situation(t.Context(), noon, true)
	require.NoError(t, err)
	require.NotEmpty(t, s.Climate.AirC.Problem)
	require.True(t, s.Climate.OutdoorC.ByHand)
}

func TestAProbeThatTellsThePresentGoesBeforeTheHand(t *testing.T) {
	a := withHand(&log{from: noon - 3_600_000, to: noon}, bulbsAt(noon-30_000, 9, 8))
	s, err := a.Situation(t.Context(), noon, true)
	require.NoError(t, err)
	require.Equal(t, "bench", s.Climate.AirC.Probe)
	require.False(t, s.Climate.AirC.ByHand)
}

func TestAHandGoesOnWhereAProbeFellSilent(t *testing.T) {
	a := withHand(&log{from: noon - 6*3_600_000, to: noon - 40*60_000}, bulbsAt(noon-50*60_000, 8, 7), bulbsAt(noon-10*60_000, 12, 11))
	s, err := a.Situation(t.Context(), noon, true)
	require.NoError(t, err)
	c := s.Climate.AirC
	_, v, _ := c.Trace.Last()
	require.InDelta(t, 12, v, 0)
	// Of the probes of the place the one that told last keeps its log; what was read by hand before that is passed over.
	require.Equal(t, "bench, then by hand", c.Probe)
	require.Equal(t, 320+1, c.Trace.Len())
	require.InDelta(t, 3600, float64(s.Limits.StaleAfter), 0)

	// A humidity by hand beside a probe's temperature holds for the air as it was: u grows as that has moved since.
	a.o.Probes[0].Quantities = []sensors.Quantity{sensors.Temperature}
	before := bulbsAt(noon-30*60_000, 15, 12)
	a = withHand(&log{from: noon - 3_600_000, to: noon}, before)
	a.o.Probes = []Probe{{Name: "bench", Place: sensors.Air, Quantities: []sensors.Quantity{sensors.Temperature}, Calibrated: true,
		U: map[sensors.Quantity]float64{sensors.Temperature: 0.3}, StaleAfter: 3 * time.Minute}}
	s, err = a.Situation(t.Context(), noon, true)
	require.NoError(t, err)
	require.True(t, s.Climate.RHPct.ByHand)
	require.InDelta(t, 4, s.Climate.RHPct.U, 1e-9, "the air has not moved")
}

func TestAdviceSaysThatItRestsOnAHand(t *testing.T) {
	surface := jobbook.HandValue{Quantity: "temp_c", Value: 14, Place: "surface", Piece: 3, When: jobbook.When{MS: noon - 5*60_000}}
	var hand []jobbook.HandValue
	for i := int64(48); i >= 1; i-- { // a diligent builder, every half hour
		hand = append(hand, bulbsAt(noon-i*30*60_000+25*60_000, 15, 12))
	}
	_, advice, err := withHand(&log{}, append(hand, surface)...).Advise(t.Context(), noon, true)
	require.NoError(t, err)
	require.Equal(t, "Air temperature was read by hand 5 min ago.", advice.Notices[1].Text)
	require.Equal(t, "Humidity was read by hand 5 min ago.", advice.Notices[2].Text)
	p := advice.Pieces[0]
	require.InDelta(t, 14, *p.SurfaceC.Value, 0)
	require.False(t, p.SurfaceModelled)
	require.NotNil(t, p.MarginK.Value)
	for _, r := range p.Reasons {
		if r.Rule == "trust" {
			require.Equal(t, advisor.Clear, r.Verdict)
			require.Contains(t, r.Text, "was read by hand 5 min ago")
		}
	}
	_, advice, err = withHand(&log{}, bulbsAt(noon-300_000, 15, 12)).Advise(t.Context(), noon, true)
	require.NoError(t, err)
	require.NotNil(t, advice.Shed.DewPointC.Value, "the numbers of now are there")
	require.NotEqual(t, advisor.Clear, advice.Pieces[0].Verdict, "one reading is no log to forecast by")
	require.Equal(t, "by hand, surface 3", HandProbe(sensors.Surface, 3))
	require.Equal(t, "by hand, air", HandProbe(sensors.Air, 0))
}
