package daemon

import (
	"net/http"
	"time"

	"tackline/daemon/jobbook"
	"tackline/daemon/poll"
	"tackline/sensors"
)

// ProbeReport is what GET /api/v1/probes says of one probe. null is what is not known.
type ProbeReport struct {
	Name      string            `json:"name"`
	Kind      string            `json:"kind"`
	Options   map[string]string `json:"options"`
	Place     string            `json:"place"`
	Piece     string            `json:"piece,omitempty"`
	Bus       string            `json:"bus"`
	Presence  string            `json:"presence"`
	Problem   string            `json:"problem,omitempty"`
	IntervalS float64           `json:"interval_s"`
	Reads     int64             `json:"reads"`
	Failures  int64             `json:"failures"`
	Bad       int64             `json:"bad_samples"`
	Counts    map[string]int64  `json:"counts"` // readings by status
	LastError string            `json:"last_error,omitempty"`
	Latest    []LatestReport    `json:"latest"`
	// Calibration is the correction in force, and Calibrations what it comes from.
	Calibration  poll.Calibration    `json:"calibration"`
	Calibrations []CalibrationReport `json:"calibrations"`
}

// LatestReport is the newest reading of one quantity, whatever its status.
type LatestReport struct {
	Quantity string     `json:"quantity"`
	Raw      float64    `json:"raw"`
	Value    float64    `json:"value"`
	At       *time.Time `json:"at"`
	Status   string     `json:"status"`
	Held     bool       `json:"held"` // too sudden to be believed yet
	Usable   bool       `json:"usable"`
}

// CalibrationReport is a correction of one quantity: true = gain x shown + offset.
type CalibrationReport struct {
	Quantity string    `json:"quantity"`
	From     time.Time `json:"from"`
	Gain     float64   `json:"gain"`
	Offset   float64   `json:"offset"`
	U        *float64  `json:"u"`
	Due      time.Time `json:"due"`
	Overdue  bool      `json:"overdue"`
	Text     string    `json:"text"`
}

// UnassignedReport is a sensor that the kernel drives and no probe of the config reads.
type UnassignedReport struct {
	Kind       string   `json:"kind"`
	ID         string   `json:"id"`
	Text       string   `json:"text"`
	Quantities []string `json:"quantities"`
}

// ProbesReport is the answer of GET /api/v1/probes.
type ProbesReport struct {
	At         time.Time          `json:"at"`
	Probes     []ProbeReport      `json:"probes"`
	Unassigned []UnassignedReport `json:"unassigned"`
	Nodes      []NodeReport       `json:"nodes"` // wireless nodes that are heard and are no probe yet
}

func (d *Daemon) serveProbes(w http.ResponseWriter, r *http.Request) {
	if facts, ok := d.facts(w, r); ok {
		d.reply(w, r, http.StatusOK, d.probesReport(facts))
	}
}

// probesReport says what is known of all probes, and of what is there and no probe.
func (d *Daemon) probesReport(facts *jobbook.State) ProbesReport {
	now := d.clock.Now().Wall
	out := ProbesReport{At: time.UnixMilli(now).UTC(), Probes: []ProbeReport{}, Unassigned: []UnassignedReport{}, Nodes: []NodeReport{}}
	configured := d.o.Config.Probes
	for i, s := range d.poller.States() {
		p := configured[i]
		line := ProbeReport{Name: s.Name, Kind: p.Kind, Options: p.Options, Place: string(s.Place), Piece: p.Piece, Bus: s.Bus, Presence: s.Presence.String(),
			Problem: presence(s, now, p.StaleAfter), IntervalS: p.Interval.Seconds(), Reads: s.Reads, Failures: s.Failures, Bad: s.BadSamples,
			Counts: map[string]int64{}, LastError: s.LastError, Latest: []LatestReport{}, Calibrations: []CalibrationReport{}}
		for status, n := range s.Counts {
			line.Counts[status.String()] = n
		}
		for _, l := range s.Latest {
			at := time.UnixMilli(l.At).UTC()
			line.Latest = append(line.Latest, LatestReport{l.Quantity.String(), l.Raw, l.Value, &at, l.Status.String(), l.Held, l.Status.Usable() && !l.Held})
		}
		list := correctionsAt(p, facts, now)
		line.Calibration = calibrationOf(list)
		for _, c := range list {
			k := CalibrationReport{Quantity: c.q.String(), From: time.UnixMilli(c.from).UTC(), Gain: c.gain, Offset: c.offset, Due: time.UnixMilli(c.due).UTC(),
				Overdue: c.due < now, Text: c.text}
			if c.u > 0 {
				k.U = &c.u
			}
			line.Calibrations = append(line.Calibrations, k)
		}
		out.Probes = append(out.Probes, line)
	}
	found, err := d.drivers.Kernel()
	if err != nil {
		d.log.Warn("the kernel's sensors could not be listed", "error", err)
	}
	for _, f := range found {
		taken := false
		for _, p := range configured {
			taken = taken || f.Same(p.Kind, p.Options)
		}
		if !taken {
			out.Unassigned = append(out.Unassigned, UnassignedReport{f.Kind, f.ID, f.Text, names(f.Quantities)})
		}
	}
	for _, n := range d.wireless.hub.Nodes() {
		if n.Probe == "" {
			out.Nodes = append(out.Nodes, nodeReport(n))
		}
	}
	return out
}

func names(list []sensors.Quantity) []string {
	out := []string{}
	for _, q := range list {
		out = append(out, q.String())
	}
	return out
}
