package dashboard

import (
	"bytes"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"strings"
	"time"

	"tackline/advisor"
)

// navItem is a page in the navigation.
type navItem struct {
	URL, Text string
	Here      bool
}

// base is what every page has.
type base struct {
	Title    string
	Shed     string
	When     string // date and time of the shed, with its zone
	At       string // Unix seconds of the daemon
	Speed    float64
	Stale    int64 // s
	Nav      []navItem
	Banners  []string
	Notice   string     // not a warning: what kind of readings these are
	Alerts   []alertRow // that nobody has answered
	Answered []alertRow
	CanWrite bool
	Refresh  bool // whether the page is fetched anew by itself where there is no script
	Live     bool // whether its content follows the events
	IsStale  bool
	Poll     int64  // s between two looks of the script at a page that changes faster than the events tell; 0: by the events alone
	Mute     bool   // without the script: there is nothing to follow, or it may not be
	NoClock  bool   // the board's clock is not set: this phone may set it
	Self     string // the person whose phone this is: what is entered here is hers
}

type alertRow struct {
	ID                     int64
	Severity, Text, Body   string
	When, Link, Held, Said string
	Entry                  int64
	Key                    string
}

// errorPage is what is shown where a page can't be.
type errorPage struct {
	base
	Heading, Why string
	Back         string
}

// honest gives the view without what it may not say: advice that is older than the readings' limit speaks of a shed that is gone. Then every
// verdict is "can't say" or worse, no window is open, nothing is foreseen, and every number of the present is unknown. What was measured stays
// where it has its time beside it: in the probes and in the past of the charts.
func (h *Handler) honest(v View) (out View, stale bool) {
	if v.Zone == nil {
		v.Zone = time.UTC
	}
	at := v.Advice.At.Time()
	if v.StaleAfter <= 0 || at.IsZero() || v.At.Sub(at) <= v.StaleAfter {
		return v, false
	}
	text := h.tx.get("banner_stale", length(v.At.Sub(at)))
	pieces := make([]advisor.PieceAdvice, len(v.Advice.Pieces))
	for i, p := range v.Advice.Pieces {
		pieces[i] = advisor.PieceAdvice{Piece: p.Piece, Name: p.Name, Bare: p.Bare, Verdict: p.Verdict.Worse(advisor.CantSay),
			Reasons: []advisor.Reason{{Rule: "trust", Verdict: advisor.CantSay, Text: text}}}
		for _, r := range p.Reasons {
			if r.Verdict == advisor.Stop {
				pieces[i].Reasons = append([]advisor.Reason{r}, pieces[i].Reasons...)
			}
		}
		for _, point := range p.MarginTrend {
			if !point.Forecast {
				pieces[i].MarginTrend = append(pieces[i].MarginTrend, point)
			}
		}
	}
	coats := make([]advisor.CoatAdvice, len(v.Advice.Coats))
	for i, c := range v.Advice.Coats {
		coats[i] = advisor.CoatAdvice{Coat: c.Coat, Piece: c.Piece, PieceName: c.PieceName, Name: c.Name, Kind: c.Kind, System: c.System,
			Started: c.Started, CantSay: text}
	}
	batches := make([]advisor.BatchAdvice, len(v.Advice.Batches))
	for i, b := range v.Advice.Batches {
		batches[i] = advisor.BatchAdvice{Batch: b.Batch, System: b.System, Mixed: b.Mixed, CantSay: text}
	}
	v.Advice.Pieces, v.Advice.Coats, v.Advice.Batches, v.Advice.Shed = pieces, coats, batches, advisor.ShedAdvice{}
	return v, true
}

// base fills in what every page has.
func (h *Handler) base(v View, stale bool, title, here string) base {
	at := v.At.In(v.Zone)
	b := base{Title: title, Shed: v.Shed, When: at.Format(h.tx.get("day_long")), At: unix(v.At), Speed: v.Speed, Stale: int64(v.StaleAfter.Seconds()),
		CanWrite: h.canWrite(v), Self: v.visitor.Name, Refresh: true, Live: true, IsStale: stale, Nav: h.navigation(here)}
	if b.Speed <= 0 {
		b.Speed = 1
	}
	if stale {
		b.Banners = append(b.Banners, h.tx.get("banner_stale", length(v.At.Sub(v.Advice.At.Time()))))
	}
	if !v.ClockSet {
		b.Banners = append(b.Banners, h.tx.get("banner_clock"))
		b.NoClock = b.CanWrite
	}
	if v.Problem != "" {
		b.Banners = append(b.Banners, h.tx.get("banner_problem", v.Problem))
	}
	switch {
	case v.Notice != "":
		b.Notice = v.Notice
	case v.Simulated && b.Speed != 1:
		b.Notice = h.tx.get("banner_speed", number(b.Speed, 0))
	case v.Simulated:
		b.Notice = h.tx.get("banner_simulated")
	}
	h.alerts(&b, v, here)
	return b
}

