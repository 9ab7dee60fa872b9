package drivers

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"

	"tackline/sensors"
	"tackline/sensors/sensortest"
)

func options(pairs ...string) map[string]string {
	m := map[string]string{}
	for i := 0; i < len(pairs); i += 2 {
		m[pairs[i]] = pairs[i+1]
	}
	return m
}

func open(t *testing.T, s *Set, spec Spec) Opened {
	t.Helper()
	require.NoError(t, s.Check(spec))
	o, err := s.Open(spec)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, o.Probe.Close()) })
	return o
}

func TestEveryKindOpensWithItsChipAway(t *testing.T) {
	s := New(Env{Sys: t.TempDir(), OpenI2C: func(int) (i2c.BusCloser, error) { return nil, os.ErrNotExist }})
	for _, c := range []struct {
		spec Spec
		bus  string
	}{
		{Spec{"sysfs", "bench", sensors.Air, options("device", "sht3x@i2c-1/1-0044")}, "i2c-1"},
		{Spec{"sysfs", "board", sensors.Air, options("device", "cpu_thermal@thermal_zone0")}, "sysfs cpu_thermal@thermal_zone0"},
		{Spec{"w1", "stem", sensors.Timber, options("address", "28-0316a2791234")}, "w1"},
		{Spec{"bme280", "beam", sensors.Air, options("bus", "/dev/i2c-2", "address", "0x77")}, "i2c-2"},
		{Spec{"sht3x", "a", sensors.Air, options("address", "0x45")}, "i2c-1"},
		{Spec{"sht4x", "b", sensors.Air, nil}, "i2c-1"},
		{Spec{"aht20", "c", sensors.Air, nil}, "i2c-1"},
		{Spec{"hdc302x", "d", sensors.Air, options("address", "0x46")}, "i2c-1"},
		{Spec{"mcp9808", "e", sensors.Surface, options("bus", "3")}, "i2c-3"},
		{Spec{"ds18b20", "f", sensors.Surface, options("address", "28-0316a2791234", "bridge", "0x19")}, "i2c-1"},
		{Spec{"mlx90614", "g", sensors.Surface, options("emissivity", "0.9")}, "i2c-1"},
		{Spec{"timberpins", "h", sensors.Timber, options("series_ohm", "47e6", "curve", "120e6=12,2.14e6=20", "assume_c", "5")}, "i2c-1"},
		{Spec{"mqtt", "foredeck", sensors.Surface, options("node", "a4c138f2")}, "mqtt foredeck"},
		{Spec{"push", "north", sensors.Outdoors, options("token_file", "north.token")}, "push north"},
	} {
		o := open(t, s, c.spec)
		require.Equal(t, c.bus, o.Bus)
		_, err := o.Probe.Read(t.Context())
		require.ErrorIs(t, err, sensors.ErrAbsent, c.spec.Kind)
	}
	require.NoError(t, s.Close())
	require.NoError(t, s.Close())
}

