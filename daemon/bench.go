package daemon

import (
	"context"
	"fmt"
	"time"

	"tackline/daemon/config"
	"tackline/daemon/jobbook"
	"tackline/dashboard"
	"tackline/sensors"
)

// probeBench shows the probes to the page.
type probeBench struct{ d *Daemon }

var _ dashboard.Bench = probeBench{}

// Bench does as dashboard.Bench says.
func (b probeBench) Bench(ctx context.Context) (dashboard.BenchView, error) {
	d := b.d
	facts, err := d.book.State(ctx)
	if err != nil {
		return dashboard.BenchView{}, err
	}
	var out dashboard.BenchView
	now := d.clock.Now().Wall
	node := map[string]string{}
	for _, n := range d.wireless.hub.Nodes() {
		if n.Probe != "" {
			node[n.Probe] = n.Key
			continue
		}
		free := dashboard.FreeNode{Node: n.Key, Problem: n.Problem}
		if !n.Heard.IsZero() { // by the board's clock; the page counts by the shed's
			free.Heard = time.UnixMilli(now - time.Since(n.Heard).Milliseconds()).UTC()
		}
		for _, l := range n.Last {
			free.Last = append(free.Last, dashboard.Last{Quantity: l.Quantity, Value: l.Value, At: l.At, Status: l.Status})
		}
		out.Nodes = append(out.Nodes, free)
	}
	for i, s := range d.poller.States() {
		p := d.o.Config.Probes[i]
		line := dashboard.BenchProbe{Kind: p.Kind, Bindable: p.Wireless() && p.Options["token_file"] == "", Node: node[p.Name], Fixed: p.Piece != "",
			Movable: p.Place == sensors.Surface || p.Place == sensors.Timber, Interval: p.Interval, Reads: s.Reads, Bad: s.Failures, LastError: s.LastError}
		if p.Wireless() {
			line.Interval = 0 // it speaks when it likes
		}
		line.Probe = dashboard.Probe{Name: p.Name, Place: p.Place, Piece: tapedTo(p, facts, now), Problem: presence(s, now, p.StaleAfter), StaleAfter: p.StaleAfter}
		for _, l := range s.Latest {
			at := time.UnixMilli(l.At).UTC()
			line.Last = append(line.Last, dashboard.Last{Quantity: l.Quantity, Value: l.Value, At: at, Status: l.Status})
			if at.After(line.Seen) {
				line.Seen = at
			}
			if l.Quantity == sensors.Temperature {
				raw := l.Raw
				line.Raw = &raw
			}
		}
		for _, c := range correctionsAt(p, facts, now) {
			k := dashboard.BenchCalibration{Quantity: c.q, From: at(c.from), Due: at(c.due), Overdue: c.due < now, Text: c.text}
			if c.u > 0 {
				k.U = &c.u
			}
			line.Calibrations = append(line.Calibrations, k)
		}
		out.Probes = append(out.Probes, line)
	}
	if d.wireless.mqtt != nil {
		if s := d.wireless.mqtt.State(); !s.Connected {
			out.Broker = s.Problem
		}
	}
	for _, u := range d.probesReport(facts).Unassigned {
		key := map[string]string{"sysfs": "device", "w1": "address"}[u.Kind]
		out.Sensors = append(out.Sensors, dashboard.FreeSensor{What: u.Text, Config: fmt.Sprintf("kind = %q, %s = %q", u.Kind, key, u.ID)})
	}
	return out, nil
}

// tapedTo names the piece that a probe sits on or in now, by the config or by the newest placement; "" where it is on none.
func tapedTo(p config.Probe, facts *jobbook.State, now int64) string {
	if p.Piece != "" {
		return p.Piece
	}
	var on *jobbook.Placement
	for i := range facts.Placements {
		q := &facts.Placements[i]
		if q.Probe == p.Name && q.From.MS <= now && (on == nil || q.From.MS >= on.From.MS) {
			on = q
		}
	}
	if on == nil || on.Piece == 0 || on.Until != 0 && on.Until <= now {
		return ""
	}
	piece, _ := facts.Piece(on.Piece)
	return piece.Name
}
