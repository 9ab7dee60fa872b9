package store

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestColumnRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.OneOf(
			rapid.SliceOf(rapid.Int64()),
			rapid.SliceOf(rapid.Int64Range(-40_0000, 60_0000)),
			rapid.SliceOf(rapid.SampledFrom([]int64{0, 0, 0, 0, 7, math.MinInt64, math.MaxInt64})),
			rapid.Custom(walk),
		).Draw(t, "v")
		packed := appendColumn([]byte{0xaa}, v)
		got := make([]int64, len(v))
		rest, err := column(append(packed[1:], 0x55), got)
		require.NoError(t, err)
		require.Equal(t, []byte{0x55}, rest)
		require.Equal(t, append([]int64{}, v...), got)
	})
}

// walk is a series as a probe gives it: small steps in multiples of a resolution, now and then a jump.
func walk(t *rapid.T) []int64 {
	n := rapid.IntRange(1, 400).Draw(t, "n")
	step := rapid.SampledFrom([]int64{1, 10, 100, 625}).Draw(t, "step")
	v := make([]int64, n)
	at := rapid.Int64Range(-1e6, 1e6).Draw(t, "from")
	for i := range v {
		v[i] = at
		at += step * rapid.Int64Range(-3, 3).Draw(t, "move")
		if rapid.IntRange(0, 50).Draw(t, "jumps") == 0 {
			at += rapid.Int64Range(-1e12, 1e12).Draw(t, "jump")
		}
	}
	return v
}

func TestSamplesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := rapid.SliceOf(rapid.Custom(func(t *rapid.T) sample {
			return sample{at: rapid.Int64Range(0, maxAt).Draw(t, "at"), raw: rapid.Int64().Draw(t, "raw"), val: rapid.Int64().Draw(t, "val"),
				channel: rapid.Int32Range(1, 60).Draw(t, "channel"), stretch: rapid.Int32Range(1, 9).Draw(t, "stretch"),
				place: rapid.Int32Range(1, 5).Draw(t, "place"), status: rapid.Uint8Range(0, 15).Draw(t, "status"), seq: 77}
		})).Draw(t, "samples")
		got, err := unpackHot(packHot(all), 77)
		require.NoError(t, err)
		require.Equal(t, append([]sample{}, all...), got)
	})
}

func TestMinutesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := rapid.SliceOf(rapid.Custom(func(t *rapid.T) tally {
			return tally{start: rapid.Int64Range(0, 1<<40).Draw(t, "start"), n: rapid.Int64Range(0, 99999).Draw(t, "n"),
				low: rapid.Int64().Draw(t, "low"), high: rapid.Int64().Draw(t, "high"), sum: rapid.Int64().Draw(t, "sum"),
				excluded: rapid.Int64Range(0, 9).Draw(t, "excluded")}
		})).Draw(t, "minutes")
		got, err := unpackTallies(packTallies(kindMinute, all), kindMinute)
		require.NoError(t, err)
		require.Equal(t, append([]tally{}, all...), got)
	})
}

// Any flipped bit and any cut is found, and none makes the decoder panic.
func TestDamageIsFound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := packBlock([]sample{{at: 1000, raw: 5, val: 6, channel: 1, stretch: 1, place: 1}, {at: 2000, raw: 7, val: 9, channel: 1, stretch: 1,
			place: 1, status: 3}, {at: 9000, raw: 2, val: 2, channel: 1, stretch: 2, place: 1}})
		if rapid.Bool().Draw(t, "cut") {
			b = b[:rapid.IntRange(0, len(b)-1).Draw(t, "length")]
		} else {
			b[rapid.IntRange(0, len(b)-1).Draw(t, "byte")] ^= 1 << rapid.IntRange(0, 7).Draw(t, "bit")
		}
		_, err := unpackBlock(b, 0)
		require.ErrorIs(t, err, errDamaged)
	})
}

// Behind a sum that fits there may still be nonsense.
func FuzzColumn(f *testing.F) {
	f.Add(appendColumn(nil, []int64{1, 5, 9, 13, -1000, 7}), uint8(6))
	f.Fuzz(func(t *testing.T, b []byte, n uint8) {
		_, err := column(b, make([]int64, n))
		if err != nil {
			require.ErrorIs(t, err, errDamaged)
		}
	})
}
