package sensortest

import (
	"encoding/hex"
	"errors"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"
)

// Playback reads talk on an I2C bus from a file: a transaction a line, as the read-me beside the files says.
func Playback(t testing.TB, path string) *i2ctest.Playback {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	return &i2ctest.Playback{Ops: Talk(t, string(text)), DontPanic: true}
}

// Talk reads transactions from a text.
func Talk(t testing.TB, text string) []i2ctest.IO {
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

// Bus is an I2C bus with one chip in memory, which a test can pull out and upset.
type Bus struct {
	Gone   bool
	Answer func(w, r []byte) error // fills r
	Said   [][]byte                // all that was written, in order
}

var _ i2c.Bus = (*Bus)(nil)

// ErrNoAnswer is what a bus says of a chip that is not there.
var ErrNoAnswer = errors.New("remote I/O error")

// String gives a name.
func (b *Bus) String() string { return "bus in memory" }

// SetSpeed does nothing.
func (b *Bus) SetSpeed(physic.Frequency) error { return nil }

// Tx does as i2c.Bus says.
func (b *Bus) Tx(_ uint16, w, r []byte) error {
	if b.Gone {
		return ErrNoAnswer
	}
	b.Said = append(b.Said, append([]byte(nil), w...))
	return b.Answer(w, r)
}
