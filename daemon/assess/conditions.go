package assess

import (
	"fmt"
	"time"

	"tackline/advisor"
	"tackline/advisor/units"
	"tackline/daemon/alert"
)

const (
	// soonBefore is how long before a likely opening, and before an early closing, a phone is told. Ours.
	soonBefore = 10 * time.Minute
	// eventFor is how long a window's opening is worth a message of its own.
	eventFor = 30 * time.Minute
	// gassingFrom is the growth of the pore gas until gel from which a phone is told: what half a kelvin of warming does. Ours.
	gassingFrom = 0.002
)

// Conditions says what a phone should hear of, from an advice alone: windows, and what threatens a coat. Every thing that holds is in it,
// every time; whether it is told is alert's to decide. Zone is the shed's, for the times in the texts; nil while the clock is not set: then
// times are told from now.
func Conditions(a advisor.Advice, limits advisor.Limits, zone *time.Location) []alert.Condition {
	t := teller{at: a.At.Time(), zone: zone, limits: limits}
	for i := range a.Coats {
		t.coat(&a.Coats[i], pieceOf(a, a.Coats[i].Piece))
	}
	for i := range a.Batches {
		t.batch(&a.Batches[i])
	}
	if len(a.Pieces) > 0 || len(a.Batches) > 0 { // an empty shed may be as cold as it likes
		t.resin(&a)
	}
	return t.out
}

func pieceOf(a advisor.Advice, id int64) *advisor.PieceAdvice {
	for i := range a.Pieces {
		if a.Pieces[i].Piece == id {
			return &a.Pieces[i]
		}
	}
	return nil
}

// teller collects conditions.
type teller struct {
	at     time.Time
	zone   *time.Location
	limits advisor.Limits
	out    []alert.Condition
}

func (t *teller) add(c alert.Condition) { t.out = append(t.out, c) }

// clock gives a time of day, with the day where it is not today; without a zone, how far off it is.
func (t *teller) clock(at units.Instant) string {
	if !at.Known() {
		return "later than two days from now"
	}
	if t.zone == nil {
		if off := at.Time().Sub(t.at).Round(time.Minute); off >= 0 {
			return fmt.Sprintf("%s from now", minutes(off))
		} else {
			return fmt.Sprintf("%s ago", minutes(-off))
		}
	}
	x := at.Time().In(t.zone)
	if y, m, d := t.at.In(t.zone).Date(); x.Year() == y && x.Month() == m && x.Day() == d {
		return x.Format("15:04")
	}
	return x.Format("Mon 15:04")
}

// minutes gives a length of time as 40 min or 2 h 5 min.
func minutes(d time.Duration) string {
	m := int64(d / time.Minute)
	if m < 100 {
		return fmt.Sprintf("%d min", m)
	}
	return fmt.Sprintf("%d h %d min", m/60, m%60)
}

func (t *teller) coat(c *advisor.CoatAdvice, p *advisor.PieceAdvice) {
	key := fmt.Sprintf("coat/%d/", c.Coat)
	link := fmt.Sprintf("/coats#coat-%d", c.Coat)
	blind := c.CantSay != "" && !c.BelowLowest
	recoat := units.Instant(0)
	for _, w := range c.Windows {
		if w.Window == "recoat" {
			recoat = w.Closes.Early
		}
	}
	for _, w := range c.Windows {
		t.window(c, w, key+w.Window+"_", link, blind || c.BelowLowest, recoat)
	}
	t.add(alert.Condition{Key: key + "blind", Cause: key + "blind", Severity: alert.Warning, Link: link, Active: blind, Hold: 2 * time.Minute,
		Title:   "Can't say: " + c.Name,
		Body:    "No time can be given for " + c.Name + ": " + c.CantSay + ". See to the probe; a touch by hand still tells.",
		Cleared: "Readings are back; the times for " + c.Name + " are given again."})
	t.lowest(c, key, link)
	t.margin(c, p, key, link, blind)
	t.stalled(c, key, link, blind)
	t.lag(c, key, link, blind)
	t.gas(c, key, link, blind)
}

