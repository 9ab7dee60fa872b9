package batch

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tackline/advisor/cure"
)

func TestForCoat(t *testing.T) {
	s := system(t, "medium")
	// 6 m2, two layers of 200 g/m2, as much resin as fabric, a tenth on top: 2640 g.
	m, err := ForCoat(s, Need{AreaM2: 6, FabricGM2: 200, Layers: 2})
	require.NoError(t, err)
	require.InDelta(t, 400, m.GM2, 1e-9)
	require.InDelta(t, 2640, m.MixedG, 1e-9)
	require.InDelta(t, 2640*100/134.0, m.ResinG, 1e-9)
	require.InDelta(t, 2640*34/134.0, m.HardenerG, 1e-9)
	require.InDelta(t, 2640/1.11*2.5/3.5, m.ResinML, 1e-9)
	require.Equal(t, int64(24), m.Batches, "110 g at most")
	require.NotNil(t, m.Strokes)
	require.Equal(t, m.Strokes.Resin, m.Strokes.Hardener, "pumps made for the ratio take the same count")
	require.Equal(t, int64(math.Ceil(m.ResinML/18)), m.Strokes.Resin)
	require.Equal(t, int64(4), m.Strokes.BatchResin, "110 g are four strokes of each")
	require.GreaterOrEqual(t, m.Strokes.MixedG, m.MixedG)
	require.Zero(t, m.FillerML)
	require.Equal(t, Pours, m.Consistency)

	seal, err := ForCoat(s, Need{Kind: "seal", AreaM2: 6, BatchG: 20000})
	require.NoError(t, err)
	require.InDelta(t, 858, seal.MixedG, 1e-9)
	require.Equal(t, int64(1), seal.Batches)
	two, err := ForCoat(s, Need{Kind: "fill", AreaM2: 6, Coats: 2})
	require.NoError(t, err)
	require.InDelta(t, 2*6*180*1.1, two.MixedG, 1e-9)
	own, err := ForCoat(s, Need{Kind: "finish", AreaM2: 2, GM2: 100})
	require.NoError(t, err)
	require.InDelta(t, 220, own.MixedG, 1e-9)
	stiff, err := ForCoat(s, Need{Kind: "fairing", AreaM2: 1, ThicknessMM: 2.2, FillerVolumes: 2})
	require.NoError(t, err)
	require.InDelta(t, 1110, stiff.GM2, 1e-9, "2.2 mm, of which 1.2 are filler")
	require.InDelta(t, 2*stiff.MixedML, stiff.FillerML, 1e-9)
	require.Equal(t, Stands, stiff.Consistency)
}

// Without tables of their own systems have the defaults, and pumps that do not give the ratio give no strokes.
func TestForCoatDefaults(t *testing.T) {
	s := system(t, "medium")
	s.Coverage, s.Pump, s.Pot = nil, nil, nil
	m, err := ForCoat(s, Need{AreaM2: 6})
	require.NoError(t, err)
	require.InDelta(t, 858, m.MixedG, 1e-9)
	require.Equal(t, int64(1), m.Batches)
	require.NotNil(t, m.Strokes)
	s.MixByVolume = [2]float64{5, 1} // two strokes of resin to one of hardener
	m, err = ForCoat(s, Need{AreaM2: 6})
	require.NoError(t, err)
	require.Equal(t, 2*m.Strokes.Hardener, m.Strokes.Resin)
	s.Pump = &cure.Pump{ResinML: 30, HardenerML: 0.9}
	s.MixByVolume = [2]float64{1, 1}
	m, err = ForCoat(s, Need{AreaM2: 6})
	require.NoError(t, err)
	if m.Strokes == nil {
		require.Contains(t, m.StrokesWhy, "weigh it")
	}
	s.Pump = &cure.Pump{ResinML: 1, HardenerML: 30}
	m, err = ForCoat(s, Need{AreaM2: 6})
	require.NoError(t, err)
	require.Nil(t, m.Strokes)
	require.Contains(t, m.StrokesWhy, "weigh it")
}

