//go:build linux

// Command guest is the first process of the emulated board. It loads the kernel's modules, brings up network, sensors and disk, and starts
// the daemon; or, where the disk holds a Debian root, hands over to systemd, whose unit does. For the tests it reads and writes files of the guest
// by HTTP, on a port that reaches the test alone.
package main

import (
	"encoding/binary"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

func main() {
	if len(os.Args) > 1 {
		switch os.Args[1] {
		case "files":
			serveFiles()
		case "bounds":
			bounds()
		}
		return
	}
	fmt.Println("guest:", run())
	time.Sleep(time.Second) // for the console to say it
	_ = unix.Reboot(unix.LINUX_REBOOT_CMD_POWER_OFF)
}

// run works until something goes wrong; the first process has no other end.
func run() error {
	for _, m := range []struct{ what, where string }{{"proc", "/proc"}, {"sysfs", "/sys"}, {"devtmpfs", "/dev"}, {"tmpfs", "/tmp"}} {
		if err := unix.Mount(m.what, m.where, m.what, 0, ""); err != nil {
			return fmt.Errorf("mount %s: %w", m.where, err)
		}
	}
	if err := loadModules(); err != nil {
		return err
	}
	for _, n := range []struct {
		name string
		ip   [4]byte
		mask [4]byte
	}{{"lo", [4]byte{127, 0, 0, 1}, [4]byte{255, 0, 0, 0}}, {"eth0", [4]byte{10, 0, 2, 15}, [4]byte{255, 255, 255, 0}}} {
		if err := bringUp(n.name, n.ip, n.mask); err != nil {
			return fmt.Errorf("network %s: %w", n.name, err)
		}
	}
	for _, sensor := range strings.Fields(strings.ReplaceAll(os.Getenv("sensors"), ",", " ")) {
		if err := os.WriteFile("/sys/bus/i2c/devices/i2c-0/new_device", []byte(strings.Replace(sensor, "@", " ", 1)), 0); err != nil {
			return fmt.Errorf("sensor %s: %w", sensor, err)
		}
	}
	if node := os.Getenv("w1"); node != "" { // nothing hangs on the line: the kernel is told that something does, and not to look for itself
		for _, set := range [][2]string{{"w1_master_search", "0"}, {"w1_master_add", node}} {
			if err := os.WriteFile("/sys/bus/w1/devices/w1_bus_master1/"+set[0], []byte(set[1]), 0); err != nil {
				return fmt.Errorf("1-Wire: %w", err)
			}
		}
	}
	if os.Getenv("unit") != "" {
		return becomeSystemd()
	}
	if err := mountDisk(); err != nil {
		return err
	}
	if err := os.WriteFile("/data/local.key", []byte(os.Getenv("key")+"\n"), 0o600); err != nil {
		return fmt.Errorf("key of the daemon: %w", err)
	}
	go serveFiles()
	daemon := exec.Command("/tackline", "daemon", "--config", "/etc/tackline.toml")
	daemon.Stdout, daemon.Stderr = os.Stdout, os.Stderr
	daemon.Env = []string{"TMPDIR=/tmp", "PATH=/"}
	return fmt.Errorf("the daemon ended: %w", daemon.Run())
}

// loadModules loads those of /m in the order of its list.
func loadModules() error {
	list, err := os.ReadFile("/m/order")
	if err != nil {
		return err
	}
	for _, name := range strings.Fields(string(list)) {
		f, err := os.Open("/m/" + name + ".ko")
		if err != nil {
			return err
		}
		err = unix.FinitModule(int(f.Fd()), "", 0)
		_ = f.Close()
		if err != nil && err != unix.EEXIST {
			return fmt.Errorf("module %s: %w", name, err)
		}
	}
	return nil
}

// bringUp gives an interface its address. The kernel may still be finding it.
func bringUp(name string, ip, mask [4]byte) error {
	for range 200 {
		if _, err := os.Stat("/sys/class/net/" + name); err == nil {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	s, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM, 0)
	if err != nil {
		return err
	}
	defer unix.Close(s)
	for _, set := range []struct {
		request uint
		ip      [4]byte
	}{{unix.SIOCSIFADDR, ip}, {unix.SIOCSIFNETMASK, mask}} {
		r, err := unix.NewIfreq(name)
		if err != nil {
			return err
		}
		if err := r.SetInet4Addr(set.ip[:]); err != nil {
			return err
		}
		if err := unix.IoctlIfreq(s, set.request, r); err != nil {
			return err
		}
	}
	r, err := unix.NewIfreq(name)
	if err != nil {
		return err
	}
	r.SetUint16(unix.IFF_UP | unix.IFF_RUNNING)
	return unix.IoctlIfreq(s, unix.SIOCSIFFLAGS, r)
}

// mountDisk mounts the disk under /data.
func mountDisk() error {
	if err := mountAt("/data"); err != nil {
		return err
	}
	var st unix.Statfs_t
	if err := unix.Statfs("/data", &st); err != nil {
		return err
	}
	fmt.Printf("guest: disk mounted, magic %x, byte order little: %v\n", st.Type, binary.NativeEndian.Uint16([]byte{1, 0}) == 1)
	return nil
}

func mountAt(folder string) error {
	for range 200 {
		if _, err := os.Stat("/dev/vda"); err == nil {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	if err := unix.Mount("/dev/vda", folder, "ext4", unix.MS_NOATIME, ""); err != nil {
		return fmt.Errorf("mount the disk: %w", err)
	}
	return nil
}

// becomeSystemd makes the disk the root, leaves a process behind that serves files, and goes on as the service manager.
func becomeSystemd() error {
	if err := mountAt("/root"); err != nil {
		return err
	}
	for _, d := range []string{"/proc", "/sys", "/dev"} {
		if err := unix.Mount(d, "/root"+d, "", unix.MS_MOVE, ""); err != nil {
			return fmt.Errorf("move %s: %w", d, err)
		}
	}
	if err := os.Chdir("/root"); err != nil {
		return err
	}
	if err := unix.Mount(".", "/", "", unix.MS_MOVE, ""); err != nil {
		return fmt.Errorf("move the root: %w", err)
	}
	if err := unix.Chroot("."); err != nil {
		return err
	}
	devices, err := os.ReadFile("/proc/devices")
	if err != nil {
		return err
	}
	var iio uint32
	for line := range strings.Lines(string(devices)) {
		if major, ok := strings.CutSuffix(line, " iio\n"); ok {
			if _, err := fmt.Sscan(major, &iio); err != nil {
				return err
			}
		}
	}
	for _, d := range []struct {
		path         string
		kind         uint32
		major, minor uint32
	}{{forbiddenMemory, unix.S_IFCHR, 1, 1}, {forbiddenDisk, unix.S_IFBLK, 254, 0}, {nothingOnIIO, unix.S_IFCHR, iio, 0}} {
		if err := unix.Mknod(d.path, d.kind, int(unix.Mkdev(d.major, d.minor))); err != nil {
			return fmt.Errorf("make %s: %w", d.path, err)
		}
		if err := os.Chmod(d.path, 0o666); err != nil {
			return err
		}
	}
	files := exec.Command("/guest", "files")
	files.Stdout, files.Stderr = os.Stdout, os.Stderr
	if err := files.Start(); err != nil {
		return err
	}
	return fmt.Errorf("systemd: %w", unix.Exec("/lib/systemd/systemd", []string{"systemd"}, []string{"PATH=/usr/sbin:/usr/bin:/sbin:/bin"}))
}

// serveFiles lets the test read (GET), list (GET of a folder) and write (PUT) what the guest has, and mount its disk for writing again (PUT of /).
func serveFiles() {
	err := http.ListenAndServe(":8081", http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		path := filepath.Clean(r.URL.Path)
		if r.Method == http.MethodPut {
			body, err := io.ReadAll(io.LimitReader(r.Body, 1<<16))
			switch {
			case err != nil:
			case path == "/": // is mounted anew for writing
				err = unix.Mount("", path, "", unix.MS_REMOUNT|unix.MS_NOATIME, "")
			default:
				err = os.WriteFile(path, body, 0o644)
			}
			if err != nil {
				http.Error(w, err.Error(), http.StatusConflict)
			}
			return
		}
		if r.Method == http.MethodPost { // the user and group of a file, and its mode
			info, err := os.Stat(path)
			if err != nil {
				http.Error(w, err.Error(), http.StatusConflict)
				return
			}
			st := info.Sys().(*syscall.Stat_t)
			fmt.Fprintf(w, "%d %d %o", st.Uid, st.Gid, info.Mode().Perm())
			return
		}
		if list, err := os.ReadDir(path); err == nil {
			for _, e := range list {
				fmt.Fprintln(w, e.Name())
			}
			return
		}
		b, err := os.ReadFile(path)
		if err != nil {
			http.Error(w, err.Error(), http.StatusConflict)
			return
		}
		_, _ = w.Write(b)
	}))
	fmt.Println("guest: files:", err)
}
