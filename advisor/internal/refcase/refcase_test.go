package refcase

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const head = "# source: a handbook\n# edition: 2nd\n# table: 3\n# mark: from memory\n"

// Every table of the advisor's physics says where it comes from and how far it can be trusted.
func TestEveryTableHasItsSource(t *testing.T) {
	var n int64
	for _, prefix := range []string{"air-", "salts-", "timber-", "outgassing-", "heat-"} {
		files, err := filepath.Glob(filepath.Join("..", "..", "..", "testdata", "reference", prefix+"*.csv"))
		require.NoError(t, err)
		for _, name := range files {
			b, err := os.ReadFile(name)
			require.NoError(t, err)
			tab, err := Parse(strings.NewReader(string(b)))
			require.NoError(t, err, name)
			require.NotEmpty(t, tab.Rows, name)
			n++
		}
	}
	require.Greater(t, n, int64(30))
}

func TestParse(t *testing.T) {
	tab, err := Parse(strings.NewReader(head + "# note: more\nt_c,v\n1, 2.5\n3,\n"))
	require.NoError(t, err)
	require.Equal(t, []string{"a handbook", "2nd", "3", "from memory"}, []string{tab.Source, tab.Edition, tab.Number, tab.Mark})
	require.InDelta(t, 2.5, tab.Rows[0].Float("v"), 0)
	require.False(t, tab.Rows[1].Has("v"))
	require.Panics(t, func() { tab.Rows[1].Float("v") })
	require.Panics(t, func() { tab.Rows[0].Text("w") })
	for _, c := range []struct{ text, want string }{
		{strings.Replace(head, "# mark: from memory\n", "", 1) + "a\n1\n", "no line \"# mark"},
		{strings.Replace(head, "from memory", "likely", 1) + "a\n1\n", "mark \"likely\""},
		{head + "a\n", "no rows"},
		{head + "a,b\n1\n", "wrong number of fields"},
	} {
		_, err := Parse(strings.NewReader(c.text))
		require.ErrorContains(t, err, c.want)
	}
}

// The series against what they must be at their ends, and against one another.
func TestAnalyticCases(t *testing.T) {
	require.InDelta(t, 1, PlaneWall(0.3, 1e-9, 0), 2e-3)
	require.InDelta(t, 0, PlaneWall(1, 50, 0), 1e-12)
	for _, bi := range []float64{0.01, 1, 100} {
		for n := range int64(4) {
			z := PlaneWallRoot(bi, n)
			require.InEpsilon(t, bi, z*math.Tan(z), 1e-6)
		}
	}
	// A thick wall that has only begun to warm is a deep body: same material, first minute.
	const h, k, alpha, half, sec = 8.0, 0.12, 1.5e-7, 0.05, 60.0
	require.InDelta(t, SemiInfinite(h, k, alpha, 0, sec), 1-PlaneWall(h*half/k, alpha*sec/(half*half), 1), 1e-4)
	require.InDelta(t, 1, SheetMean(0), 2e-3)
	require.InDelta(t, 1-2*math.Sqrt(0.01/math.Pi), SheetMean(0.01), 1e-9) // early: 2 sqrt(Fo/pi) has gone in
	require.InDelta(t, 0, LagOfRamp(10, 0), 0)
	require.InDelta(t, 90, LagOfRamp(10, 100), 1e-3)
	// What a lagged body has after a short time is half of rate times time squared.
	require.InEpsilon(t, 0.5*0.01*0.01/10, LagOfRamp(10, 0.01), 1e-3)
}
