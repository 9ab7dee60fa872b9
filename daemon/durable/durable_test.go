package durable

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// That it outlives a power cut is tried on the emulated board, see deploy/board.
func TestWriteFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.key")
	for _, text := range []string{"one", "another"} {
		require.NoError(t, WriteFile(path, []byte(text), 0o600))
		b, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Equal(t, text, string(b))
		st, err := os.Stat(path)
		require.NoError(t, err)
		require.Equal(t, os.FileMode(0o600), st.Mode().Perm())
	}
	require.ErrorContains(t, WriteFile(filepath.Join(dir, "none", "a.key"), nil, 0o600), "durable: write")
	require.NoError(t, os.Mkdir(filepath.Join(dir, "folder"), 0o700))
	require.Error(t, WriteFile(filepath.Join(dir, "folder"), []byte("x"), 0o600))
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	require.Len(t, left, 2, "nothing half written is left behind")
}

// A disk that the kernel turned read-only is played on the emulated board, see deploy/board.
func TestWritable(t *testing.T) {
	require.NoError(t, Writable(t.TempDir()))
	require.ErrorIs(t, Writable(filepath.Join(t.TempDir(), "none")), os.ErrNotExist)
}
