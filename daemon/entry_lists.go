package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"tackline/daemon/jobbook"
	"tackline/daemon/wire"
	"tackline/dashboard"
)

// pageJSON is one page of a list.
type pageJSON struct {
	Items []json.RawMessage `json:"items"`
	Next  *int64            `json:"next"` // give it as after for what follows; null at the end
	Seq   int64             `json:"seq"`  // of the journal's last row that is in it
}

// stepsJSON is the planned sequence of a piece.
type stepsJSON struct {
	Piece int64                 `json:"piece"`
	Rev   int64                 `json:"rev"` // of the piece: give it as saw_rev to set-steps
	Steps []jobbook.PlannedStep `json:"steps"`
}

func pageParams() []dashboard.Param {
	return []dashboard.Param{{Name: "after", Type: "integer", Does: "number of the last one of the page before"},
		{Name: "limit", Type: "integer", Does: "at most so many, 1 to 1000; 200 where it is not given"}}
}

func aboutParams() []dashboard.Param {
	return []dashboard.Param{{Name: "job", Type: "integer"}, {Name: "piece", Type: "integer"}, {Name: "coat", Type: "integer"}}
}

// filters are the numbers by which a list may be narrowed.
type filters map[string]int64

// list is a kind of thing in the job book, as the API lists it.
type list struct {
	oneOnly         bool // the list itself is the page's
	path, one, does string
	filters         []string
	sample          any // of one thing; also of a list of them
	get             func(s *jobbook.State, f filters) []any
}

// listOf makes a list from a slice of the state, with the test that a filter puts to each.
func listOf[T any](path, one, does string, of func(*jobbook.State) []T, names []string, keep func(*jobbook.State, *T, filters) bool) list {
	var sample T
	return list{path: path, one: one, does: does, filters: names, sample: sample, get: func(s *jobbook.State, f filters) []any {
		all := of(s)
		out := make([]any, 0, len(all))
		for i := range all {
			if keep == nil || keep(s, &all[i], f) {
				out = append(out, all[i])
			}
		}
		return out
	}}
}

// is tells whether a filter is not given or fits.
func (f filters) is(name string, v int64) bool { want, given := f[name]; return !given || want == v }

func (f filters) about(a jobbook.About) bool {
	return f.is("job", a.Job) && f.is("piece", a.Piece) && f.is("coat", a.Coat)
}

// running is 1 for what runs, 0 for what has ended.
func (f filters) running(ended jobbook.When) bool {
	n := int64(0)
	if ended.MS == 0 {
		n = 1
	}
	return f.is("running", n)
}

