package daemon

import (
	"context"
	"net/http"
	"time"

	"tackline/daemon/alert"
	"tackline/dashboard"
)

// alertsJSON is what holds now, and how each way out is doing.
type alertsJSON struct {
	Standing []standingJSON    `json:"standing"` // worst first, then oldest
	Ways     []alert.WayStatus `json:"ways"`     // in the order of the config
}

// standingJSON is one cause that holds.
type standingJSON struct {
	Key      string     `json:"key"` // give it to acknowledge and snooze
	Title    string     `json:"title"`
	Severity string     `json:"severity"` // notice, warning, critical
	Since    time.Time  `json:"since"`
	Told     bool       `json:"told"` // false while quiet hours hold it
	Acked    bool       `json:"acknowledged"`
	By       string     `json:"by,omitempty"`
	Snoozed  *time.Time `json:"snoozed_until"`
}

// tryJSON asks for a trial message.
type tryJSON struct {
	Ways []string `json:"ways,omitempty"` // names of the config; none is all
}

// trialJSON is what one way's server said to it.
type trialJSON struct {
	Way    string `json:"way"`
	OK     bool   `json:"ok"`
	Answer string `json:"answer"` // what the other side said, or why it did not arrive
}

type trialsJSON struct {
	Trials []trialJSON `json:"trials"`
}

func (d *Daemon) alertRoutes() []dashboard.Route {
	return []dashboard.Route{
		{Method: "GET", Path: "/api/v1/alerts", Role: dashboard.Read, Does: "What holds now, and how each way of telling is doing: its last success, its last failure, what waits.", Answers: alertsJSON{}, Handle: d.serveAlerts},
		{Method: "POST", Path: "/api/v1/alerts/try", Role: dashboard.Write, Does: "Send a trial message at once, and give each server's real answer.", Body: tryJSON{}, Answers: trialsJSON{}, Handle: d.tryWays},
	}
}

func (d *Daemon) serveAlerts(w http.ResponseWriter, r *http.Request) {
	out := alertsJSON{Standing: []standingJSON{}, Ways: d.alerts.outbox.Status()}
	for _, s := range d.alerts.standing() {
		one := standingJSON{Key: s.Key, Title: s.Title, Severity: s.Severity.String(), Since: s.Since.UTC(), Told: s.Told, Acked: s.Acked, By: s.AckedBy}
		if s.SnoozedFor > 0 {
			until := d.now().Add(s.SnoozedFor)
			one.Snoozed = &until
		}
		out.Standing = append(out.Standing, one)
	}
	d.reply(w, r, http.StatusOK, out)
}

// tryWays sends a message past queue and budget. It says what it is, so that nobody runs to the shed.
func (d *Daemon) tryWays(w http.ResponseWriter, r *http.Request) {
	var in tryJSON
	if !readBody(w, r, &in, "{ways}") {
		return
	}
	now := d.now()
	m := alert.Message{ID: "try-" + now.Format("20060102T150405.000Z"), Key: "try", Severity: alert.Notice, At: now, Title: "Trial from " + d.o.Config.Shed.Name,
		Body: "This is a trial: nothing is wrong. Alerts of the shed reach you this way."}
	ctx, cancel := context.WithTimeout(r.Context(), 45*time.Second)
	defer cancel()
	trials, err := d.alerts.outbox.Try(ctx, m, now, in.Ways...)
	if err != nil {
		dashboard.Problem{Status: http.StatusUnprocessableEntity, Field: "ways", Detail: err.Error()}.Write(w, r)
		return
	}
	out := trialsJSON{Trials: []trialJSON{}}
	for _, t := range trials {
		one := trialJSON{Way: t.Name, OK: t.Err == nil, Answer: t.Answer}
		if t.Err != nil {
			one.Answer = t.Err.Error()
		}
		out.Trials = append(out.Trials, one)
	}
	d.reply(w, r, http.StatusOK, out)
}
