package daemon

import (
	"context"
	"fmt"
	"time"

	"tackline/daemon/alert"
	"tackline/daemon/clock"
	"tackline/sensors"
)

// wetAfter is how long a humidity may stand at a rail before it is said: fog and a wet floor last a night's hours, a wet or dead sensor stays. Ours.
const wetAfter = 6 * time.Hour

// wetConditions says which humidity sensors have shown nothing but a rail for hours: they are wet, or have failed. Their readings are not used from the first
// one on; this is only so that somebody looks.
func (d *Daemon) wetConditions(ctx context.Context, stamp clock.Stamp) []alert.Condition {
	var out []alert.Condition
	for _, p := range d.o.Config.Probes {
		n, err := d.store.Latest(ctx, p.Name, sensors.Humidity)
		if err != nil || n.Any == nil {
			continue
		}
		since, _, _ := d.store.Extent(p.Name)
		if n.Usable != nil {
			since = n.Usable.At
		}
		fresh := stamp.Wall-n.Any.At <= p.StaleAfter.Milliseconds()
		wet := n.Any.Status == sensors.Saturated && stamp.Wall-since >= wetAfter.Milliseconds()
		out = append(out, alert.Condition{Key: "saturated/" + p.Name, Severity: alert.Notice, Active: wet, Unknown: !fresh || !stamp.State.Trusted(), Link: "/probes",
			Title: "The humidity sensor may be wet or failed: " + p.Name,
			Body: fmt.Sprintf("%s has shown %.1f %% and nothing else for %.0f h: its sensor is wet, or has failed. Nothing of it is used. Let it dry in warm moving air, away from resin and solvent; if it stays, replace it.",
				p.Name, n.Any.Raw, time.Duration((stamp.Wall-since)*int64(time.Millisecond)).Hours()),
			Cleared: p.Name + " tells the humidity again."})
	}
	return out
}
