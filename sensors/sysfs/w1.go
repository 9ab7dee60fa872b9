package sysfs

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"time"

	"tackline/sensors"
	"tackline/sensors/internal/scratchpad"
)

// W1 is the 1-Wire thermometers of one root. A conversion takes three quarters of a second; so where the kernel can, it starts that of all
// thermometers of a bus at once, and each is read afterwards (attribute therm_bulk_read, ABI/testing/sysfs-driver-w1_therm). Where it
// cannot, or where that file may not be written, each thermometer converts when it is read, and Note says so once.
type W1 struct {
	root string
	note func(string)

	mu    sync.Mutex
	buses map[string]*w1Bus
}

// NewW1 gives the thermometers under a root, normally /sys. note, which may be nil, takes remarks for the log.
func NewW1(root string, note func(string)) *W1 {
	if note == nil {
		note = func(string) {}
	}
	return &W1{root: root, note: note, buses: map[string]*w1Bus{}}
}

// w1Bus is one bus master and the state of its common conversions.
type w1Bus struct {
	dir string

	mu   sync.Mutex
	bulk bool
	at   time.Time // when the last common conversion was started
	n    int64     // which it was
}

// fresh is how old a common conversion may be when a thermometer is read.
const fresh = 3 * time.Second

// addresses of thermometer families: 10 (9 bits), 22, 28, 3b, 42.
var w1Address = regexp.MustCompile(`^(10|22|28|3b|42)-[0-9a-f]{12}$`)

// CheckW1ID tells whether a text can be the address of a 1-Wire thermometer.
func CheckW1ID(id string) error {
	if !w1Address.MatchString(id) {
		return fmt.Errorf("sysfs: 1-Wire address %q: want family and number as the kernel writes them, such as 28-0316a2791234", id)
	}
	return nil
}

// List gives the addresses of the thermometers that are there.
func (w *W1) List() ([]string, error) {
	entries, err := os.ReadDir(filepath.Join(w.root, "bus/w1/devices"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("sysfs: %w", err)
	}
	var ids []string
	for _, e := range entries {
		if w1Address.MatchString(e.Name()) {
			ids = append(ids, e.Name())
		}
	}
	return ids, nil
}

// W1Probe is one 1-Wire thermometer.
type W1Probe struct {
	w  *W1
	id string

	mu     sync.Mutex
	seen   int64 // the common conversion read last
	last   float64
	known  bool // last holds a good reading
	closed bool
}

var _ sensors.Probe = (*W1Probe)(nil)

// Probe gives a thermometer by its address. It need not be there yet.
func (w *W1) Probe(id string) (*W1Probe, error) {
	if err := CheckW1ID(id); err != nil {
		return nil, err
	}
	return &W1Probe{w: w, id: id}, nil
}

// Read converts and reads. A value of exactly 85 C that is not proven to be the one of power-up has status PowerOnValue unless the reading
// before it was within 2 K.
func (p *W1Probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("sysfs: %w", err)
	}
	if p.closed {
		return nil, fmt.Errorf("sysfs: closed: %w", sensors.ErrAbsent)
	}
	dir, err := filepath.EvalSymlinks(filepath.Join(p.w.root, "bus/w1/devices", p.id))
	if err != nil {
		return nil, fmt.Errorf("sysfs: %w: 1-Wire %s: %w", sensors.ErrAbsent, p.id, err)
	}
	if err := p.convert(ctx, dir); err != nil {
		return nil, fmt.Errorf("sysfs: 1-Wire %s: %w", p.id, err)
	}
	text, err := readFile(filepath.Join(dir, "w1_slave"))
	if err != nil {
		return nil, fmt.Errorf("sysfs: %w: 1-Wire %s: %w", sensors.ErrAbsent, p.id, err)
	}
	r, err := parseW1(p.id[:2], text)
	if err != nil {
		var bad *sensors.BadSample
		if errors.As(err, &bad) {
			bad.Err = fmt.Errorf("sysfs: 1-Wire %s: %w", p.id, bad.Err)
			return nil, bad
		}
		return nil, fmt.Errorf("sysfs: 1-Wire %s: %w", p.id, err)
	}
	if r.Status == sensors.PowerOnValue && p.known && math.Abs(p.last-r.Value) <= 2 {
		r.Status = sensors.OK
	}
	if r.Status == sensors.OK {
		p.last, p.known = r.Value, true
	}
	return []sensors.Reading{r}, nil
}

