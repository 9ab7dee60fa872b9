package scratchpad

import (
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

// The examples whose checksums are published stand in package sysfs; these are the rest of the frames that the two ways share.
func TestFamilies(t *testing.T) {
	pad := func(b ...byte) []byte { return append(b, CRC8(b)) }
	r, err := Parse(0x10, pad(0x32, 0, 0x4b, 0x46, 0xff, 0xff, 0x0c, 0x10), nil)
	require.NoError(t, err)
	require.Equal(t, 25.0, r.Value, "half degrees")
	milli := int64(25125)
	r, err = Parse(0x22, pad(0x92, 1, 0x4b, 0x46, 0x7f, 0xff, 0x0f, 0x10), &milli)
	require.NoError(t, err)
	require.Equal(t, 25.125, r.Value, "as the kernel has it")
	_, err = Parse(0x28, []byte{1}, nil)
	var bad *sensors.BadSample
	require.ErrorAs(t, err, &bad)
	require.Equal(t, sensors.BadCRC, bad.Status)
}
