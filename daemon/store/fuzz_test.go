package store

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// FuzzCursor reads places of followers: one that is read is written the same way and read again.
func FuzzCursor(f *testing.F) {
	f.Add("12.9223372036854775807.4")
	f.Add("1.2")
	f.Add("-1.0.0 and more")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := ParseCursor(text)
		if err != nil {
			return
		}
		again, err := ParseCursor(c.String())
		require.NoError(t, err)
		require.Equal(t, c, again)
	})
}

// FuzzPacked reads packed data of every kind: what is damaged is an error and never a panic or a wild amount of memory, and what can be read is packed
// again to the same content.
func FuzzPacked(f *testing.F) {
	some := []sample{{at: t0, raw: 181250, val: 180000, channel: 1, stretch: 1, place: 1}, {at: t0 + 10_000, raw: 181875, val: 180625, channel: 1, stretch: 1, place: 1, status: 6}}
	f.Add(packHot(some))
	f.Add(packBlock(some))
	f.Add(packTallies(kindMinute, tallySamples(some, minuteMs)))
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 1<<16 {
			return
		}
		if all, err := unpackHot(b, 3); err == nil {
			again, err := unpackHot(packHot(all), 3)
			require.NoError(t, err)
			require.Equal(t, all, again)
		}
		if all, err := unpackBlock(b, 3); err == nil {
			again, err := unpackBlock(packBlock(all), 3)
			require.NoError(t, err)
			require.Equal(t, all, again)
		}
		if all, err := unpackTallies(b, kindMinute); err == nil {
			again, err := unpackTallies(packTallies(kindMinute, all), kindMinute)
			require.NoError(t, err)
			require.Equal(t, all, again)
		}
	})
}
