package building

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/air"
	"tackline/advisor/forecast"
	"tackline/advisor/trace"
	"tackline/advisor/units"
)

const end = 1768400000.0 // a moment of an invented winter, Unix seconds

// outdoors is an invented winter outdoors, C: days, lows and a wander that does not repeat.
func outdoors(t float64) float64 {
	d := t / 86400
	return 4 + 3*math.Sin(2*math.Pi*d/4.7) + 2*math.Sin(2*math.Pi*d/1.9+1) - 2.5*math.Cos(2*math.Pi*(d-0.08))
}

// invented runs a shed of one store by small steps (Euler, 60 s), independent of the package's own: time constant in hours, loss in W/K, what sun gives
// at noon in W and a heater's power at a time. Rows every 10 minutes over days.
func invented(days, tauH, loss, sun float64, heater func(t float64) float64) Log {
	var l Log
	l.IndoorC.MaxGap, l.OutdoorC.MaxGap, l.HeatW.MaxGap = 7200, 7200, 7200
	store := loss * tauH * 3600
	temp := outdoors(end - days*86400)
	k := 0
	for t := end - days*86400; t <= end; t += 60 {
		if k%10 == 0 {
			noise := 0.05 * math.Sin(float64(k)*1.7)
			l.IndoorC.At, l.IndoorC.V = append(l.IndoorC.At, t), append(l.IndoorC.V, temp+noise)
			l.OutdoorC.At, l.OutdoorC.V = append(l.OutdoorC.At, t), append(l.OutdoorC.V, outdoors(t))
		}
		l.HeatW.At, l.HeatW.V = append(l.HeatW.At, t), append(l.HeatW.V, heater(t))
		k++
		light := math.Max(0, -math.Cos(2*math.Pi*t/86400))
		temp += 60 / store * (loss*(outdoors(t)-temp) + sun*light + heater(t))
	}
	return l
}

func none(float64) float64 { return 0 }

func workday(t float64) float64 {
	if h := math.Mod(t/3600, 24); h > 8 && h < 15 && math.Mod(math.Floor(t/86400), 3) > 0 {
		return 3000
	}
	return 0
}

// TestFindsWhatItWasMadeOf: the time constant within its own uncertainty and a twentieth, the loss within a tenth, where the heater is logged.
func TestFindsWhatItWasMadeOf(t *testing.T) {
	for _, tauH := range []float64{4, 10, 25} {
		m, err := Fit(invented(21, tauH, 150, 400, workday), end)
		require.NoError(t, err)
		require.Truef(t, m.Good(), "%g h: %s", tauH, m.Why)
		require.InDelta(t, tauH, m.Tau/3600, math.Max(0.05*tauH, 2*m.TauU/3600))
		require.Less(t, m.TauU, 0.2*m.Tau)
		require.InEpsilon(t, 150, m.LossWK, 0.1)
		require.Greater(t, m.LossU, 0.0)
		require.Greater(t, m.Lift[12], m.Lift[0]+0.5, "the sun is seen at noon")
	}
}

// TestUnknownHeater: without a log of its power the loss is not known; sizes give it.
func TestUnknownHeater(t *testing.T) {
	l := invented(21, 8, 150, 400, none)
	l.HeatW = trace.Trace{}
	m, err := Fit(l, end)
	require.NoError(t, err)
	require.True(t, m.Good(), m.Why)
	require.Zero(t, m.LossWK)
	m, err = m.WithSizes(Sizes{VolumeM3: 120, EnvelopeM2: 150, UValue: 1, AirChanges: 1})
	require.NoError(t, err)
	require.InDelta(t, 150+0.3353*120, m.LossWK, 0.1) // 0.335 Wh/(m3 K): 1.2 kg/m3 by 1006 J/(kg K)
	_, err = m.WithSizes(Sizes{VolumeM3: 120, EnvelopeM2: 150, UValue: 100, AirChanges: 1})
	require.ErrorContains(t, err, "U value 100 is outside")
}

// TestSaysWhenItIsNoGood: a shed that keeps its own temperature whatever the weather, a log of hours, a log without outdoors.
func TestSaysWhenItIsNoGood(t *testing.T) {
	l := invented(21, 8, 150, 0, none)
	for i, at := range l.IndoorC.At {
		l.IndoorC.V[i] = 18 + 2*math.Sin(at/9000)*math.Sin(at/31000)
	}
	m, err := Fit(l, end)
	require.NoError(t, err)
	require.False(t, m.Good())
	require.NotEmpty(t, m.Why)
	_, err = Fit(invented(1, 8, 150, 0, none), end)
	require.ErrorIs(t, err, ErrTooLittle)
	l.OutdoorC = trace.Trace{}
	_, err = Fit(l, end)
	require.ErrorIs(t, err, ErrTooLittle)
}

