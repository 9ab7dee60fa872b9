package drivers

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"tackline/sensors/internal/chip"
	"tackline/sensors/sensortest"
)

func TestKernelsSensors(t *testing.T) {
	s := New(Env{Sys: sensortest.Tree(t, "../../testdata/sysfs/board.txt")})
	found, err := s.Kernel()
	require.NoError(t, err)
	require.Len(t, found, 8)
	by := map[string]Found{}
	for _, f := range found {
		by[f.ID] = f
		require.NoError(t, s.Check(Spec{Kind: f.Kind, Name: "x", Place: "air", Options: f.Options}), "what is listed can be configured as it stands")
	}
	w := by["28-0316a2791234"]
	require.True(t, w.Same("w1", options("address", "28-0316a2791234")))
	require.False(t, w.Same("w1", options("address", "28-0316a2795678")))
	for id, f := range by {
		if f.Kind == "sysfs" && f.Same("sysfs", options("device", "lm75@1-0048")) {
			require.Contains(t, id, "1-0048", "by the end of its path")
		}
	}
}

// only is a bus on which one chip speaks at one address.
type only struct {
	sensortest.Bus
	addr  uint16
	asked map[uint16]bool
}

func (b *only) Close() error { return nil }

func (b *only) SetSpeed(physic.Frequency) error { return nil }

func (b *only) Tx(addr uint16, w, r []byte) error {
	b.asked[addr] = true
	if addr != b.addr {
		return errors.New("remote I/O error")
	}
	return b.Bus.Tx(addr, w, r)
}

// A chip that answers to no status word and measures by one byte is an SHT4x and nothing else; an address that the kernel has is not asked.
func TestScan(t *testing.T) {
	root := t.TempDir()
	dir := filepath.Join(root, "bus/i2c/devices")
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "1-0076"), 0o755))
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "i2c-1"), 0o755))
	require.NoError(t, os.Symlink("../../drivers/bmp280", filepath.Join(dir, "1-0076/driver")))
	bus := &only{addr: 0x44, asked: map[uint16]bool{}}
	measure := false
	bus.Answer = func(w, r []byte) error {
		if len(w) > 1 {
			return errors.New("remote I/O error")
		}
		if len(w) == 1 {
			measure = w[0] == 0xfd
			return nil
		}
		if !measure {
			return errors.New("remote I/O error")
		}
		b := []byte{0x66, 0x66}
		b = append(b, chip.CRC8(b))
		copy(r, append(b, b...))
		return nil
	}
	s := New(Env{Sys: root, OpenI2C: func(int) (i2c.BusCloser, error) { return bus, nil }})
	buses, owned, err := s.Buses()
	require.NoError(t, err)
	require.Equal(t, []int{1}, buses)
	require.Equal(t, []Owned{{1, 0x76, "bmp280"}}, owned)
	found, err := s.Scan(t.Context(), 1)
	require.NoError(t, err)
	require.Len(t, found, 1)
	require.Equal(t, "sht4x", found[0].Kind)
	require.Equal(t, "i2c-1 0x44", found[0].ID)
	require.False(t, bus.asked[0x76], "the kernel's")
	require.True(t, bus.asked[0x77])
	require.True(t, found[0].Same("sht4x", nil), "bus and address are the defaults")
	require.False(t, found[0].Same("sht4x", options("address", "0x45")))
	require.NoError(t, s.Close())
}

// The addresses to ask at are those that the drivers take.
func TestPlacesAreTheDrivers(t *testing.T) {
	s := New(Env{Sys: t.TempDir()})
	for kind, list := range places() {
		if kind == "timberpins" {
			continue
		}
		for _, a := range list {
			o := options("address", "0x"+string("0123456789abcdef"[a>>4])+string("0123456789abcdef"[a&15]))
			require.NoError(t, s.Check(Spec{Kind: kind, Name: "x", Place: "air", Options: o}), "%s 0x%02x", kind, a)
		}
	}
}
