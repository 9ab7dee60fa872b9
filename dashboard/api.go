package dashboard

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"tackline/advisor"
	"tackline/dashboard/record"
	"tackline/sensors"
)

func (h *Handler) problem(w http.ResponseWriter, r *http.Request, status int, field, detail string) {
	p := Problem{Status: int64(status), Detail: detail, Field: field}
	if field != "" {
		p.Errors = []FieldProblem{{field, detail}}
	}
	p.Write(w, r)
}

// api makes a handler of a command for programs and for the page's script.
func (h *Handler) api(do command) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		receipt, err := do(r)
		if err != nil {
			status, field, why := h.explain(r, err)
			if kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type")); kind == "application/x-www-form-urlencoded" {
				why = VisitorOf(r).Shows.Say(why) // to whoever filled in the form
			}
			h.problem(w, r, status, field, why)
			return
		}
		status := http.StatusCreated
		if receipt.Repeated {
			status = http.StatusOK
		}
		h.json(w, r, status, receiptJSON(receipt))
	}
}

func (h *Handler) json(w http.ResponseWriter, r *http.Request, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		h.o.Log.Error("dashboard: answer not made", "path", r.URL.Path, "err", err)
		h.problem(w, r, http.StatusInternalServerError, "", h.tx.get("error_internal"))
		return
	}
	send(w, r, status, "application/json", append(b, '\n'))
}

// apiView reads the view for the API; ok is false where the problem has been written.
func (h *Handler) apiView(w http.ResponseWriter, r *http.Request) (v View, stale, ok bool) {
	v, err := h.o.Source.Now(r.Context())
	if err != nil {
		h.o.Log.Error("dashboard: state of the shed not read", "err", err)
		h.problem(w, r, http.StatusServiceUnavailable, "", h.tx.get("error_now"))
		return View{}, false, false
	}
	v, stale = h.honest(v)
	return v, stale, true
}

// timeJSON writes a time in RFC 3339, UTC, or null.
func timeJSON(t time.Time) *string {
	if t.IsZero() {
		return nil
	}
	s := t.UTC().Format("2006-01-02T15:04:05Z")
	return &s
}

type lastJSON struct {
	Quantity string  `json:"quantity"`
	Value    float64 `json:"value"`
	At       *string `json:"at"`
	AgeS     float64 `json:"age_s"`
	Status   string  `json:"status"`
	Usable   bool    `json:"usable"` // by status; an age over stale_after_s makes it unusable all the same
}

type probeJSON struct {
	Probe        string     `json:"probe"`
	Place        string     `json:"place"`
	Piece        string     `json:"piece,omitempty"`
	Seen         *string    `json:"seen"`
	Problem      string     `json:"problem,omitempty"`
	Uncalibrated bool       `json:"uncalibrated"`
	Last         []lastJSON `json:"last"`
}

type alertJSON struct {
	ID   int64   `json:"id"`
	At   *string `json:"at"`
	Text string  `json:"text"`
}

// nowJSON is the Advice with what is known of its surroundings.
type nowJSON struct {
	advisor.Advice
	ServerTime *string     `json:"server_time"`
	ShedName   string      `json:"shed_name"`
	Zone       string      `json:"zone"`
	ClockSet   bool        `json:"clock_set"`
	Simulated  bool        `json:"simulated"`
	Speed      float64     `json:"speed"`
	Stale      bool        `json:"stale"`
	StaleAfter float64     `json:"stale_after_s"`
	Notice     string      `json:"notice,omitempty"`
	Problem    string      `json:"problem,omitempty"`
	Probes     []probeJSON `json:"probes"`
	Alerts     []alertJSON `json:"alerts"`
}

