package sysfs

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
	"tackline/sensors/sensortest"
)

const board = "../../testdata/sysfs/board.txt"

const i2c = "platform/soc/fe804000.i2c/i2c-1/"

func put(t *testing.T, root, name, text string) {
	t.Helper()
	require.NoError(t, os.WriteFile(filepath.Join(root, name), []byte(text), 0o644))
}

func read(t *testing.T, p sensors.Probe) map[sensors.Quantity]float64 {
	t.Helper()
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	values := map[sensors.Quantity]float64{}
	for _, r := range got {
		values[r.Quantity] = r.Value
	}
	return values
}

func TestList(t *testing.T) {
	root := sensortest.Tree(t, board)
	found, err := List(root)
	require.NoError(t, err)
	var ids []string
	for _, f := range found {
		ids = append(ids, f.ID())
	}
	require.Equal(t, []string{"bme280@" + i2c + "1-0076", "cpu_thermal@virtual/thermal/thermal_zone0", "hdc100x@" + i2c + "1-0040",
		"lm75@" + i2c + "1-0048", "lm75@" + i2c + "1-0049", "sht3x@" + i2c + "1-0044"}, ids)
	empty, err := List(t.TempDir())
	require.NoError(t, err)
	require.Empty(t, empty)
}

// Units of each attribute: hwmon and iio in thousandths, pressure in kilopascal, raw with offset and scale
// (hdc100x: 26214 counts are 165*26214/65536 - 40 = 26.0 C by its data sheet, 32768 are 50 %; from memory).
func TestUnits(t *testing.T) {
	root := sensortest.Tree(t, board)
	for _, c := range []struct {
		id   string
		want map[sensors.Quantity]float64
	}{
		{"lm75@1-0048", map[sensors.Quantity]float64{sensors.Temperature: 18.5}},
		{"lm75@i2c-1/1-0049", map[sensors.Quantity]float64{sensors.Temperature: -3.25}},
		{"sht3x@" + i2c + "1-0044", map[sensors.Quantity]float64{sensors.Temperature: 12.345, sensors.Humidity: 67.89}},
		{"bme280@1-0076", map[sensors.Quantity]float64{sensors.Temperature: 17.25, sensors.Humidity: 61.234, sensors.Pressure: 1013.25}},
		{"hdc100x@1-0040", map[sensors.Quantity]float64{sensors.Temperature: 26.0, sensors.Humidity: 50}},
	} {
		p, err := Open(root, c.id)
		require.NoError(t, err)
		got := read(t, p)
		require.Len(t, got, len(c.want), c.id)
		for q, v := range c.want {
			require.InDelta(t, v, got[q], 0.01, "%s %s", c.id, q)
		}
	}
}

// The numbers of two like chips change places, as they do when drivers are bound in another order. Each probe stays with its chip.
func TestRenumbering(t *testing.T) {
	root := sensortest.Tree(t, board)
	a, err := Open(root, "lm75@1-0048")
	require.NoError(t, err)
	b, err := Open(root, "lm75@1-0049")
	require.NoError(t, err)
	require.Equal(t, 18.5, read(t, a)[sensors.Temperature])
	require.Equal(t, -3.25, read(t, b)[sensors.Temperature])

	dev := filepath.Join(root, "devices", i2c)
	class := filepath.Join(root, "class/hwmon")
	require.NoError(t, os.Remove(filepath.Join(class, "hwmon0")))
	require.NoError(t, os.Remove(filepath.Join(class, "hwmon1")))
	require.NoError(t, os.Rename(filepath.Join(dev, "1-0048/hwmon/hwmon0"), filepath.Join(dev, "1-0048/hwmon/hwmon1")))
	require.NoError(t, os.Rename(filepath.Join(dev, "1-0049/hwmon/hwmon1"), filepath.Join(dev, "1-0049/hwmon/hwmon0")))
	for _, p := range []sensors.Probe{a, b} {
		_, err := p.Read(t.Context())
		require.ErrorIs(t, err, sensors.ErrAbsent, "unbound")
	}
	require.NoError(t, os.Symlink("../../devices/"+i2c+"1-0048/hwmon/hwmon1", filepath.Join(class, "hwmon1")))
	require.NoError(t, os.Symlink("../../devices/"+i2c+"1-0049/hwmon/hwmon0", filepath.Join(class, "hwmon0")))
	require.Equal(t, 18.5, read(t, a)[sensors.Temperature])
	require.Equal(t, -3.25, read(t, b)[sensors.Temperature])
}

