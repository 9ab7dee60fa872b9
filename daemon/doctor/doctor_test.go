package doctor

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// board unpacks files of a board that does not exist; all belong to whoever runs the test.
func boardOf(t *testing.T, files map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for name, text := range files {
		full := filepath.Join(root, filepath.FromSlash(name))
		require.NoError(t, os.MkdirAll(filepath.Dir(full), 0o755))
		require.NoError(t, os.WriteFile(full, []byte(text), 0o660))
		require.NoError(t, os.Chmod(full, 0o660))
	}
	return root
}

func plenty(string) (uint64, uint64, error) { return 9 << 30, 16 << 30, nil }

// well is a board that is well.
func well() map[string]string {
	return map[string]string{
		"proc/device-tree/model":                            "Shed board of the examples\x00",
		"proc/sys/kernel/osrelease":                         "6.12.1\n",
		"sys/class/hwmon/hwmon4/name":                       "rpi_volt\n",
		"sys/class/hwmon/hwmon4/in0_lcrit_alarm":            "0\n",
		"sys/class/rtc/rtc0/name":                           "battery\n",
		"run/systemd/timesync/synchronized":                 "",
		"proc/self/mounts":                                  "/dev/mmcblk0p2 / ext4 rw,noatime 0 0\ntmpfs /run tmpfs rw 0 0\n",
		"proc/swaps":                                        "Filename Type Size Used Priority\n/dev/zram0 partition 1 0 100\n",
		"dev/i2c-1":                                         "",
		"etc/group":                                         fmt.Sprintf("root:x:98765:\ni2c:x:%d:\n", os.Getgid()),
		"sys/class/thermal/thermal_zone0/temp":              "41000\n",
		"sys/bus/w1/devices/w1_bus_master1/therm_bulk_read": "0\n",
		"sys/bus/w1/devices/28-0316a2791234/ext_power":      "1\n",
	}
}

// stranger is nobody who owns a file of the test.
func stranger(groups ...uint32) Identity {
	return Identity{User: "tackline", UID: 54321, Groups: groups}
}

func examine(t *testing.T, files map[string]string, change func(o *Options)) map[string][]Finding {
	t.Helper()
	o := Options{Root: boardOf(t, files), Data: "/var/lib/tackline", Who: stranger(uint32(os.Getgid())), Buses: []int64{1}, W1: true, Free: plenty}
	if change != nil {
		change(&o)
	}
	by := map[string][]Finding{}
	for _, f := range Examine(o) {
		by[f.Part] = append(by[f.Part], f)
		require.NotEmpty(t, f.Text)
		require.True(t, f.State != Wrong || f.Do != "", "what is wrong says what to do: %v", f)
	}
	return by
}

func TestAWellBoard(t *testing.T) {
	for part, list := range examine(t, well(), nil) {
		for _, f := range list {
			require.Equal(t, OK, f.State, "%s: %s", part, f.Text)
		}
	}
}

