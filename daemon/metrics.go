package daemon

import (
	"fmt"
	"net/http"
	"sort"
	"strconv"
	"strings"
	"time"

	"tackline/daemon/poll"
	"tackline/sensors"
)

// metricOf is the name and the unit of a quantity as the Prometheus naming practice has them: base units, a suffix for each, shares instead of
// per cent. Source: prometheus.io, "Metric and label naming".
var metricOf = map[sensors.Quantity]struct {
	name, help string
	scale      float64
}{
	sensors.Temperature: {"tackline_probe_temperature_celsius", "Newest usable temperature of a probe.", 1},
	sensors.Humidity:    {"tackline_probe_relative_humidity_ratio", "Newest usable relative humidity of a probe, 0 to 1.", 0.01},
	sensors.Pressure:    {"tackline_probe_pressure_pascals", "Newest usable pressure of a probe.", 100},
	sensors.Moisture:    {"tackline_probe_timber_moisture_ratio", "Newest usable timber moisture of a probe, mass of water over oven-dry mass.", 0.01},
}

// exposition gathers families of samples in the text format, version 0.0.4, of Prometheus.
type exposition struct {
	order    []string
	families map[string]*family
}

type family struct {
	kind, help string
	lines      []string
}

// add adds one sample. Labels come in pairs: name, value.
func (e *exposition) add(name, kind, help string, value float64, labels ...string) {
	f := e.families[name]
	if f == nil {
		f = &family{kind: kind, help: help}
		e.families[name] = f
		e.order = append(e.order, name)
	}
	line := name
	if len(labels) > 0 {
		pairs := make([]string, 0, len(labels)/2)
		for i := 0; i+1 < len(labels); i += 2 {
			pairs = append(pairs, labels[i]+`="`+escapeLabel.Replace(labels[i+1])+`"`)
		}
		line += "{" + strings.Join(pairs, ",") + "}"
	}
	f.lines = append(f.lines, line+" "+strconv.FormatFloat(value, 'g', -1, 64))
}

var escapeLabel = strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`)

// String gives the text.
func (e *exposition) String() string {
	var b strings.Builder
	for _, name := range e.order {
		f := e.families[name]
		fmt.Fprintf(&b, "# HELP %s %s\n# TYPE %s %s\n", name, f.help, name, f.kind)
		for _, l := range f.lines {
			b.WriteString(l + "\n")
		}
	}
	return b.String()
}

// serveMetrics answers GET /metrics. A probe that is dead or stale has no value here; the time of its last reading stays, so that its silence can
// be told.
func (d *Daemon) serveMetrics(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write([]byte(d.metrics().String()))
}

func (d *Daemon) metrics() *exposition {
	e := &exposition{families: map[string]*family{}}
	stamp := d.clock.Now()
	e.add("tackline_build_info", "gauge", "The running program.", 1, "version", d.o.Version)
	e.add("tackline_clock_synchronized", "gauge", "Whether the wall clock can be trusted.", truth(stamp.State.Trusted()))
	e.add("tackline_config_reload_failing", "gauge", "Whether the config that was loaded last was refused, and the one before it goes on.", truth(d.errs.get("config") != nil))
	for i, p := range d.poller.States() {
		d.probeMetrics(e, p, stamp.Wall, d.o.Config.Probes[i].StaleAfter)
	}
	h := d.store.Health()
	e.add("tackline_storage_commit_errors", "gauge", "Whether the last commit of readings failed.", truth(h.Err != nil))
	e.add("tackline_storage_commits_total", "counter", "Commits of readings since the start.", float64(h.Commits))
	e.add("tackline_storage_dropped_readings_total", "counter", "Readings lost since the start because commits failed for too long.", float64(h.Dropped))
	e.add("tackline_storage_pending_readings", "gauge", "Readings in memory that are not on disk yet.", float64(h.Pending))
	e.add("tackline_storage_file_bytes", "gauge", "Size of the file of readings.", float64(h.FileBytes))
	e.add("tackline_storage_wal_bytes", "gauge", "Size of its write-ahead log.", float64(h.WALBytes))
	e.add("tackline_storage_pruned_channel_hours_total", "counter", "Hours of a channel since the start whose raw readings were let go.", float64(h.Pruned))
	if free, _, err := d.disk(); err == nil {
		e.add("tackline_storage_free_bytes", "gauge", "Room on the disk that holds the databases.", float64(free))
	}
	for _, s := range d.alerts.outbox.Status() {
		e.add("tackline_outbox_pending", "gauge", "Messages that wait for a way out.", float64(s.Waiting), "way", s.Name)
		e.add("tackline_outbox_failed_attempts", "gauge", "Attempts of a way out since its last success.", float64(s.Failing), "way", s.Name)
		if !s.LastOK.IsZero() {
			e.add("tackline_outbox_last_success_timestamp_seconds", "gauge", "When a way out last got through.", seconds(s.LastOK), "way", s.Name)
		}
	}
	if d.mirror != nil {
		s := d.mirror.m.Status()
		e.add("tackline_mirror_failing", "gauge", "Whether the mirror's last write failed.", truth(s.LastError != ""))
		e.add("tackline_mirror_refused_points_total", "counter", "Points since the start that the server will not take, those beyond its retention included.", float64(s.DeadLetters))
	}
	if m := d.latest.Load(); m != nil {
		e.add("tackline_advice_timestamp_seconds", "gauge", "When the shed was last assessed.", seconds(m.At))
		for _, p := range m.Advice.Pieces {
			if v := p.MarginK.Value; v != nil {
				e.add("tackline_piece_margin_kelvin", "gauge", "Surface temperature minus dew point.", *v, "piece", p.Name)
			}
		}
	}
	return e
}

func (d *Daemon) probeMetrics(e *exposition, p poll.State, now int64, stale time.Duration) {
	if p.LastOK > 0 {
		e.add("tackline_probe_last_reading_timestamp_seconds", "gauge", "When a probe last gave a usable reading.", float64(p.LastOK)/1000, "probe", p.Name)
	}
	e.add("tackline_probe_reads_total", "counter", "Reads of a probe since the start.", float64(p.Reads), "probe", p.Name)
	e.add("tackline_probe_failures_total", "counter", "Reads of a probe since the start that failed.", float64(p.Failures), "probe", p.Name)
	flagged := make([]sensors.Status, 0, len(p.Counts))
	for s := range p.Counts {
		if s != sensors.OK {
			flagged = append(flagged, s)
		}
	}
	sort.Slice(flagged, func(i, j int) bool { return flagged[i] < flagged[j] })
	for _, s := range flagged {
		e.add("tackline_probe_flagged_readings_total", "counter", "Readings of a probe since the start that were flagged.", float64(p.Counts[s]), "probe", p.Name, "reason", s.String())
	}
	if presence(p, now, stale) != "" {
		return
	}
	for _, l := range p.Latest {
		m, ok := metricOf[l.Quantity]
		if ok && l.Status.Usable() && now-l.At <= stale.Milliseconds() {
			e.add(m.name, "gauge", m.help, l.Value*m.scale, "probe", p.Name, "place", string(p.Place))
		}
	}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func seconds(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }
