package board

import (
	"slices"
	"strings"
	"sync"
	"testing"
	"unsafe"

	"github.com/stretchr/testify/require"
	"modernc.org/libc"
	lib "modernc.org/sqlite/lib"
)

// op is one thing that SQLite did to a file, or a mark of what was acknowledged by then.
type op struct {
	kind string // write, truncate, sync, remove, mark
	file string
	off  int64 // of a write; the new length of a truncate
	data []byte
	sure bool // the folder was synced too
	mark ack
}

// ack is what has been acknowledged.
type ack struct{ minutes, notes int64 }

// recorder is a layer between SQLite and its file system that notes every write, truncate, sync and removal below a folder, in their order. The
// index beside a WAL is shared memory that is made anew after a cut: it goes by.
// Source of the interface: www.sqlite.org/vfs.html, "VFS Shims".
type recorder struct {
	folder  string
	mu      sync.Mutex
	ops     []op
	names   map[uintptr]string         // of open files
	below   map[uintptr]uintptr        // methods of a file -> ours
	methods []*lib.Tsqlite3_io_methods // ours: nothing else holds on to them
	fresh   map[uintptr]bool           // journals and WALs that were not synced yet: their first sync is their folder's too (unixSync in SQLite's os_unix.c)
	kept    []any
	vfs     lib.Tsqlite3_vfs
	real    uintptr
	realVFS lib.Tsqlite3_vfs
}

// at gives what a C pointer points to.
func at[T any](p uintptr) *T { return (*T)(*(*unsafe.Pointer)(unsafe.Pointer(&p))) }

// pointer gives a Go function as the translated C code calls it, and keeps it alive for that.
func pointer[F any](r *recorder, f F) uintptr {
	r.kept = append(r.kept, f)
	return *(*uintptr)(unsafe.Pointer(&struct{ f F }{f}))
}

// call gives a C function pointer as a Go function.
func call[F any](p uintptr) F { return *(*F)(unsafe.Pointer(&struct{ p uintptr }{p})) }

type (
	openFn     = func(*libc.TLS, uintptr, uintptr, uintptr, int32, uintptr) int32
	deleteFn   = func(*libc.TLS, uintptr, uintptr, int32) int32
	closeFn    = func(*libc.TLS, uintptr) int32
	writeFn    = func(*libc.TLS, uintptr, uintptr, int32, int64) int32
	truncateFn = func(*libc.TLS, uintptr, int64) int32
	syncFn     = func(*libc.TLS, uintptr, int32) int32
)

var vfsName = append([]byte("recorded"), 0)

// record makes every database that is opened from now on pass through a recorder, until stop.
func record(t *testing.T, folder string) (r *recorder, stop func()) {
	tls := libc.NewTLS()
	r = &recorder{folder: folder, names: map[uintptr]string{}, below: map[uintptr]uintptr{}, fresh: map[uintptr]bool{}, real: lib.Xsqlite3_vfs_find(tls, 0)}
	require.NotZero(t, r.real)
	r.realVFS = *at[lib.Tsqlite3_vfs](r.real)
	r.vfs = r.realVFS
	r.vfs.FpNext, r.vfs.FzName = 0, uintptr(unsafe.Pointer(&vfsName[0]))
	r.vfs.FxOpen, r.vfs.FxDelete = pointer(r, openFn(r.open)), pointer(r, deleteFn(r.remove))
	require.Zero(t, lib.Xsqlite3_vfs_register(tls, uintptr(unsafe.Pointer(&r.vfs)), 1))
	return r, func() {
		require.Zero(t, lib.Xsqlite3_vfs_register(tls, r.real, 1))
		require.Zero(t, lib.Xsqlite3_vfs_unregister(tls, uintptr(unsafe.Pointer(&r.vfs))))
		tls.Close()
	}
}

func (r *recorder) note(o op) {
	if !strings.HasPrefix(o.file, r.folder) || strings.HasSuffix(o.file, "-shm") {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.ops = append(r.ops, o)
}

// mark notes what was acknowledged.
func (r *recorder) mark(a ack) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.ops = append(r.ops, op{kind: "mark", mark: a})
}

func (r *recorder) open(tls *libc.TLS, _, name, file uintptr, flags int32, out uintptr) int32 {
	rc := call[openFn](r.realVFS.FxOpen)(tls, r.real, name, file, flags, out)
	f := at[lib.Tsqlite3_file](file)
	if rc != lib.SQLITE_OK || f.FpMethods == 0 || name == 0 {
		return rc
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.names[file] = libc.GoString(name)
	const journal = lib.SQLITE_OPEN_WAL | lib.SQLITE_OPEN_MAIN_JOURNAL | lib.SQLITE_OPEN_SUPER_JOURNAL
	r.fresh[file] = flags&lib.SQLITE_OPEN_CREATE != 0 && flags&journal != 0
	ours, ok := r.below[f.FpMethods]
	if !ok {
		below := *at[lib.Tsqlite3_io_methods](f.FpMethods)
		m := below
		m.FxClose = pointer(r, closeFn(func(tls *libc.TLS, file uintptr) int32 {
			r.mu.Lock()
			delete(r.names, file)
			r.mu.Unlock()
			return call[closeFn](below.FxClose)(tls, file)
		}))
		m.FxWrite = pointer(r, writeFn(func(tls *libc.TLS, file, data uintptr, n int32, off int64) int32 {
			r.note(op{kind: "write", file: r.name(file), off: off, data: slices.Clone(unsafe.Slice(at[byte](data), n))})
			return call[writeFn](below.FxWrite)(tls, file, data, n, off)
		}))
		m.FxTruncate = pointer(r, truncateFn(func(tls *libc.TLS, file uintptr, n int64) int32 {
			r.note(op{kind: "truncate", file: r.name(file), off: n})
			return call[truncateFn](below.FxTruncate)(tls, file, n)
		}))
		m.FxSync = pointer(r, syncFn(func(tls *libc.TLS, file uintptr, flags int32) int32 {
			rc := call[syncFn](below.FxSync)(tls, file, flags)
			r.mu.Lock()
			first := r.fresh[file]
			r.fresh[file] = false
			r.mu.Unlock()
			r.note(op{kind: "sync", file: r.name(file), sure: first}) // it holds from its end on
			return rc
		}))
		m.FxFetch, m.FxUnfetch, m.FiVersion = 0, 0, 2 // nothing is written past us through mapped memory
		r.methods = append(r.methods, &m)
		ours = uintptr(unsafe.Pointer(&m))
		r.below[f.FpMethods] = ours
	}
	f.FpMethods = ours
	return rc
}

func (r *recorder) name(file uintptr) string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.names[file]
}

func (r *recorder) remove(tls *libc.TLS, _, name uintptr, sync int32) int32 {
	r.note(op{kind: "remove", file: libc.GoString(name), sure: sync != 0})
	return call[deleteFn](r.realVFS.FxDelete)(tls, r.real, name, sync)
}
