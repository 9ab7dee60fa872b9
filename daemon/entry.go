package daemon

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"tackline/advisor/sequence"
	"tackline/daemon/alert"
	"tackline/daemon/jobbook"
	"tackline/daemon/wire"
	"tackline/dashboard"
	"tackline/sensors/push"
)

// entryLimit is more than any command but a photo needs, in bytes.
const entryLimit = 256 << 10

// entry is what a client sends to have a command of the job book kept.
type entry struct {
	Who     string          `json:"who,omitempty"`     // who says so; "" is the shed
	Key     string          `json:"key,omitempty"`     // made by the client: the same key is obeyed once. The header Idempotency-Key may carry it instead
	Payload json.RawMessage `json:"payload,omitempty"` // of the kind named in the path
}

// resultJSON is what became of a command.
type resultJSON struct {
	Seq    int64    `json:"seq"`    // of the journal's row: give it to undo
	ID     int64    `json:"id"`     // of what was made or changed, 0 where there is none
	Rev    int64    `json:"rev"`    // its revision now
	Hash   string   `json:"hash"`   // of the journal's row, hexadecimal
	Notes  []string `json:"notes"`  // what it means beside what else is known, in sentences
	Repeat bool     `json:"repeat"` // the key was known: nothing was done again
}

// apiRoutes are the job book's own door: what is in it, and any command that it knows. Errors are problem+json (RFC 9457).
func (d *Daemon) apiRoutes() []dashboard.Route {
	out := []dashboard.Route{
		{Method: "GET", Path: "/api/v1/book", Role: dashboard.Read, Does: "The whole job book as the journal's own types have it, times in Unix ms: for backups and old clients.", Answers: map[string]any{},
			Handle: d.getBook},
		{Method: "GET", Path: "/api/v1/kinds", Role: dashboard.Read, Does: "The kinds of commands.", Answers: map[string][]string{}, Handle: func(w http.ResponseWriter, r *http.Request) {
			d.reply(w, r, http.StatusOK, map[string][]string{"kinds": jobbook.Kinds()})
		}},
		{Method: "POST", Path: "/api/v1/commands/{kind}", Role: dashboard.Write, Does: "Have a command of a kind kept: it is in the journal before it is answered, and nothing is ever overwritten. " +
			"A form's fields (application/x-www-form-urlencoded) are taken too: those of the payload by their names, dotted within, beside key and who. " +
			"A command that changes something names the revision that its maker saw, as saw_rev or as If-Match; if someone changed it since, it is refused with 409 and what changed.",
			Body: entry{}, Answers: resultJSON{}, Status: 201, Most: entryLimit, Handle: d.takeEntry},
		{Method: "POST", Path: "/api/v1/photos", Role: dashboard.Write, Does: "Keep a photo, PNG or JPEG, of the shed or of one job, piece or coat.", BodyMedia: "image/jpeg", Answers: resultJSON{}, Status: 201,
			Most: jobbook.MostPhotoBytes, Handle: d.takePhoto, Query: append(aboutParams(), dashboard.Param{Name: "caption", Type: "string"},
				dashboard.Param{Name: "when", Type: "date-time", Does: "taken; none is now"}, dashboard.Param{Name: "who", Type: "string"}, dashboard.Param{Name: "key", Type: "string"})},
		{Method: "GET", Path: "/api/v1/photos/{id}/image", Role: dashboard.Read, Does: "A photo itself.", Media: "image/jpeg", Handle: d.getImage},
		{Method: "GET", Path: "/api/v1/history/{class}/{id}", Role: dashboard.Read, Does: "Everything that was done to one thing, corrections and undos too, oldest first.", Query: pageParams(),
			Answers: listAnswer{jobbook.Change{}}, Handle: d.getHistory},
		{Method: "GET", Path: "/api/v1/journal", Role: dashboard.Read, Does: "The journal, oldest first.", Query: pageParams(), Answers: listAnswer{jobbook.Entry{}}, Handle: d.getJournal},
		{Method: "GET", Path: "/api/v1/packs/{id}", Role: dashboard.Read, Does: "Everything that is kept of a job in one ZIP archive: the record in all forms with seals, traces, systems, photos, journal.",
			Media: "application/zip", Query: []dashboard.Param{{Name: "workshop", Type: "string", Does: "as for records"}}, Handle: d.getPack},
		{Method: "GET", Path: "/api/v1/pieces/{id}/steps", Role: dashboard.Read, Does: "The planned sequence of a piece.", Answers: stepsJSON{}, Handle: d.getSteps},
	}
	out = append(out,
		dashboard.Route{Method: "GET", Path: "/metrics", Role: dashboard.Read, Does: "Figures for a monitor.", Handle: d.serveMetrics},
		dashboard.Route{Method: "GET", Path: "/api/v1/probes", Role: dashboard.Read, Does: "The probes of the config with what they last said and their calibrations, and the sensors that nobody reads.",
			Answers: ProbesReport{}, Handle: d.serveProbes},
		dashboard.Route{Method: "GET", Path: "/api/v1/nodes", Role: dashboard.Read, Does: "The wireless nodes that are bound or were heard; those without a probe are unassigned.", Answers: nodesJSON{}, Handle: d.wireless.list},
		dashboard.Route{Method: "POST", Path: pushPath, Role: dashboard.Token, Does: "Readings of a wireless node or gateway, with the token of a probe as Authorization: Bearer.", Body: map[string]any{},
			Answers: push.Answer{}, Status: 202, Most: push.MaxBody + 1, Handle: func(w http.ResponseWriter, r *http.Request) { d.wireless.push.ServeHTTP(w, r) }},
		dashboard.Route{Method: "POST", Path: "/api/v1/clock", Role: dashboard.Write, Does: "Set an unset clock from a phone; 409 where a time server has vouched for it.", Body: clockEntry{}, Answers: clockJSON{}, Status: 202,
			Handle: d.takeClock})
	for _, method := range []string{"GET", "POST"} {
		out = append(out, dashboard.Route{Method: method, Path: "/seen/{token}", Role: dashboard.Token, Does: "The button of a message.", Handle: d.alerts.answerSeen})
	}
	out = append(out, d.alertRoutes()...)
	out = append(out, d.doorRoutes()...)
	return append(out, d.listRoutes()...)
}

