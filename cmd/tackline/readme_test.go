package main

import (
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestEveryPrintedCommandIsThere: each command of the guides is one of ours, with flags that it has and as many words as it takes, and each path in them is in
// the tree. What the first ten minutes do is run as it is printed by deploy/packages/test.
func TestEveryPrintedCommandIsThere(t *testing.T) {
	inline := regexp.MustCompile("`([^`\n]+)`")
	path := regexp.MustCompile(`^(deploy|cmd|daemon|sensors|advisor|dashboard|testdata)/[\w./-]+$`)
	words := regexp.MustCompile(`"[^"]*"|\S+`)
	commands, paths := 0, 0
	for _, guide := range []string{"../../README.md", "../../deploy/README.md"} {
		b, err := os.ReadFile(guide)
		require.NoError(t, err)
		var lines []string
		for i, part := range strings.Split(string(b), "\n```") {
			if i%2 == 1 { // the rest of the fence's own line is no command
				_, code, _ := strings.Cut(part, "\n")
				for line := range strings.SplitSeq(code, "\n") {
					line, _, _ = strings.Cut(line, "  #")
					lines = append(lines, strings.TrimPrefix(strings.TrimSpace(line), "sudo "))
				}
				continue
			}
			for _, m := range inline.FindAllStringSubmatch(part, -1) {
				lines = append(lines, m[1])
			}
		}
		for _, line := range lines {
			for one := range strings.SplitSeq(line, " && ") {
				args := words.FindAllString(one, -1)
				for _, a := range args {
					if path.MatchString(a) {
						paths++
						found, err := filepath.Glob(filepath.Join("../..", a))
						require.NoError(t, err)
						require.NotEmpty(t, found, "%s: %s: no %s", guide, line, a)
					}
				}
				if len(args) < 2 || args[0] != "tackline" {
					continue
				}
				commands++
				args = slices.DeleteFunc(args, func(a string) bool { return a == "--help" })
				for i := range args {
					args[i] = strings.Trim(args[i], `"`)
				}
				for _, words := range alternatives(args) {
					root := newRootCmd(env{in: strings.NewReader(""), out: io.Discard, err: io.Discard, now: time.Now, getenv: func(string) string { return "" }})
					c, rest, err := root.Find(words[1:])
					require.NoError(t, err, "%s: %s", guide, line)
					require.NotEqual(t, root, c, "%s: %s", guide, line)
					require.NoError(t, c.ParseFlags(rest), "%s: %s", guide, line)
					if left := c.Flags().Args(); len(left) > 0 { // without words it is spoken of, not called
						require.NoError(t, c.ValidateArgs(left), "%s: %s", guide, line)
					}
				}
			}
		}
	}
	t.Logf("%d commands, %d paths", commands, paths)
	require.Greater(t, commands, 50)
	require.Greater(t, paths, 8)
}

// alternatives gives a command once for each of what bars part in it, as in "alert seen|snooze".
func alternatives(args []string) [][]string {
	for i, a := range args {
		if before, after, ok := strings.Cut(a, "|"); ok {
			first, others := slices.Clone(args), slices.Clone(args)
			first[i], others[i] = before, after
			return append([][]string{first}, alternatives(others)...)
		}
	}
	return [][]string{args}
}
