package rules

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestTopLevelHoldsNothingElse: the agreed folders and files, and dot files.
func TestTopLevelHoldsNothingElse(t *testing.T) {
	agreed := map[string]bool{"cmd": true, "daemon": true, "sensors": true, "advisor": true, "dashboard": true, "deploy": true, "testdata": true,
		"go.mod": true, "go.sum": true, "README.md": true, "DEVELOPERS.md": true}
	entries, err := os.ReadDir(repositoryRoot(t))
	require.NoError(t, err)
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") {
			require.Truef(t, agreed[e.Name()], "top level holds %s", e.Name())
		}
	}
}

// TestNoGrabBagPackages: a package is named for what it has, not for being shared.
func TestNoGrabBagPackages(t *testing.T) {
	banned := map[string]bool{"types": true, "common": true, "utils": true, "util": true, "models": true, "helpers": true, "misc": true}
	eachGoFile(t, repositoryRoot(t), func(file string) {
		require.Falsef(t, banned[filepath.Base(filepath.Dir(file))], "%s stands in a grab-bag package", file)
	})
}

// TestNoDurabilityIsSwitchedOff: no code weakens the databases, and no code forces an I2C address that a kernel driver owns.
func TestNoDurabilityIsSwitchedOff(t *testing.T) {
	root := repositoryRoot(t)
	banned := []string{"synchronous(" + "OFF", "synchronous=" + "OFF", "synchronous = " + "OFF", "journal_mode(" + "OFF", "journal_mode(" + "MEMORY",
		"journal_mode=" + "OFF", "journal_mode=" + "MEMORY", "I2C_SLAVE_" + "FORCE"}
	eachGoFile(t, root, func(file string) {
		if strings.HasPrefix(file, "deploy/rules/") {
			return
		}
		b, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(file)))
		require.NoError(t, err)
		for _, s := range banned {
			require.NotContainsf(t, strings.ToLower(string(b)), strings.ToLower(s), "%s", file)
		}
	})
}

// TestReadmeHasEveryBudget: each budget of deploy/budgets is named by a benchmark that exists, and stands in the table of the README.
func TestReadmeHasEveryBudget(t *testing.T) {
	root := repositoryRoot(t)
	text, err := os.ReadFile(filepath.Join(root, "deploy", "budgets"))
	require.NoError(t, err)
	readme, err := os.ReadFile(filepath.Join(root, "README.md"))
	require.NoError(t, err)
	_, table, found := strings.Cut(string(readme), "<!-- budgets: ")
	require.True(t, found)
	table, _, found = strings.Cut(table, "<!-- end of budgets -->")
	require.True(t, found)
	budgets := 0
	for line := range strings.Lines(string(text)) {
		what, isBudget := strings.CutPrefix(line, "budget ")
		if !isBudget {
			continue
		}
		budgets++
		part := strings.Split(strings.TrimSpace(what), "; ")
		require.Len(t, part, 4, line)
		require.Contains(t, table, "| "+part[0]+" | "+part[1]+" |", "run deploy/bench -budgets")
	}
	require.Greater(t, budgets, 15)
}
