// Package drivers is the table of the kinds of probes: from the words of a config to an open probe. It is the only package that imports the
// chips' packages and the host's buses.
//
// To add a kind: a folder beside this one, a line in table, an open function below it.
package drivers

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"periph.io/x/conn/v3/i2c"

	"tackline/sensors"
	"tackline/sensors/ds18b20"
	"tackline/sensors/nodes"
	"tackline/sensors/shed"
	"tackline/sensors/sysfs"
	"tackline/sensors/tracefile"
)

// Spec is a probe as the config describes it.
type Spec struct {
	Kind    string
	Name    string
	Place   sensors.Place
	Options map[string]string // by the names of Kind.Options
}

// Option is one setting of a kind.
type Option struct {
	Name     string
	Text     string // what it is, its unit and default
	Required bool
}

// Kind is a kind of probe.
type Kind struct {
	Name    string
	Text    string
	Options []Option
}

// Env is what probes need from their surroundings.
type Env struct {
	// Now is the present in Unix milliseconds, for probes that are replayed or simulated. Nil is the system's clock.
	Now func() int64
	// Sys is the root of the kernel's tree; empty is /sys.
	Sys string
	// Zone is the shed's zone, for traces with local times.
	Zone *time.Location
	// Dir is the folder that relative paths of trace files start from; empty is the working folder.
	Dir string
	// Note takes remarks for the log; nil drops them.
	Note func(string)
	// Shed is the shed that probes of kind shed measure; nil makes one from their options.
	Shed *shed.Shed
	// ShedNow is the present in a simulated shed where that is not Now: the board's clock may be wrong, the shed's never is. Nil is Now.
	ShedNow func() int64
	// Resume gives the time in Unix milliseconds of the newest reading that is stored of a replayed probe; rows up to it are not given
	// again. Nil replays from the beginning.
	Resume func(probe string) int64
	// Nodes is where the reports of wireless nodes come in; nil makes one that none comes to.
	Nodes *nodes.Hub
	// OpenI2C opens an I2C bus by number; nil opens the board's own.
	OpenI2C func(number int) (i2c.BusCloser, error)
}

// Opened is an open probe and the bus that it shares. Probes of one bus are read one after the other.
type Opened struct {
	Probe  sensors.Probe
	Bus    string
	WarmUp time.Duration // how long after it appeared its readings are to be flagged
}

// line is one line of the table.
type line struct {
	Kind
	check func(s *Set, spec Spec) error
	open  func(s *Set, spec Spec) (Opened, error)
}

// table lists the kinds in the order in which they are shown.
func table() []line {
	lines := []line{
		{Kind{"sysfs", "a sensor that the kernel drives (hwmon, iio)", []Option{
			{"device", "chip@path, such as lm75@1-0048; `probe list` shows them", true}}}, checkSysfs, openSysfs},
		{Kind{"w1", "a 1-Wire thermometer that the kernel drives", []Option{
			{"address", "family and number, such as 28-0316a2791234", true}}}, checkW1, openW1},
	}
	lines = append(lines, chips()...)
	return append(lines, []line{
		{Kind{"mqtt", "a wireless node, heard by an MQTT broker", []Option{
			{"node", "number of the node; without it as bound in the job book", false}}}, checkNode, openNode},
		{Kind{"push", "anything that can POST", []Option{
			{"token_file", "file with the token of this probe", false},
			{"node", "number of the node, where a gateway speaks for it; without both as bound in the job book", false}}}, checkNode, openNode},
		{Kind{"replay", "a trace in a CSV file, each reading at its own time", []Option{
			{"file", "path of the file", true},
			{"columns", "mapping, such as air_c=north_outside_c,rh_pct=north_outside_rh_pct", false},
			{"zone", "zone of times without one, such as +01:00; default the shed's", false},
			{"node", "the node, in a file that holds several", false}}}, checkReplay, openReplay},
		{Kind{"shed", "an invented winter shed", shedOptions()}, checkShed, openShed},
	}...)
}

// Kinds lists the kinds with their options.
func Kinds() []Kind {
	var kinds []Kind
	for _, l := range table() {
		kinds = append(kinds, l.Kind)
	}
	return kinds
}

// Set opens probes and holds what they share: buses, traces, sheds.
type Set struct {
	env Env
	w1  *sysfs.W1

	mu      sync.Mutex
	buses   map[int]*lazyBus
	bridges map[string]*ds18b20.Bridge
	tables  map[string]*tracefile.Table
	sheds   map[string]*shed.Shed
}

// New gives an empty set.
func New(env Env) *Set {
	if env.Now == nil {
		env.Now = func() int64 { return time.Now().UnixMilli() }
	}
	if env.Sys == "" {
		env.Sys = "/sys"
	}
	if env.Nodes == nil {
		env.Nodes = nodes.New(nil)
	}
	if env.Note == nil {
		env.Note = func(string) {}
	}
	return &Set{env: env, w1: sysfs.NewW1(env.Sys, env.Note), buses: map[int]*lazyBus{}, bridges: map[string]*ds18b20.Bridge{}, tables: map[string]*tracefile.Table{},
		sheds: map[string]*shed.Shed{}}
}

// Check finds all that is wrong with a spec, without touching a bus. Files that it names are read.
func (s *Set) Check(spec Spec) error {
	_, err := s.lookUp(spec)
	return err
}

// Open opens a probe. A chip or device that is not there is no error: it may be plugged in later, and Read says so until then.
func (s *Set) Open(spec Spec) (Opened, error) {
	l, err := s.lookUp(spec)
	if err != nil {
		return Opened{}, err
	}
	o, err := l.open(s, spec)
	if err != nil {
		return Opened{}, fmt.Errorf("probe %q: %w", spec.Name, err)
	}
	return o, nil
}

// lookUp finds the line of a spec's kind and checks the spec against it.
func (s *Set) lookUp(spec Spec) (line, error) {
	lines := table()
	var names []string
	for _, l := range lines {
		names = append(names, l.Name)
	}
	i := slices.Index(names, spec.Kind)
	if i < 0 {
		return line{}, fmt.Errorf("drivers: probe %q: unknown kind %q: want one of %s", spec.Name, spec.Kind, strings.Join(names, ", "))
	}
	l := lines[i]
	var wrong []error
	if !slices.Contains(sensors.Places(), spec.Place) {
		wrong = append(wrong, fmt.Errorf("unknown place %q: want one of %v", spec.Place, sensors.Places()))
	}
	var known []string
	for _, o := range l.Options {
		known = append(known, o.Name)
		if o.Required && spec.Options[o.Name] == "" {
			wrong = append(wrong, fmt.Errorf("%s is missing: %s", o.Name, o.Text))
		}
	}
	var given []string
	for name := range spec.Options {
		given = append(given, name)
	}
	slices.Sort(given)
	for _, name := range given {
		if !slices.Contains(known, name) {
			wrong = append(wrong, fmt.Errorf("unknown setting %q of kind %s: want one of %s", name, spec.Kind, strings.Join(known, ", ")))
		}
	}
	if len(wrong) == 0 {
		if err := l.check(s, spec); err != nil {
			wrong = append(wrong, err)
		}
	}
	if err := errors.Join(wrong...); err != nil {
		return line{}, fmt.Errorf("drivers: probe %q: %w", spec.Name, err)
	}
	return l, nil
}

// Close closes the buses. The probes are closed by those who opened them, before.
func (s *Set) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var errs []error
	for _, b := range s.buses {
		errs = append(errs, b.Close())
	}
	return errors.Join(errs...)
}