func lists() []list {
	about := []string{"job", "piece", "coat"}
	coats := listOf("coats", "coat", "", func(s *jobbook.State) []jobbook.Coat { return s.Coats }, nil, nil)
	coats.oneOnly = true
	return []list{
		listOf("jobs", "job", "The jobs.", func(s *jobbook.State) []jobbook.Job { return s.Jobs }, nil, nil),
		listOf("pieces", "piece", "The pieces.", func(s *jobbook.State) []jobbook.Piece { return s.Pieces }, []string{"job"},
			func(_ *jobbook.State, p *jobbook.Piece, f filters) bool { return f.is("job", p.Job) }),
		listOf("people", "person", "The people who work in the shed: hours, days off, pace.", func(s *jobbook.State) []jobbook.Person { return s.People }, nil, nil),
		listOf("stock", "stock item", "Drums, rolls and tins, and what is left of each.", func(s *jobbook.State) []jobbook.Stock { return s.Stock }, nil, nil),
		listOf("stock-uses", "use of stock", "What was taken from stock.", func(s *jobbook.State) []jobbook.StockUse { return s.Uses }, []string{"stock", "coat"},
			func(_ *jobbook.State, u *jobbook.StockUse, f filters) bool {
				return f.is("stock", u.Stock) && f.is("coat", u.Coat)
			}),
		coats,
		listOf("batches", "batch", "The batches with their moves from vessel to vessel; their clocks are in now.", func(s *jobbook.State) []jobbook.Batch { return s.Batches },
			[]string{"running"}, func(_ *jobbook.State, b *jobbook.Batch, f filters) bool { return f.running(b.Ended) }),
		listOf("touches", "touch", "What gloved fingers found, and where that does not fit what else is known.", func(s *jobbook.State) []jobbook.Touched { return s.Touches }, []string{"coat"},
			func(_ *jobbook.State, t *jobbook.Touched, f filters) bool { return f.is("coat", t.Coat) }),
		listOf("deeds", "deed", "What was done to pieces beside coating them: washed, scuffed, fabric laid ...", func(s *jobbook.State) []jobbook.Deed { return s.Deeds }, []string{"piece"},
			func(_ *jobbook.State, d *jobbook.Deed, f filters) bool { return f.is("piece", d.Piece) }),
		listOf("notes", "note", "The notes.", func(s *jobbook.State) []jobbook.NoteEntry { return s.Notes }, about,
			func(_ *jobbook.State, n *jobbook.NoteEntry, f filters) bool { return f.about(n.About) }),
		listOf("photos", "photo", "The photos, without their pictures.", func(s *jobbook.State) []jobbook.Photo { return s.Photos }, about,
			func(_ *jobbook.State, p *jobbook.Photo, f filters) bool { return f.about(p.About) }),
		listOf("meter-readings", "meter reading", "Moisture of timber by meter.", func(s *jobbook.State) []jobbook.Moisture { return s.Moisture }, []string{"piece"},
			func(_ *jobbook.State, m *jobbook.Moisture, f filters) bool { return f.is("piece", m.Piece) }),
		listOf("hand-readings", "hand reading", "Readings of hand-held instruments.", func(s *jobbook.State) []jobbook.HandValue { return s.Hand }, []string{"piece"},
			func(_ *jobbook.State, h *jobbook.HandValue, f filters) bool { return f.is("piece", h.Piece) }),
		listOf("placements", "placement", "Where the probes sat, from a time to a time.", func(s *jobbook.State) []jobbook.Placement { return s.Placements }, []string{"piece"},
			func(_ *jobbook.State, p *jobbook.Placement, f filters) bool { return f.is("piece", p.Piece) }),
		listOf("calibrations", "calibration", "Comparisons of probes with something known.", func(s *jobbook.State) []jobbook.Calibration { return s.Calibrations }, nil, nil),
		listOf("limits", "limit", "The shed's limits as they were set.", func(s *jobbook.State) []jobbook.Limit { return s.Limits }, nil, nil),
		listOf("acknowledgements", "acknowledgement", "What was said to alerts.", func(s *jobbook.State) []jobbook.Ack { return s.Acks }, nil, nil),
	}
}

// listRoutes gives each list, and each of its things by its number.
func (d *Daemon) listRoutes() []dashboard.Route {
	var out []dashboard.Route
	for _, l := range lists() {
		query := pageParams()
		for _, name := range l.filters {
			query = append(query, dashboard.Param{Name: name, Type: "integer", Does: "of this number only"})
			if name == "running" {
				query[len(query)-1].Does = "1: that run; 0: that have ended"
			}
		}
		if !l.oneOnly {
			out = append(out, dashboard.Route{Method: "GET", Path: "/api/v1/" + l.path, Role: dashboard.Read, Does: l.does, Query: query, Answers: listAnswer{l.sample}, Handle: d.getList(l)})
		}
		out = append(out,
			dashboard.Route{Method: "GET", Path: "/api/v1/" + l.path + "/{id}", Role: dashboard.Read, Does: "One " + l.one + ", with its revision as ETag.", Answers: l.sample, Handle: d.getOne(l)})
	}
	return out
}

// listAnswer says in a Route that a page of things like its sample is answered.
type listAnswer struct{ of any }

// getList answers a page. Its tag is the number of the journal's last row.
func (d *Daemon) getList(l list) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		after, limit, f, bad := narrowed(r, l.filters)
		if bad != nil {
			dashboard.Problem{Status: http.StatusUnprocessableEntity, Field: bad.Field, Detail: bad.Sentence, Errors: []dashboard.FieldProblem{{Field: bad.Field, Problem: bad.Sentence}}}.Write(w, r)
			return
		}
		facts, ok := d.facts(w, r)
		if !ok || unchangedTag(w, r, fmt.Sprintf(`"book-%d"`, facts.Seq)) {
			return
		}
		all := l.get(facts, f)
		d.replyPage(w, r, pageFrom(all, after, limit, headOf), facts.Seq)
	}
}

// headOf gives the number of a thing.
func headOf(v any) int64 { return reflect.ValueOf(v).FieldByName("ID").Int() }

// page is one page of things.
type page struct {
	items []any
	next  *int64
}