func TestNeedOfNonsense(t *testing.T) {
	s := system(t, "medium")
	for want, n := range map[string]Need{
		"area 0 m2":           {},
		"area NaN m2":         {AreaM2: math.NaN()},
		"fabric -200 g/m2":    {AreaM2: 1, FabricGM2: -200},
		"filler 50 volumes":   {AreaM2: 1, FillerVolumes: 50},
		`kind of coat "wax"`:  {AreaM2: 1, Kind: "wax"},
		"glue needs":          {AreaM2: 1, Kind: "glue"},
		"wet-out without the": {AreaM2: 1, Kind: "wet-out"},
	} {
		_, err := ForCoat(s, n)
		require.ErrorContains(t, err, "batch: "+want)
	}
	_, err := ForCoat(cure.System{Name: "x"}, Need{AreaM2: 1})
	require.ErrorContains(t, err, "no mix ratio")
}

// Whatever is asked: parts make the whole, strokes give at least what is needed and less than one set too much, in the ratio.
func TestForCoatOfAnything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := cure.System{
			Name: "x", DensityKgM3: rapid.Float64Range(900, 1300).Draw(t, "density"),
			MixByWeight: [2]float64{100, rapid.Float64Range(10, 100).Draw(t, "hardener")},
			MixByVolume: [2]float64{rapid.Float64Range(1, 6).Draw(t, "ratio"), 1},
			Pump:        &cure.Pump{ResinML: rapid.Float64Range(1, 60).Draw(t, "stroke"), HardenerML: rapid.Float64Range(1, 60).Draw(t, "other")},
		}
		n := Need{AreaM2: rapid.Float64Range(0.05, 200).Draw(t, "area"), FabricGM2: float64(rapid.IntRange(0, 800).Draw(t, "fabric")),
			Layers: rapid.Int64Range(0, 4).Draw(t, "layers"), Coats: rapid.Int64Range(0, 4).Draw(t, "coats"),
			BatchG: rapid.Float64Range(50, 2000).Draw(t, "batch")}
		m, err := ForCoat(s, n)
		require.NoError(t, err)
		require.InEpsilon(t, m.MixedG, m.ResinG+m.HardenerG, 1e-12)
		require.InEpsilon(t, m.MixedML, m.ResinML+m.HardenerML, 1e-12)
		require.LessOrEqual(t, m.BatchG, n.BatchG*(1+1e-6))
		if m.Strokes == nil {
			require.NotEmpty(t, m.StrokesWhy)
			return
		}
		require.GreaterOrEqual(t, m.Strokes.MixedG, m.MixedG*(1-1e-6))
		require.LessOrEqual(t, math.Abs(m.Strokes.OffPct), 3.0)
		require.GreaterOrEqual(t, m.Strokes.BatchResin*m.Batches, m.Strokes.Resin)
		got := float64(m.Strokes.Hardener) * s.Pump.HardenerML / (float64(m.Strokes.Resin) * s.Pump.ResinML)
		require.InEpsilon(t, s.MixByVolume[1]/s.MixByVolume[0], got, 0.0301)
	})
}

// A roll of 1.2 m lapped by 5 cm covers 1.15 m2 a metre.
func TestMetresOfARoll(t *testing.T) {
	m, err := Metres(11.5, 1.2, 0.05, 0, 1)
	require.NoError(t, err)
	require.InDelta(t, 10, m, 1e-12)
	m, err = Metres(11.5, 1.2, 0.05, 0.2, 2)
	require.NoError(t, err)
	require.InDelta(t, 25, m, 1e-12, "a fifth is cut off: 4 of 5 metres are laid")
	for _, bad := range [][4]float64{{0, 1.2, 0, 0}, {1, 0.05, 0.05, 0}, {1, 1.2, -1, 0}, {1, 1.2, 0, 1}, {1, 0, 0, 0}} {
		_, err := Metres(bad[0], bad[1], bad[2], bad[3], 1)
		require.ErrorContains(t, err, "batch: ")
	}
	_, err = Metres(1, 1, 0, 0, 0)
	require.ErrorContains(t, err, "layers")
}
