package dashboard

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"tackline/sensors"
)

// Bench tells all that is known of the probes, and of what is there and no probe yet. It may be asked from many goroutines at once.
type Bench interface {
	Bench(ctx context.Context) (BenchView, error)
	// Calibrate compares a probe with something known by the log, and keeps the correction. A *Refusal says what is to be mended, or waited for.
	Calibrate(ctx context.Context, c Calibration) (Receipt, error)
}

// BenchView is the probes at one moment.
type BenchView struct {
	Probes  []BenchProbe // in the order of the config
	Nodes   []FreeNode   // wireless nodes that are heard and are no probe
	Sensors []FreeSensor // that the kernel drives and no probe reads
	Broker  string       // what is wrong with the way to the broker of the nodes; "" where nothing is, or there is none
}

// BenchProbe is a probe with how it does, where it is taped and how it is calibrated.
type BenchProbe struct {
	Probe
	Kind         string // of the config: "sht4x", "mqtt" ...
	Bindable     bool   // a wireless node can be bound to it
	Node         string // the node that is bound to it; "" where none is
	Fixed        bool   // its piece stands in the config, so it is not taped elsewhere from here
	Movable      bool   // it can be taped to a piece, or put in its timber
	Interval     time.Duration
	Reads, Bad   int64 // reads made, and how many of them failed or had no value
	LastError    string
	Calibrations []BenchCalibration
	Raw          *float64 // newest temperature as the chip gave it, C; nil where it has none
}

// BenchCalibration is the correction of one quantity that is in force.
type BenchCalibration struct {
	Quantity  sensors.Quantity
	From, Due time.Time
	Overdue   bool
	Text      string   // what was done, in words; "" where nobody said
	U         *float64 // in the unit of the quantity; nil where it was not stated
}

// FreeNode is a wireless node that is no probe.
type FreeNode struct {
	Node    string
	Heard   time.Time
	Problem string
	Last    []Last // At is zero where the node has no clock
}

// FreeSensor is a sensor that the kernel drives and no probe reads.
type FreeSensor struct {
	Config string // the lines of the config that would read it
	What   string // in words
}

// probesPage is the page Probes.
type probesPage struct {
	base
	Missing  string // why there is nothing to show
	Which    string // address of "which one is this?"; "" where there is no thermometer
	Probes   []benchRow
	Nodes    []nodeRow
	Sensors  []FreeSensor
	Broker   string
	Bindable []string
	Pieces   []choice
	Back     string
}

type benchRow struct {
	probeRow
	ID           int // on the page
	Kind, Beat   string
	Node         string
	Failed       string
	Calibrations []calibrationRow
	None         bool // never calibrated
	Movable, On  bool // it can be taped to a piece; it is on one
	Key          string
	Timber       bool
}

type calibrationRow struct {
	Text, Due, By string
	Overdue       bool
}

type nodeRow struct {
	ID                   int
	Node, Heard, At, Key string
	Problem              string
	Values               []probeValue
}

func (h *Handler) bench(w http.ResponseWriter, r *http.Request) (v View, stale bool, b BenchView, ok bool) {
	if v, stale, ok = h.now(w, r, "/probes"); !ok || h.o.Bench == nil {
		return v, stale, b, ok
	}
	b, err := h.o.Bench.Bench(r.Context())
	if err != nil {
		h.o.Log.Error("dashboard: probes not read", "err", err)
		h.fail(w, r, http.StatusServiceUnavailable, "/probes", h.tx.get("probes_unread"), h.tx.get("error_now_why"), "", true)
		return v, stale, b, false
	}
	return v, stale, b, true
}

func (h *Handler) getProbes(w http.ResponseWriter, r *http.Request) {
	if v, stale, b, ok := h.bench(w, r); ok {
		h.render(w, r, http.StatusOK, "probes", h.probesPage(v, stale, b))
	}
}

func (h *Handler) probesPage(v View, stale bool, b BenchView) probesPage {
	p := probesPage{base: h.base(v, stale, h.tx.get("title_probes"), "/probes"), Sensors: b.Sensors, Broker: b.Broker, Back: "/probes"}
	if h.o.Bench == nil {
		p.Missing = h.tx.get("probes_no_bench")
		return p
	}
	if q := began(b); len(q) > 0 {
		p.Which = "/probes/which?" + q.Encode()
	}
	for _, x := range v.Pieces {
		p.Pieces = append(p.Pieces, choice{Value: strconv.FormatInt(x.ID, 10), Text: x.Name})
	}
	for i, x := range b.Probes {
		p.Probes = append(p.Probes, h.benchRow(v, x, i))
		if x.Bindable {
			p.Bindable = append(p.Bindable, x.Name)
		}
	}
	for i, n := range b.Nodes {
		row := nodeRow{ID: i, Node: n.Node, At: unix(n.Heard), Problem: n.Problem, Key: h.o.Key()}
		if !n.Heard.IsZero() {
			row.Heard = h.tx.get("probe_age", length(v.At.Sub(n.Heard)))
		}
		for _, l := range n.Last {
			if l.At.IsZero() {
				l.At = n.Heard
			}
			row.Values = append(row.Values, h.probeValue(v, l, 0))
		}
		p.Nodes = append(p.Nodes, row)
	}
	return p
}