// clockEntry is a phone's time for a board whose clock is not set.
type clockEntry struct {
	Who  string    `json:"who,omitempty"`
	Time time.Time `json:"time"` // of the phone, as the request was sent, RFC 3339
}

type clockJSON struct {
	Time time.Time `json:"time"`
}

// takeClock sets the clock from a phone. 409 where a time server has vouched for it.
func (d *Daemon) takeClock(w http.ResponseWriter, r *http.Request) {
	var in clockEntry
	if !readBody(w, r, &in, "{who, time}") {
		return
	}
	var invalid *jobbook.Invalid
	switch err := d.SetClock(r.Context(), dashboard.Who(r, in.Who), in.Time); {
	case err == nil:
		d.reply(w, r, http.StatusAccepted, clockJSON{in.Time.UTC()})
	case errors.As(err, &invalid):
		d.refuse(w, r, jobbook.ClockFound{}.Kind(), err)
	default:
		dashboard.Problem{Status: http.StatusConflict, Detail: err.Error()}.Write(w, r)
	}
}

func (d *Daemon) getBook(w http.ResponseWriter, r *http.Request) {
	facts, ok := d.facts(w, r)
	if ok {
		d.reply(w, r, http.StatusOK, facts)
	}
}

// facts reads the book; ok is false where the problem has been written.
func (d *Daemon) facts(w http.ResponseWriter, r *http.Request) (*jobbook.State, bool) {
	facts, err := d.book.State(r.Context())
	if err != nil {
		d.log.Error("the job book could not be read", "error", err)
		dashboard.Problem{Status: http.StatusInternalServerError, Detail: "the job book could not be read: the log says why"}.Write(w, r)
		return nil, false
	}
	return facts, true
}

func (d *Daemon) takeEntry(w http.ResponseWriter, r *http.Request) {
	kind := r.PathValue("kind")
	if isForm(r) {
		d.takeForm(w, r, kind)
		return
	}
	var in entry
	if !readBody(w, r, &in, "{who, key, payload}") {
		return
	}
	if in.Key == "" {
		in.Key = r.Header.Get("Idempotency-Key")
	}
	if kind == (jobbook.AddPhoto{}).Kind() {
		d.refuse(w, r, kind, &jobbook.Invalid{Kind: kind, Fields: []jobbook.FieldError{{Field: "payload", Problem: "a photo is sent as it is to /api/v1/photos"}}})
		return
	}
	payload, err := withRevision(kind, in.Payload, r.Header.Get("If-Match"))
	if err == nil {
		var p jobbook.Payload
		if p, err = wire.Decode(kind, payload); err == nil {
			if p, err = d.completed(r.Context(), p); err == nil {
				d.keep(w, r, in.Key, in.Who, p)
				return
			}
		}
	}
	d.refuse(w, r, kind, err)
}

