// Package push takes the readings of anything that can make an HTTP POST.
//
// Each probe has a token of its own, and a gateway that speaks for several nodes has one too (RFC 6750: Authorization: Bearer). The body is
//
//	{"readings": [{"at": "2026-01-14T06:30:00Z", "temp_c": 12.5, "rh_pct": 71}, {"age_s": 60, "temp_c": 12.4}]}
//
// or one reading by itself, {"temp_c": 12.5}. at is the time of the reading by the node's clock, with its offset; age_s is for a node without
// one; with neither it is of now. A gateway adds "node", its number, to each reading or to the whole. The quantities are temp_c, rh_pct,
// pressure_hpa and moisture_pct; null and a missing quantity say that it is not known.
//
// A batch is idempotent: what is stored already is passed over, so a node that had no answer sends it again. Readings that came late are
// stored at their own time; those of a time to come are kept, flagged and never used. Errors are problem+json (RFC 9457).
package push

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"time"

	"tackline/sensors"
	"tackline/sensors/nodes"
)

// Way is the way of these nodes in their keys.
const Way = "push"

// Limits of one POST.
const (
	MaxBody  = 1 << 20 // bytes
	MaxBatch = 2000    // readings, each of up to four quantities: a whole batch fits a queue
	// LeastToken is the least length of a token: shorter ones can be guessed.
	LeastToken = 16
)

// Credential lets one sender in.
type Credential struct {
	Token string
	Probe string // the probe that it stands for; "" for a gateway, which names its nodes
}

// Sink takes reports; *nodes.Hub is one.
type Sink interface {
	Put(nodes.Report) (probe string, err error)
}

// Options of New.
type Options struct {
	Credentials []Credential
	Sink        Sink
	Now         func() time.Time // the shed's clock, for what is said of times to come; nil is time.Now
	Log         *slog.Logger     // nil logs nothing
}

// Handler takes POSTs. It may be used by many goroutines at once.
type Handler struct {
	o    Options
	hash [][sha256.Size]byte

	mu      sync.Mutex
	refused int64
	saidAt  time.Time
}

// New checks the options and gives the handler. No error holds a token.
func New(o Options) (*Handler, error) {
	h := &Handler{o: o}
	if o.Sink == nil {
		return nil, errors.New("push: no sink")
	}
	if h.o.Now == nil {
		h.o.Now = time.Now
	}
	if h.o.Log == nil {
		h.o.Log = slog.New(slog.DiscardHandler)
	}
	for i, c := range o.Credentials {
		who := c.Probe
		if who == "" {
			who = "the gateway"
		}
		if len(c.Token) < LeastToken {
			return nil, fmt.Errorf("push: the token of %s has fewer than %d letters: it could be guessed", who, LeastToken)
		}
		sum := sha256.Sum256([]byte(c.Token))
		for k := range h.hash {
			if h.hash[k] == sum {
				return nil, fmt.Errorf("push: %s has the token of another probe (%d and %d): each needs its own", who, k+1, i+1)
			}
		}
		h.hash = append(h.hash, sum)
	}
	return h, nil
}

// NodeOf gives the key of the node that a probe with a token of its own is.
func NodeOf(probe string) string { return Way + ":" + probe }

// who finds the credential of a request. Every token is compared, each in the same time whatever it is.
func (h *Handler) who(r *http.Request) (Credential, bool) {
	scheme, token, ok := strings.Cut(r.Header.Get("Authorization"), " ")
	if !ok || !strings.EqualFold(scheme, "bearer") {
		return Credential{}, false
	}
	sum := sha256.Sum256([]byte(strings.TrimSpace(token)))
	found := -1
	for i := range h.hash {
		if subtle.ConstantTimeCompare(h.hash[i][:], sum[:]) == 1 {
			found = i
		}
	}
	if found < 0 {
		return Credential{}, false
	}
	return h.o.Credentials[found], true
}

// Answer is what a sender is told.
type Answer struct {
	Taken   int64     `json:"taken"`             // values that were taken, those that were stored already too
	Future  int64     `json:"future,omitempty"`  // of these, values of a time to come: kept, flagged, not used
	Refused []Refusal `json:"refused,omitempty"` // readings of which nothing was taken
	// Unassigned lists nodes that are bound to no probe: what they say is listed and not kept. Bind them first.
	Unassigned []string `json:"unassigned,omitempty"`
}