// pageFrom cuts what follows the thing numbered after, whatever the order is; after a number that is not in it, nothing.
func pageFrom(all []any, after, limit int64, number func(any) int64) page {
	if after > 0 {
		i := slices.IndexFunc(all, func(v any) bool { return number(v) == after })
		if i < 0 {
			i = len(all) - 1
		}
		all = all[i+1:]
	}
	if int64(len(all)) <= limit {
		return page{items: all}
	}
	last := number(all[limit-1])
	return page{items: all[:limit], next: &last}
}

func (d *Daemon) replyPage(w http.ResponseWriter, r *http.Request, p page, seq int64) {
	out := pageJSON{Items: make([]json.RawMessage, 0, len(p.items)), Next: p.next, Seq: seq}
	for _, v := range p.items {
		b, err := wire.Encode(v)
		if err != nil {
			d.refuse(w, r, "", err)
			return
		}
		out.Items = append(out.Items, b)
	}
	d.reply(w, r, http.StatusOK, out)
}

// narrowed reads a list's query, and refuses names that it does not know: a mistyped filter must not give everything.
func narrowed(r *http.Request, known []string) (after, limit int64, f filters, bad *dashboard.Refusal) {
	if after, limit, bad = dashboard.Paging(r); bad != nil {
		return 0, 0, nil, bad
	}
	f = filters{}
	for name, v := range r.URL.Query() {
		if name == "after" || name == "limit" {
			continue
		}
		if !slices.Contains(known, name) {
			return 0, 0, nil, &dashboard.Refusal{Field: name, Sentence: fmt.Sprintf("no %q is known here: there are %s", name, strings.Join(append([]string{"after", "limit"}, known...), ", "))}
		}
		n, err := strconv.ParseInt(v[0], 10, 64)
		if err != nil || n < 0 {
			return 0, 0, nil, &dashboard.Refusal{Field: name, Sentence: fmt.Sprintf("%q is no number", v[0])}
		}
		f[name] = n
	}
	return after, limit, f, nil
}

// unchangedTag sets the tag, and answers 304 where the client has that already.
func unchangedTag(w http.ResponseWriter, r *http.Request, tag string) bool {
	w.Header().Set("ETag", tag)
	w.Header().Set("Cache-Control", "no-cache")
	for _, t := range strings.Split(r.Header.Get("If-None-Match"), ",") {
		if strings.TrimPrefix(strings.TrimSpace(t), "W/") == tag {
			w.WriteHeader(http.StatusNotModified)
			return true
		}
	}
	return false
}

func (d *Daemon) getOne(l list) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		facts, ok := d.facts(w, r)
		if !ok {
			return
		}
		id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
		for _, v := range l.get(facts, nil) {
			if err != nil || headOf(v) != id {
				continue
			}
			if unchangedTag(w, r, fmt.Sprintf(`"%s-%d-%d"`, l.path, id, reflect.ValueOf(v).FieldByName("Rev").Int())) {
				return
			}
			b, err := wire.Encode(v)
			if err != nil {
				d.refuse(w, r, "", err)
				return
			}
			d.reply(w, r, http.StatusOK, b)
			return
		}
		dashboard.Problem{Status: http.StatusNotFound, Detail: fmt.Sprintf("there is no %s %s in the job book, or it was undone", l.one, r.PathValue("id"))}.Write(w, r)
	}
}

func (d *Daemon) getSteps(w http.ResponseWriter, r *http.Request) {
	facts, ok := d.facts(w, r)
	if !ok {
		return
	}
	id, _ := strconv.ParseInt(r.PathValue("id"), 10, 64)
	p, ok := facts.Piece(id)
	if !ok {
		dashboard.Problem{Status: http.StatusNotFound, Detail: fmt.Sprintf("there is no piece %s in the job book, or it was undone", r.PathValue("id"))}.Write(w, r)
		return
	}
	if !unchangedTag(w, r, fmt.Sprintf(`"pieces-%d-%d"`, p.ID, p.Rev)) {
		d.reply(w, r, http.StatusOK, stepsJSON{Piece: p.ID, Rev: p.Rev, Steps: append([]jobbook.PlannedStep{}, p.Steps...)})
	}
}