// TestCoolsByItsTimeConstant: after one time constant 36.8 % of the warmth is left (the exact solution).
func TestCoolsByItsTimeConstant(t *testing.T) {
	m := Model{Tau: 8 * 3600, LossWK: 100}
	steady := trace.Trace{At: []float64{0, 2e9}, V: []float64{5, 5}}
	run := m.Run(15, end, end+8*3600, 1800, steady, nil)
	_, v, _ := run.Last()
	require.InDelta(t, 5+10*math.Exp(-1), v, 1e-9)
	heated := m.Run(5, end, end+200*3600, 1800, steady, func(float64) float64 { return 700 })
	_, v, _ = heated.Last()
	require.InDelta(t, 12, v, 1e-6)
}

// TestCoupledForecastIsBetter: a cold spell that the shed's log does not know of, and the outdoor forecast does.
func TestCoupledForecastIsBetter(t *testing.T) {
	l := invented(14, 8, 150, 300, none)
	m, err := Fit(l, end)
	require.NoError(t, err)
	require.True(t, m.Good(), m.Why)
	spell := func(at float64) float64 { return outdoors(at) - 8*(1-math.Exp(-(at-end)/14400)) }
	future := trace.Trace{}
	for at := end; at <= end+30*3600; at += 3600 {
		future.At, future.V = append(future.At, at), append(future.V, spell(at))
	}
	_, now, _ := l.IndoorC.Last()
	truth := now
	e, err := forecast.Ahead(forecast.Log{AirC: l.IndoorC}, end, forecast.Options{Horizon: 48 * 3600, Members: 48})
	require.NoError(t, err)
	before := append([]float64(nil), e.Likely.AirC...)
	wide := e.Members[47].AirC[40] - e.Members[0].AirC[40]
	require.Empty(t, m.Couple(&e, future, 1.5))
	var own, coupled float64
	for at, k := end, 1; k <= 48; at += 60 {
		light := math.Max(0, -math.Cos(2*math.Pi*at/86400))
		truth += 60 / (150 * 8 * 3600.0) * (150*(spell(at)-truth) + 300*light)
		if next := end + float64(k)*1800; at+60 >= next {
			own, coupled = own+math.Abs(before[k]-truth), coupled+math.Abs(e.Likely.AirC[k]-truth)
			k++
		}
	}
	require.Less(t, coupled, 0.7*own)
	require.Less(t, e.Members[47].AirC[40]-e.Members[0].AirC[40], wide)
	require.Equal(t, before[90], e.Likely.AirC[90], "past the end of the outdoor forecast the shed's own stands")
	require.Contains(t, e.Basis, "outdoor forecast")

	poor := Model{Tau: 8 * 3600, Why: "too unsure"}
	kept := e.Likely.AirC[10]
	require.Equal(t, "too unsure", poor.Couple(&e, future, 1.5))
	require.Equal(t, kept, e.Likely.AirC[10])
}

// TestVentilation: a vapour that follows at 0.4 changes an hour with a source that holds it 50 Pa up is found as that.
func TestVentilation(t *testing.T) {
	var in, out trace.Trace
	e := 800.0
	outside := func(t float64) float64 { return 750 + 90*math.Sin(t/21000) + 40*math.Sin(t/8000) }
	for t := end - 14*86400; t <= end; t += 60 {
		if math.Mod(t-end, 600) == 0 {
			in.At, in.V = append(in.At, t), append(in.V, e)
			out.At, out.V = append(out.At, t), append(out.V, outside(t))
		}
		e += 60 * 0.4 / 3600 * (outside(t) + 50 - e)
	}
	v, err := Ventilation(in, out, end)
	require.NoError(t, err)
	require.InEpsilon(t, 0.4, v.PerHour, 0.05)
	require.InDelta(t, 50, v.SourcePa, 5)
	require.Less(t, v.U, 0.05)
	require.True(t, v.Good(), v.Why)
	_, err = Ventilation(in, trace.Trace{}, end)
	require.ErrorIs(t, err, ErrTooLittle)
}

