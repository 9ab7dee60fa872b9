package main

import (
	"fmt"
	"strings"
	"time"

	"tackline/daemon/yard"
)

// showYard prints a yard: what is open or opens first, then who is silent, then every shed.
func showYard(e env, y yard.Yard, zone *time.Location) {
	at := func(t *time.Time) string {
		if t == nil {
			return unknown
		}
		return t.In(zone).Format("Mon 2 Jan 15:04")
	}
	fmt.Fprintf(e.out, "At %s, sheds: %d\n", y.At.In(zone).Format("Mon 2 Jan 2006 15:04 MST"), len(y.Sheds))
	if len(y.Sheds) == 0 {
		fmt.Fprintln(e.out, "No shed has reported: give each a [mirror] to this InfluxDB and bucket in its config.")
		return
	}
	var windows, silent, all [][]string
	for i := range y.Sheds {
		s := &y.Sheds[i]
		all = append(all, []string{s.Name, standing(s, y.At, zone), strings.Join(airOf(s), ", ")})
		if s.Silent {
			silent = append(silent, []string{"  " + s.Name, "last seen " + at(s.Seen)})
		}
		for _, p := range s.Probes {
			if p.Silent && !s.Silent {
				silent = append(silent, []string{"  " + s.Name + ", " + p.Name, "last seen " + at(&p.Seen)})
			}
		}
		for _, p := range s.Pieces {
			why := p.Text
			if p.Old {
				why = "said " + p.Told + " at " + at(&p.At)
			}
			all = append(all, []string{"  " + p.Name, p.Verdict, why})
			for _, w := range p.Windows {
				state := "shut yet"
				if w.Open {
					state = "open"
				}
				windows = append(windows, []string{"  " + s.Name + ", " + p.Name, w.Window, state, "opens " + at(w.Opens), "closes " + at(w.Closes), "early " + at(w.ClosesEarly)})
			}
		}
	}
	for _, part := range []struct {
		name  string
		table [][]string
	}{{"Windows", windows}, {"Silent", silent}, {"Sheds", all}} {
		if len(part.table) > 0 {
			fmt.Fprintf(e.out, "\n%s\n", part.name)
			rows(e.out, part.table)
		}
	}
}

// standing says in a few words whether a shed reports.
func standing(s *yard.Shed, now time.Time, zone *time.Location) string {
	switch {
	case s.Seen == nil:
		return "no reading"
	case s.Ahead:
		return "clock ahead: newest reading " + s.Seen.In(zone).Format("Mon 2 Jan 15:04")
	case s.Silent:
		return "silent since " + s.Seen.In(zone).Format("Mon 2 Jan 15:04")
	}
	return "seen " + now.Sub(*s.Seen).Truncate(time.Second).String() + " ago"
}

// airOf gives the air's values, an old one said to be old.
func airOf(s *yard.Shed) []string {
	var out []string
	for _, v := range s.Air() {
		text := fmt.Sprintf("%.1f C", v.Value)
		if v.Quantity == "rh_pct" {
			text = fmt.Sprintf("%.0f %%", v.Value)
		}
		if v.Old {
			text += " (old)"
		}
		out = append(out, text)
	}
	return out
}