func (d *Daemon) getHistory(w http.ResponseWriter, r *http.Request) {
	after, limit, _, bad := narrowed(r, nil)
	if bad != nil {
		dashboard.Problem{Status: http.StatusUnprocessableEntity, Field: bad.Field, Detail: bad.Sentence}.Write(w, r)
		return
	}
	class := r.PathValue("class")
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	var all []jobbook.Change
	if err == nil {
		all, err = d.book.History(r.Context(), class, id)
		if err != nil {
			d.refuse(w, r, "", err)
			return
		}
	}
	if len(all) == 0 {
		dashboard.Problem{Status: http.StatusNotFound, Detail: fmt.Sprintf("nothing was ever done to a %q %s: classes are job, piece, person, stock, coat, batch, touch, note, photo ...", class, r.PathValue("id"))}.Write(w, r)
		return
	}
	items := make([]any, len(all))
	for i, c := range all {
		items[i] = c
	}
	facts, ok := d.facts(w, r)
	if ok {
		d.replyPage(w, r, pageFrom(items, after, limit, func(v any) int64 { return v.(jobbook.Change).Seq }), facts.Seq)
	}
}

func (d *Daemon) getJournal(w http.ResponseWriter, r *http.Request) {
	after, limit, _, bad := narrowed(r, nil)
	if bad != nil {
		dashboard.Problem{Status: http.StatusUnprocessableEntity, Field: bad.Field, Detail: bad.Sentence}.Write(w, r)
		return
	}
	rows, err := d.book.Journal(r.Context(), after, limit+1)
	if err != nil {
		d.refuse(w, r, "", err)
		return
	}
	p := page{}
	for i, e := range rows {
		if int64(i) == limit {
			p.next = &rows[i-1].Seq
			break
		}
		p.items = append(p.items, e)
	}
	if facts, ok := d.facts(w, r); ok {
		d.replyPage(w, r, p, facts.Seq)
	}
}

// takePhoto keeps the picture in the body.
func (d *Daemon) takePhoto(w http.ResponseWriter, r *http.Request) {
	media, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if media != "image/png" && media != "image/jpeg" {
		dashboard.Problem{Status: http.StatusUnsupportedMediaType, Detail: fmt.Sprintf("content type %q: want image/png or image/jpeg", media)}.Write(w, r)
		return
	}
	q := r.URL.Query()
	p := jobbook.AddPhoto{Caption: q.Get("caption")}
	var bad []jobbook.FieldError
	for name, to := range map[string]*int64{"job": &p.Job, "piece": &p.Piece, "coat": &p.Coat} {
		if s := q.Get(name); s != "" {
			n, err := strconv.ParseInt(s, 10, 64)
			if err != nil || n < 1 {
				bad = append(bad, jobbook.FieldError{Field: name, Problem: fmt.Sprintf("%q is no number", s)})
			}
			*to = n
		}
	}
	if s := q.Get("when"); s != "" {
		at, err := time.Parse(time.RFC3339, s)
		if err != nil {
			bad = append(bad, jobbook.FieldError{Field: "when", Problem: fmt.Sprintf("%q is no time: want RFC 3339 such as 2026-01-14T14:06:00Z", s)})
		}
		p.When = at.UnixMilli()
	}
	if len(bad) > 0 {
		d.refuse(w, r, p.Kind(), &jobbook.Invalid{Kind: p.Kind(), Fields: bad})
		return
	}
	var err error
	if p.Data, err = io.ReadAll(r.Body); err != nil {
		var tooLong *http.MaxBytesError
		if errors.As(err, &tooLong) {
			dashboard.Problem{Status: http.StatusRequestEntityTooLarge, Detail: fmt.Sprintf("the photo is larger than %d MB: make it smaller", tooLong.Limit>>20)}.Write(w, r)
			return
		}
		dashboard.Problem{Status: http.StatusBadRequest, Detail: "the photo broke off: send it again"}.Write(w, r)
		return
	}
	key := q.Get("key")
	if key == "" {
		key = r.Header.Get("Idempotency-Key")
	}
	d.keep(w, r, key, q.Get("who"), p)
}

func (d *Daemon) getImage(w http.ResponseWriter, r *http.Request) {
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	var data []byte
	var media string
	if err == nil {
		data, media, err = d.book.Photo(r.Context(), id)
	} else {
		err = jobbook.ErrNotFound
	}
	if err != nil {
		if errors.Is(err, jobbook.ErrNotFound) {
			err = fmt.Errorf("photo %s: %w", r.PathValue("id"), jobbook.ErrNotFound)
		}
		d.refuse(w, r, "", err)
		return
	}
	dashboard.Send(w, r, http.StatusOK, media, data)
}