// takeForm keeps a form of the page: its fields are those of the command, beside key and who.
func (d *Daemon) takeForm(w http.ResponseWriter, r *http.Request, kind string) {
	var tooLong *http.MaxBytesError
	switch err := r.ParseForm(); {
	case errors.As(err, &tooLong):
		dashboard.Problem{Status: http.StatusRequestEntityTooLarge, Detail: fmt.Sprintf("the body is longer than %d kB", tooLong.Limit>>10)}.Write(w, r)
		return
	case err != nil:
		dashboard.Problem{Status: http.StatusBadRequest, Detail: fmt.Sprintf("the body is no form: %v", err)}.Write(w, r)
		return
	}
	key, who := cmp.Or(r.PostForm.Get("key"), r.Header.Get("Idempotency-Key")), r.PostForm.Get("who")
	r.PostForm.Del("key")
	r.PostForm.Del("who")
	p, err := d.formed(r.Context(), kind, r.PostForm)
	if err != nil {
		d.refuse(w, r, kind, err)
		return
	}
	d.keep(w, r, key, who, p)
}

// isForm tells whether a request is a form of the page: what is said to it is in the units of whoever filled it in.
func isForm(r *http.Request) bool {
	media, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	return media == "application/x-www-form-urlencoded"
}

// readBody reads one JSON object into a struct; false where the problem has been written.
func readBody(w http.ResponseWriter, r *http.Request, in any, want string) bool {
	fail := func(status int64, detail string) bool {
		dashboard.Problem{Status: status, Detail: detail}.Write(w, r)
		return false
	}
	if media, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type")); media != "application/json" {
		return fail(http.StatusUnsupportedMediaType, fmt.Sprintf("content type %q: want application/json", media))
	}
	dec := json.NewDecoder(r.Body)
	dec.DisallowUnknownFields()
	err := dec.Decode(in)
	var tooLong *http.MaxBytesError
	switch {
	case errors.As(err, &tooLong):
		return fail(http.StatusRequestEntityTooLarge, fmt.Sprintf("the body is longer than %d kB", tooLong.Limit>>10))
	case err != nil:
		return fail(http.StatusBadRequest, fmt.Sprintf("the body is not %s: %v", want, err))
	}
	if _, err := dec.Token(); err != io.EOF {
		return fail(http.StatusBadRequest, "the body has more after its JSON object")
	}
	return true
}

// withRevision puts the revision of an If-Match header into a payload that has none.
func withRevision(kind string, payload json.RawMessage, match string) (json.RawMessage, error) {
	if match == "" || match == "*" {
		return payload, nil
	}
	bad := func(problem string) error {
		return &jobbook.Invalid{Kind: kind, Fields: []jobbook.FieldError{{Field: "saw_rev", Problem: problem}}}
	}
	tag := strings.Trim(match, `"`)
	rev, err := strconv.ParseInt(tag[strings.LastIndexByte(tag, '-')+1:], 10, 64)
	if err != nil {
		return nil, bad(fmt.Sprintf("If-Match %s is no tag of ours: want the ETag of what you saw", match))
	}
	raw := map[string]json.RawMessage{}
	if err := json.Unmarshal(payload, &raw); err != nil || raw == nil {
		return payload, nil // what is wrong with it is said when it is decoded
	}
	if given, ok := raw["saw_rev"]; ok && string(given) != fmt.Sprint(rev) {
		return nil, bad(fmt.Sprintf("%s and If-Match %s do not agree: give one of them", given, match))
	}
	raw["saw_rev"] = json.RawMessage(fmt.Sprint(rev))
	return json.Marshal(raw)
}