// alerts fills in what holds: first what nobody has answered, then what was answered, each with a way back. What is critical is told whole on every page; the
// rest on Shed and on the page that it leads to, so that it doesn't push other work off the screen.
func (h *Handler) alerts(b *base, v View, here string) {
	for _, a := range v.Alerts {
		row := alertRow{ID: a.ID, Text: a.Text, When: clock(a.At, v.At, v.Zone), Link: a.Link, Entry: a.Entry, Key: h.o.Key()}
		if a.Severity != "" {
			row.Severity = h.tx.get("severity_" + a.Severity)
		}
		if here == "/" || a.Severity == "critical" || a.Link == "" || a.Link != "/" && strings.HasPrefix(a.Link, here) {
			row.Body = a.Body
		}
		if a.Link == here {
			row.Link = ""
		}
		if a.Held {
			row.Held = h.tx.get("alert_held")
		}
		switch {
		case !a.Until.IsZero():
			row.Said = h.tx.get("alert_silent", clock(a.Until, v.At, v.Zone))
		case a.Seen && a.Who != "":
			row.Said = h.tx.get("alert_seen_by", a.Who)
		case a.Seen:
			row.Said = h.tx.get("alert_seen")
		}
		if a.IsAnswered() {
			b.Answered = append(b.Answered, row)
		} else {
			b.Alerts = append(b.Alerts, row)
		}
	}
}

// wayRow is how one way of telling is doing, in words.
type wayRow struct{ Name, State, OK, Fail, Said string }

// waysOf says when each way of telling last worked and last failed: for the pages that show them.
func (h *Handler) waysOf(v View) []wayRow {
	var rows []wayRow
	for _, w := range v.Ways {
		row := wayRow{Name: w.Name, State: h.tx.get("way_fine"), OK: h.tx.get("way_never"), Fail: h.tx.get("way_never"), Said: w.LastError}
		if !w.LastOK.IsZero() {
			row.OK = clock(w.LastOK, v.At, v.Zone)
		}
		if !w.LastFail.IsZero() {
			row.Fail = clock(w.LastFail, v.At, v.Zone)
		}
		switch {
		case w.Failing > 0:
			row.State = h.tx.get("way_fails", w.Waiting)
		case w.Spent:
			row.State = h.tx.get("way_spent", w.Waiting)
		case w.LastOK.IsZero():
			row.State = h.tx.get("way_untried")
		}
		rows = append(rows, row)
	}
	return rows
}

// canWrite tells whether a page shows its forms.
func (h *Handler) canWrite(v View) bool { return h.o.Commands != nil && v.visitor.Can(Write) }

func (h *Handler) navigation(here string) []navItem {
	nav := append([]navItem(nil), h.nav...)
	for i := range nav {
		nav[i].Here = nav[i].URL == here
	}
	return nav
}

// templates gives the templates that tell numbers as a person wants them.
func (h *Handler) templates(s Shows) (*template.Template, error) {
	if tpl, ok := h.told.Load(s); ok {
		return tpl.(*template.Template), nil
	}
	tpl, err := h.tpl.Clone()
	if err != nil {
		return nil, err
	}
	kept, _ := h.told.LoadOrStore(s, tpl.Funcs(s.funcs()))
	return kept.(*template.Template), nil
}

// render writes a page, or only its changing part where the script asked for that.
func (h *Handler) render(w http.ResponseWriter, r *http.Request, status int, name string, data any) {
	block := name
	if r.Header.Get("X-Part") == "main" {
		block = name + ":main"
	}
	var b bytes.Buffer
	tpl, err := h.templates(VisitorOf(r).Shows)
	if err == nil {
		err = tpl.ExecuteTemplate(&b, block, data)
	}
	if err != nil {
		h.o.Log.Error("dashboard: page not made", "page", name, "err", err)
		http.Error(w, h.tx.get("error_internal"), http.StatusInternalServerError)
		return
	}
	w.Header().Add("Vary", "X-Part")
	send(w, r, status, "text/html; charset=utf-8", b.Bytes())
}

