package faults

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestEveryNameIsATest holds the tables of faults and requirements to the tests that they name.
func TestEveryNameIsATest(t *testing.T) {
	text, err := os.ReadFile("../../DEVELOPERS.md")
	require.NoError(t, err)
	_, tables, ok := strings.Cut(string(text), "## Faults, and what is promised")
	require.True(t, ok)
	tables, _, _ = strings.Cut(tables, "\n## ")
	there := map[string]bool{}
	declared := regexp.MustCompile(`(?m)^func (Test\w+)\(`)
	require.NoError(t, filepath.WalkDir("../..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		source, err := os.ReadFile(path)
		for _, m := range declared.FindAllStringSubmatch(string(source), -1) {
			there[m[1]] = true
		}
		return err
	}))
	names := regexp.MustCompile("`(Test\\w+)`").FindAllStringSubmatch(tables, -1)
	require.Greater(t, len(names), 80)
	for _, n := range names {
		require.True(t, there[n[1]], "%s is in the table, and no test has that name", n[1])
	}
	require.Len(t, regexp.MustCompile(`(?m)^\| \d+ \| `).FindAllString(tables, -1), 25)
}