// completed fills in what a client need not know: the whole of a resin system that it names, what a step usually waits for.
func (d *Daemon) completed(ctx context.Context, p jobbook.Payload) (jobbook.Payload, error) {
	fill := func(kind, field string, name *string, raw *json.RawMessage) error {
		if len(*raw) > 0 && string(*raw) != "null" {
			return nil
		}
		s, err := d.systems.Find(*name)
		if err != nil {
			return &jobbook.Invalid{Kind: kind, Fields: []jobbook.FieldError{{Field: field, Problem: err.Error()}}}
		}
		*name = s.Name
		*raw, err = json.Marshal(s)
		return err
	}
	switch p := p.(type) {
	case jobbook.StartCoat:
		if p.Inline != nil {
			inline := *p.Inline
			if inline.SystemName == "" {
				inline.SystemName = p.SystemName
			}
			if err := fill(p.Kind(), "new_batch.system", &inline.SystemName, &inline.System); err != nil {
				return nil, err
			}
			p.Inline = &inline
		}
		err := fill(p.Kind(), "system", &p.SystemName, &p.System)
		return p, err
	case jobbook.StartBatch:
		err := fill(p.Kind(), "system", &p.SystemName, &p.System)
		return p, err
	case jobbook.SetSteps:
		for i := range p.Steps {
			if s := &p.Steps[i].Step; s.Wait == "" && s.Work != "" {
				s.Wait = sequence.Usual(s.Work).Wait
			}
		}
		return p, nil
	case jobbook.EditCoat:
		facts, err := d.book.State(ctx)
		if err != nil {
			return nil, err
		}
		if c, ok := facts.Coat(p.Coat); ok && c.SystemName == p.SystemName && len(p.System) == 0 {
			p.System = c.System // as it was in force, not as its file is now
		}
		err = fill(p.Kind(), "system", &p.SystemName, &p.System)
		return p, err
	}
	return p, nil
}

// keep has a command kept and answers.
func (d *Daemon) keep(w http.ResponseWriter, r *http.Request, key, who string, p jobbook.Payload) {
	res, err := d.Do(r.Context(), key, dashboard.Who(r, who), p)
	if err != nil {
		d.refuse(w, r, p.Kind(), err)
		return
	}
	out := resultJSON{Seq: res.Seq, ID: res.ID, Rev: res.Rev, Hash: fmt.Sprintf("%x", res.Hash), Notes: res.Notes, Repeat: res.Repeat}
	if out.Notes == nil {
		out.Notes = []string{}
	}
	status := http.StatusCreated
	if res.Repeat {
		status = http.StatusOK
	}
	d.reply(w, r, status, out)
}

// refuse turns an error of the job book into a problem.
func (d *Daemon) refuse(w http.ResponseWriter, r *http.Request, kind string, err error) {
	var invalid *jobbook.Invalid
	var conflict *jobbook.Conflict
	p := dashboard.Problem{Status: http.StatusInternalServerError, Detail: "it is not known whether it was kept: send the same again, with the same key"}
	switch {
	case errors.As(err, &invalid):
		p.Status, p.Detail = http.StatusUnprocessableEntity, ""
		var parts []string
		for _, f := range invalid.Fields {
			name := wire.FieldName(kind, f.Field)
			if isForm(r) {
				f.Problem = dashboard.VisitorOf(r).Shows.Say(f.Problem)
			}
			p.Errors = append(p.Errors, dashboard.FieldProblem{Field: name, Problem: f.Problem})
			parts = append(parts, name+" "+f.Problem)
		}
		if len(p.Errors) > 0 {
			p.Field, p.Detail = p.Errors[0].Field, strings.Join(parts, "; ")
		}
		if !slices.Contains(jobbook.Kinds(), kind) {
			p.Status, p.Detail = http.StatusNotFound, fmt.Sprintf("%s: there are %s", p.Detail, strings.Join(jobbook.Kinds(), ", "))
		}
	case errors.As(err, &conflict):
		p.Status, p.Detail = http.StatusConflict, strings.TrimPrefix(conflict.Error(), "jobbook: ")
		if p.Conflict, err = wire.Encode(conflict); err != nil {
			d.log.Error("a conflict could not be written", "error", err)
		}
	case errors.Is(err, jobbook.ErrNotFound), errors.Is(err, alert.ErrNotRaised):
		p.Status, p.Detail = http.StatusNotFound, strings.TrimPrefix(err.Error(), "jobbook: ")
	case errors.Is(err, jobbook.ErrNotKept):
		p.Status, p.Detail = http.StatusServiceUnavailable, "it was not kept, since the disk takes nothing: it is full, failing or read-only. Send the same again when that is mended; tackline doctor says what is wrong"
		d.log.Error("a command was not kept", "kind", kind, "error", err)
	default:
		d.log.Error("a command could not be kept", "kind", kind, "error", err)
	}
	p.Write(w, r)
}

// reply sends JSON.
func (d *Daemon) reply(w http.ResponseWriter, r *http.Request, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		d.log.Error("an answer could not be written", "path", r.URL.Path, "error", err)
		dashboard.Problem{Status: http.StatusInternalServerError, Detail: "the answer could not be written: the log says why"}.Write(w, r)
		return
	}
	dashboard.Send(w, r, status, "application/json", append(b, '\n'))
}
