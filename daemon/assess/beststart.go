package assess

import (
	"fmt"
	"strings"
	"time"

	"tackline/advisor"
	"tackline/advisor/plan"
	"tackline/daemon/alert"
)

// BestStart says which start of the day after now is the best on a piece, from its plan: a message for the evening before. Until is when it is
// no longer worth one. A plan that can't be said makes it unknown. Zone is the shed's; nil is UTC.
func BestStart(p advisor.Plan, now, until time.Time, zone *time.Location) alert.Condition {
	if zone == nil {
		zone = time.UTC
	}
	today := now.In(zone)
	from := time.Date(today.Year(), today.Month(), today.Day()+1, 0, 0, 0, 0, zone)
	to := time.Date(today.Year(), today.Month(), today.Day()+2, 0, 0, 0, 0, zone)
	c := alert.Condition{Key: fmt.Sprintf("piece/%d/start/%s", p.Piece, from.Format(time.DateOnly)), Severity: alert.Notice, Link: "/", Active: true, Event: true,
		Unknown: p.CantSay != "", Until: until, Title: "No start fits tomorrow: " + p.Name}
	var best *plan.Start
	for i := range p.Starts { // best first
		if at := p.Starts[i].At.Time(); !at.Before(from) && at.Before(to) {
			best = &p.Starts[i]
			break
		}
	}
	switch {
	case c.Unknown:
		c.Active = false
	case best == nil || best.Chance < plan.MoreLikely:
		c.Body = p.Nothing
		if c.Body == "" && best != nil {
			c.Body = fmt.Sprintf("The best start of tomorrow, %s, holds in only %.0f %% of the forecast's members. %s", best.At.Time().In(zone).Format("15:04"), 100*best.Chance, best.Why)
		}
		if len(p.Best) > 0 {
			c.Body += fmt.Sprintf(" The next that does: %s.", p.Best[0].At.Time().In(zone).Format("Mon 15:04"))
		}
	default:
		c.Title = fmt.Sprintf("Best start tomorrow: %s %s", p.Name, best.At.Time().In(zone).Format("15:04"))
		c.Body = fmt.Sprintf("%.0f %% of the forecast's members. %s Likely: %s. Look at the verdict before you mix.", 100*best.Chance, best.Why, likelySteps(best, zone))
	}
	return c
}

// likelySteps lists when the steps of a start would come.
func likelySteps(s *plan.Start, zone *time.Location) string {
	var parts []string
	for _, x := range s.Steps {
		at := "not within the forecast"
		if x.Likely.Known() {
			at = x.Likely.Time().In(zone).Format("15:04")
		}
		parts = append(parts, x.Step+" "+at)
	}
	return strings.Join(parts, ", ")
}