func TestRefusals(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "bad.csv"), []byte("time,air_c\n2016-01-11T17:30:00Z,warm\n"), 0o644))
	s := New(Env{Sys: t.TempDir(), Dir: dir})
	for _, c := range []struct {
		spec Spec
		want []string
	}{
		{Spec{"thermocouple", "x", sensors.Air, nil}, []string{`unknown kind "thermocouple"`, "bme280"}},
		{Spec{"w1", "x", "loft", options("adress", "28-1")}, []string{`unknown place "loft"`, "address is missing", `unknown setting "adress"`}},
		{Spec{"w1", "x", sensors.Air, options("address", "28-1")}, []string{"1-Wire address"}},
		{Spec{"sysfs", "x", sensors.Air, options("device", "hwmon3")}, []string{"changes from boot to boot"}},
		{Spec{"mqtt", "x", sensors.Air, options("node", "a\nb")}, []string{"no number of a node"}},
		{Spec{"bme280", "x", sensors.Air, options("bus", "one")}, []string{`bus "one"`}},
		{Spec{"bme280", "x", sensors.Air, options("address", "0x99")}, []string{`address "0x99"`}},
		{Spec{"bme280", "x", sensors.Air, options("address", "0x44")}, []string{"0x76 or 0x77"}},
		{Spec{"sht4x", "x", sensors.Air, options("address", "0x47")}, []string{"0x44 or 0x45 or 0x46"}},
		{Spec{"ds18b20", "x", sensors.Air, options("address", "28-1")}, []string{"28-0316a2791234"}},
		{Spec{"ds18b20", "x", sensors.Air, options("address", "28-0316a2791234", "bridge", "0x40")}, []string{"bridge", "0x18 or 0x19"}},
		{Spec{"mlx90614", "x", sensors.Surface, options("emissivity", "0.1")}, []string{"emissivity 0.1"}},
		{Spec{"mlx90614", "x", sensors.Surface, options("emissivity", "matt")}, []string{`emissivity "matt"`}},
		{Spec{"timberpins", "x", sensors.Timber, nil}, []string{"series_ohm is missing", "curve is missing"}},
		{Spec{"timberpins", "x", sensors.Timber, options("series_ohm", "47e6", "curve", "120e6=12,2e6=20")}, []string{"temperature of the timber"}},
		{Spec{"timberpins", "x", sensors.Timber, options("series_ohm", "47e6", "curve", "2e6=12,2e6=20", "assume_c", "5")}, []string{"falling ohms"}},
		{Spec{"replay", "x", sensors.Air, options("file", "none.csv")}, []string{"none.csv"}},
		{Spec{"replay", "x", sensors.Air, options("file", "bad.csv")}, []string{"bad.csv", "line 2", `"warm" is not a number`}},
		{Spec{"replay", "x", sensors.Air, options("file", "bad.csv", "columns", "air_c")}, []string{"want name=heading"}},
		{Spec{"replay", "x", sensors.Air, options("file", "bad.csv", "zone", "Mars")}, []string{`zone "Mars"`}},
		{Spec{"shed", "x", sensors.Air, options("seed", "-1")}, []string{`seed "-1"`}},
		{Spec{"shed", "x", sensors.Air, options("set_c", "NaN")}, []string{`set_c "NaN"`}},
		{Spec{"shed", "x", sensors.Air, options("panel_mm", "400")}, []string{"panel of 400 mm"}},
	} {
		err := s.Check(c.spec)
		for _, want := range append(c.want, `probe "x"`) {
			require.ErrorContains(t, err, want)
		}
		_, err = s.Open(c.spec)
		require.Error(t, err)
	}
}

func TestReplayOfTheCommittedTrace(t *testing.T) {
	now := time.Date(2016, 1, 11, 17, 0, 0, 0, time.UTC).UnixMilli()
	var stored int64
	s := New(Env{Now: func() int64 { return now }, Dir: "../../testdata/traces", Resume: func(string) int64 { return stored }})
	spec := Spec{"replay", "shed", sensors.Air, options("file", "shed-winter.csv", "zone", "+01:00",
		"columns", "air_c=north_outside_c, rh_pct=north_outside_rh_pct, pressure_hpa=station_pressure_mmhg")}
	o := open(t, s, spec)
	require.Equal(t, "replay shed", o.Bus)
	got, err := o.Probe.Read(t.Context())
	require.NoError(t, err)
	require.Len(t, got, 9, "three rows of three quantities, 17:20, 17:30 and 18:00 at +01:00")
	require.Equal(t, time.Date(2016, 1, 11, 16, 20, 0, 0, time.UTC), got[0].At)
	stored = got[5].At.UnixMilli()
	got, err = open(t, s, spec).Probe.Read(t.Context())
	require.NoError(t, err)
	require.Len(t, got, 3, "what is stored is not given again")
	spec.Place, spec.Options = sensors.Outdoors, options("file", "shed-winter.csv", "zone", "+01:00", "columns", "outdoors_c=station_c")
	got, err = open(t, s, spec).Probe.Read(t.Context())
	require.NoError(t, err)
	require.Len(t, got, 1)
}

