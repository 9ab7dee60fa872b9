package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor/sequence"
)

// sequenceOn plans a piece that has one coat, changes the plan, says what was done and takes it back.
func sequenceOn(t *testing.T, good func(...string) string, piece string) {
	t.Helper()
	require.Contains(t, good("job", "templates"), "wet method")
	require.Contains(t, good("job", "steps", piece), "has no plan")
	out := good("job", "steps", piece, "--template", "wet-method", "--system", "medium", "--fabric", "200", "--fills", "4")
	require.Contains(t, out, "Kept: 5 steps for keel.")
	require.Contains(t, out, "fill x 4, until the weave is full; waits for: recoat window; medium")
	var plan struct {
		Plan []sequence.Step
		Next *sequence.Next
		Done []sequence.Place
	}
	told := func() bool {
		require.NoError(t, json.Unmarshal([]byte(good("job", "steps", piece, "--json")), &plan))
		return plan.Next != nil && plan.Next.Of == int64(len(plan.Plan))
	}
	require.Eventually(t, told, 20*time.Second, 100*time.Millisecond)
	require.Equal(t, sequence.Bedding, plan.Next.Work, "the seal coat is on")
	require.Equal(t, sequence.Done, plan.Done[0].Mark)
	require.Contains(t, good("coat", "list"), "step 2 of 5. Next: bedding")
	require.Contains(t, good("now"), "step 2 of 5: Next: bedding")
	require.Contains(t, good("job", "steps", piece), "done")

	out = good("job", "steps", piece, "--drop", "1", "--insert", "4=further-fabric", "--insert", "5=wet-out", "--fabric", "200")
	require.Contains(t, out, "further fabric; waits for: wet; fabric 200 g/m2")
	require.Contains(t, good("job", "steps", piece, "--clear"), "has no plan")
	file := filepath.Join(t.TempDir(), "plan.json")
	b, err := json.Marshal(map[string]any{"plan": plan.Plan})
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(file, b, 0o600))
	require.Contains(t, good("job", "steps", piece, "--from", file), "Kept: 5 steps")

	out = good("job", "did", piece, "peel ply off", "--note", "came off clean")
	require.Contains(t, out, "keel, peel ply off")
	entry := out[strings.Index(out, "(entry ")+len("(entry "):]
	require.Contains(t, good("job", "undo", entry[:strings.Index(entry, ")")]), "is taken back")
	require.Contains(t, good("job", "did", piece, "washed", "--at", "2026-01-21T13:00:30Z"), "washed")
}