// Refusal says what is wrong with one reading of a batch.
type Refusal struct {
	Index  int64  `json:"index"` // from 0
	Detail string `json:"detail"`
}

// ServeHTTP takes one POST.
func (h *Handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	head := w.Header()
	head.Set("Cache-Control", "no-store")
	head.Set("X-Content-Type-Options", "nosniff")
	if r.Method != http.MethodPost {
		head.Set("Allow", http.MethodPost)
		problem(w, http.StatusMethodNotAllowed, r.Method+" is not possible here: POST is")
		return
	}
	c, ok := h.who(r)
	if !ok {
		h.noteRefusal()
		head.Set("WWW-Authenticate", `Bearer realm="readings"`)
		problem(w, http.StatusUnauthorized, "want the token of a probe: Authorization: Bearer TOKEN")
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, MaxBody))
	if err != nil {
		var long *http.MaxBytesError
		if errors.As(err, &long) {
			problem(w, http.StatusRequestEntityTooLarge, fmt.Sprintf("the body is larger than %d bytes: send smaller batches", MaxBody))
			return
		}
		problem(w, http.StatusBadRequest, "the body broke off")
		return
	}
	h.take(w, c, body)
}

// take takes a batch. What is good of it is kept, whatever else is in it.
func (h *Handler) take(w http.ResponseWriter, c Credential, body []byte) {
	all, errs, err := items(body)
	if err != nil {
		problem(w, http.StatusBadRequest, strings.TrimPrefix(err.Error(), "push: "))
		return
	}
	var a Answer
	ahead := h.o.Now().Add(5 * time.Minute)
	byNode, order := map[string][]sensors.Reading{}, []string(nil)
	for i, it := range all {
		key, readings, err := h.one(c, it, errs[i])
		if err != nil {
			a.Refused = append(a.Refused, Refusal{int64(i), err.Error()})
			continue
		}
		if byNode[key] == nil {
			order = append(order, key)
		}
		byNode[key] = append(byNode[key], readings...)
		for _, x := range readings {
			if x.At.After(ahead) {
				a.Future++
			}
		}
	}
	if len(order) == 0 {
		problem(w, http.StatusUnprocessableEntity, fmt.Sprintf("nothing of it could be taken; reading %d: %s", a.Refused[0].Index, a.Refused[0].Detail))
		return
	}
	for _, key := range order {
		probe, err := h.o.Sink.Put(nodes.Report{Node: key, Readings: byNode[key], Whole: true})
		switch {
		case errors.Is(err, nodes.ErrFull): // what other nodes of the batch said is passed over when it comes again
			w.Header().Set("Retry-After", "60")
			problem(w, http.StatusServiceUnavailable, fmt.Sprintf("node %s sends more than is taken: send the batch again later", key))
			return
		case err != nil:
			problem(w, http.StatusInternalServerError, "it could not be taken")
			h.o.Log.Error("a POST of readings could not be taken", "node", key, "error", err)
			return
		case probe == "":
			a.Unassigned = append(a.Unassigned, key)
		default:
			a.Taken += int64(len(byNode[key]))
		}
	}
	b, _ := json.Marshal(a) // numbers and texts: it cannot fail
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(http.StatusAccepted)
	_, _ = w.Write(append(b, '\n'))
}

// one gives an item's node and readings.
func (h *Handler) one(c Credential, it item, err error) (string, []sensors.Reading, error) {
	if err != nil {
		return "", nil, err
	}
	key := NodeOf(c.Probe)
	switch {
	case c.Probe != "" && it.Node != "":
		return "", nil, errors.New("node: this is the token of one probe; a gateway has its own")
	case c.Probe == "":
		if key, err = nodes.Key(Way, it.Node); err != nil {
			return "", nil, fmt.Errorf("node: %.20q: want the number of the node, 1 to %d letters", it.Node, nodes.MaxNode)
		}
	}
	readings, err := it.readings()
	return key, readings, err
}

// noteRefusal counts senders that were not let in, and says so at most once in ten minutes.
func (h *Handler) noteRefusal() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.refused++
	if now := time.Now(); now.Sub(h.saidAt) > 10*time.Minute {
		h.saidAt = now
		h.o.Log.Warn("readings were pushed without the token of a probe", "times", h.refused)
	}
}

func problem(w http.ResponseWriter, status int, detail string) {
	b, _ := json.Marshal(map[string]any{"type": "about:blank", "title": http.StatusText(status), "status": status, "detail": detail})
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	_, _ = w.Write(append(b, '\n'))
}
