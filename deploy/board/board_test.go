package board

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const lampOnAPin = `[[alert]]
name = "lamp"
kind = "gpio"
pin = "LED3"
device = "lamp"
min = "critical"
`

const config = `[shed]
name = "Emulated board (invented)"
zone = "UTC"
data = "/data"
listen = "0.0.0.0:8080"
commit_every = "1s"
[[probe]]
name = "bow"
kind = "sysfs"
place = "air"
device = "tmp105@0-0048"
interval = "1s"
[[probe]]
name = "stern"
kind = "sysfs"
place = "outdoors"
device = "tmp105@0-0049"
interval = "1s"
[[alert]]
name = "log"
kind = "log"
`

// thermometers are those that the kernel is told of.
const thermometers = "sensors=tmp105@0x48,tmp105@0x49"

// TestBoard is one board on which several things are tried, one after the other. Its disk is a Debian root in which systemd runs the daemon by the unit
// and the rules of deploy/systemd.
func TestBoard(t *testing.T) {
	k := newKit(t, config)
	disk := k.root(t)
	m := k.boot(t, disk, thermometers+" w1=28-000000000001 unit=tackline systemd.unit=multi-user.target systemd.journald.forward_to_console=1")
	t.Run("DevicesOfTheUnit", m.devicesOfTheUnit)
	t.Run("KernelSensor", m.kernelSensor)
	t.Run("ALampOnAPin", m.aLampOnAPin)
	t.Run("ReadOnlyCard", func(t *testing.T) { m.readOnlyCard(t, disk) })
}

// kernelSensor: a real kernel reads the thermometers. The temperature is changed from outside; a driver is unbound and bound; both are
// bound again in the other order, so that the kernel numbers them the other way round. The daemon is never started again.
func (m *machine) kernelSensor(t *testing.T) {
	m.t = t
	first := m.number("0-0048")
	m.shows("bow", 18)
	m.shows("stern", 5)
	m.set("t0", 21_500)
	m.shows("bow", 21.5) // a step of 3.5 K in no time: held back until the readings after it agree
	m.set("t0", 21_530)
	m.shows("bow", 21.5) // the chip's own step is 1/16 K
	m.set("t1", -12_063)
	m.shows("stern", -12.0625)

	const driver = "/sys/bus/i2c/drivers/lm75/"
	m.write(driver+"unbind", "0-0048")
	m.sees("bow", "absent", func(p probe) bool { return p.Problem == "does not answer" })
	m.shows("stern", -12.0625) // the other one is read on
	m.set("t0", 19_000)
	m.write(driver+"bind", "0-0048")
	m.shows("bow", 19)

	m.write(driver+"unbind", "0-0048")
	m.write(driver+"unbind", "0-0049")
	m.sees("stern", "absent", func(p probe) bool { return p.Problem == "does not answer" })
	m.write(driver+"bind", "0-0049")
	m.write(driver+"bind", "0-0048")
	m.shows("bow", 19)
	m.shows("stern", -12.0625)
	require.Equal(t, first, m.number("0-0049"), "the kernel has numbered them the other way round")
}

// number gives the number that the kernel has dealt to the sensor at an address.
func (m *machine) number(device string) string {
	m.t.Helper()
	b, code, err := m.get(m.files, "/sys/bus/i2c/devices/"+device+"/hwmon")
	require.NoError(m.t, err)
	require.Equal(m.t, http.StatusOK, code)
	return strings.TrimSpace(string(b))
}