// now reads the view. Where that fails the error page is written and ok is false.
func (h *Handler) now(w http.ResponseWriter, r *http.Request, here string) (v View, stale, ok bool) {
	v, err := h.o.Source.Now(r.Context())
	if err == nil {
		v, stale = h.honest(v)
		v.visitor = VisitorOf(r)
		return v, stale, true
	}
	if r.Context().Err() == nil {
		h.o.Log.Error("dashboard: state of the shed not read", "err", err)
	}
	h.fail(w, r, http.StatusServiceUnavailable, here, h.tx.get("error_now"), h.tx.get("error_now_why"), "", true)
	return View{}, false, false
}

func (h *Handler) fail(w http.ResponseWriter, r *http.Request, status int, here, heading, why, back string, again bool) {
	p := errorPage{base: base{Title: h.tx.get("title_error"), Speed: 1, Nav: h.navigation(here), Refresh: again, Live: again}, Heading: heading, Why: why, Back: back}
	h.render(w, r, status, "error", p)
}

func (h *Handler) getNothing(w http.ResponseWriter, r *http.Request) {
	h.fail(w, r, http.StatusNotFound, "", h.tx.get("error_not_found"), h.tx.get("error_not_found_why"), "", false)
}

func (h *Handler) getShed(w http.ResponseWriter, r *http.Request) {
	if v, stale, ok := h.now(w, r, "/"); ok {
		h.render(w, r, http.StatusOK, "shed", h.shedPage(v, stale))
	}
}

func (h *Handler) getCoats(w http.ResponseWriter, r *http.Request) {
	v, stale, ok := h.now(w, r, "/coats")
	if !ok {
		return
	}
	var book *Book
	if h.o.Books != nil {
		b, err := h.o.Books.Book(r.Context())
		if err != nil { // the clocks of coats are worth more than their notes
			h.o.Log.Error("dashboard: notes and photos of coats not read", "err", err)
		} else {
			book = &b
		}
	}
	h.render(w, r, http.StatusOK, "coats", h.coatsPage(v, stale, book))
}

func (h *Handler) getNewCoat(w http.ResponseWriter, r *http.Request) {
	if v, stale, ok := h.now(w, r, "/coats"); ok {
		h.render(w, r, http.StatusOK, "new", h.newPage(v, stale, r.URL.Query()))
	}
}

// command reads a request, obeys it, and gives the receipt.
type command func(r *http.Request) (Receipt, error)

// page makes a handler of a plain form: obey, then go back to a page that shows it; or say on a page why not.
func (h *Handler) page(do command, back string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		_, err := do(r)
		if err == nil {
			http.Redirect(w, r, back, http.StatusSeeOther)
			return
		}
		status, _, why := h.explain(r, err)
		h.fail(w, r, status, back, h.tx.get("error_kept"), why, back, false)
	}
}

// explain turns an error into a status, a field and a sentence for people; what they can't mend goes to the log.
func (h *Handler) explain(r *http.Request, err error) (status int, field, sentence string) {
	var refusal *Refusal
	var tooLong *http.MaxBytesError
	switch {
	case errors.As(err, &refusal):
		return http.StatusUnprocessableEntity, refusal.Field, refusal.Sentence
	case errors.Is(err, ErrNotFound):
		return http.StatusNotFound, "", strings.TrimPrefix(err.Error(), "dashboard: ")
	case errors.As(err, &tooLong):
		return http.StatusRequestEntityTooLarge, "", fmt.Sprintf("the request is longer than %d kB", tooLong.Limit>>10)
	case errors.Is(err, errMalformed):
		return http.StatusBadRequest, "", strings.TrimPrefix(err.Error(), "dashboard: ")
	case errors.Is(err, errMedia):
		return http.StatusUnsupportedMediaType, "", strings.TrimPrefix(err.Error(), "dashboard: ")
	case errors.Is(err, errReadOnly):
		return http.StatusForbidden, "", h.tx.get("error_readonly")
	case errors.Is(err, ErrNotKept):
		h.o.Log.Error("dashboard: an entry was not kept", "path", r.URL.Path, "err", err)
		return http.StatusServiceUnavailable, "", h.tx.get("error_disk")
	}
	h.o.Log.Error("dashboard: request failed", "path", r.URL.Path, "err", err)
	return http.StatusInternalServerError, "", h.tx.get("error_internal")
}