// window tells of one window: soon, open, closing, closed. The recoat window opens with the tack window, and is told with it until its closing;
// recoat is its early close.
func (t *teller) window(c *advisor.CoatAdvice, w advisor.Window, key, link string, unknown bool, recoat units.Instant) {
	now := units.InstantOf(t.at)
	what, then := "Tack window", "Fabric or the next coat can go on now"
	last := "lay fabric or coat before then"
	if w.Window == "recoat" {
		what, last = "Recoat window", "put the next coat on before then, or wash and abrade first"
	}
	event := func(name string, from, until units.Instant, opens bool, severity alert.Severity, title, body string) {
		active := !unknown && from.Known() && now >= from && (!until.Known() || now < until)
		t.add(alert.Condition{Key: key + name, Severity: severity, Title: title, Body: body, Link: link, Active: active, Event: true, Window: opens,
			Unknown: unknown, Since: from.Time(), Until: until.Time()})
	}
	soon := units.Second(soonBefore.Seconds())
	if w.Window == "tack" {
		event("soon", w.Opens.Likely-units.Instant(soon), w.Opens.Likely, false, alert.Notice,
			fmt.Sprintf("%s soon: %s", what, c.Name),
			fmt.Sprintf("%s will be tacky about %s (%s to %s); from then the next coat can go on, too. Get fabric, roller and resin ready.",
				capital(c.Name), t.clock(w.Opens.Likely), t.clock(w.Opens.Early), t.clock(w.Opens.Late)))
		event("open", w.Opens.Likely, atMost(w.Closes.Early, w.Opens.Likely.Add(units.Second(eventFor.Seconds()))), true, alert.Warning,
			fmt.Sprintf("%s open: %s", what, c.Name),
			fmt.Sprintf("%s is tacky since about %s. %s: fabric until %s at the earliest, the next coat without abrading until %s at the earliest. Try it with a gloved finger first.",
				capital(c.Name), t.clock(w.Opens.Likely), then, t.clock(w.Closes.Early), t.clock(recoat)))
	}
	event("closing", w.Closes.Early-units.Instant(soon), w.Closes.Likely, false, alert.Warning,
		fmt.Sprintf("%s closing: %s", what, c.Name),
		fmt.Sprintf("The %s of %s may close from %s on (likely %s): %s.", lower(what), c.Name, t.clock(w.Closes.Early), t.clock(w.Closes.Likely), last))
	event("closed", w.Closes.Likely, w.Closes.Likely.Add(units.Second(eventFor.Seconds())), false, alert.Notice,
		fmt.Sprintf("%s closed: %s", what, c.Name),
		fmt.Sprintf("The %s of %s closed about %s. %s", lower(what), c.Name, t.clock(w.Closes.Likely), t.closedMeans(w.Window, recoat)))
}

func atMost(a, b units.Instant) units.Instant {
	if a.Known() && a < b {
		return a
	}
	return b
}

func lower(s string) string { return string(s[0]+'a'-'A') + s[1:] }

// capital begins a sentence with a name.
func capital(s string) string {
	if s != "" && s[0] >= 'a' && s[0] <= 'z' {
		return string(s[0]-'a'+'A') + s[1:]
	}
	return s
}

func (t *teller) closedMeans(window string, recoat units.Instant) string {
	if window == "recoat" {
		return "The next coat no longer bonds by itself: let it harden, wash with water, dry, abrade; unfilled weave is only scuffed. The maker's sheet decides."
	}
	return fmt.Sprintf("Fabric no longer sinks in; the next coat still bonds until its own window closes, at %s at the earliest.", t.clock(recoat))
}

// lowest: the surface is below the system's lowest temperature.
func (t *teller) lowest(c *advisor.CoatAdvice, key, link string) {
	body := c.CantSay
	if body != "" {
		body = "On " + c.PieceName + " " + body + ". Warm the piece; cure goes on when it is warm again."
	}
	t.add(alert.Condition{Key: key + "lowest", Severity: alert.Warning, Title: "Too cold: " + c.Name, Body: body, Link: link, Active: c.BelowLowest,
		Unknown: c.CantSay != "" && !c.BelowLowest, Hold: 5 * time.Minute, ClearHold: 5 * time.Minute,
		Cleared: capital(c.Name) + " is above its system's lowest temperature again."})
}

