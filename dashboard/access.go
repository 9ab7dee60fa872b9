package dashboard

import (
	"context"
	"net/http"
	"slices"
	"strings"
)

// Role is what a visitor has to be for a route to answer.
type Role string

// The roles of routes. Each of Read, Write and Admin may do what the one before may.
const (
	Open  Role = "open"  // anyone: it tells nothing of the shed, and changes nothing
	Read  Role = "read"  // sees the shed
	Write Role = "write" // says what was done
	Admin Role = "admin" // says who may
	Token Role = "token" // the request carries a token for just this, which the handler checks: a node's readings, the button of a message
)

// rank gives how much a role may; 0 for one that is none.
func (r Role) rank() int { return slices.Index([]Role{"", Open, Read, Write, Admin}, r) }

func (r Role) known() bool { return r == Token || r.rank() > 0 }

// Visitor is who asks. The zero value may do nothing but what is open.
type Visitor struct {
	May    Role   // Open, Read, Write or Admin; "" is Open
	Phone  int64  // number of the paired phone, 0 where it is none
	Person int64  // number in the job book, 0 where it is not known
	Name   string // of the person: who says what comes from this phone; "" where it is not known
	Local  bool   // from the board itself
	Shows  Shows  // how numbers are told
	Secure bool   // the way to the phone is encrypted
}

// Can tells whether the visitor may use a route of a role.
func (v Visitor) Can(r Role) bool {
	switch r {
	case Open, Token:
		return true
	case Read, Write, Admin:
		return v.May.rank() >= r.rank()
	}
	return false
}

type visitorKey struct{}

// VisitorOf gives who sent a request that came through a Handler.
func VisitorOf(r *http.Request) Visitor {
	v, _ := r.Context().Value(visitorKey{}).(Visitor)
	return v
}

// Who gives whom a command is from: the person of the phone that it came from, whatever it says; else who it says.
func Who(r *http.Request, said string) string {
	if v := VisitorOf(r); v.Name != "" {
		return v.Name
	}
	return said
}

// admit lets through who may use the route that is asked for. What has no role is refused to everyone.
func (h *Handler) admit(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v := Visitor{May: Admin, Local: true}
		if h.o.Visitor != nil {
			v = h.o.Visitor(r)
		}
		r = r.WithContext(context.WithValue(r.Context(), visitorKey{}, v))
		_, pattern := h.mux.Handler(r)
		role, listed := h.roles[pattern]
		if pattern == "" || listed && v.Can(role) {
			next.ServeHTTP(w, r)
			return
		}
		h.refuse(w, r, v, role)
	})
}

// refuse says that the visitor may not, and how it comes to be allowed.
func (h *Handler) refuse(w http.ResponseWriter, r *http.Request, v Visitor, role Role) {
	status, why := http.StatusForbidden, "refuse_rights"
	if v.Phone == 0 {
		status, why = http.StatusUnauthorized, "refuse_unpaired"
		w.Header().Set("WWW-Authenticate", `Bearer realm="tackline"`)
	}
	if role == Read {
		why = "refuse_reading"
	}
	if strings.HasPrefix(r.URL.Path, "/api/") || r.URL.Path == "/events" || r.URL.Path == "/metrics" {
		h.problem(w, r, status, "", h.tx.get(why))
		return
	}
	h.render(w, r, status, "error", errorPage{base: base{Title: h.tx.get("title_refused"), Speed: 1, Nav: h.navigation(""), Mute: true}, Heading: h.tx.get("title_refused"), Why: h.tx.get(why)})
}