// Each thing that goes wrong is found, by its own name, with what to do.
func TestWhatGoesWrong(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(f map[string]string)
		opt    func(o *Options)
		part   string
		state  State
		says   string
		do     string
	}{
		{"undervoltage, by the kernel", func(f map[string]string) { f["sys/class/hwmon/hwmon4/in0_lcrit_alarm"] = "1\n" }, nil, "supply", Wrong, "too low", "stronger supply"},
		{"undervoltage, by the firmware", func(f map[string]string) {
			delete(f, "sys/class/hwmon/hwmon4/name")
			f["sys/devices/platform/soc/soc:firmware/get_throttled"] = "50005\n"
		}, nil, "supply", Wrong, "now; the processor is slowed down now; the supply was too low since the start", "cable"},
		{"no word on the supply", func(f map[string]string) { delete(f, "sys/class/hwmon/hwmon4/name") }, nil, "supply", Unknown, "does not tell", ""},
		{"no clock at all", func(f map[string]string) {
			delete(f, "sys/class/rtc/rtc0/name")
			delete(f, "run/systemd/timesync/synchronized")
		}, nil, "clock", Wrong, "no battery clock", "battery clock"},
		{"no battery clock", func(f map[string]string) { delete(f, "sys/class/rtc/rtc0/name") }, nil, "clock", Notice, "after a power cut", "battery clock"},
		{"data in memory", nil, func(o *Options) { o.Data = "/run/tackline" }, "disk", Wrong, "tmpfs", "disk"},
		{"data on a stick as it came", func(f map[string]string) { f["proc/self/mounts"] += "/dev/sda1 /var/lib/tackline vfat rw 0 0\n" }, nil, "disk", Wrong, "vfat", "ext4"},
		{"a card that turned read-only", func(f map[string]string) { f["proc/self/mounts"] = "/dev/mmcblk0p2 / ext4 ro,noatime 0 0\n" }, nil, "disk", Wrong, "read-only", "replace"},
		{"a card that is written by reading", func(f map[string]string) { f["proc/self/mounts"] = "/dev/mmcblk0p2 / ext4 rw 0 0\n" }, nil, "card wear", Notice, "time of reading", "noatime"},
		{"swapping to the card", func(f map[string]string) { f["proc/swaps"] += "/var/swap file 102396 0 -2\n" }, nil, "card wear", Notice, "/var/swap", "zram"},
		{"a full disk", nil, func(o *Options) { o.Free = func(string) (uint64, uint64, error) { return 50 << 20, 16 << 30, nil } }, "space", Wrong, "0.05 GB", "make room"},
		{"space unknown", nil, func(o *Options) {
			o.Free = func(string) (uint64, uint64, error) { return 0, 0, errors.New("no such file") }
		}, "space", Unknown, "no such file", ""},
		{"not in the group", nil, func(o *Options) { o.Who = stranger(77) }, "I2C bus 1", Wrong, "not in group i2c", "usermod -aG i2c tackline"},
		{"the group is root's", func(f map[string]string) { f["etc/group"] = fmt.Sprintf("root:x:%d:\n", os.Getgid()) }, func(o *Options) { o.Who = stranger(77) },
			"I2C bus 1", Wrong, "root alone", `SUBSYSTEM=="i2c-dev", GROUP="i2c"`},
		{"I2C switched off", func(f map[string]string) { delete(f, "dev/i2c-1") }, nil, "I2C bus 1", Wrong, "not switched on", "switch I2C on"},
		{"I2C without its module", func(f map[string]string) {
			delete(f, "dev/i2c-1")
			f["sys/bus/i2c/devices/i2c-1/name"] = "bus\n"
		}, nil, "I2C bus 1", Wrong, "/dev/i2c-1 is missing", "i2c-dev"},
		{"no common conversion allowed", nil, func(o *Options) { o.Who = stranger(77) }, "1-Wire", Notice, "may not start a common conversion", "udev"},
		{"no 1-Wire", func(f map[string]string) {
			delete(f, "sys/bus/w1/devices/w1_bus_master1/therm_bulk_read")
		}, nil, "1-Wire", Wrong, "no 1-Wire bus", "w1-gpio"},
		{"fed over its data line", func(f map[string]string) { f["sys/bus/w1/devices/28-0316a2791234/ext_power"] = "0\n" }, nil, "1-Wire", Notice, "28-0316a2791234", "third wire"},
		{"hot", func(f map[string]string) { f["sys/class/thermal/thermal_zone0/temp"] = "65000\n" }, nil, "heat", Notice, "too warm and too dry", "cable's length"},
		{"too hot", func(f map[string]string) { f["sys/class/thermal/thermal_zone0/temp"] = "85000\n" }, nil, "heat", Wrong, "slows itself down", "air"},
	} {
		files := well()
		if c.change != nil {
			c.change(files)
		}
		var hit []string
		found := false
		for _, f := range examine(t, files, c.opt)[c.part] {
			hit = append(hit, fmt.Sprintf("%s: %s (%s)", f.State, f.Text, f.Do))
			found = found || f.State == c.state && strings.Contains(f.Text, c.says) && strings.Contains(f.Do, c.do)
		}
		require.True(t, found, "%s: %v", c.name, hit)
	}
}

// An empty root: nothing is known, nothing panics.
func TestNothingThere(t *testing.T) {
	by := examine(t, map[string]string{}, nil)
	require.Equal(t, Unknown, by["board"][0].State)
	require.Equal(t, Unknown, by["disk"][0].State)
}