// margin: below the limit now (critical), or by forecast before the coat stops minding (a warning, hours ahead).
func (t *teller) margin(c *advisor.CoatAdvice, p *advisor.PieceAdvice, key, link string, blind bool) {
	limit := float64(t.limits.MarginK)
	minds := c.State == advisor.StateWet || c.State == advisor.StateTacky || c.State == advisor.StateGreen || c.State == ""
	if p != nil && p.MarginK.Value != nil && p.MarginK.U != nil {
		value := *p.MarginK.Value - *p.MarginK.U
		t.add(alert.Condition{Key: key + "margin_now", Cause: key + "margin", Severity: alert.Critical, Link: link, Active: minds && value < limit,
			Title: "Damp: " + c.Name,
			Body: fmt.Sprintf("%s: margin over the dew point %.1f K less %.1f K of doubt, limit %.1f K, and the coat minds until %s. Warm the piece or dry the air now.",
				capital(c.Name), *p.MarginK.Value, *p.MarginK.U, limit, t.minds(c)),
			Cleared: "The margin at " + c.PieceName + " is safe again.",
			Level:   level(minds, value, limit), ClearHold: 5 * time.Minute})
	} else {
		t.add(alert.Condition{Key: key + "margin_now", Cause: key + "margin", Severity: alert.Critical, Link: link, Unknown: true, Title: "Damp: " + c.Name})
	}
	ahead := alert.Condition{Key: key + "margin_ahead", Cause: key + "margin", Severity: alert.Warning, Link: link, Unknown: blind, Title: "Damp ahead: " + c.Name,
		Hold: 10 * time.Minute, ClearHold: 30 * time.Minute, Cleared: "By the forecast the margin at " + c.PieceName + " now holds."}
	if m := c.MarginAhead; m != nil {
		ahead.Active = minds && m.MarginK-m.UK < limit
		ahead.Level = level(minds, m.MarginK-m.UK, limit)
		ahead.Body = fmt.Sprintf("%s: by the forecast the margin may fall to %.1f K less %.1f K of doubt about %s, limit %.1f K, before the coat stops minding. Plan heat or drying for then.",
			capital(c.Name), m.MarginK, m.UK, t.clock(m.At), limit)
	}
	t.add(ahead)
}

// minds gives until when a coat minds damp: the late end of green, where it is known.
func (t *teller) minds(c *advisor.CoatAdvice) string {
	for _, w := range c.Windows {
		if w.Window == "recoat" && w.Closes.Late.Known() {
			return t.clock(w.Closes.Late)
		}
	}
	return "it has set, at a time that can't be said"
}

// level gives the hysteresis of the margin: half a kelvin. A coat that no longer minds has none to be held by.
func level(minds bool, value, limit float64) *alert.Level {
	if !minds {
		return nil
	}
	return &alert.Level{Value: value, Limit: limit, Hysteresis: 0.5, Below: true}
}

func (t *teller) stalled(c *advisor.CoatAdvice, key, link string, blind bool) {
	body := ""
	for _, r := range c.Reasons {
		if r.Rule == "stalled" {
			body = capital(c.Name) + ": " + r.Text + " Warm the piece, as its maker's sheet says, and hold it warm until the page says cured; do not sand, load or paint it on its hardness."
		}
	}
	t.add(alert.Condition{Key: key + "stalled", Severity: alert.Warning, Title: "Stalled by cold: " + c.Name, Body: body, Link: link, Active: c.Stalled,
		Unknown: blind, Hold: 10 * time.Minute, ClearHold: 10 * time.Minute, Cleared: capital(c.Name) + " cures again."})
}

// gas: the air in bare timber grows before the coat gels, from now on or later. It rings by nine of ten futures, for what it asks for costs cure, and a thermostat's
// tenths of a kelvin are in every forecast; being that sure, it waits two minutes only. It is over when it is no longer likely.
func (t *teller) gas(c *advisor.CoatAdvice, key, link string, blind bool) {
	wet := c.State == advisor.StateWet || c.State == advisor.StateTacky
	told := alert.Condition{Key: key + "gas", Severity: alert.Warning, Title: "Timber gassing, or about to: " + c.Name, Link: link, Unknown: blind,
		Hold: 2 * time.Minute, ClearHold: 10 * time.Minute, Cleared: "The timber under " + c.Name + " no longer gives off air."}
	if wet && c.GasRatio != nil && c.GasSure != nil {
		told.Active = *c.GasSure-1 >= gassingFrom
		told.Level = &alert.Level{Value: *c.GasRatio - 1, Limit: gassingFrom}
		told.Body = fmt.Sprintf("%s: the air in the timber grows by %.1f %% before the coat gels, limit %.1f %%, and blows bubbles into it. Take sun, lamp and heater off it now and let it cool; roll out the bubbles that you see.",
			capital(c.Name), 100*(*c.GasRatio-1), 100*gassingFrom)
	}
	t.add(told)
}
