package main

import (
	"encoding/json"
	"image"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// TestPackAJob packs the demonstration's job by the daemon, opens the archive read-only, and works it out again: here to the same bytes, on an emulated
// ARMv6 board to the same words with numbers within 1e-9. A changed archive is told as one.
func TestPackAJob(t *testing.T) {
	call := shedForCommands(t)
	dir := t.TempDir()
	file := filepath.Join(dir, "sandpiper.zip")
	photo := filepath.Join(dir, "p.png")
	f, err := os.Create(photo)
	require.NoError(t, err)
	require.NoError(t, png.Encode(f, image.NewGray(image.Rect(0, 0, 30, 20))))
	require.NoError(t, f.Close())
	require.Zero(t, call("job", "photo", photo, "--coat", "7", "--caption", "gloss at the stem").code)
	require.Eventually(t, func() bool { // until the two coats that ended are frozen
		r := call("job", "pack", "2", "--out", file, "--workshop", "moulding-shop")
		require.Zero(t, r.code, r.err)
		require.Contains(t, r.out, "Packed into")
		var got packJSON
		require.NoError(t, json.Unmarshal([]byte(call("job", "open", file, "--json").out), &got))
		return len(got.Computed) == 2
	}, time.Minute, 200*time.Millisecond)
	r := call("job", "open", file)
	require.Zero(t, r.code, r.out+r.err)
	require.Contains(t, r.out, "Worked out again: the same bytes.")
	require.Contains(t, r.out, "as it was sealed")

	pdf := filepath.Join(dir, "again.pdf")
	require.Zero(t, call("job", "open", file, "--format", "pdf", "--paper", "letter", "--out", pdf).code)
	again, err := os.ReadFile(pdf)
	require.NoError(t, err)
	require.Contains(t, string(again[:8]), "%PDF-1")
	require.Equal(t, 2, call("job", "open", file, "--format", "doc").code)
	require.Equal(t, 2, call("job", "open", filepath.Join(dir, "absent.zip")).code)
	require.NotZero(t, call("job", "pack", "999", "--out", filepath.Join(dir, "none.zip")).code)
	require.NoFileExists(t, filepath.Join(dir, "none.zip"))

	b, err := os.ReadFile(file)
	require.NoError(t, err)
	b[len(b)/3] ^= 1
	bad := filepath.Join(dir, "bad.zip")
	require.NoError(t, os.WriteFile(bad, b, 0o600))
	r = call("job", "open", bad)
	require.Equal(t, 3, r.code)
	require.Contains(t, r.err, "no whole pack")

	t.Run("on another processor", func(t *testing.T) { openOnARM(t, file) })
}

// openOnARM opens a pack by a program for ARMv6, under QEMU's user mode.
func openOnARM(t *testing.T, file string) {
	qemu, err := exec.LookPath("qemu-arm-static")
	if err != nil {
		if os.Getenv("TACKLINE_REQUIRE") == "1" {
			t.Fatal("qemu-arm-static is not installed, and TACKLINE_REQUIRE=1 asks for it")
		}
		t.Skip("qemu-arm-static is not installed (Debian: qemu-user-static)")
	}
	if testing.Short() {
		t.Skip("-short: no program is built for another processor")
	}
	program := filepath.Join(t.TempDir(), "tackline-arm")
	build := exec.CommandContext(t.Context(), "../../deploy/build", program)
	build.Env = append(os.Environ(), "GOOS=linux", "GOARCH=arm", "GOARM=6")
	out, err := build.CombinedOutput()
	require.NoError(t, err, string(out))
	said, err := exec.CommandContext(t.Context(), qemu, program, "job", "open", file, "--json").Output()
	require.NoError(t, err, string(said))
	var got packJSON
	require.NoError(t, json.Unmarshal(said, &got))
	require.True(t, got.Unaltered)
	require.Empty(t, got.Problems)
	require.Len(t, got.Computed, 2)
	require.NotNil(t, got.Computed[0].Conversion)
	require.LessOrEqual(t, got.Worst, 1e-9)
	t.Logf("on arm: same bytes %v, numbers within %.2g", got.SameBytes, got.Worst)
}