func (h *Handler) benchRow(v View, x BenchProbe, id int) benchRow {
	row := benchRow{probeRow: h.probeRow(v, x.Probe), ID: id, Kind: x.Kind, Node: x.Node, None: len(x.Calibrations) == 0, Key: h.o.Key(),
		Movable: x.Movable && !x.Fixed, On: x.Piece != "", Timber: x.Place == sensors.Timber}
	row.Place = h.tx.get("place_" + string(x.Place)) // the piece has a line of its own
	switch {
	case x.Piece != "" && x.Place == sensors.Timber:
		row.Place = h.tx.get("probe_in", x.Piece)
	case x.Piece != "":
		row.Place = h.tx.get("probe_taped", x.Piece)
	case row.Movable:
		row.Place = h.tx.get("probe_loose", row.Place)
	}
	if x.Interval > 0 {
		row.Beat = h.tx.get("probe_beat", length(x.Interval))
	}
	if x.Bad > 0 {
		row.Failed = h.tx.get("probe_failed", x.Bad, x.Reads)
		if x.LastError != "" {
			row.Failed += " " + h.tx.get("probe_last_error", x.LastError)
		}
	}
	for _, c := range x.Calibrations {
		label, unit, d := quantityLabel(c.Quantity)
		line := calibrationRow{By: c.Text, Overdue: c.Overdue, Text: h.tx.get("probe_calibrated", h.tx.get(label), h.date(v, c.From))}
		if c.U != nil {
			if unit == "C" {
				unit = "K" // a difference
			}
			line.Text += h.tx.get("probe_calibrated_u", number(*c.U, max(1, d)), unit)
		}
		line.Due = h.tx.get("probe_due", h.date(v, c.Due))
		if c.Overdue {
			line.Due = h.tx.get("probe_overdue", h.date(v, c.Due))
		}
		row.Calibrations = append(row.Calibrations, line)
	}
	return row
}

func (h *Handler) date(v View, t time.Time) string { return t.In(v.Zone).Format("2 January 2006") }

// began writes down what every thermometer shows now, for the address of "which one is this?": the page keeps nothing.
func began(b BenchView) url.Values {
	q := url.Values{}
	for name, t := range temperatures(b) {
		q.Add("from", name+"~"+strconv.FormatFloat(t, 'f', 2, 64))
	}
	slices.Sort(q["from"])
	return q
}

// temperatures gives what every thermometer shows, by the name of its probe or node.
func temperatures(b BenchView) map[string]float64 {
	out := map[string]float64{}
	for _, p := range b.Probes {
		if p.Raw != nil {
			out[p.Name] = *p.Raw
		}
	}
	for _, n := range b.Nodes {
		for _, l := range n.Last {
			if l.Quantity == sensors.Temperature {
				out[n.Node] = l.Value
			}
		}
	}
	return out
}

// whichPage is the page "which one is this?": the thermometer that is warmed in the hand is named.
type whichPage struct {
	base
	Found  string // its name
	Is     string // what it is, in words
	By     string
	Rows   []movedRow
	Again  string
	Back   string
	IsNode bool
}

type movedRow struct {
	Name, By string
	New      bool
}

// whichEvery is how often, in s, the page looks again.
const whichEvery = 2

// mostWhich is how many thermometers are looked at.
const mostWhich = 300

func (h *Handler) getWhich(w http.ResponseWriter, r *http.Request) {
	v, stale, b, ok := h.bench(w, r)
	if !ok {
		return
	}
	first := map[string]float64{}
	for _, x := range r.URL.Query()["from"] {
		if i := strings.LastIndex(x, "~"); i > 0 && len(first) < mostWhich {
			if t, err := strconv.ParseFloat(x[i+1:], 64); err == nil && t > -300 && t < 1000 {
				first[x[:i]] = t
			}
		}
	}
	h.render(w, r, http.StatusOK, "which", h.whichPage(v, stale, b, first))
}

func (h *Handler) whichPage(v View, stale bool, b BenchView, first map[string]float64) whichPage {
	p := whichPage{base: h.base(v, stale, h.tx.get("title_which"), "/probes"), Back: "/probes"}
	p.Poll = whichEvery
	if q := began(b); len(q) > 0 {
		p.Again = "/probes/which?" + q.Encode()
	}
	var list []sensors.Moved
	now := temperatures(b)
	for name, t := range now {
		if from, was := first[name]; was {
			list = append(list, sensors.Moved{Name: name, By: t - from})
		} else {
			p.Rows = append(p.Rows, movedRow{Name: name, By: h.tx.get("which_new"), New: true})
		}
	}
	slices.SortFunc(p.Rows, func(a, b movedRow) int { return strings.Compare(a.Name, b.Name) })
	slices.SortFunc(list, func(a, b sensors.Moved) int {
		if a.By != b.By {
			return map[bool]int{true: -1, false: 1}[a.By > b.By]
		}
		return strings.Compare(a.Name, b.Name)
	})
	for _, m := range list {
		p.Rows = append(p.Rows, movedRow{Name: m.Name, By: signed(m.By)})
	}
	if m, ok := sensors.Warmest(list); ok {
		p.Found, p.By, p.Is = m.Name, signed(m.By), h.tx.get("which_node")
		p.IsNode = true
		for _, x := range b.Probes {
			if x.Name == m.Name {
				p.IsNode, p.Is = false, h.benchRow(v, x, 0).Place
			}
		}
	}
	return p
}

func signed(v float64) string {
	s := number(v, 1)
	if v > 0 && strings.Trim(s, "0.") != "" {
		s = "+" + s
	}
	return s
}
