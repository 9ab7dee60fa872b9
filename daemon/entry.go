package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"

	"tackline/daemon/alert"
	"tackline/daemon/jobbook"
)

// entryLimit is more than any command but a photo needs, in bytes.
const entryLimit = 64 << 10

// entry is what a client sends to have a command of the job book kept.
type entry struct {
	Who     string          `json:"who"`
	Key     string          `json:"key"`     // made by the client: the same key is obeyed once
	Payload json.RawMessage `json:"payload"` // of the kind named in the path
}

// entries puts the job book's own door before the page: GET /api/v1/book has what is in it, POST /api/v1/commands/{kind} takes any command
// that it knows. Errors are problem+json (RFC 9457).
func (d *Daemon) entries(page http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /api/v1/book", func(w http.ResponseWriter, r *http.Request) {
		facts, err := d.book.State(r.Context())
		if err != nil {
			d.log.Error("the job book could not be read", "error", err)
			problem(w, http.StatusInternalServerError, "the job book could not be read")
			return
		}
		answer(w, http.StatusOK, facts)
	})
	mux.HandleFunc("POST /api/v1/commands/{kind}", d.takeEntry)
	mux.HandleFunc("GET /metrics", d.serveMetrics)
	mux.HandleFunc("GET /api/v1/nodes", d.wireless.list)
	mux.Handle("POST /api/v1/push", d.wireless.push)
	mux.HandleFunc("GET /seen/{token}", d.alerts.answerSeen)
	mux.HandleFunc("POST /seen/{token}", d.alerts.answerSeen)
	mux.HandleFunc("POST /api/v1/clock", d.takeClock)
	guarded := http.NewCrossOriginProtection().Handler(mux)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, pattern := mux.Handler(r); pattern != "" {
			guarded.ServeHTTP(w, r)
			return
		}
		page.ServeHTTP(w, r)
	})
}

// clockEntry is a phone's time for a board whose clock is not set.
type clockEntry struct {
	Who  string    `json:"who"`
	Time time.Time `json:"time"` // of the phone, as the request was sent, RFC 3339
}

// takeClock sets the clock from a phone. 409 where a time server has vouched for it.
func (d *Daemon) takeClock(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, entryLimit)
	var in clockEntry
	dec := json.NewDecoder(r.Body)
	dec.DisallowUnknownFields()
	if err := dec.Decode(&in); err != nil {
		problem(w, http.StatusBadRequest, fmt.Sprintf("the body is not {who, time}: %v", err))
		return
	}
	var invalid *jobbook.Invalid
	switch err := d.SetClock(r.Context(), in.Who, in.Time); {
	case err == nil:
		answer(w, http.StatusAccepted, map[string]any{"time": in.Time.UTC()})
	case errors.As(err, &invalid):
		problem(w, http.StatusUnprocessableEntity, err.Error())
	default:
		problem(w, http.StatusConflict, err.Error())
	}
}

func (d *Daemon) takeEntry(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, entryLimit)
	var in entry
	dec := json.NewDecoder(r.Body)
	dec.DisallowUnknownFields()
	if err := dec.Decode(&in); err != nil {
		problem(w, http.StatusBadRequest, fmt.Sprintf("the body is not {who, key, payload}: %v", err))
		return
	}
	p, err := jobbook.Decode(r.PathValue("kind"), in.Payload)
	if err != nil {
		problem(w, http.StatusUnprocessableEntity, err.Error())
		return
	}
	res, err := d.Do(r.Context(), in.Key, in.Who, p)
	var invalid *jobbook.Invalid
	var conflict *jobbook.Conflict
	switch {
	case err == nil:
		answer(w, http.StatusCreated, res)
	case errors.As(err, &invalid):
		problem(w, http.StatusUnprocessableEntity, err.Error())
	case errors.As(err, &conflict):
		problem(w, http.StatusConflict, err.Error())
	case errors.Is(err, jobbook.ErrNotFound), errors.Is(err, alert.ErrNotRaised):
		problem(w, http.StatusNotFound, err.Error())
	default:
		d.log.Error("a command could not be kept", "kind", r.PathValue("kind"), "error", err)
		problem(w, http.StatusInternalServerError, "it could not be kept: nothing was changed; try again")
	}
}

func answer(w http.ResponseWriter, status int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		problem(w, http.StatusInternalServerError, "the answer could not be written")
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Content-Type-Options", "nosniff")
	w.WriteHeader(status)
	_, _ = w.Write(append(b, '\n'))
}

func problem(w http.ResponseWriter, status int, detail string) {
	b, _ := json.Marshal(map[string]any{"type": "about:blank", "title": http.StatusText(status), "status": status, "detail": detail})
	w.Header().Set("Content-Type", "application/problem+json")
	w.Header().Set("X-Content-Type-Options", "nosniff")
	w.WriteHeader(status)
	_, _ = w.Write(append(b, '\n'))
}