func TestShedProbesShareOneShed(t *testing.T) {
	now := time.Date(2026, 1, 20, 9, 0, 0, 0, time.UTC).UnixMilli()
	s := New(Env{Now: func() int64 { return now }})
	read := func(place sensors.Place, name string, o map[string]string) float64 {
		got, err := open(t, s, Spec{"shed", name, place, o}).Probe.Read(t.Context())
		require.NoError(t, err)
		return got[0].Value
	}
	air := read(sensors.Air, "a", options("seed", "5"))
	require.InDelta(t, air, read(sensors.Air, "b", options("seed", "5")), 0.2)
	require.InDelta(t, air+4, read(sensors.Air, "b", options("seed", "5", "bias_c", "4")), 0.2)
	read(sensors.Outdoors, "c", options("seed", "6", "start", "2026-01-01T00:00:00Z", "heater_w", "0"))
	require.Len(t, s.sheds, 2)
}

// A chip on a bus that comes late, hangs off, and returns; and an address that the kernel's driver owns.
func TestLazyBus(t *testing.T) {
	sys := t.TempDir()
	there := false
	opened := 0
	s := New(Env{Sys: sys, OpenI2C: func(n int) (i2c.BusCloser, error) {
		require.Equal(t, 1, n)
		if !there {
			return nil, os.ErrNotExist
		}
		opened++
		return sensortest.Playback(t, "../../testdata/i2c/bme280.txt"), nil
	}})
	p := open(t, s, Spec{"bme280", "beam", sensors.Air, nil}).Probe
	_, err := p.Read(t.Context())
	require.ErrorIs(t, err, sensors.ErrAbsent)
	require.ErrorIs(t, err, os.ErrNotExist)
	there = true
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	require.Len(t, got, 3)
	_, err = p.Read(t.Context()) // the talk is at its end: an error of the bus
	require.ErrorIs(t, err, sensors.ErrAbsent)
	_, err = p.Read(t.Context())
	require.NoError(t, err, "opened anew")
	require.Equal(t, 2, opened)

	client := filepath.Join(sys, "bus/i2c/devices/1-0076")
	require.NoError(t, os.MkdirAll(client, 0o755))
	require.NoError(t, os.Symlink("../../../../bus/i2c/drivers/bmp280", filepath.Join(client, "driver")))
	_, err = p.Read(t.Context())
	require.ErrorIs(t, err, syscall.EBUSY)
	require.ErrorContains(t, err, `kernel's driver bmp280`)
	require.ErrorContains(t, err, `"bmp280@1-0076"`)
	require.ErrorContains(t, (&lazyBus{}).SetSpeed(1), "set by the board")
}

func TestBusThatHangsDoesNotHoldUpClose(t *testing.T) {
	entered, release := make(chan struct{}), make(chan struct{})
	s := New(Env{Sys: t.TempDir(), OpenI2C: func(int) (i2c.BusCloser, error) {
		close(entered)
		<-release
		return nil, errors.New("released")
	}})
	bus := s.i2c(1)
	done := make(chan error)
	go func() { done <- bus.Tx(0x76, []byte{0}, nil) }()
	<-entered
	require.NoError(t, s.Close())
	close(release)
	require.ErrorContains(t, <-done, "released")
}

func TestBoardBusSaysWhatToDo(t *testing.T) {
	_, err := openBoardBus(99)
	require.ErrorIs(t, err, os.ErrNotExist)
	require.ErrorContains(t, err, "no bus 99")
	require.NotEmpty(t, groupOf("/"))
	require.Equal(t, "of /none", groupOf("/none"))
}

func TestKindsAreDescribed(t *testing.T) {
	require.GreaterOrEqual(t, len(Kinds()), 5)
	for _, k := range Kinds() {
		require.NotEmpty(t, k.Text)
		for _, o := range k.Options {
			require.NotEmpty(t, o.Text, "%s %s", k.Name, o.Name)
		}
	}
}

var _ i2c.BusCloser = (*i2ctest.Playback)(nil)
