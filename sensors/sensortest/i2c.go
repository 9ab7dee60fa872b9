package sensortest

import (
	"encoding/hex"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c/i2ctest"
)

// Playback reads talk on an I2C bus from a file: a transaction a line, as the read-me beside the files says.
func Playback(t *testing.T, path string) *i2ctest.Playback {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	return &i2ctest.Playback{Ops: Talk(t, string(text)), DontPanic: true}
}

// Talk reads transactions from a text.
func Talk(t *testing.T, text string) []i2ctest.IO {
	t.Helper()
	var ops []i2ctest.IO
	for n, line := range strings.Split(text, "\n") {
		line, _, _ = strings.Cut(line, "#")
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		addr, err := strconv.ParseUint(words[0], 16, 16)
		require.NoError(t, err, "line %d", n+1)
		op := i2ctest.IO{Addr: uint16(addr)}
		var into *[]byte
		for _, w := range words[1:] {
			switch w {
			case "w":
				into = &op.W
			case "r":
				into = &op.R
			default:
				b, err := hex.DecodeString(w)
				require.NoError(t, err, "line %d", n+1)
				require.NotNil(t, into, "line %d: bytes before w or r", n+1)
				*into = append(*into, b...)
			}
		}
		ops = append(ops, op)
	}
	return ops
}