// TestVapourIsCoupledToo: damp weather that the shed's log does not know of and the outdoor forecast does; what is foretold never exceeds saturation.
func TestVapourIsCoupledToo(t *testing.T) {
	in, out := trace.Trace{MaxGap: 7200}, trace.Trace{MaxGap: 7200}
	airC := trace.Trace{MaxGap: 7200}
	outside := func(t float64) float64 { return 750 + 90*math.Sin(t/21000) + 40*math.Sin(t/8000) }
	e := 800.0
	step := func(outdoors float64) { e += 60 * 0.4 / 3600 * (outdoors + 50 - e) } // Euler, 60 s
	for x := end - 14*86400; x <= end; x += 60 {
		if math.Mod(x-end, 600) == 0 {
			for _, c := range []struct {
				to *trace.Trace
				v  float64
			}{{&in, e}, {&out, outside(x)}, {&airC, 12 + math.Sin(x/30000)}} {
				c.to.At, c.to.V = append(c.to.At, x), append(c.to.V, c.v)
			}
		}
		step(outside(x))
	}
	v, err := Ventilation(in, out, end)
	require.NoError(t, err)
	damp := func(x float64) float64 { return outside(x) + 300*(1-math.Exp(-(x-end)/10800)) }
	future := trace.Trace{}
	for x := end; x <= end+48*3600; x += 3600 {
		future.At, future.V = append(future.At, x), append(future.V, damp(x))
	}
	f, err := forecast.Ahead(forecast.Log{AirC: airC, VapourPa: in}, end, forecast.Options{Horizon: 48 * 3600, Members: 48})
	require.NoError(t, err)
	before := append([]float64(nil), f.Likely.VapourPa...)
	require.Empty(t, v.Couple(&f, future, 90))
	var own, coupled float64
	for x, k := end, 1; k <= 48; x += 60 {
		step(damp(x))
		if x+60 >= end+float64(k)*1800 {
			own, coupled = own+math.Abs(before[k]-e), coupled+math.Abs(f.Likely.VapourPa[k]-e)
			k++
		}
	}
	require.Less(t, coupled, 0.7*own)
	require.Contains(t, f.Basis, "its vapour through 0.41 changes of air an hour")
	poor := Vent{PerHour: 1, Why: "too unsure"}
	require.Equal(t, "too unsure", poor.Couple(&f, future, 90))
	for _, m := range f.Members {
		for k, p := range m.VapourPa {
			require.LessOrEqual(t, p, float64(air.SaturationPressureWater(units.Celsius(m.AirC[k])))+1e-9)
		}
	}
}

// TestBurners: stoichiometry of complete burning, per kg: propane 2.994 kg of carbon dioxide and 1.634 of water, kerosene as dodecane 3.100 and 1.375;
// mass in is mass out. A kilogram of propane closed into 200 m3 at 15 C gives 8.17 g/m3 of water and 8040 ppm (worked by hand from the gas law).
func TestBurners(t *testing.T) {
	for _, c := range []struct {
		f          Fuel
		co2, water float64
	}{{Propane(), 2.994, 1.634}, {Kerosene(), 3.100, 1.375}} {
		require.InEpsilon(t, c.co2, c.f.CarbonDioxideKgPerKg(), 1e-3)
		require.InEpsilon(t, c.water, c.f.WaterKgPerKg(), 1e-3)
		require.InDelta(t, 1+c.f.OxygenKgPerKg(), c.f.CarbonDioxideKgPerKg()+c.f.WaterKgPerKg(), 1e-12)
	}
	water, vapour, ppm := Gases(Propane().WaterKgPerKg(), Propane().CarbonDioxideKgPerKg(), 200, 15)
	require.InEpsilon(t, 8.17, water, 1e-3)
	require.InEpsilon(t, 8040, ppm, 1e-3)
	require.InEpsilon(t, 1086, vapour, 2e-3) // 8.17 g/m3 at 288.15 K: e = rho R T / M
}

// TestMeetStartsAtWhatIsMeasured: and ends at what the forecast says.
func TestMeetStartsAtWhatIsMeasured(t *testing.T) {
	f := trace.Trace{At: []float64{0, 3600, 7200, 86400, 172800}, V: []float64{4, 5, 6, 2, 3}}
	m := Meet(f, 1800, 6.5)
	v, ok := m.Value(1800)
	require.True(t, ok)
	require.InDelta(t, 6.5, v, 1e-12)
	v, _ = m.Value(172800)
	require.InDelta(t, 3, v, 1e-3)
	v, _ = m.Value(3600)
	require.InDelta(t, 5+2*math.Exp(-1800/metFor), v, 1e-12)
	require.Zero(t, Meet(f, 200000, 5).Len(), "it has ended")
	require.Zero(t, Meet(f, -20000, 5).Len(), "it begins too late")
	require.Equal(t, 5.0, Meet(f, -3600, 5).V[0])
	require.Zero(t, Meet(trace.Trace{}, 0, 5).Len())
}
