package sht3x

import (
	"testing"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"

	"tackline/sensors"
	"tackline/sensors/internal/chip/chiptest"
)

func TestCommanded(t *testing.T) {
	chiptest.Commanded(t, "../../testdata/i2c/sht3x.txt", func(bus i2c.Bus, addr uint16) (sensors.Probe, error) { return New(bus, addr) }, DefaultAddress)
}

func TestAddress(t *testing.T) {
	_, err := New(nil, 0x46)
	require.ErrorContains(t, err, "0x44 or 0x45")
}
