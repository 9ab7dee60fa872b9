package sysfs

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
	"tackline/sensors/internal/scratchpad"
	"tackline/sensors/sensortest"
)

// slave writes the two lines of w1_slave for nine bytes, as the kernel would.
func slave(hex string, crcOK bool) string {
	var b [9]byte
	for i := range b {
		fmt.Sscanf(strings.Fields(hex)[i], "%02x", &b[i])
	}
	verdict := "NO"
	if crcOK {
		verdict = "YES"
	}
	milli := int64(int16(uint16(b[0])|uint16(b[1])<<8)) * 1000 / 16
	return fmt.Sprintf("%s : crc=%02x %s\n%s t=%d\n", hex, b[8], verdict, hex, milli)
}

// withCRC completes eight bytes.
func withCRC(hex string) string {
	var b [8]byte
	for i := range b {
		fmt.Sscanf(strings.Fields(hex)[i], "%02x", &b[i])
	}
	return fmt.Sprintf("%s %02x", hex, scratchpad.CRC8(b[:]))
}

// The checksum against published examples: the address 02 1C B8 01 00 00 00 has A2 (Maxim application note 27), "123456789" has A1 (the
// check value of CRC-8/MAXIM in the RevEng catalogue), scratchpad 50 05 4B 46 7F FF 0C 10 has 1C (printed in many drivers' test suites).
func TestCRC8(t *testing.T) {
	require.Equal(t, byte(0xa2), scratchpad.CRC8([]byte{0x02, 0x1c, 0xb8, 0x01, 0, 0, 0}))
	require.Equal(t, byte(0xa1), scratchpad.CRC8([]byte("123456789")))
	require.Equal(t, byte(0x1c), scratchpad.CRC8([]byte{0x50, 0x05, 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10}))
	require.Equal(t, byte(0), scratchpad.CRC8(make([]byte, 8)), "all zero fits by accident")
}

// The data sheet's table of twelve-bit values (from memory; found in many test suites).
func TestConversionTable(t *testing.T) {
	for raw, want := range map[uint16]float64{0x07d0: 125, 0x0191: 25.0625, 0x00a2: 10.125, 0x0008: 0.5, 0x0000: 0, 0xfff8: -0.5,
		0xff5e: -10.125, 0xfe6f: -25.0625, 0xfc90: -55} {
		pad := withCRC(fmt.Sprintf("%02x %02x 4b 46 7f ff 02 10", raw&0xff, raw>>8))
		r, err := parseW1("28", slave(pad, true))
		require.NoError(t, err, "%04x", raw)
		require.Equal(t, sensors.Reading{Quantity: sensors.Temperature, Value: want}, r, "%04x", raw)
	}
}

// Every lie that these thermometers are known to tell has a name, and none a value.
func TestBadScratchpads(t *testing.T) {
	good := "91 01 4b 46 7f ff 0f 10 25"
	for _, c := range []struct {
		name, text string
		want       sensors.Status
	}{
		{"power-up value", slave("50 05 4b 46 7f ff 0c 10 1c", true), sensors.PowerOnValue},
		{"power-up value, 9 bits set", slave(withCRC("50 05 00 00 1f ff 0c 10"), true), sensors.PowerOnValue},
		{"checksum wrong", slave("91 01 4b 46 7f ff 0f 10 26", false), sensors.BadCRC},
		{"checksum wrong, kernel says yes", slave("91 01 4b 46 7f ff 0f 10 26", true), sensors.BadCRC},
		{"kernel says no to a right one", slave(good, false), sensors.BadCRC},
		{"wire held down", slave("00 00 00 00 00 00 00 00 00", true), sensors.AllZero},
		{"nobody there", slave("ff ff ff ff ff ff ff ff ff", false), sensors.BadCRC},
		{"nobody there, yes", slave("ff ff ff ff ff ff ff ff ff", true), sensors.BadCRC},
		{"beyond +125", slave(withCRC("d1 07 4b 46 7f ff 0f 10"), true), sensors.OutOfRange},
		{"1200 C", slave(withCRC("00 4b 4b 46 7f ff 0f 10"), true), sensors.OutOfRange},
		{"-127 C", slave(withCRC("10 f8 4b 46 7f ff 0f 10"), true), sensors.OutOfRange},
		{"settings byte of no chip", slave(withCRC("91 01 4b 46 00 ff 0f 10"), true), sensors.OutOfRange},
		{"bits shifted by one", slave(withCRC("22 03 96 8c fe fe 1f 20"), true), sensors.OutOfRange},
		{"too few bytes", "91 01 4b : crc=25 YES\n91 01 4b t=25062\n", sensors.BadCRC},
		{"no temperature", good + " : crc=25 YES\n" + good + "\n", sensors.BadCRC},
		{"not hexadecimal", "zz : crc=25 YES\nzz t=25062\n", sensors.BadCRC},
	} {
		_, err := parseW1("28", c.text)
		var bad *sensors.BadSample
		require.ErrorAs(t, err, &bad, c.name)
		require.Equal(t, c.want, bad.Status, c.name)
	}
	_, err := parseW1("28", "")
	require.ErrorIs(t, err, sensors.ErrAbsent)
}

func TestOtherFamilies(t *testing.T) {
	// Family 10 counts in half degrees and the kernel refines them: 0x0032 is 25 C.
	pad := withCRC("32 00 4b 46 ff ff 0c 10")
	text := pad + " : crc=xx YES\n" + pad + " t=25000\n"
	r, err := parseW1("10", text)
	require.NoError(t, err)
	require.Equal(t, 25.0, r.Value)
}

