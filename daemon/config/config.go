// Package config reads the one commented TOML file that says what a shed has: its zone and hours, its probes and where they sit, limits,
// resin systems, ways to ring a phone. It also reads resin systems, and carries the shipped ones.
//
// Parse looks at the bytes alone; Load reads the file and what it names. Both tell every mistake at once, each with its line, its field,
// the value and what would be right. Nothing that is wrong is passed over or replaced by a default.
package config

import (
	"cmp"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // boards come without a zone database

	"tackline/advisor/units"
	"tackline/advisor/units/quantity"
	"tackline/sensors"
)

// Format is the version of the file's layout that this program writes and reads.
const Format = 1

// Config is a shed as its file states it, with the defaults filled in.
type Config struct {
	File     string // name of the file, for messages
	Shed     Shed
	Clock    Clock
	Probes   []Probe
	Limits   Limits
	Systems  Systems
	Plan     Plan
	Record   Record
	Outdoor  *OutdoorForecast // nil where there is none
	Building *Building        // nil where nobody measured it
	Keep     Keep
	Alerts   []Alert
	Beat     *Heartbeat // nil where none is sent
	AllWell  *AllWell   // nil where it is not said
	Mirror   *Mirror    // nil where there is none
	MQTT     *MQTT      // nil where there is none
	Push     Push
	Access   Access
	Page     Page
	Notices  Errors // allowed and worth knowing

	dir string    // folder of the file, for relative paths
	doc *document // for the places of later findings
}

// Shed says where it is and how it is run.
type Shed struct {
	Name        string
	Zone        *time.Location
	ZoneName    string        // as it stands in the file
	Hours       Hours         // when the builder works
	Data        string        // folder of readings.db and jobbook.db
	CommitEvery time.Duration // how often readings go to the card: what a power cut can cost
	Listen      string        // host:port of the page
	Page        string        // address at which phones reach the page, for links in messages; "" where it is not said
	StaleAfter  time.Duration // 0: by each probe's interval
	HandFresh   time.Duration // how long a reading taken by hand is used
	Sys         string        // root of the kernel's tree, normally /sys
}

// Hours are working hours in the shed's zone: minutes after local midnight, [StartMin, EndMin), on the days marked.
type Hours struct {
	StartMin, EndMin int64
	Days             [7]bool // time.Sunday first
}

// Clock says how time passes. Anything but real time is for shed and replay probes only.
type Clock struct {
	Speed float64       // times real time; 0 is as fast as it goes
	Start units.Instant // where simulated time begins; 0: the first row of the trace, else now
}

// Real tells whether time is the wall's.
func (c Clock) Real() bool { return c.Speed == 1 && !c.Start.Known() }

// Limits are the shed's own limits, each with the text of its source.
type Limits struct {
	MarginK         units.Diff
	MarginSource    string
	MoistureGoodPct units.Percent
	MoistureStopPct units.Percent
	MoistureSource  string
	GasGrowth       float64 // volume ratio of pore gas above 1 that is let pass
	UnventedBurner  bool
	ResinLowestC    units.Celsius // where resin and hardener should stand at least
	ResinSource     string
}

// Plan says when plans are made unasked.
type Plan struct {
	Tell    bool  // the best start of the next day is told, each day, for every piece whose planned sequence is not through
	TellMin int64 // at this minute after midnight in the shed's zone
}

func parsePlan(top *section) Plan {
	var p Plan
	if t, ok := top.table("plan"); ok {
		if p.Tell = t.has("tell_at"); p.Tell {
			p.TellMin = t.minute("tell_at", 18*60)
		}
		t.done()
	}
	return p
}

// Keep says how long what was measured is kept as it was read. Its minutes, quarters of an hour and watches are kept for ever, and jobs and
// their records too.
type Keep struct {
	Raw       time.Duration // raw readings, and advice, that are older go; 0 keeps all
	LowDiskMB float64       // with less room than this it is said, and raw readings begin to go; a tenth of the disk where that is less
}

func parseKeep(top *section, k Keep) Keep {
	t, ok := top.table("keep")
	if !ok {
		return k
	}
	if v, ok := t.m["raw"].(string); ok && v == "ever" {
		_, _ = t.get("raw")
		k.Raw = 0
	} else {
		k.Raw = t.length("raw", k.Raw, 2*24*time.Hour, 3660*24*time.Hour)
	}
	k.LowDiskMB = t.number("low_disk_mb", quantity.Ratio(), k.LowDiskMB, 10, 1e6)
	t.done()
	return k
}

