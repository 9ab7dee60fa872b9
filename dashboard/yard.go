package dashboard

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"time"

	"tackline/advisor"
)

// YardSource gives many sheds at once. Where they can't be read anew it gives what is known from before, with the error.
type YardSource interface {
	Yard(ctx context.Context) (YardView, error)
}

// YardView is many sheds as they are known at a time.
type YardView struct {
	At     time.Time // now, by the clock of whoever shows it
	ReadAt time.Time // when they were last read; zero: never
	Sheds  []YardShed
}

// YardShed is one shed of a yard.
type YardShed struct {
	Name   string
	Seen   time.Time // of its newest reading; zero: never
	Silent bool      // it has not reported for longer than allowed
	Ahead  bool      // its clock is ahead of ours
	Air    []YardValue
	Mute   []YardProbe // probes that are silent while others report
	Probes int64
	Pieces []YardPiece
}

// YardValue is a value that was measured, with the quantity as in YardView's source: temp_c or rh_pct.
type YardValue struct {
	Quantity string
	Value    float64
	Old      bool
}

// YardProbe is a probe that says nothing.
type YardProbe struct {
	Name string
	Seen time.Time
}

// YardPiece is a piece with its newest verdict. An old one is "can't say", or a stop.
type YardPiece struct {
	Name          string
	Verdict, Told advisor.Verdict
	At            time.Time
	Old           bool
	Text          string
	Windows       []YardWindow
}

// YardWindow is a window of a coat that runs; a zero time is unknown.
type YardWindow struct {
	Window                     string // tack or recoat
	Opens, ClosesEarly, Closes time.Time
	Open                       bool
}

// YardOptions are what the page of a yard is made of. Source is required.
type YardOptions struct {
	Source   YardSource
	Name     string         // over the page
	Zone     *time.Location // of all times; UTC where nil
	Shows    Shows          // how numbers are told
	Stale    time.Duration  // after which a page that was not renewed looks old; 2 min where 0
	Hosts    []string       // as in Options
	Log      *slog.Logger
	Language string
}