func TestNumbersAreRefused(t *testing.T) {
	root := sensortest.Tree(t, board)
	_, err := Open(root, "hwmon2")
	require.ErrorContains(t, err, `at present it is "sht3x@`+i2c+`1-0044"`)
	_, err = Open(root, "/sys/bus/iio/devices/iio:device0")
	require.ErrorContains(t, err, `at present it is "bme280@`)
	_, err = Open(root, "hwmon77")
	require.ErrorContains(t, err, "chip@path")
	_, err = Open(root, "lm75")
	require.ErrorContains(t, err, "want chip@path")
	p, err := Open(root, "lm75@fe804000.i2c/i2c-1/1-0048")
	require.NoError(t, err)
	require.Len(t, read(t, p), 1)
	_, err = os.Stat(filepath.Join(root, "devices", i2c, "1-0048"))
	require.NoError(t, err)
}

func TestAmbiguous(t *testing.T) {
	root := sensortest.Tree(t, board)
	require.NoError(t, os.MkdirAll(filepath.Join(root, "devices/platform/other/1-0048/hwmon/hwmon9"), 0o755))
	put(t, root, "devices/platform/other/1-0048/hwmon/hwmon9/name", "lm75\n")
	put(t, root, "devices/platform/other/1-0048/hwmon/hwmon9/temp1_input", "1000\n")
	require.NoError(t, os.Symlink("../../devices/platform/other/1-0048/hwmon/hwmon9", filepath.Join(root, "class/hwmon/hwmon9")))
	p, err := Open(root, "lm75@1-0048")
	require.NoError(t, err)
	_, err = p.Read(t.Context())
	require.ErrorContains(t, err, "means 2 devices")
	require.ErrorContains(t, err, "lm75@platform/other/1-0048")
	require.NotErrorIs(t, err, sensors.ErrAbsent)
}

func TestHeaterIsFlagged(t *testing.T) {
	root := sensortest.Tree(t, board)
	put(t, root, "devices/"+i2c+"1-0044/hwmon/hwmon2/heater_enable", "1\n")
	p, err := Open(root, "sht3x@1-0044")
	require.NoError(t, err)
	got, err := p.Read(t.Context())
	require.NoError(t, err)
	for _, r := range got {
		require.Equal(t, sensors.HeaterOn, r.Status)
	}
}

// One measurement that the bus failed in is asked for again; two in a row are an error, and what is no failure of the bus is one at once.
func TestOneFailureOfTheBusIsNoError(t *testing.T) {
	for _, c := range []struct {
		errs  []error
		reads int
		want  error
	}{
		{[]error{syscall.EIO, nil}, 2, nil},
		{[]error{syscall.ETIMEDOUT, nil}, 2, nil},
		{[]error{syscall.EIO, syscall.EIO, nil}, 2, syscall.EIO},
		{[]error{syscall.ENODEV, nil}, 1, syscall.ENODEV},
		{[]error{nil}, 1, nil},
	} {
		n := 0
		_, err := twice(func() (string, error) {
			n++
			return "1", c.errs[n-1]
		})
		require.ErrorIs(t, err, c.want)
		require.Equal(t, c.reads, n)
	}
}

func TestConformance(t *testing.T) {
	broken := func(name, text string) func(t *testing.T) sensors.Probe {
		return func(t *testing.T) sensors.Probe {
			root := sensortest.Tree(t, board)
			put(t, root, "devices/"+i2c+"1-0044/hwmon/hwmon2/"+name, text)
			p, err := Open(root, "sht3x@1-0044")
			require.NoError(t, err)
			return p
		}
	}
	sensortest.Run(t, sensortest.Case{
		Healthy: func(t *testing.T) sensors.Probe {
			p, err := Open(sensortest.Tree(t, board), "sht3x@1-0044")
			require.NoError(t, err)
			return p
		},
		Absent: func(t *testing.T) sensors.Probe {
			p, err := Open(t.TempDir(), "sht3x@1-0044")
			require.NoError(t, err)
			return p
		},
		Broken: map[string]func(t *testing.T) sensors.Probe{
			"fault":        broken("temp1_fault", "1\n"),
			"out of range": broken("temp1_input", "-273150\n"),
			"humidity":     broken("humidity1_input", "130000\n"),
		},
	})
	p := broken("temp1_input", "warm\n")(t)
	_, err := p.Read(t.Context())
	require.ErrorContains(t, err, `"warm" is not a number`)
}