// Systems are the resin systems to offer.
type Systems struct {
	Shipped []string // names of shipped ones
	Files   []string // paths, absolute or from the folder of the config
}

// Alert is one way to reach people.
type Alert struct {
	Name      string
	Kind      string // see AlertKinds
	URL       string // of a server; "" is the public one where a kind has one
	Topic     string
	TokenFile string   // "" where none is needed; of mail: the password's
	UserFile  string   // pushover: the file with the key of the person or group
	Chat      string   // telegram
	Room      string   // matrix
	Mail      Mail     // mail; of mqtt its User
	Broker    string   // mqtt
	CAFile    string   // mqtt
	Client    string   // mqtt
	Pin       Pin      // gpio
	Program   string   // command: absolute path
	Args      []string // command
	Min       string   // smallest severity that goes this way
	Quiet     *Quiet   // nil: none
}

// Mail is how a letter leaves.
type Mail struct {
	Host, Security, User, From, To string
	Port                           int64 // 0 is the usual one of Security
}

// Pin is a buzzer or a lamp on a pin of the board.
type Pin struct {
	Name, Device string
	ActiveLow    bool
	For          time.Duration // how long one message sounds; 0 is the way's own
}

// Quiet are hours of the night in the shed's zone: minutes after midnight, from FromMin to ToMin, over midnight where ToMin is the smaller.
type Quiet struct {
	FromMin, ToMin int64
	Passes         string // this severity and above go out all the same
	Wake           bool   // a window that opens in these hours is told at once
	WindowsMin     int64  // else it is told at this minute after midnight, at or after ToMin
}

// AllWell is a word a day that all is well, and what was looked at for it.
type AllWell struct {
	AtMin int64 // at this minute after midnight in the shed's zone
}

// Heartbeat is an address that hears from the shed as long as readings are stored: whoever watches there notices a board that went dark.
type Heartbeat struct {
	URL       string
	Every     time.Duration
	TokenFile string // "" where none is needed
}

// Mirror is an InfluxDB that is to get a copy of the readings.
type Mirror struct {
	URL, Org, Bucket string
	TokenFile        string
}

// Severities lists the words for how much an alert matters, smallest first.
func Severities() []string { return []string{"notice", "warning", "critical"} }

// Default gives the configuration of an empty file: a shed without probes.
func Default() Config {
	return Config{
		Shed: Shed{Name: "shed", Zone: time.UTC, ZoneName: "UTC", Data: "/var/lib/tackline", CommitEvery: time.Minute, HandFresh: time.Hour, Listen: "127.0.0.1:8417", Sys: "/sys",
			Hours: Hours{StartMin: 8 * 60, EndMin: 18 * 60, Days: [7]bool{false, true, true, true, true, true, true}}},
		Clock: Clock{Speed: 1},
		Limits: Limits{MarginK: 3, MarginSource: "ISO 8502-4 practice", MoistureGoodPct: 12, MoistureStopPct: 16, ResinLowestC: 15, ResinSource: "common practice, no source",
			MoistureSource: "common practice for epoxy on timber, no source", GasGrowth: 0.0005},
		Systems: Systems{Shipped: shippedNames()},
		Keep:    Keep{Raw: 400 * 24 * time.Hour, LowDiskMB: 200},
		Access:  Access{ForgetAfter: 180 * 24 * time.Hour},
	}
}

// Parse reads a configuration from the bytes of a file; name is the name used in messages. It opens nothing. The error is an Errors with
// every mistake found.
func Parse(data []byte, name string) (Config, error) {
	d, err := parseDocument(data, name)
	if err != nil {
		return Config{}, err
	}
	c := Default()
	c.File, c.doc = name, d
	top := d.top()
	if f := top.whole("format", Format, 1, 1<<31); f != Format {
		top.fail("format", fmt.Sprintf("this is format %d", f), fmt.Sprintf("this program reads format %d", Format))
	}
	c.Shed = parseShed(top, c.Shed)
	c.Clock = parseClock(top, c.Clock)
	c.Probes = parseProbes(top, c)
	c.Limits = parseLimits(top, c.Limits)
	c.Systems = parseSystems(top, c.Systems)
	c.Plan = parsePlan(top)
	c.Record = parseRecord(top)
	c.Outdoor = parseOutdoorForecast(top, c.Shed)
	c.Building = parseBuilding(top)
	c.Keep = parseKeep(top, c.Keep)
	c.Alerts = parseAlerts(top)
	c.Beat = parseHeartbeat(top)
	c.AllWell = parseAllWell(top)
	c.Mirror = parseMirror(top)
	c.MQTT = parseMQTT(top)
	c.Push = parsePushSection(top)
	c.Access = parseAccess(top, c.Access)
	c.Page = parsePage(top)
	top.done()
	c.consider()
	if err := d.errs.sorted(); err != nil {
		return Config{}, err
	}
	c.Notices = d.notices()
	return c, nil
}

