package timber

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/internal/refcase"
	"tackline/advisor/units"
)

func table(t *testing.T, name string) refcase.Table {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "reference", name))
	require.NoError(t, err)
	defer f.Close()
	tab, err := refcase.Parse(f)
	require.NoError(t, err, name)
	return tab
}

func TestEMCAgainstTable42(t *testing.T) {
	var n int64
	worst := 0.0
	for _, r := range table(t, "timber-emc-table-4-2.csv").Rows {
		for rh := 5; rh <= 95; rh += 5 {
			got, err := EMC(units.CelsiusFromFahrenheit(r.Float("t_f")), units.Percent(rh))
			require.NoError(t, err)
			want := r.Float(fmt.Sprintf("rh%d", rh))
			require.InDelta(t, want, float64(got), 0.06, "%s F, %d %%", r.Text("t_f"), rh)
			worst = max(worst, math.Abs(want-float64(got)))
			n++
		}
	}
	require.Equal(t, int64(6*19), n)
	t.Logf("%d cells, largest difference %.3f %%", n, worst)
	for _, r := range table(t, "timber-emc-equation.csv").Rows {
		got, err := EMC(units.Celsius(r.Float("t_c")), units.Percent(r.Float("rh_pct")))
		require.NoError(t, err)
		require.InDelta(t, r.Float("emc_pct"), float64(got), 0.001)
	}
}

func TestConductivityTable(t *testing.T) {
	for _, r := range table(t, "timber-conductivity.csv").Rows {
		got, err := Conductivity(r.Float("g"), units.Percent(r.Float("moisture_pct")))
		require.NoError(t, err)
		require.InDelta(t, r.Float("k_w_mk"), got, 5.1e-5)
	}
	for _, r := range table(t, "timber-conductivity-shrinkage.csv").Rows {
		x := r.Float("moisture_pct")
		shrunk := r.Float("shrinkage_pct") * (1 - x/30)
		got, err := Conductivity(r.Float("basic_g")/(1-shrunk/100), units.Percent(x))
		require.NoError(t, err)
		require.InDelta(t, r.Float("k_w_mk"), got, 5.1e-5)
	}
}

func TestHeatCapacityTable(t *testing.T) {
	for _, r := range table(t, "timber-heat-capacity.csv").Rows {
		k := units.Kelvin(r.Float("t_k"))
		c := k.Celsius()
		if c > MaxTemperature {
			_, err := HeatCapacity(c, units.Percent(r.Float("moisture_pct")))
			require.ErrorContains(t, err, "temperature") // 340 K is beyond any shed: the equation is checked there, the range refuses it
			require.InDelta(t, r.Float("cp_kj_kgk"), heatCapacity(float64(k), r.Float("moisture_pct"))/1000, 0.001)
			continue
		}
		got, err := HeatCapacity(c, units.Percent(r.Float("moisture_pct")))
		require.NoError(t, err)
		require.InDelta(t, r.Float("cp_kj_kgk"), got/1000, 0.001, "%v K, %s %%", k, r.Text("moisture_pct"))
	}
}

func TestDensityVoidAndLargestMoisture(t *testing.T) {
	for _, r := range table(t, "timber-density.csv").Rows {
		got, err := Density(r.Float("g"), units.Percent(r.Float("moisture_pct")))
		require.NoError(t, err)
		require.InDelta(t, r.Float("rho_kg_m3"), got, r.Float("abs_tol"))
	}
	for _, r := range table(t, "timber-void.csv").Rows {
		got, err := VoidFraction(r.Float("g"), units.Percent(r.Float("moisture_pct")))
		require.NoError(t, err)
		require.InDelta(t, r.Float("void"), got, 5.1e-5)
	}
	for _, r := range table(t, "timber-max-moisture.csv").Rows {
		got, err := LargestMoisture(r.Float("basic_g"))
		require.NoError(t, err)
		require.InDelta(t, r.Float("moisture_pct"), float64(got), 0.051)
	}
}

func TestDiffusionTable(t *testing.T) {
	for _, r := range table(t, "timber-diffusion.csv").Rows {
		c, m := units.Celsius(r.Float("t_c")), units.Percent(r.Float("moisture_pct"))
		if r.Has("d_bt_m2_s") {
			got, err := BoundDiffusion(c, m)
			require.NoError(t, err)
			require.InEpsilon(t, r.Float("d_bt_m2_s"), got, 1e-3)
		}
		got, err := TransverseDiffusion(c, m, r.Float("g"))
		require.NoError(t, err)
		require.InEpsilon(t, r.Float("d_t_m2_s"), got, 1.5e-3) // 1e-3, and the half of the table's third digit
	}
	through, err := Panel{Thickness: 0.009, Density12: 0.45 * 1120, BackSealed: true}.Through(20, 12)
	require.NoError(t, err)
	require.InDelta(t, 16, float64(through)/86400, 0.5) // days, 9 mm through one face
}

func TestOutgassingRatios(t *testing.T) {
	rows := table(t, "outgassing-ratio.csv").Rows
	require.Len(t, rows, 16)
	for _, r := range rows {
		t1, t2 := units.Celsius(r.Float("t1_c")), units.Celsius(r.Float("t2_c"))
		p1, p2 := units.FromHectopascal(r.Float("p1_hpa")), units.FromHectopascal(r.Float("p2_hpa"))
		got, err := GasRatio(t1, t2, p1, p2, r.Float("aw"))
		require.NoError(t, err)
		require.InEpsilon(t, r.Float("ratio"), got, 1e-4)
		if r.Float("aw") == 0 {
			dry, err := DryGasRatio(t1, t2, p1, p2)
			require.NoError(t, err)
			require.Equal(t, got, dry)
			require.InEpsilon(t, float64(t2.Kelvin()/t1.Kelvin())*float64(p1/p2), dry, 1e-12)
		}
	}
}

func TestOutgassingVolumes(t *testing.T) {
	want := map[string]refcase.Row{}
	for _, r := range table(t, "outgassing-volume.csv").Rows {
		want[r.Text("case")] = r
	}
	check := func(name string, got float64) {
		require.InDelta(t, want[name].Float("value"), got, want[name].Float("abs_tol"), name)
	}
	ratio, err := DryGasRatio(10, 20, 101325, 101325)
	require.NoError(t, err)
	check("void_l_m2", 0.009*0.6*1000)
	ml, err := GasVolume(0.009, 0.6, ratio, false)
	require.NoError(t, err)
	check("ml_m2_per_face_10_to_20_dry", ml)
	sealed, err := GasVolume(0.009, 0.6, ratio, true)
	require.NoError(t, err)
	require.InEpsilon(t, 2*ml, sealed, 1e-12, "a sealed back sends all of it through the wet face")
	rise, err := ClosedPoreRise(10, 20, 101325, 0)
	require.NoError(t, err)
	check("closed_pore_kpa_10_to_20_dry", float64(rise)/1000)
	rise, err = ClosedPoreRise(10, 20, 101325, 0.6)
	require.NoError(t, err)
	check("closed_pore_kpa_10_to_20_aw60", float64(rise)/1000)
	for _, r := range table(t, "outgassing-bubble.csv").Rows {
		p, err := BubblePressure(units.Metre(r.Float("radius_um")*1e-6), ResinSurfaceTension)
		require.NoError(t, err)
		require.InEpsilon(t, r.Float("dp_kpa"), float64(p)/1000, 1e-9)
	}
}
