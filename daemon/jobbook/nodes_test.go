package jobbook

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

func TestANewBatteryKeepsTheProbe(t *testing.T) {
	d := newDesk(t)
	d.do(BindNode{Node: "mqtt:a4", Probe: "bow"})
	d.do(BindNode{Node: "mqtt:b7", Probe: "stern"})
	require.Equal(t, map[string]string{"mqtt:a4": "bow", "mqtt:b7": "stern"}, d.state().Nodes())
	res := d.do(BindNode{Node: "mqtt:c1", Probe: "bow"})
	require.Equal(t, []string{`"bow" was node mqtt:a4 until now: its history goes on with mqtt:c1`}, res.Notes)
	require.Equal(t, map[string]string{"mqtt:c1": "bow", "mqtt:b7": "stern"}, d.state().Nodes())

	// The journal has who bound what, when, and what was there before.
	entries, err := d.b.Journal(context.Background(), res.Seq-1, 10)
	require.NoError(t, err)
	require.Len(t, entries, 1)
	require.Equal(t, "bind-node", entries[0].Kind)
	require.Equal(t, "Ann", entries[0].Who)
	require.JSONEq(t, `{"node":"mqtt:c1","probe":"bow"}`, string(entries[0].Payload))
	last := d.state().Bindings[2]
	require.Equal(t, "mqtt:a4", last.Was)
	require.Equal(t, d.now, last.Entered)

	d.do(Undo{Seq: res.Seq})
	require.Equal(t, map[string]string{"mqtt:a4": "bow", "mqtt:b7": "stern"}, d.state().Nodes(), "taken back")
	d.do(BindNode{Node: "mqtt:b7", Probe: "bow"})
	require.Equal(t, map[string]string{"mqtt:b7": "bow"}, d.state().Nodes(), "a node is one probe, a probe one node")
	d.do(BindNode{Node: "mqtt:b7"})
	require.Empty(t, d.state().Nodes())
	d.checkWhole()

	_, err = d.try("Ann", BindNode{Node: "a4", Probe: "bow"})
	require.Contains(t, problem(t, err, "node"), "has no way")
	_, err = d.try("Ann", BindNode{})
	require.Contains(t, problem(t, err, "node"), "is empty")
}

func TestTwoBulbsAreKeptAndTheHumidityWorkedOut(t *testing.T) {
	d := newDesk(t)
	wet := func(v float64) *float64 { return &v }
	d.do(HandReading{Quantity: "temp_c", Value: 15, WetC: wet(12), Place: "air", Instrument: "whirling hygrometer"})
	h := d.state().Hand[0]
	temp, ok := h.Of(sensors.Temperature)
	require.True(t, ok)
	require.InDelta(t, 15, temp, 0)
	rh, ok := h.Of(sensors.Humidity)
	require.True(t, ok)
	require.InDelta(t, 70.2, rh, 1) // WMO No. 8, annex 4.B: e = ew(12) - 6.53e-4 (1 + 0.000944 x 12) 1013.25 x 3 = 12.01 hPa of 17.05
	_, ok = h.Of(sensors.Pressure)
	require.False(t, ok)
	d.checkWhole()
	for want, p := range map[string]HandReading{
		"up to the dry bulb":   {Quantity: "temp_c", Value: 12, WetC: wet(15), Place: "air"},
		"no air is so dry":     {Quantity: "temp_c", Value: 30, WetC: wet(5), Place: "air"},
		"goes with the temp_c": {Quantity: "rh_pct", Value: 30, WetC: wet(5), Place: "air"},
	} {
		_, err := d.try("Ann", p)
		require.Contains(t, problem(t, err, "wet_c"), want)
	}
	_, err := d.try("Ann", HandReading{Quantity: "temp_c", Value: 12, WetC: wet(11), PressureHPa: wet(101325), Place: "air"})
	require.Contains(t, problem(t, err, "pressure_hpa"), "outside")
}