func (h *Handler) apiNow(w http.ResponseWriter, r *http.Request) {
	v, stale, ok := h.apiView(w, r)
	if !ok {
		return
	}
	out := nowJSON{Advice: v.Advice, ServerTime: timeJSON(v.At), ShedName: v.Shed, Zone: v.Zone.String(), ClockSet: v.ClockSet, Simulated: v.Simulated,
		Speed: v.Speed, Stale: stale, StaleAfter: v.StaleAfter.Seconds(), Notice: v.Notice, Problem: v.Problem, Probes: []probeJSON{}, Alerts: []alertJSON{}}
	if out.Pieces == nil {
		out.Pieces = []advisor.PieceAdvice{}
	}
	if out.Coats == nil {
		out.Coats = []advisor.CoatAdvice{}
	}
	if out.Notices == nil {
		out.Notices = []advisor.Reason{}
	}
	for _, p := range v.Probes {
		pj := probeJSON{Probe: p.Name, Place: string(p.Place), Piece: p.Piece, Seen: timeJSON(p.Seen), Problem: p.Problem, Uncalibrated: p.Uncalibrated,
			Last: []lastJSON{}}
		for _, l := range p.Last {
			pj.Last = append(pj.Last, lastJSON{Quantity: l.Quantity.String(), Value: l.Value, At: timeJSON(l.At), AgeS: v.At.Sub(l.At).Seconds(),
				Status: l.Status.String(), Usable: l.Status.Usable()})
		}
		out.Probes = append(out.Probes, pj)
	}
	for _, a := range v.Alerts {
		if a.IsAnswered() {
			continue
		}
		out.Alerts = append(out.Alerts, alertJSON{ID: a.ID, At: timeJSON(a.At), Text: a.Text})
	}
	h.json(w, r, http.StatusOK, out)
}

type touchJSON struct {
	At      *string       `json:"at"`
	State   advisor.State `json:"state"`
	Witness bool          `json:"witness"`
}

type coatJSON struct {
	ID      int64               `json:"coat_id"`
	JobID   int64               `json:"job_id"`
	Job     string              `json:"job"`
	PieceID int64               `json:"piece_id"`
	Piece   string              `json:"piece"`
	Kind    advisor.Kind        `json:"kind"`
	System  string              `json:"system"`
	Started *string             `json:"started"`
	Ended   *string             `json:"ended"`
	Who     string              `json:"who,omitempty"`
	AmountG *float64            `json:"amount_g"`
	ResinC  *float64            `json:"resin_c"`
	Vessel  string              `json:"vessel,omitempty"`
	Touches []touchJSON         `json:"touches"`
	Advice  *advisor.CoatAdvice `json:"advice"` // null once it has ended
}

func (h *Handler) apiCoats(w http.ResponseWriter, r *http.Request) {
	v, stale, ok := h.apiView(w, r)
	if !ok {
		return
	}
	advice := map[int64]*advisor.CoatAdvice{}
	for i := range v.Advice.Coats {
		advice[v.Advice.Coats[i].Coat] = &v.Advice.Coats[i]
	}
	after, limit, bad := Paging(r)
	if bad != nil {
		h.problem(w, r, http.StatusUnprocessableEntity, bad.Field, bad.Sentence)
		return
	}
	out := coatsJSON{At: timeJSON(v.At), Stale: stale, Coats: []coatJSON{}}
	begun := after == 0
	for _, c := range v.Coats {
		if !begun {
			begun = c.ID == after
			continue
		}
		if n := int64(len(out.Coats)); n == limit {
			out.Next = &out.Coats[n-1].ID
			break
		}
		cj := coatJSON{ID: c.ID, JobID: c.Job, Job: c.JobName, PieceID: c.Piece, Piece: c.PieceName, Kind: c.Kind, System: c.System, Started: timeJSON(c.Started),
			Ended: timeJSON(c.Ended), Who: c.Who, AmountG: c.AmountG, ResinC: c.ResinC, Vessel: c.Vessel, Touches: []touchJSON{}, Advice: advice[c.ID]}
		for _, t := range c.Touches {
			cj.Touches = append(cj.Touches, touchJSON{At: timeJSON(t.At), State: t.State, Witness: t.Witness})
		}
		out.Coats = append(out.Coats, cj)
	}
	h.json(w, r, http.StatusOK, out)
}

