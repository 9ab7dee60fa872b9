package board

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// bootLimit is how long a board may take to its first answer: 9 s on a quiet machine, more with systemd, many times that on a busy one.
const bootLimit = 8 * time.Minute

// The board's eight lamps are lines of a GPIO chip, which its tree does not name, unlike that of a board with a row of pins. The last is a 1-Wire bus.
const (
	leds     = "/bus@40000000/motherboard-bus@40000000/iofpga@7,00000000/sysreg@0/gpio@8"
	ledNames = "LED1 LED2 LED3 LED4 LED5 LED6 LED7 LED8"
	ledsAt   = 0x10000008 // the register behind them, as the emulator sees it
)

// kit is what a board is made of.
type kit struct {
	qemu, kernel, tree string
	initrd, built      string // built: the folder of the programs
	folder             string // that fetch filled
}

// newKit builds the guest's memory disk: its first process, the daemon, the modules and a config. It skips where kernel or QEMU are missing.
func newKit(t *testing.T, config string) *kit {
	t.Helper()
	if testing.Short() {
		t.Skip("short: a board takes its time to boot")
	}
	folder := os.Getenv("TACKLINE_BOARD")
	if folder == "" {
		folder = "../../.check/board"
	}
	folder, err := filepath.Abs(folder)
	require.NoError(t, err)
	k := &kit{kernel: filepath.Join(folder, "vmlinuz"), tree: filepath.Join(t.TempDir(), "board.dtb"), initrd: filepath.Join(t.TempDir(), "initrd.gz"),
		built: t.TempDir(), folder: folder}
	missing := func(what string) {
		require.Empty(t, os.Getenv("TACKLINE_REQUIRE"), "there is no %s", what)
		t.Skipf("there is no %s on this machine: deploy/board/fetch %s gets the kernel, Debian's qemu-system-arm the emulator", what, folder)
	}
	if k.qemu, err = exec.LookPath("qemu-system-arm"); err != nil {
		missing("qemu-system-arm")
	}
	if _, err := os.Stat(k.kernel); err != nil {
		missing("kernel in " + folder)
	}
	require.NoError(t, os.WriteFile(k.tree, read(t, filepath.Join(folder, "board.dtb")), 0o600))
	tool(t, "fdtput", append([]string{"-t", "s", k.tree, leds, "gpio-line-names"}, strings.Fields(ledNames)...)...)
	tool(t, "fdtput", "-c", k.tree, "/onewire")
	tool(t, "fdtput", "-t", "s", k.tree, "/onewire", "compatible", "w1-gpio")
	tool(t, "fdtput", "-t", "x", k.tree, "/onewire", "gpios", strings.TrimSpace(tool(t, "fdtget", "-t", "x", k.tree, leds, "phandle")), "7", "0")
	for _, c := range []*exec.Cmd{exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", filepath.Join(k.built, "init"), "./guest"),
		exec.Command("../build", filepath.Join(k.built, "tackline"))} {
		c.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=arm", "GOARM=6", "GOFLAGS=")
		out, err := c.CombinedOutput()
		require.NoError(t, err, string(out))
	}
	order, err := os.ReadFile("modules")
	require.NoError(t, err)
	var a archive
	for _, d := range []string{"dev", "proc", "sys", "tmp", "m", "etc"} {
		a.add(d, 0o040755, nil)
	}
	a.add("m/order", 0o100644, order)
	for _, m := range strings.Fields(string(order)) {
		a.add("m/"+m+".ko", 0o100644, read(t, filepath.Join(folder, "modules", m+".ko")))
	}
	a.add("init", 0o100755, read(t, filepath.Join(k.built, "init")))
	a.add("tackline", 0o100755, read(t, filepath.Join(k.built, "tackline")))
	a.add("etc/tackline.toml", 0o100644, []byte(config))
	require.NoError(t, os.WriteFile(k.initrd, a.packed(t), 0o600))
	return k
}

func read(t *testing.T, file string) []byte {
	t.Helper()
	b, err := os.ReadFile(file)
	require.NoError(t, err)
	return b
}

// archive is a cpio archive of the form that Linux takes as its first memory disk: "newc", Documentation/driver-api/early-userspace/buffer-format.rst.
type archive struct {
	b     bytes.Buffer
	inode int64
}