// convert sees to it that a common conversion stands ready that this thermometer has not read yet, where the bus has them.
func (p *W1Probe) convert(ctx context.Context, dir string) error {
	bus := p.w.bus(filepath.Dir(dir))
	bus.mu.Lock()
	defer bus.mu.Unlock()
	if !bus.bulk {
		return nil
	}
	if bus.n == p.seen || time.Since(bus.at) > fresh {
		if err := bus.start(ctx); err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			bus.bulk = false
			p.w.note(fmt.Sprintf("1-Wire thermometers are converted one after the other, each 0.75 s: %v", err))
			return nil
		}
	}
	p.seen = bus.n
	return nil
}

// bus gives the state of a bus master's conversions.
func (w *W1) bus(master string) *w1Bus {
	w.mu.Lock()
	defer w.mu.Unlock()
	b := w.buses[master]
	if b == nil {
		b = &w1Bus{dir: master, bulk: exists(filepath.Join(master, "therm_bulk_read"))}
		w.buses[master] = b
	}
	return b
}

// start starts a conversion of all thermometers and waits until it is done: the file then reads 1, or 0 where no thermometer takes part.
func (b *w1Bus) start(ctx context.Context) error {
	path := filepath.Join(b.dir, "therm_bulk_read")
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteString("trigger\n")
	if err = errors.Join(err, f.Close()); err != nil {
		return err
	}
	b.at, b.n = time.Now(), b.n+1
	for {
		text, err := readFile(path)
		if err != nil {
			return err
		}
		if text != "-1" {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// Close ends the probe.
func (p *W1Probe) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed = true
	return nil
}

// parseW1 reads the text of w1_slave: nine bytes of scratchpad and what the kernel thinks of their checksum, then the same bytes and the
// temperature in thousandths of a degree. family is the first byte of the address, in hexadecimal.
func parseW1(family, text string) (sensors.Reading, error) {
	none := sensors.Reading{}
	first, second, two := strings.Cut(text, "\n")
	if !two {
		// The kernel gives nothing at all where the thermometer did not answer.
		return none, fmt.Errorf("%w: no answer (%q)", sensors.ErrAbsent, text)
	}
	bad := func(format string, args ...any) (sensors.Reading, error) {
		return none, &sensors.BadSample{Status: sensors.BadCRC, Err: fmt.Errorf(format+" [%s]", append(args, first)...)}
	}
	bytes, verdict, _ := strings.Cut(first, ":")
	pad, err := hex.DecodeString(strings.ReplaceAll(strings.TrimSpace(bytes), " ", ""))
	if err != nil || len(pad) != 9 {
		return bad("not nine bytes")
	}
	_, value, found := strings.Cut(second, "t=")
	milli, numErr := strconv.ParseInt(strings.TrimSpace(value), 10, 32)
	code, famErr := strconv.ParseUint(family, 16, 8)
	r, err := scratchpad.Parse(byte(code), pad, &milli)
	var known *sensors.BadSample
	switch {
	case famErr != nil:
		return none, fmt.Errorf("family %q is not hexadecimal", family)
	case errors.As(err, &known) && known.Status == sensors.AllZero:
		return none, err
	case !strings.HasSuffix(strings.TrimSpace(verdict), "YES"):
		return bad("the kernel finds the checksum wrong")
	case !found || numErr != nil:
		return bad("no temperature in %q", second)
	}
	return r, err
}
