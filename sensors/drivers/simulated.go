package drivers

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"tackline/sensors"
	"tackline/sensors/replay"
	"tackline/sensors/shed"
	"tackline/sensors/tracefile"
)

// ParseColumns reads a mapping of columns: air_c=north_outside_c,rh_pct=north_outside_rh_pct.
func ParseColumns(text string) (map[string]string, error) {
	if strings.TrimSpace(text) == "" {
		return nil, nil
	}
	m := map[string]string{}
	for part := range strings.SplitSeq(text, ",") {
		name, heading, ok := strings.Cut(part, "=")
		if name = strings.TrimSpace(name); !ok || name == "" {
			return nil, fmt.Errorf("columns %q: want name=heading, parted by commas, such as air_c=north_outside_c", text)
		}
		if _, twice := m[name]; twice {
			return nil, fmt.Errorf("columns %q: %s is mapped twice", text, name)
		}
		m[name] = strings.TrimSpace(heading)
	}
	return m, nil
}

// trace gives the table of a replayed probe, read once.
func (s *Set) trace(spec Spec) (*tracefile.Table, error) {
	o := tracefile.Options{Zone: s.env.Zone, Node: spec.Options["node"]}
	var err error
	if o.Columns, err = ParseColumns(spec.Options["columns"]); err != nil {
		return nil, err
	}
	if zone := spec.Options["zone"]; zone != "" {
		if o.Zone, err = tracefile.Zone(zone); err != nil {
			return nil, err
		}
	}
	path := spec.Options["file"]
	if !filepath.IsAbs(path) {
		path = filepath.Join(s.env.Dir, path)
	}
	key := strings.Join([]string{path, spec.Options["columns"], spec.Options["zone"], o.Node}, "\x00")
	s.mu.Lock()
	defer s.mu.Unlock()
	if t := s.tables[key]; t != nil {
		return t, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("trace: %w", err)
	}
	defer f.Close()
	t, err := tracefile.Parse(f, o)
	if err != nil {
		return nil, fmt.Errorf("trace %s: %w", path, err)
	}
	s.tables[key] = t
	return t, nil
}

// replayed opens the replay of a spec.
func (s *Set) replayed(spec Spec) (*replay.Probe, error) {
	t, err := s.trace(spec)
	if err != nil {
		return nil, err
	}
	o := replay.Options{Now: s.env.Now, Place: spec.Place}
	// A mapping says what this probe has, wherever it is put.
	columns, err := ParseColumns(spec.Options["columns"])
	if err != nil {
		return nil, err
	}
	for name, heading := range columns {
		if heading != "" && slices.Contains(tracefile.Names(), name) {
			o.Columns = append(o.Columns, name)
		}
	}
	slices.Sort(o.Columns)
	if s.env.Resume != nil {
		o.After = s.env.Resume(spec.Name)
	}
	return replay.Open(t, o)
}

func checkReplay(s *Set, spec Spec) error {
	_, err := s.replayed(spec)
	return err
}

func openReplay(s *Set, spec Spec) (Opened, error) {
	p, err := s.replayed(spec)
	if err != nil {
		return Opened{}, err
	}
	return Opened{Probe: p, Bus: "replay " + spec.Name}, nil
}

// shedOptions are the settings of an invented shed. Probes with the same settings, bias aside, share one shed.
func shedOptions() []Option {
	return []Option{
		{"seed", "random seed, a whole number; default 1", false},
		{"start", "RFC 3339, the first time; default the first of this month", false},
		{"mean_outdoors_c", "mean of the coldest month, C; default 3.2", false},
		{"heater_w", "power of the heater, W; default 6000", false},
		{"set_c", "thermostat in working hours, C; default 17", false},
		{"frost_c", "thermostat outside them, C; default 6", false},
		{"leak_ach", "air changes an hour; default 0.7", false},
		{"panel_mm", "thickness of the panel, mm; default 9", false},
		{"bias_c", "error of the thermometer, K; default 0", false},
		{"bias_rh_pct", "error of the hygrometer, %; default 0", false},
	}
}

// shedOf gives the shed and the bias of a spec.
func (s *Set) shedOf(spec Spec) (*shed.Shed, map[sensors.Quantity]float64, error) {
	now := time.UnixMilli(s.env.Now()).UTC()
	start := time.Date(now.Year(), now.Month(), 1, 0, 0, 0, 0, time.UTC)
	if text := spec.Options["start"]; text != "" {
		t, err := time.Parse(time.RFC3339, text)
		if err != nil {
			return nil, nil, fmt.Errorf("start %q: want RFC 3339, such as 2026-01-10T00:00:00Z", text)
		}
		start = t
	}
	var seed uint64 = 1
	if text := spec.Options["seed"]; text != "" {
		n, err := strconv.ParseUint(text, 10, 64)
		if err != nil {
			return nil, nil, fmt.Errorf("seed %q: want a whole number", text)
		}
		seed = n
	}
	o := shed.Defaults(seed, start.UnixMilli())
	if s.env.Zone != nil {
		_, east := start.In(s.env.Zone).Zone()
		o.ZoneSeconds = float64(east)
	}
	var biasT, biasRH float64
	for name, into := range map[string]*float64{"mean_outdoors_c": &o.MeanOutdoors, "heater_w": &o.Heater.Watts, "set_c": &o.Heater.SetC,
		"frost_c": &o.Heater.FrostC, "leak_ach": &o.LeakACH, "panel_mm": &o.PanelMM, "bias_c": &biasT, "bias_rh_pct": &biasRH} {
		text := spec.Options[name]
		if text == "" {
			continue
		}
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || v-v != 0 {
			return nil, nil, fmt.Errorf("%s %q: want a number", name, text)
		}
		*into = v
	}
	bias := map[sensors.Quantity]float64{sensors.Temperature: biasT, sensors.Humidity: biasRH}
	if s.env.Shed != nil {
		return s.env.Shed, bias, nil
	}
	key := fmt.Sprintf("%+v", o)
	s.mu.Lock()
	defer s.mu.Unlock()
	if found := s.sheds[key]; found != nil {
		return found, bias, nil
	}
	made, err := shed.New(o)
	if err != nil {
		return nil, nil, err
	}
	s.sheds[key] = made
	return made, bias, nil
}

func checkShed(s *Set, spec Spec) error {
	_, _, err := s.shedOf(spec)
	return err
}

func openShed(s *Set, spec Spec) (Opened, error) {
	of, bias, err := s.shedOf(spec)
	if err != nil {
		return Opened{}, err
	}
	now := s.env.ShedNow
	if now == nil {
		now = s.env.Now
	}
	p, err := of.Probe(spec.Place, spec.Name, now, bias)
	if err != nil {
		return Opened{}, err
	}
	return Opened{Probe: p, Bus: "shed"}, nil
}
