package sensortest

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Tree unpacks a tree of files out of one text, as the read-me beside the texts says, into a temporary folder, and gives that.
func Tree(t *testing.T, path string) (root string) {
	t.Helper()
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	root = t.TempDir()
	name := ""
	var body strings.Builder
	flush := func() {
		if name != "" {
			require.NoError(t, os.WriteFile(name, []byte(body.String()), 0o644))
		}
		name = ""
		body.Reset()
	}
	for line := range strings.Lines(string(text)) {
		head, ok := strings.CutPrefix(strings.TrimSpace(line), "-- ")
		head, end := strings.CutSuffix(head, " --")
		if !ok || !end {
			body.WriteString(line)
			continue
		}
		flush()
		file, target, link := strings.Cut(head, " -> ")
		full := filepath.Join(root, filepath.FromSlash(file))
		require.NoError(t, os.MkdirAll(filepath.Dir(full), 0o755))
		if link {
			require.NoError(t, os.Symlink(filepath.FromSlash(target), full))
			continue
		}
		name = full
	}
	flush()
	return root
}
