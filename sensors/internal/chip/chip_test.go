package chip

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
	"tackline/sensors/sensortest"
)

// CRC8: BE EF has 92 (example of the humidity chips' data sheets, printed in many drivers), "123456789" has F7 (CRC-8/NRSC-5 of the RevEng
// catalogue). PEC: "123456789" has F4 (CRC-8/SMBUS of the same); B4 07 B5 D2 3A has 30 (example of an infrared thermometer's data sheet, from memory).
func TestChecksums(t *testing.T) {
	for want, b := range map[byte][]byte{0x92: {0xbe, 0xef}, 0x81: {0, 0}, 0xac: {0xff, 0xff}, 0x93: {0x66, 0x66}, 0xf7: []byte("123456789")} {
		require.Equal(t, want, CRC8(b), "% x", b)
	}
	require.Equal(t, byte(0xf4), PEC([]byte("123456789")))
	require.Equal(t, byte(0x30), PEC([]byte{0xb4, 0x07, 0xb5, 0xd2, 0x3a}))
}

// A Read whose time is up ends in the middle of a wait, says so, and leaves no value.
func TestDeadline(t *testing.T) {
	c, err := New("test", &sensortest.Bus{Answer: func(_, _ []byte) error { return nil }}, 0x40)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	out, err := c.Read(ctx, func(t *Talk) error { cancel(); return t.Wait(time.Hour) },
		func(*Talk) ([]sensors.Reading, error) { return []sensors.Reading{{}}, nil })
	require.ErrorIs(t, err, context.Canceled)
	require.Empty(t, out)
	require.False(t, c.ready)
}

func TestAddresses(t *testing.T) {
	_, err := New("test", nil, 0x99)
	require.ErrorContains(t, err, "0x99")
	_, err = New("test", nil, 0x41, 0x40)
	require.ErrorContains(t, err, "the chip can have 0x40")
}