func (d *document) notices() Errors {
	if len(d.warns) == 0 {
		return nil
	}
	_ = d.warns.sorted()
	return d.warns
}

func parseShed(top *section, s Shed) Shed {
	t, _ := top.table("shed")
	s.Name = t.text("name", s.Name, "the name of the shed, such as \"Creek shed\"")
	s.Zone, s.ZoneName = t.zone("zone", s.Zone, s.ZoneName)
	if !t.has("zone") {
		t.d.warn("shed.zone", "is missing: working hours are taken as UTC", zoneWant)
	}
	if h, ok := t.table("hours"); ok {
		s.Hours.StartMin = h.clockTime("start", s.Hours.StartMin)
		s.Hours.EndMin = h.clockTime("end", s.Hours.EndMin)
		if s.Hours.EndMin <= s.Hours.StartMin {
			h.fail("end", "is not after start", "want start before end, both on one day")
		}
		if h.has("days") {
			s.Hours.Days = h.days("days")
		}
		h.done()
	}
	s.Data = t.text("data", s.Data, "the folder for the two databases, such as \"/var/lib/tackline\"")
	s.CommitEvery = t.length("commit_every", s.CommitEvery, time.Second, 15*time.Minute)
	s.Listen = t.listen("listen", s.Listen)
	if t.get("page"); t.has("page") {
		s.Page = t.address("page")
	}
	s.HandFresh = t.length("hand_fresh", s.HandFresh, time.Minute, 12*time.Hour)
	s.StaleAfter = t.length("stale_after", 0, 10*time.Second, 24*time.Hour)
	s.Sys = t.text("sys", s.Sys, "the root of the kernel's tree, \"/sys\"")
	t.done()
	return s
}

func (s *section) listen(key, def string) string {
	t := s.text(key, def, "an address such as \"127.0.0.1:8417\"")
	host, port, err := net.SplitHostPort(t)
	n, perr := strconv.ParseUint(port, 10, 16)
	if err != nil || perr != nil {
		s.fail(key, fmt.Sprintf("%q is no address to listen on", t), `want host:port, such as "127.0.0.1:8417", or "0.0.0.0:8417" for the whole network`)
		return def
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		s.d.warn(s.sub(key), "lets everyone on this network reach the page: they see it unless [access] says reading = \"paired\", and change nothing unless their phone is paired", "127.0.0.1 keeps it on this board")
	}
	if n > 0 && n < 1024 {
		s.d.warn(s.sub(key), fmt.Sprintf("port %d needs root on most systems", n), "want one from 1024 up")
	}
	return t
}

func parseClock(top *section, c Clock) Clock {
	t, ok := top.table("clock")
	if !ok {
		return c
	}
	if v, ok := t.get("speed"); ok {
		switch v := v.(type) {
		case string:
			switch v {
			case "real":
				c.Speed = 1
			case "free":
				c.Speed = 0
			default:
				t.fail("speed", fmt.Sprintf("%q is unknown", v), `want "real", "free", or a number such as 60 for sixty times real time`)
			}
		default:
			c.Speed = t.number("speed", quantity.Ratio(), 1, 0.01, 1e6)
		}
	}
	c.Start = t.instant("start")
	t.done()
	return c
}

