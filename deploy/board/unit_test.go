package board

import (
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// root makes a disk with a Debian root and what the package lays into it. The kernel turns it read-only at the first fault that it finds, as Debian
// mounts its root, and one lies in wait: a folder whose only block is rubbish.
func (k *kit) root(t *testing.T) (disk string) {
	t.Helper()
	with := filepath.Join(t.TempDir(), "root")
	out, err := exec.Command("cp", "-a", filepath.Join(k.folder, "root"), with).CombinedOutput()
	require.NoError(t, err, "%s", out)
	put := func(path, text string, mode os.FileMode) {
		t.Helper()
		require.NoError(t, os.MkdirAll(filepath.Dir(filepath.Join(with, path)), 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(with, path), []byte(text), mode))
	}
	for from, to := range map[string]string{"70-tackline.rules": "lib/udev/rules.d/70-tackline.rules", "tackline.service": "lib/systemd/system/tackline.service",
		"tackline.sysusers": "usr/lib/sysusers.d/tackline.conf", "tackline.tmpfiles": "usr/lib/tmpfiles.d/tackline.conf"} {
		put(to, string(read(t, filepath.Join("../systemd", from))), 0o644)
	}
	put("usr/bin/tackline", string(read(t, filepath.Join(k.built, "tackline"))), 0o755)
	put("guest", string(read(t, filepath.Join(k.built, "init"))), 0o755)
	put("etc/tackline/tackline.toml", strings.ReplaceAll(config, `"/data"`, `"/var/lib/tackline"`)+lampOnAPin, 0o644)
	put("var/lib/tackline/local.key", boardKey+"\n", 0o600)
	put("etc/machine-id", strings.Repeat("5a", 16)+"\n", 0o444) // so that this is no first boot, in which systemd would set the machine up
	put("etc/systemd/system/tackline.service.d/bounds.conf", "[Service]\nExecStartPost=-/guest bounds\n", 0o644)
	put("worn/page", "x", 0o600)
	require.NoError(t, os.MkdirAll(filepath.Join(with, "etc/systemd/system/multi-user.target.wants"), 0o755))
	require.NoError(t, os.Symlink("/lib/systemd/system/tackline.service", filepath.Join(with, "etc/systemd/system/multi-user.target.wants/tackline.service")))
	// Of what a Debian root starts, only what the unit rests on: the emulated processor is slow.
	keep := []string{"systemd-udevd.service", "systemd-udev-trigger.service", "systemd-sysusers.service", "systemd-journald.service", "systemd-journald.socket",
		"systemd-udevd-kernel.socket", "systemd-udevd-control.socket", "systemd-journald-dev-log.socket", "50-udev-default.rules", "70-tackline.rules"}
	for _, pattern := range []string{"lib/systemd/system/*.wants/*", "lib/udev/rules.d/*"} {
		found, err := filepath.Glob(filepath.Join(with, pattern))
		require.NoError(t, err)
		for _, f := range found {
			if !slices.Contains(keep, filepath.Base(f)) {
				require.NoError(t, os.Remove(f))
			}
		}
	}
	for _, idle := range []string{"getty.target", "dev-hugepages.mount", "systemd-remount-fs.service", "systemd-update-utmp.service", "systemd-user-sessions.service"} {
		require.NoError(t, os.Symlink("/dev/null", filepath.Join(with, "etc/systemd/system", idle)))
	}
	for _, d := range []string{"proc", "sys", "dev", "run", "tmp", "root", "etc/tackline/secrets"} {
		require.NoError(t, os.MkdirAll(filepath.Join(with, d), 0o755))
	}
	disk = filepath.Join(t.TempDir(), "root.img")
	require.NoError(t, os.WriteFile(disk, nil, 0o600))
	require.NoError(t, os.Truncate(disk, 192<<20))
	tool(t, "mkfs.ext4", "-q", "-F", "-e", "remount-ro", "-E", "root_owner=0:0", "-d", with, disk)
	tool(t, "debugfs", "-w", "-R", "zap_block -f /worn -p 0xa5 0", disk)
	return disk
}

// devicesOfTheUnit: under the unit's own rules the daemon's user opens the buses that it needs, by the groups that udev gives them, and nothing else.
// What is refused is refused by the unit, since the files themselves are open to all.
func (m *machine) devicesOfTheUnit(t *testing.T) {
	m.t = t
	bounds := ""
	m.until(t, "the unit has been started to the end", func() bool {
		b, code, err := m.get(m.files, "/run/tackline/bounds")
		bounds = string(b)
		return err == nil && code == http.StatusOK && strings.HasSuffix(bounds, "done\n")
	})
	t.Logf("\n%s", bounds)
	said := map[string]string{}
	for line := range strings.Lines(bounds) {
		what, came, _ := strings.Cut(strings.TrimSpace(line), ": ")
		said[what] = came
	}
	require.NotEqual(t, "0", said["user"])
	require.Equal(t, "12.5000", said["temperature"], "of the chip that no driver holds, as the host has set it")
	for _, open := range []string{"i2c", "gpio", "hwmon file", "w1 file", "w1 trigger", "own folder"} {
		require.Equal(t, "ok", said[open], open)
	}
	require.Contains(t, said["iio"], "no such device or address", "let through, with nothing behind it")
	for _, shut := range []string{"memory", "disk"} {
		require.Contains(t, said[shut], "operation not permitted", shut)
	}
	for _, shut := range []string{"kernel setting", "system"} {
		require.Contains(t, said[shut], "refused", shut)
	}
	// The only thermometer of a 1-Wire bus is changed for another: the trigger of the bus goes and comes with them.
	const master = "/sys/devices/w1_bus_master1/"
	m.write(master+"w1_master_remove", "28-000000000001")
	m.write(master+"w1_master_add", "28-000000000002")
	m.until(t, "the daemon's group may start the conversion on a bus", func() bool {
		b, _, err := m.ask(http.MethodPost, m.files, master+"therm_bulk_read", "")
		return err == nil && regexp.MustCompile(`^0 [1-9]\d* 664$`).Match(b)
	})
	for _, bus := range []string{"/dev/i2c-0", "/dev/gpiochip0"} {
		b, code, err := m.ask(http.MethodPost, m.files, bus, "")
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, code)
		require.Regexp(t, `^0 [1-9]\d* 660$`, string(b), "%s belongs to root and its group alone", bus)
	}
}