// Paging reads after and limit of a query: 0 for no after, 200 for no limit.
func Paging(r *http.Request) (after, limit int64, bad *Refusal) {
	limit = 200
	for _, p := range []struct {
		name      string
		to        *int64
		low, high int64
	}{{"after", &after, 0, math.MaxInt64}, {"limit", &limit, 1, 1000}} {
		s := r.URL.Query().Get(p.name)
		if s == "" {
			continue
		}
		v, err := strconv.ParseInt(s, 10, 64)
		if err != nil || v < p.low || v > p.high {
			return 0, 0, &Refusal{Field: p.name, Sentence: fmt.Sprintf("%q is no whole number from %d to %d", s, p.low, p.high)}
		}
		*p.to = v
	}
	return after, limit, nil
}

// apiReadings answers readings?probe=&quantity=&from=&to=&points=. Times are RFC 3339; to is now and from a day before it where not given.
func (h *Handler) apiReadings(w http.ResponseWriter, r *http.Request) {
	v, _, ok := h.apiView(w, r)
	if !ok {
		return
	}
	req, err := seriesRequest(r, v.At)
	if err == nil {
		var s Series
		if s, err = h.o.Source.Series(r.Context(), req); err == nil {
			h.json(w, r, http.StatusOK, seriesOf(req, s))
			return
		}
	}
	status, field, why := h.explain(r, err)
	h.problem(w, r, status, field, why)
}

func seriesRequest(r *http.Request, now time.Time) (SeriesRequest, error) {
	q := r.URL.Query()
	req := SeriesRequest{Probe: q.Get("probe"), To: now, Points: 600}
	if req.Probe == "" {
		return req, &Refusal{Field: "probe", Sentence: "the name of a probe is wanted"}
	}
	var err error
	if req.Quantity, err = sensors.ParseQuantity(q.Get("quantity")); err != nil {
		return req, &Refusal{Field: "quantity", Sentence: strings.TrimPrefix(err.Error(), "sensors: ")}
	}
	if s := q.Get("to"); s != "" {
		if req.To, err = time.Parse(time.RFC3339, s); err != nil {
			return req, &Refusal{Field: "to", Sentence: "a time such as 2026-01-14T14:06:00Z is wanted"}
		}
	}
	req.From = req.To.Add(-24 * time.Hour)
	if s := q.Get("from"); s != "" {
		if req.From, err = time.Parse(time.RFC3339, s); err != nil {
			return req, &Refusal{Field: "from", Sentence: "a time such as 2026-01-14T14:06:00Z is wanted"}
		}
	}
	if !req.From.Before(req.To) {
		return req, &Refusal{Field: "from", Sentence: "from has to be before to"}
	}
	if s := q.Get("points"); s != "" {
		if req.Points, err = strconv.ParseInt(s, 10, 64); err != nil || req.Points < 1 || req.Points > 5000 {
			return req, &Refusal{Field: "points", Sentence: "a whole number from 1 to 5000 is wanted"}
		}
	}
	return req, nil
}

func seriesOf(req SeriesRequest, s Series) seriesJSON {
	out := seriesJSON{Probe: req.Probe, Quantity: req.Quantity.String(), From: timeJSON(req.From), To: timeJSON(req.To), MaxGapS: s.MaxGap.Seconds(),
		Points: make([]pointJSON, 0, len(s.Points))}
	for _, p := range s.Points {
		out.Points = append(out.Points, pointJSON{timeJSON(p.At), p.Min, p.Mean, p.Max, p.Count})
	}
	return out
}

// sealHeader carries the seal of a record beside it.
const sealHeader = "Record-Seal"

