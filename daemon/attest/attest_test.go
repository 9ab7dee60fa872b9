package attest_test

import (
	"bytes"
	"encoding/hex"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/attest"
)

var (
	file = bytes.Repeat([]byte("%PDF-1.3 invented record of an invented boat. "), 200)
	hash = bytes.Repeat([]byte{0xab}, 32)
	book = attest.Book{ID: "5f2a", HeadSeq: 41, HeadHash: hash}
)

func hashAt(seq int64) ([]byte, error) {
	if seq == 41 || seq == 17 {
		return hash, nil
	}
	return nil, errors.New("no such row")
}

func signer(t *testing.T) attest.Signer {
	t.Helper()
	s, err := attest.OpenKey(t.TempDir())
	require.NoError(t, err)
	return s
}

func TestASealHolds(t *testing.T) {
	s := signer(t)
	seal, err := s.Seal(file, 7, book)
	require.NoError(t, err)
	again, err := s.Seal(file, 7, book)
	require.NoError(t, err)
	require.Equal(t, seal, again, "same facts, same bytes")
	f, err := attest.Verify(file, seal, attest.Against{Key: s.Public(), Book: book.ID, HashAt: hashAt, Head: "17:" + hex.EncodeToString(hash)})
	require.NoError(t, err)
	require.Empty(t, f.Problems)
	require.True(t, f.Unaltered && f.Ours && f.SameBook)
	require.Contains(t, f.Witness, "row 17")
	require.EqualValues(t, 7, f.Job)
	bare, err := attest.Verify(file, seal, attest.Against{})
	require.NoError(t, err)
	require.True(t, bare.Unaltered)
	require.False(t, bare.Ours || bare.SameBook, "nothing to compare with")

	sealed, err := s.SealPDF(file, 7, book)
	require.NoError(t, err)
	pdf, seal2, ok := attest.Split(sealed)
	require.True(t, ok)
	require.Equal(t, file, pdf)
	require.Equal(t, seal, seal2)
	_, _, ok = attest.Split(file)
	require.False(t, ok)
}

// TestAFlippedBitIsFound flips one bit of a sealed PDF at each of 1000 random places, seal included: never is it called unaltered.
func TestAFlippedBitIsFound(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	s := signer(t)
	sealed, err := s.SealPDF(file, 7, book)
	require.NoError(t, err)
	for range 1000 {
		bad := bytes.Clone(sealed)
		at := random.IntN(len(bad))
		bad[at] ^= 1 << random.IntN(8)
		pdf, seal, ok := attest.Split(bad)
		if !ok {
			continue // the seal is gone, which the command says
		}
		f, err := attest.Verify(pdf, seal, attest.Against{Key: s.Public()})
		require.True(t, err != nil || !f.Unaltered && len(f.Problems) > 0, "byte %d", at)
	}
}

func TestWhatASealDoesNotHoldFor(t *testing.T) {
	s, other := signer(t), signer(t)
	seal, err := s.Seal(file, 7, book)
	require.NoError(t, err)
	for name, c := range map[string]struct {
		a    attest.Against
		want string
	}{
		"another key":       {attest.Against{Key: other.Public()}, "another key than this shed's"},
		"another book":      {attest.Against{Book: "77"}, "another job book"},
		"a rewritten book":  {attest.Against{Book: book.ID, HashAt: func(int64) ([]byte, error) { return make([]byte, 32), nil }}, "written anew since, or is an older copy"},
		"a witness against": {attest.Against{HashAt: hashAt, Head: "18:" + hex.EncodeToString(hash)}, "does not have the row 18"},
		"a witness afar":    {attest.Against{Head: "18:" + hex.EncodeToString(hash)}, "run this in the shed"},
		"no witness":        {attest.Against{HashAt: hashAt, Head: "yesterday"}, "no head of a chain"},
	} {
		f, err := attest.Verify(file, seal, c.a)
		require.NoError(t, err, name)
		require.True(t, f.Unaltered, name)
		require.Len(t, f.Problems, 1, name)
		require.Contains(t, f.Problems[0], c.want, name)
	}
	_, err = attest.Verify(file, []byte("{}"), attest.Against{})
	require.Error(t, err)
	_, err = attest.Verify(file, append([]byte(" "), seal...), attest.Against{})
	require.ErrorContains(t, err, "written anew by something else")
}

func TestTheKeyIsKept(t *testing.T) {
	dir := t.TempDir()
	a, err := attest.OpenKey(dir)
	require.NoError(t, err)
	b, err := attest.OpenKey(dir)
	require.NoError(t, err)
	require.Equal(t, a.Public(), b.Public())
	st, err := os.Stat(filepath.Join(dir, "record.key"))
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), st.Mode().Perm())
	require.NoError(t, os.WriteFile(filepath.Join(dir, "record.key"), []byte("short"), 0o600))
	_, err = attest.OpenKey(dir)
	require.ErrorContains(t, err, "bring it back from a backup")
}