// NewYard gives the handler of a page that shows many sheds, for reading only.
func NewYard(o YardOptions) (http.Handler, error) {
	if o.Source == nil {
		return nil, errors.New("dashboard: no Source given")
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	if o.Stale <= 0 {
		o.Stale = 2 * time.Minute
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Language == "" {
		o.Language = "en"
	}
	tx, err := loadTexts(o.Language)
	if err != nil {
		return nil, err
	}
	static, err := loadAssets()
	if err != nil {
		return nil, err
	}
	h := &Handler{o: Options{Log: o.Log, Hosts: o.Hosts}, tx: tx, static: static}
	if h.tpl, err = template.New("").Funcs(Shows{}.funcs()).Funcs(template.FuncMap{"key": randomKey, "t": tx.get, "asset": h.assetURL}).ParseFS(templateFiles, "templates/*.html"); err != nil {
		return nil, fmt.Errorf("dashboard: templates: %w", err)
	}
	y := &yard{h: h, o: o}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", y.get)
	mux.HandleFunc("GET /static/{name}", h.getStatic)
	mux.HandleFunc("GET /healthz", h.health(nil))
	mux.HandleFunc("GET /readyz", h.health(func(ctx context.Context) error {
		_, err := o.Source.Yard(ctx)
		return err
	}))
	mux.HandleFunc("GET /", func(w http.ResponseWriter, r *http.Request) {
		h.problem(w, r, http.StatusNotFound, "", "there is nothing at "+r.URL.Path)
	})
	h.mux = mux
	return h.guard(http.NewCrossOriginProtection().Handler(mux)), nil
}

type yard struct {
	h *Handler
	o YardOptions
}

// yardPage is what the template shows.
type yardPage struct {
	base
	Sum     string
	Never   bool // nothing was ever read
	Windows []yardWindow
	Silent  []yardShed
	Sheds   []yardShed
}

type yardShed struct {
	ID, Name string
	SeenAt   string // Unix seconds
	Age      string
	Silent   bool
	Flags    []string
	Air      []yardFact
	Pieces   []yardPiece
}

type yardFact struct {
	Text string
	Old  bool
}

type yardPiece struct {
	Name, Verdict, Shape, Text string
	Old                        string // when an old verdict was given, and which
	Rows                       []yardWindow
}

type yardWindow struct {
	Shed, ShedID, Piece, Window string
	Opens, ClosesEarly, Closes  string
	OpensISO, EarlyISO          string
	State                       string
	Open                        bool
	order                       time.Time
}

func (y *yard) get(w http.ResponseWriter, r *http.Request) {
	v, err := y.o.Source.Yard(r.Context())
	status := http.StatusOK
	if err != nil && v.ReadAt.IsZero() {
		status = http.StatusServiceUnavailable
	}
	y.h.render(w, r, status, "yard", y.page(v, err))
}

func (y *yard) page(v YardView, err error) yardPage {
	tx, now := y.h.tx, v.At
	p := yardPage{base: base{Title: tx.get("yard_title"), Shed: y.o.Name, When: now.In(y.o.Zone).Format(tx.get("day_long")), At: unix(now), Speed: 1,
		Stale: int64(y.o.Stale.Seconds())}, Never: v.ReadAt.IsZero()}
	if err != nil {
		text := strings.TrimPrefix(err.Error(), "yard: ")
		if p.Never {
			p.Banners = append(p.Banners, tx.get("yard_never", text))
		} else {
			p.Banners = append(p.Banners, tx.get("yard_trouble", length(now.Sub(v.ReadAt)), text))
			p.IsStale = now.Sub(v.ReadAt) > y.o.Stale
		}
	}
	var count struct{ silent, clear, open int64 }
	for i := range v.Sheds {
		s := y.shed(&v.Sheds[i], int64(i), now)
		p.Sheds = append(p.Sheds, s)
		if s.Silent {
			count.silent++
			p.Silent = append(p.Silent, s)
		}
		for _, piece := range s.Pieces {
			if piece.Shape == "clear" {
				count.clear++
			}
			for _, win := range piece.Rows {
				win.Shed, win.ShedID, win.Piece = s.Name, s.ID, piece.Name
				p.Windows = append(p.Windows, win)
				if win.Open {
					count.open++
				}
			}
		}
	}
	slices.SortStableFunc(p.Windows, func(a, b yardWindow) int { return a.order.Compare(b.order) })
	p.Sum = tx.get("yard_sum", len(v.Sheds), count.silent, count.clear, count.open)
	return p
}

func (y *yard) shed(s *YardShed, n int64, now time.Time) yardShed {
	tx := y.h.tx
	out := yardShed{ID: fmt.Sprintf("shed-%d", n), Name: s.Name, SeenAt: unix(s.Seen), Age: tx.get("probe_age", length(now.Sub(s.Seen))), Silent: s.Silent}
	switch {
	case s.Seen.IsZero():
		out.Age = ""
		out.Flags = append(out.Flags, tx.get("yard_no_reading"))
	case s.Ahead:
		out.Age = ""
		out.Flags = append(out.Flags, tx.get("yard_ahead", length(s.Seen.Sub(now))))
	case s.Silent:
		out.Flags = append(out.Flags, tx.get("yard_silent", clock(s.Seen, now, y.o.Zone)))
	}
	if !s.Silent && !s.Ahead {
		for _, p := range s.Mute {
			out.Flags = append(out.Flags, tx.get("yard_mute", p.Name, clock(p.Seen, now, y.o.Zone)))
		}
	}
	for _, a := range s.Air {
		text := y.o.Shows.num(number(a.Value, 1), "C") + "\u00a0°" + y.o.Shows.Unit("C")
		if a.Quantity == "rh_pct" {
			text = number(a.Value, 0) + "\u00a0%"
		}
		out.Air = append(out.Air, yardFact{Text: text, Old: a.Old || s.Silent || s.Ahead})
	}
	for _, p := range s.Pieces {
		out.Pieces = append(out.Pieces, y.piece(p, now))
	}
	return out
}

func (y *yard) piece(p YardPiece, now time.Time) yardPiece {
	tx := y.h.tx
	out := yardPiece{Name: p.Name, Verdict: y.h.verdictWord(p.Verdict), Shape: shape(p.Verdict), Text: y.o.Shows.Say(p.Text)}
	if p.Old {
		out.Text, out.Old = "", tx.get("yard_old", y.h.verdictWord(p.Told), clock(p.At, now, y.o.Zone))
		return out
	}
	for _, w := range p.Windows {
		row := yardWindow{Window: tx.get("yard_window_" + w.Window), Open: w.Open, Opens: y.time(w.Opens, now), ClosesEarly: y.time(w.ClosesEarly, now),
			Closes: y.time(w.Closes, now), OpensISO: iso(w.Opens), EarlyISO: iso(w.ClosesEarly), State: tx.get("yard_opens"), order: w.Opens}
		if w.Open { // what closes first is done first; before it, nothing that is still shut
			row.State, row.order = tx.get("yard_open"), w.ClosesEarly
			if row.order.IsZero() {
				row.order = w.Closes
			}
			if !w.ClosesEarly.IsZero() && !now.Before(w.ClosesEarly) {
				row.State = tx.get("yard_closing")
			}
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

func (y *yard) time(t, now time.Time) string {
	if t.IsZero() {
		return y.h.tx.get("fact_unknown")
	}
	return clock(t, now, y.o.Zone)
}

func iso(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}