// apiRecord answers records/{job}.html, .pdf (paper=letter for that size), .json and .csv; the latter takes sep, decimal and bom for spreadsheets with
// a comma in numbers. The header Record-Seal has its seal, base64; a PDF also carries it after its end.
func (h *Handler) apiRecord(w http.ResponseWriter, r *http.Request) {
	name, form, _ := strings.Cut(r.PathValue("file"), ".")
	id, err := strconv.ParseInt(name, 10, 64)
	if err != nil || !slices.Contains([]string{"html", "csv", "pdf", "json"}, form) {
		h.problem(w, r, http.StatusNotFound, "", "want records/NUMBER.html, .pdf, .csv or .json, with the number of a job")
		return
	}
	job, err := h.o.Source.Record(r.Context(), id, r.URL.Query().Get("workshop"))
	if err != nil {
		var bad *Refusal
		if errors.As(err, &bad) {
			h.problem(w, r, http.StatusUnprocessableEntity, bad.Field, bad.Sentence)
			return
		}
		if !errors.Is(err, ErrNotFound) {
			h.o.Log.Error("dashboard: record not made", "job", id, "err", err)
			h.problem(w, r, http.StatusInternalServerError, "", "the record could not be made: the log says why")
			return
		}
		h.problem(w, r, http.StatusNotFound, "", fmt.Sprintf("no job has the number %d", id))
		return
	}
	var b bytes.Buffer
	kind := "text/html; charset=utf-8"
	switch form {
	case "pdf":
		kind = "application/pdf"
		paper := record.A4
		if r.URL.Query().Get("paper") == "letter" {
			paper = record.Letter
		}
		err = record.WritePDF(&b, job, paper)
		w.Header().Set("Content-Disposition", fmt.Sprintf(`inline; filename="record-%d.pdf"`, id))
	case "json":
		kind = "application/json"
		err = record.WriteJSON(&b, job)
	case "csv":
		kind = "text/csv; charset=utf-8"
		o, bad := csvOptions(r)
		if bad != nil {
			h.problem(w, r, http.StatusUnprocessableEntity, bad.Field, bad.Sentence)
			return
		}
		err = record.WriteCSV(&b, job, o)
		w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="record-%d.csv"`, id))
	default:
		err = record.WriteHTML(&b, job)
		// One file without scripts: its one style sheet is let in by its hash, and nothing else.
		w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src '"+record.StyleHash()+"'; img-src data:; base-uri 'none'; frame-ancestors 'none'")
	}
	if err != nil {
		h.o.Log.Error("dashboard: record not written", "job", id, "err", err)
		h.problem(w, r, http.StatusInternalServerError, "", "the record could not be written: the log says why")
		return
	}
	data := b.Bytes()
	if h.o.Seal != nil {
		sealed, seal, err := h.o.Seal(r.Context(), id, form, data)
		if err != nil {
			h.o.Log.Error("dashboard: record not sealed", "job", id, "err", err)
			h.problem(w, r, http.StatusInternalServerError, "", "the record could not be sealed: the log says why")
			return
		}
		data = sealed
		w.Header().Set(sealHeader, base64.StdEncoding.EncodeToString(seal))
	}
	send(w, r, http.StatusOK, kind, data)
}

func csvOptions(r *http.Request) (record.CSVOptions, *Refusal) {
	q := r.URL.Query()
	o := record.CSVOptions{BOM: q.Get("bom") == "1"}
	switch sep := q.Get("sep"); sep {
	case "", ",", ";", "\t":
		o.Sep = sep
	case "tab":
		o.Sep = "\t"
	default:
		return o, &Refusal{Field: "sep", Sentence: "a comma, a semicolon or tab is wanted"}
	}
	switch q.Get("decimal") {
	case "", ".":
	case ",":
		o.DecimalComma = true
	default:
		return o, &Refusal{Field: "decimal", Sentence: "a point or a comma is wanted"}
	}
	return o, nil
}