func (a *archive) add(name string, mode int64, data []byte) {
	a.inode++
	fmt.Fprintf(&a.b, "070701%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%08x%s\x00", a.inode, mode, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(name)+1, 0, name)
	a.pad()
	a.b.Write(data)
	a.pad()
}

func (a *archive) pad() {
	for a.b.Len()%4 != 0 {
		a.b.WriteByte(0)
	}
}

func (a *archive) packed(t *testing.T) []byte {
	t.Helper()
	a.add("TRAILER!!!", 0, nil)
	var out bytes.Buffer
	z, err := gzip.NewWriterLevel(&out, gzip.BestSpeed)
	require.NoError(t, err)
	_, err = z.Write(a.b.Bytes())
	require.NoError(t, err)
	require.NoError(t, z.Close())
	return out.Bytes()
}

// boardKey opens the daemon in the guest to us, who come to it by the network.
const boardKey = "0f1e2d3c4b5a69788796a5b4c3d2e1f0"

// machine is a running board.
type machine struct {
	t             *testing.T
	cmd           *exec.Cmd
	ended         chan struct{}
	serial        string
	daemon, files string // addresses on loopback
	qmp           net.Conn
	answers       *bufio.Reader
}

// boot starts a board with one thermometer at 0x48 and one at 0x49, and waits for the daemon's first answer. disk is the path of its disk's
// image; more is for the guest to read.
func (k *kit) boot(t *testing.T, disk, more string) *machine {
	t.Helper()
	dir, err := os.MkdirTemp("", "board") // a socket's path is short
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	m := &machine{t: t, serial: filepath.Join(dir, "serial.log"), daemon: freePort(t), files: freePort(t), ended: make(chan struct{})}
	words := "console=ttyAMA0 quiet panic=-1 rdinit=/init key=" + boardKey + " " + more
	args := []string{"-M", "vexpress-a9", "-m", "256", "-nodefaults", "-display", "none", "-no-reboot", "-kernel", k.kernel, "-dtb", k.tree, "-initrd", k.initrd,
		"-serial", "file:" + m.serial, "-qmp", "unix:" + dir + "/qmp,server=on,wait=off",
		"-device", "tmp105,id=t0,address=0x48", "-device", "tmp105,id=t1,address=0x49", "-device", "tmp105,id=t2,address=0x4a",
		"-netdev", fmt.Sprintf("user,id=n0,restrict=on,hostfwd=tcp:%s-:8080,hostfwd=tcp:%s-:8081", m.daemon, m.files), "-device", "virtio-net-device,netdev=n0"}
	args = append(args, "-drive", "file="+disk+",if=none,id=d0,format=raw,cache=writethrough", "-device", "virtio-blk-device,drive=d0")
	m.cmd = exec.Command(k.qemu, append(args, "-append", words)...)
	m.cmd.Env = append(os.Environ(), "QEMU_AUDIO_DRV=none")
	var said bytes.Buffer
	m.cmd.Stderr = &said
	require.NoError(t, m.cmd.Start())
	go func() { _ = m.cmd.Wait(); close(m.ended) }()
	t.Cleanup(func() {
		m.cut()
		if t.Failed() {
			b, _ := os.ReadFile(m.serial)
			t.Logf("QEMU: %s\nthe board's console:\n%s", said.String(), b)
		}
	})
	until := time.Now().Add(bootLimit)
	for m.qmp == nil && time.Now().Before(until) && m.running() {
		if c, err := net.Dial("unix", dir+"/qmp"); err == nil {
			m.qmp, m.answers = c, bufio.NewReader(c)
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	require.NotNil(t, m.qmp, "QEMU did not start: %s", said.String())
	_, err = m.answers.ReadString('\n') // its greeting
	require.NoError(t, err)
	m.tell("qmp_capabilities", nil)
	m.set("t0", 18_000)
	m.set("t1", 5_000)
	m.set("t2", 12_500)
	began := time.Now()
	for time.Now().Before(until) && m.running() {
		if _, code, err := m.get(m.daemon, "/healthz"); err == nil && code == http.StatusOK {
			t.Logf("the daemon answered %v after the start", time.Since(began).Round(100*time.Millisecond))
			return m
		}
		time.Sleep(100 * time.Millisecond)
	}
	t.Fatal("the board did not come up")
	return nil
}

func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer l.Close()
	return l.Addr().String()
}

func (m *machine) running() bool {
	select {
	case <-m.ended:
		return false
	default:
		return true
	}
}

// cut is a power cut: nothing is told, nothing is flushed.
func (m *machine) cut() {
	if m.qmp != nil {
		_ = m.qmp.Close()
	}
	_ = m.cmd.Process.Kill()
	<-m.ended
}

// tell gives the emulator a command, wants it obeyed, and gives its answer.
func (m *machine) tell(command string, arguments map[string]any) string {
	m.t.Helper()
	line := map[string]any{"execute": command}
	if arguments != nil {
		line["arguments"] = arguments
	}
	b, err := json.Marshal(line)
	require.NoError(m.t, err)
	_, err = m.qmp.Write(append(b, '\n'))
	require.NoError(m.t, err)
	for {
		answer, err := m.answers.ReadString('\n')
		require.NoError(m.t, err)
		if !strings.Contains(answer, `"event"`) {
			require.Contains(m.t, answer, `"return"`, command)
			return answer
		}
	}
}

// set sets the temperature of a thermometer, in thousandths of a degree.
func (m *machine) set(id string, milliC int64) {
	m.t.Helper()
	m.tell("qom-set", map[string]any{"path": "/machine/peripheral/" + id, "property": "temperature", "value": milliC})
}

// lamps gives the board's eight lamps as bits, by the emulator and past the guest.
func (m *machine) lamps() int64 {
	m.t.Helper()
	answer := m.tell("human-monitor-command", map[string]any{"command-line": fmt.Sprintf("xp /1wx %#x", ledsAt)})
	_, word, ok := strings.Cut(answer, ": 0x")
	require.True(m.t, ok, answer)
	n, err := strconv.ParseInt(word[:8], 16, 64)
	require.NoError(m.t, err, answer)
	return n
}

func (m *machine) get(address, path string) ([]byte, int, error) {
	return m.ask(http.MethodGet, address, path, "")
}

func (m *machine) ask(method, address, path, body string) ([]byte, int, error) {
	ctx, cancel := context.WithTimeout(m.t.Context(), 20*time.Second)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, method, "http://"+address+path, strings.NewReader(body))
	if err != nil {
		return nil, 0, err
	}
	r.Close = true
	r.Header.Set("Content-Type", "application/json")
	if address == m.daemon {
		r.Header.Set("Authorization", "Bearer "+boardKey)
	}
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		return nil, 0, err
	}
	defer res.Body.Close()
	b, err := io.ReadAll(io.LimitReader(res.Body, 1<<22))
	return b, res.StatusCode, err
}

