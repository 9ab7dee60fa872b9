package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"
)

var weekdays = [7]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}

// readDays reads weekdays such as mon-fri,sun: Sunday first in the answer.
func readDays(s string) (any, error) {
	var out [7]bool
	day := func(name string) int {
		for i, d := range weekdays {
			if len(name) >= 3 && strings.HasPrefix(strings.ToLower(name), d) {
				return i
			}
		}
		return -1
	}
	for _, part := range strings.Split(s, ",") {
		a, b, span := strings.Cut(strings.TrimSpace(part), "-")
		from, to := day(a), day(b)
		if !span {
			to = from
		}
		if from < 0 || to < 0 {
			return nil, fmt.Errorf("%q are no weekdays: want such as mon-fri or mon,wed,sat", s)
		}
		for i := from; ; i = (i + 1) % 7 {
			out[i] = true
			if i == to {
				break
			}
		}
	}
	return out, nil
}

// readDatesOff reads days off such as 2026-12-24,2026-12-27; "none" takes all away.
func readDatesOff(s string) (any, error) {
	out := []string{}
	if s == "none" {
		return out, nil
	}
	for _, part := range strings.Split(s, ",") {
		part = strings.TrimSpace(part)
		if _, err := time.Parse("2006-01-02", part); err != nil {
			return nil, fmt.Errorf("%q is no day: want such as 2026-12-24, several with commas, or none", part)
		}
		out = append(out, part)
	}
	return out, nil
}

// readMinutes reads a time of day as minutes after midnight.
func readMinutes(s string) (any, error) {
	if s == "24:00" {
		return 24 * 60, nil
	}
	t, err := time.Parse("15:04", s)
	if err != nil {
		return nil, fmt.Errorf("%q is no time of day: want such as 08:00", s)
	}
	return t.Hour()*60 + t.Minute(), nil
}

func peopleSlots() slots {
	return slots{
		slotOf("from", "start_min", "time", "begins work, 08:00", readMinutes),
		slotOf("to", "end_min", "time", "ends work, 17:00", readMinutes),
		slotOf("days", "days", "days", "works on, mon-fri", readDays),
		slotOf("off", "days_off", "dates", "days off, 2026-12-24,2026-12-27; none", readDatesOff),
		slotNumber("pace", "pace_m2_h", 0, 100, "area that this person coats in an hour, m2/h; 0 is not known"),
	}
}

func newPeopleCmd(e env) *cobra.Command {
	c := groupCmd("people", "List and enter who works in the shed: hours, days off, pace", "  tackline people add Wren --from 08:00 --to 17:00 --days mon-fri --pace 6\n  tackline people edit Wren --off 2026-12-24,2026-12-25")
	d := newDesk(c, e)
	list := &cobra.Command{Use: "list", Short: "List the people", Args: cobra.NoArgs, RunE: func(c *cobra.Command, _ []string) error {
		items, err := d.all(c.Context(), "people", nil)
		if err != nil {
			return err
		}
		return d.list(items, "Nobody yet: tackline people add NAME.", func(t thing) []string {
			hour := func(f string) string { return fmt.Sprintf("%02d:%02d", int64(t.num(f))/60, int64(t.num(f))%60) }
			return []string{t.str("name"), hour("start_min") + " to " + hour("end_min"), daysText(t["days"]), unlessZero(t.num("pace_m2_h"), "m2/h"), offText(t["days_off"])}
		})
	}}
	all := peopleSlots()
	add := &cobra.Command{Use: "add NAME", Short: "Add somebody", Example: "  tackline people add Wren --from 08:00 --to 17:00 --days mon-fri --pace 6", Args: cobra.ExactArgs(1)}
	all.on(add)
	add.RunE = func(c *cobra.Command, args []string) error {
		payload := map[string]any{"name": args[0], "start_min": 8 * 60, "end_min": 17 * 60, "days": [7]bool{false, true, true, true, true, true, false}}
		if err := all.fill(d.e, c, payload); err != nil {
			return err
		}
		return d.keep(c.Context(), "add-person", payload, all, "person %d, "+plain(args[0]))
	}
	changes := append(slots{slotText("name", "name", "name")}, peopleSlots()...)
	edit := &cobra.Command{Use: "edit PERSON", Short: "Correct what was said of somebody", Example: "  tackline people edit Wren --off 2026-12-24,2026-12-25", Args: cobra.ExactArgs(1)}
	changes.on(edit)
	rev := revFlag(edit)
	edit.RunE = func(c *cobra.Command, args []string) error {
		id, err := d.find(c.Context(), "people", "person", args[0])
		if err != nil {
			return err
		}
		return d.edit(c, "people", "edit-person", "person", id, *rev, changes)
	}
	shows := slots{slotText("temperature", "temperature", "C or F"), slotText("mass", "mass", "g or oz"), slotText("area", "area", "m2 or ft2"), slotText("length", "length", "mm or in"), slotText("pressure", "pressure", "hPa or inHg"),
		slotText("decimal", "decimal", "point or comma")}
	units := &cobra.Command{Use: "units PERSON", Short: "Say how somebody wants numbers told on the page", Example: "  tackline people units Wren --temperature F --mass oz", Args: cobra.ExactArgs(1)}
	shows.on(units)
	seen := revFlag(units)
	units.RunE = func(c *cobra.Command, args []string) error {
		id, err := d.find(c.Context(), "people", "person", args[0])
		if err != nil {
			return err
		}
		return d.edit(c, "people", "set-units", "person", id, *seen, shows)
	}
	c.AddCommand(list, add, edit, units)
	return c
}

func daysText(raw json.RawMessage) string {
	var days [7]bool
	_ = json.Unmarshal(raw, &days)
	var out []string
	for i := range 7 {
		if d := (i + 1) % 7; days[d] {
			out = append(out, weekdays[d])
		}
	}
	return strings.Join(out, " ")
}

func offText(raw json.RawMessage) string {
	var off []string
	_ = json.Unmarshal(raw, &off)
	if len(off) == 0 {
		return ""
	}
	return "off " + strings.Join(off, ", ")
}
