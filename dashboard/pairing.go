package dashboard

import (
	"errors"
	"net/http"
	"strconv"
	"strings"
)

// Pairing lets phones in and out. The handler shows and asks; whoever implements it holds callers who guess to a rate.
type Pairing interface {
	// Offered tells who may be chosen for a code, and uses nothing up: whatever fetches a link to look at it pairs nothing. Its errors wrap ErrCode
	// for a code that is unknown, used or too old, and ErrSlowly for a caller who tries too many.
	Offered(r *http.Request, code string) (Offered, error)
	// Pair uses a code up and sets the cookie of the phone. A *Refusal names a field to mend; the code is then still good.
	Pair(w http.ResponseWriter, r *http.Request, p PairRequest) error
	// Leave takes the rights of the phone that asks, and its cookie.
	Leave(w http.ResponseWriter, r *http.Request) error
}

// Offered is what a code is for.
type Offered struct {
	Shed   string
	Phone  string         // suggested name
	Person string         // who it is for; "" where whoever pairs says so
	People []PersonChoice // in the job book
}

// PersonChoice is a person of the job book.
type PersonChoice struct {
	ID   int64
	Name string
}

// PairRequest is what was filled in.
type PairRequest struct {
	Code, Phone string
	Person      int64  // one of the People, or 0
	Name        string // of somebody who is not among them yet
}

var (
	// ErrCode is wrapped by errors about a code that is good for nothing.
	ErrCode = errors.New("dashboard: code not known")
	// ErrSlowly is wrapped where somebody tries too many codes.
	ErrSlowly = errors.New("dashboard: too many tries")
)

// pairPage is the page on which a phone is paired.
type pairPage struct {
	base
	Code    string
	Offered *Offered // nil: a code has to be typed
	Wrong   string
}

// pairingRoutes are there where phones can be paired.
func (h *Handler) pairingRoutes() []Route {
	if h.o.Pairing == nil {
		return nil
	}
	return []Route{
		{Method: "GET", Path: "/pair", Role: Open, Handle: h.getPair},
		{Method: "GET", Path: "/pair/{code}", Role: Open, Handle: h.getPair},
		{Method: "POST", Path: "/pair", Role: Open, Handle: h.postPair},
		{Method: "POST", Path: "/leave", Role: Open, Handle: h.postLeave},
	}
}

func (h *Handler) getPair(w http.ResponseWriter, r *http.Request) {
	code := r.PathValue("code")
	if code == "" {
		code = strings.TrimSpace(r.URL.Query().Get("code"))
	}
	h.showPair(w, r, http.StatusOK, code, "")
}

// showPair shows the form for a code that is good, and else asks for one.
func (h *Handler) showPair(w http.ResponseWriter, r *http.Request, status int, code, wrong string) {
	w.Header().Set("Referrer-Policy", "same-origin") // the code stands in the address until it is used, and is told to nobody else. Not no-referrer: browsers then send Origin: null with the form, which is refused
	p := pairPage{base: base{Title: h.tx.get("title_pair"), Speed: 1, Nav: h.navigation(""), Mute: true}, Code: code, Wrong: wrong}
	if code != "" {
		switch offered, err := h.o.Pairing.Offered(r, code); {
		case err == nil:
			p.Offered = &offered
		case errors.Is(err, ErrSlowly):
			w.Header().Set("Retry-After", "30")
			status, p.Wrong, p.Code = http.StatusTooManyRequests, h.tx.get("pair_slowly"), ""
		default:
			status, p.Wrong, p.Code = http.StatusNotFound, h.tx.get("pair_unknown"), ""
		}
	}
	h.render(w, r, status, "pair", p)
}

func (h *Handler) postPair(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		h.problem(w, r, http.StatusBadRequest, "", "the form can't be read")
		return
	}
	get := func(name string) string { return strings.TrimSpace(r.PostForm.Get(name)) }
	p := PairRequest{Code: get("code"), Phone: get("phone"), Name: get("name")}
	if id, err := strconv.ParseInt(get("person"), 10, 64); err == nil {
		p.Person = id
	}
	err := h.o.Pairing.Pair(w, r, p)
	var refusal *Refusal
	switch {
	case err == nil:
		http.Redirect(w, r, "/", http.StatusSeeOther) // away from the address with the code
	case errors.As(err, &refusal):
		h.showPair(w, r, http.StatusUnprocessableEntity, p.Code, refusal.Sentence)
	case errors.Is(err, ErrCode), errors.Is(err, ErrSlowly):
		h.showPair(w, r, http.StatusNotFound, p.Code, "")
	default:
		h.o.Log.Error("dashboard: phone not paired", "err", err)
		h.fail(w, r, http.StatusInternalServerError, "", h.tx.get("error_kept"), h.tx.get("error_internal"), "", false)
	}
}

func (h *Handler) postLeave(w http.ResponseWriter, r *http.Request) {
	if err := h.o.Pairing.Leave(w, r); err != nil {
		h.o.Log.Error("dashboard: phone not let go", "err", err)
		h.fail(w, r, http.StatusInternalServerError, "", h.tx.get("error_kept"), h.tx.get("error_internal"), "", false)
		return
	}
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