func w1(t *testing.T, text string) (*W1Probe, string) {
	t.Helper()
	root := sensortest.Tree(t, board)
	file := filepath.Join("devices/w1_bus_master1/28-0316a2791234/w1_slave")
	if text != "" {
		put(t, root, file, text)
	}
	p, err := NewW1(root, nil).Probe("28-0316a2791234")
	require.NoError(t, err)
	return p, filepath.Join(root, file)
}

// A true 85 C, or a copy of the chip that does not mark its power-up value: flagged, unless it was nearly that warm before.
func TestUnmarked85(t *testing.T) {
	p, file := w1(t, slave(withCRC("50 05 4b 46 7f ff 02 10"), true))
	read := func() sensors.Reading {
		got, err := p.Read(t.Context())
		require.NoError(t, err)
		require.Len(t, got, 1)
		return got[0]
	}
	require.Equal(t, sensors.Reading{Quantity: sensors.Temperature, Value: 85, Status: sensors.PowerOnValue}, read())
	warm := slave(withCRC("40 05 4b 46 7f ff 02 10"), true) // 84 C
	require.NoError(t, os.WriteFile(file, []byte(warm), 0o644))
	require.Equal(t, sensors.OK, read().Status)
	require.NoError(t, os.WriteFile(file, []byte(slave(withCRC("50 05 4b 46 7f ff 02 10"), true)), 0o644))
	require.Equal(t, sensors.OK, read().Status, "a kettle, and the reading before it says so")
}

func TestVanishAndReturn(t *testing.T) {
	p, file := w1(t, "")
	link := filepath.Join(filepath.Dir(file), "../../../bus/w1/devices/28-0316a2791234")
	require.Equal(t, 25.0625, read(t, p)[sensors.Temperature])
	target, err := os.Readlink(link)
	require.NoError(t, err)
	require.NoError(t, os.Remove(link))
	_, err = p.Read(t.Context())
	require.ErrorIs(t, err, sensors.ErrAbsent)
	require.NoError(t, os.Symlink(target, link))
	require.Equal(t, 25.0625, read(t, p)[sensors.Temperature], "no restart needed")
}

func TestW1List(t *testing.T) {
	w := NewW1(sensortest.Tree(t, board), nil)
	ids, err := w.List()
	require.NoError(t, err)
	require.Equal(t, []string{"28-0316a2791234", "28-0316a2795678"}, ids)
	for _, bad := range []string{"", "28-0316A2791234", "05-0316a2791234", "w1_bus_master1", "28-../../etc"} {
		_, err := w.Probe(bad)
		require.ErrorContains(t, err, "1-Wire address", bad)
	}
}

// One common conversion serves all thermometers of a bus; the next round starts another.
func TestCommonConversion(t *testing.T) {
	root := sensortest.Tree(t, board)
	w := NewW1(root, func(s string) { t.Error(s) })
	a, err := w.Probe("28-0316a2791234")
	require.NoError(t, err)
	b, err := w.Probe("28-0316a2795678")
	require.NoError(t, err)
	bulk := filepath.Join(root, "devices/w1_bus_master1/therm_bulk_read")
	state := func() string {
		text, err := os.ReadFile(bulk)
		require.NoError(t, err)
		return string(text)
	}
	reset := func() { require.NoError(t, os.WriteFile(bulk, []byte("1\n"), 0o644)) }
	read(t, a)
	require.Contains(t, state(), "trigger")
	reset()
	require.Equal(t, -10.125, read(t, b)[sensors.Temperature])
	require.NotContains(t, state(), "trigger", "the conversion stands ready")
	read(t, a)
	require.Contains(t, state(), "trigger", "the next round")
}

func TestWithoutPermissionItFallsBackAndSaysSoOnce(t *testing.T) {
	root := sensortest.Tree(t, board)
	bulk := filepath.Join(root, "devices/w1_bus_master1/therm_bulk_read")
	require.NoError(t, os.Remove(bulk))
	require.NoError(t, os.Mkdir(bulk, 0o755)) // cannot be written by anyone, root included
	var notes []string
	w := NewW1(root, func(s string) { notes = append(notes, s) })
	p, err := w.Probe("28-0316a2791234")
	require.NoError(t, err)
	require.Equal(t, 25.0625, read(t, p)[sensors.Temperature])
	require.Equal(t, 25.0625, read(t, p)[sensors.Temperature])
	require.Len(t, notes, 1)
	require.Contains(t, notes[0], "one after the other")
}

func TestW1Conformance(t *testing.T) {
	sensortest.Run(t, sensortest.Case{
		Healthy: func(t *testing.T) sensors.Probe { p, _ := w1(t, ""); return p },
		Absent: func(t *testing.T) sensors.Probe {
			p, err := NewW1(t.TempDir(), nil).Probe("28-0316a2791234")
			require.NoError(t, err)
			return p
		},
		Broken: map[string]func(t *testing.T) sensors.Probe{
			"checksum": func(t *testing.T) sensors.Probe { p, _ := w1(t, slave("91 01 4b 46 7f ff 0f 10 26", false)); return p },
			"power-up": func(t *testing.T) sensors.Probe { p, _ := w1(t, slave("50 05 4b 46 7f ff 0c 10 1c", true)); return p },
		},
	})
}

func FuzzW1(f *testing.F) {
	f.Add("28", "91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n")
	f.Fuzz(func(t *testing.T, family, text string) {
		r, err := parseW1(family, text)
		if err == nil {
			require.False(t, math.IsNaN(r.Value) || r.Value < -55 || r.Value > 125)
		}
	})
}
