package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestDaemonMeetsABadConfig: the unit must not restart on it, hence 78; the same findings by check are a 3.
func TestDaemonMeetsABadConfig(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bad.toml")
	require.NoError(t, os.WriteFile(path, []byte("format = 1\n[shed]\nname = \"x\"\nzone = \"Nowhere/Land\"\nlissen = \"127.0.0.1:0\"\n"), 0o600))
	r := tackline(t, "daemon", "--config", path)
	require.Equal(t, exitConfig, r.code)
	require.Contains(t, r.err, "Nowhere/Land")
	require.Contains(t, r.err, "listen")
	require.Equal(t, exitWanting, tackline(t, "check", "--config", path).code)
	require.Equal(t, exitConfig, tackline(t, "daemon", "--config", filepath.Join(t.TempDir(), "none.toml")).code)
}
