package systemd

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func unit(t *testing.T) map[string][]string {
	t.Helper()
	b, err := os.ReadFile("tackline.service")
	require.NoError(t, err)
	out := map[string][]string{}
	for line := range strings.SplitSeq(string(b), "\n") {
		if key, value, ok := strings.Cut(line, "="); ok && !strings.HasPrefix(line, "#") {
			out[key] = append(out[key], value)
		}
	}
	return out
}

// What the unit promises, and that what it must not close is open: buses, the kernel's sensors, the wall clock's own target.
func TestUnit(t *testing.T) {
	u := unit(t)
	for key, want := range map[string]string{"Type": "notify", "RestartPreventExitStatus": "78", "Restart": "on-failure", "ExecReload": "/bin/sh -c 'kill -HUP $MAINPID'",
		"LoadCredential": "secret:/etc/tackline/secrets", "User": "tackline", "DevicePolicy": "closed", "SupplementaryGroups": "i2c gpio iio", "StateDirectory": "tackline"} {
		require.Equal(t, []string{want}, u[key], key)
	}
	require.Contains(t, u["After"][0], "time-set.target")
	for key, values := range u {
		for _, v := range values {
			require.NotContains(t, v, "network-online", key)
			require.NotContains(t, v, "time-sync.target", key)
		}
	}
	require.Equal(t, []string{"char-i2c rw", "char-gpiochip rw", "char-iio rw"}, u["DeviceAllow"])
	for _, key := range []string{"PrivateDevices", "PrivateUsers", "PrivateNetwork", "ProcSubset", "InaccessiblePaths"} {
		require.NotContains(t, u, key, "it would close a bus, the kernel's sensors or the page")
	}
	require.Contains(t, u, "WatchdogSec")
	require.NotEqual(t, "", u["ReadWritePaths"][0])
}

// Each device that the unit lets through has a group that sysusers makes, the user is in, udev gives, and the unit names.
func TestGroupsAgree(t *testing.T) {
	users, err := os.ReadFile("tackline.sysusers")
	require.NoError(t, err)
	rules, err := os.ReadFile("70-tackline.rules")
	require.NoError(t, err)
	for group := range strings.FieldsSeq(unit(t)["SupplementaryGroups"][0]) {
		require.Contains(t, string(users), "\ng "+group+" - -\n")
		require.Contains(t, string(users), "\nm tackline "+group+"\n")
		require.Contains(t, string(rules), `GROUP="`+group+`", MODE="0660"`)
	}
}

// analyze runs systemd-analyze, or skips where there is none.
func analyze(t *testing.T, args ...string) string {
	t.Helper()
	path, err := exec.LookPath("systemd-analyze")
	if err != nil {
		if os.Getenv("TACKLINE_REQUIRE") != "" {
			require.NoError(t, err, "the unit is checked by systemd-analyze")
		}
		t.Skip("no systemd-analyze here")
	}
	out, err := exec.Command(path, args...).CombinedOutput()
	require.NoError(t, err, "%s", out)
	return string(out)
}

// Exposure as systemd reckons it, 0 to 10: 2.0 at the most.
func TestExposure(t *testing.T) {
	out := analyze(t, "security", "--offline=true", "--no-pager", "tackline.service")
	m := regexp.MustCompile(`Overall exposure level for tackline.service: ([0-9.]+)`).FindStringSubmatch(out)
	require.NotNil(t, m, out)
	level, err := strconv.ParseFloat(m[1], 64)
	require.NoError(t, err)
	t.Logf("exposure %.1f", level)
	require.LessOrEqual(t, level, 2.0, out)
}

// The unit as systemd reads it: no unknown key, no bad value. The program itself is a stand-in.
func TestUnitIsUnderstood(t *testing.T) {
	root := t.TempDir()
	b, err := os.ReadFile("tackline.service")
	require.NoError(t, err)
	path := filepath.Join(root, "tackline.service")
	require.NoError(t, os.WriteFile(path, []byte(strings.ReplaceAll(string(b), "/usr/bin/tackline", "/bin/true")), 0o600))
	require.NotContains(t, analyze(t, "verify", "--man=no", path), "tackline.service:")
}