// write writes a file of the guest.
func (m *machine) write(path, text string) {
	m.t.Helper()
	b, code, err := m.ask(http.MethodPut, m.files, path, text)
	require.NoError(m.t, err)
	require.Equal(m.t, http.StatusOK, code, "%s: %s", path, b)
}

// probe is a probe as the daemon's JSON has it.
type probe struct {
	Probe, Problem string
	Last           []struct {
		Quantity, Status string
		Value            float64
	}
}

// probes gives the daemon's probes by their names.
func (m *machine) probes() (map[string]probe, error) {
	b, code, err := m.get(m.daemon, "/api/v1/now")
	if err != nil || code != http.StatusOK {
		return nil, errors.Join(err, fmt.Errorf("status %d", code))
	}
	var now struct{ Probes []probe }
	if err := json.Unmarshal(b, &now); err != nil {
		return nil, err
	}
	all := map[string]probe{}
	for _, p := range now.Probes {
		all[p.Probe] = p
	}
	return all, nil
}

// sees waits until the daemon's JSON shows what is wanted of a probe.
func (m *machine) sees(name, what string, ok func(probe) bool) {
	m.t.Helper()
	var last any
	for until := time.Now().Add(2 * time.Minute); time.Now().Before(until) && m.running(); time.Sleep(200 * time.Millisecond) {
		all, err := m.probes()
		if err == nil && ok(all[name]) {
			return
		}
		last = fmt.Sprint(all[name], err)
	}
	m.t.Fatalf("%s: never seen: %s; last seen: %v", name, what, last)
}

// shows waits for a temperature.
func (m *machine) shows(name string, c float64) {
	m.t.Helper()
	m.sees(name, fmt.Sprintf("%g C", c), func(p probe) bool {
		return p.Problem == "" && len(p.Last) == 1 && p.Last[0].Status == "ok" && p.Last[0].Value > c-0.04 && p.Last[0].Value < c+0.04
	})
}