func parseLimits(top *section, l Limits) Limits {
	t, ok := top.table("limits")
	if !ok {
		return l
	}
	def := l
	l.MarginK = units.Diff(t.number("margin_k", quantity.Difference(), float64(l.MarginK), 0.5, 15))
	l.MoistureGoodPct = units.Percent(t.number("moisture_good_pct", quantity.Percent(), float64(l.MoistureGoodPct), 4, 25))
	l.MoistureStopPct = units.Percent(t.number("moisture_stop_pct", quantity.Percent(), float64(l.MoistureStopPct), 4, 30))
	if l.MoistureStopPct <= l.MoistureGoodPct {
		t.d.fail(cmp.Or(present(t, "moisture_stop_pct"), t.sub("moisture_good_pct")), nil,
			fmt.Sprintf("moisture_stop_pct %s is not above moisture_good_pct %s", quantity.Number(float64(l.MoistureStopPct)), quantity.Number(float64(l.MoistureGoodPct))),
			"want good below stop")
	}
	if l.MarginK != def.MarginK {
		l.MarginSource = "set in the config"
	}
	if l.MoistureGoodPct != def.MoistureGoodPct || l.MoistureStopPct != def.MoistureStopPct {
		l.MoistureSource = "set in the config"
	}
	l.MarginSource = t.text("margin_source", l.MarginSource, "where the limit comes from")
	l.MoistureSource = t.text("moisture_source", l.MoistureSource, "where the limits come from")
	l.GasGrowth = t.number("gas_growth", quantity.Ratio(), l.GasGrowth, 0.0001, 0.05)
	l.UnventedBurner = t.flag("unvented_burner", l.UnventedBurner)
	l.ResinLowestC = units.Celsius(t.number("resin_lowest_c", quantity.Temperature(), float64(l.ResinLowestC), 1, 35))
	if l.ResinLowestC != def.ResinLowestC {
		l.ResinSource = "set in the config"
	}
	l.ResinSource = t.text("resin_source", l.ResinSource, "where the limit comes from")
	if l.MarginK < def.MarginK {
		t.d.warn("limits.margin_k", fmt.Sprintf("%s K is less than the 3 K of ISO 8502-4 practice", quantity.Number(float64(l.MarginK))), "keep 3 unless the maker's sheet allows less")
	}
	t.done()
	return l
}

// present gives the path of a key where it stands in the file, else "".
func present(s *section, key string) string {
	if s.has(key) {
		return s.sub(key)
	}
	return ""
}

func parseSystems(top *section, s Systems) Systems {
	t, ok := top.table("systems")
	if !ok {
		return s
	}
	s.Shipped = t.words("shipped", s.Shipped, "names of shipped systems: "+strings.Join(shippedNames(), ", "))
	s.Files = t.words("files", nil, "paths such as \"systems/mine.toml\"")
	known := shippedNames()
	for i, name := range s.Shipped {
		if !contains(known, name) {
			want := "shipped are " + strings.Join(known, ", ") + "; your own go under files"
			if near := nearest(name, known); near != "" {
				want = fmt.Sprintf("did you mean %q? %s", near, want)
			}
			t.d.fail(fmt.Sprintf("systems.shipped[%d]", i), name, fmt.Sprintf("there is no shipped system %q", name), want)
		}
	}
	t.done()
	return s
}

// consider notes what no single field can tell.
func (c *Config) consider() {
	d := c.doc
	var air, humid, real bool
	for _, p := range c.Probes {
		k := kinds[p.Kind]
		real = real || !k.simulated
		if p.Place == sensors.Air {
			air = air || contains(k.quantities, sensors.Temperature)
			humid = humid || contains(k.quantities, sensors.Humidity)
		}
	}
	c.considerWireless()
	if real && !c.Clock.Real() {
		d.fail("clock", nil, "time can be sped up or moved only where every probe is of kind shed or replay", `want speed = "real" and no start`)
	}
	switch {
	case len(c.Probes) == 0:
		d.warn("probe", "there is none: nothing will be logged", "add a [[probe]]")
	case !air:
		d.warn("probe", "none measures the temperature of the air: there will be no verdict", `add one with place = "air"`)
	case !humid:
		d.warn("probe", "none measures the humidity of the air: there will be no verdict", `add one with place = "air" that does`)
	}
	if len(c.Alerts) == 0 {
		d.warn("alert", "there is none: nothing will ring", "add an [[alert]]")
	}
	if len(c.Systems.Shipped)+len(c.Systems.Files) == 0 {
		d.warn("systems", "there is no resin system: no coat can be started", "name one under shipped or files")
	}
}

func contains[T comparable](list []T, x T) bool {
	for _, y := range list {
		if x == y {
			return true
		}
	}
	return false
}
