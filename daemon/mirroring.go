package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"tackline/advisor"
	"tackline/daemon/alert"
	"tackline/daemon/clock"
	"tackline/daemon/mirror"
	"tackline/daemon/store"
)

// mirroring runs the mirror beside the loop.
type mirroring struct {
	m *mirror.Mirror
	d *Daemon
}

func newMirroring(d *Daemon) (*mirroring, error) {
	c := d.o.Config.Mirror
	if c == nil {
		return nil, nil
	}
	token, err := d.o.Config.Token(c.TokenFile)
	if err != nil {
		return nil, err
	}
	m, err := mirror.New(mirrorSource{d.store}, mirror.Options{URL: c.URL, Token: token, Org: c.Org, Bucket: c.Bucket, Shed: d.o.Config.Shed.Name,
		Held: func() bool { return !d.clock.Now().State.Trusted() }})
	if err != nil {
		return nil, err
	}
	return &mirroring{m: m, d: d}, nil
}

func (m *mirroring) run(ctx context.Context) {
	if err := m.m.Run(ctx); err != nil && ctx.Err() == nil {
		m.d.log.Error("the mirror stopped; readings are kept here all the same", "error", err)
	}
}

// conditions tell of a mirror that has not got through for a day, of a server that refuses it, and, once each, of points that it will never take.
func (m *mirroring) conditions(stamp clock.Stamp) []alert.Condition {
	s := m.m.Status()
	since := time.UnixMilli(stamp.Wall).UTC()
	why := alert.OneLine(s.LastError, 300)
	other := s.DeadLetters - s.TooOld
	return []alert.Condition{
		{Key: "part/mirror", Severity: alert.Notice, Active: s.LastError != "" && !s.Stopped, Hold: 24 * time.Hour, Link: "/", Since: since,
			Title: "The mirror lags", Body: "InfluxDB has not taken readings for a day: " + why + ". Nothing is lost; it catches up. See to the server, its disk, or the network between.",
			Cleared: "InfluxDB takes readings again."},
		{Key: "part/mirror/refused", Severity: alert.Warning, Active: s.Stopped, Hold: 10 * time.Minute, Link: "/", Since: since,
			Title: "InfluxDB refuses the mirror", Body: "It said: " + why + ". Readings are kept here, and follow by themselves once that is put right: look at token, organisation and bucket.", Cleared: "InfluxDB takes readings again."},
		{Key: "part/mirror/old", Event: true, Active: s.TooOld > 0, Severity: alert.Notice, Link: "/", Since: since, Title: "InfluxDB keeps less than this shed",
			Body: fmt.Sprintf("%d points were older than the server keeps, and are not there. They are kept here. Give the bucket a longer retention, and they can be exported to it.", s.TooOld)},
		{Key: "part/mirror/points", Event: true, Active: other > 0, Severity: alert.Notice, Link: "/", Since: since, Title: "InfluxDB refuses some points",
			Body: fmt.Sprintf("%d points were refused one by one, most likely because a field has another type there, and are not there. They are kept here. Look at the fields of the measurement reading there, or use a bucket of its own.", other)},
	}
}

// mirrorSource shows the store to the mirror.
type mirrorSource struct{ store *store.Store }

// Follow does as mirror.Source says.
func (s mirrorSource) Follow(ctx context.Context, done string, limit int64) (mirror.Batch, error) {
	var from store.Cursor
	var err error
	if done != "" {
		if from, err = store.ParseCursor(done); err != nil {
			return mirror.Batch{}, err
		}
	}
	p, err := s.store.Follow(ctx, "mirror", from, limit)
	if err != nil {
		return mirror.Batch{}, err
	}
	b := mirror.Batch{Next: p.Next.String(), Behind: p.Behind}
	for _, r := range p.Rows {
		b.Readings = append(b.Readings, mirror.Reading{Probe: r.Probe, Place: r.Place, Quantity: r.Quantity, At: r.At, Value: r.Value, Status: r.Status})
	}
	for _, a := range p.Advice {
		var one advisor.Advice
		if err := json.Unmarshal(a.JSON, &one); err != nil {
			return mirror.Batch{}, err
		}
		for _, piece := range one.Pieces {
			b.Advice = append(b.Advice, mirrored(a.At, &one, piece))
		}
	}
	return b, nil
}

// mirrored is a piece's verdict with its worst reason, and the windows of its coat.
func mirrored(at int64, a *advisor.Advice, p advisor.PieceAdvice) mirror.Advice {
	out := mirror.Advice{At: at, Piece: p.Name, Verdict: string(p.Verdict), Times: map[string]float64{}}
	if len(p.Reasons) > 0 {
		out.Rule, out.Text = p.Reasons[0].Rule, p.Reasons[0].Text
	}
	for _, c := range a.Coats {
		if c.Piece != p.Piece {
			continue
		}
		for _, w := range c.Windows {
			for edge, m := range map[string]advisor.Moment{"opens": w.Opens, "closes": w.Closes} {
				if m.Likely.Known() {
					out.Times[w.Window+"_"+edge+"_likely"] = float64(m.Likely)
				}
				if edge == "closes" && m.Early.Known() { // the one to act on
					out.Times[w.Window+"_closes_early"] = float64(m.Early)
				}
			}
		}
	}
	return out
}
