package dashboard

import (
	"fmt"
	"html/template"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"

	"rsc.io/qr"
)

// PhoneOffer is what a code is asked for.
type PhoneOffer struct {
	Phone  string // a name for it; "": whoever pairs gives it
	Person int64  // number in the job book; 0: whoever pairs says who she is
	May    string // read, write or admin; "" is write
	Via    string // who asks
}

// PhonePass is a code that pairs one phone, once.
type PhonePass struct {
	Code    string
	Links   []string // that pair, the likeliest to reach first
	GoodFor time.Duration
	Note    string // why no phone may reach them; "" for nothing
}

// passPage shows a code that another phone is paired by. It is the answer to the form that asked for it: the code is in no address of it.
type passPage struct {
	base
	Code    string
	Drawing template.HTML
	Link    string
	Says    []string
}

// postPass makes a code for another phone and shows it.
func (h *Handler) postPass(w http.ResponseWriter, r *http.Request) {
	v, stale, ok := h.now(w, r, "/settings")
	if !ok {
		return
	}
	get := func(name string) string { return strings.TrimSpace(r.PostFormValue(name)) }
	o := PhoneOffer{Phone: get("phone"), May: get("may"), Via: v.visitor.Name}
	var err error
	if person := get("person"); person != "" {
		if o.Person, err = strconv.ParseInt(person, 10, 64); err != nil {
			err = &Refusal{Field: "person", Sentence: h.tx.get("pass_nobody")}
		}
	}
	var pass PhonePass
	if err == nil {
		pass, err = h.o.Settings.Pass(r.Context(), o)
	}
	p := passPage{base: h.base(v, stale, h.tx.get("title_pass"), "/settings"), Code: pass.Code}
	p.Refresh, p.Live = false, false
	p.Alerts, p.Answered = nil, nil // a camera is waiting
	if err == nil {
		p.Link = passLink(r, pass.Links)
		p.Drawing, err = drawQR(p.Link, h.tx.get("pass_drawing"))
	}
	if err != nil {
		h.settled(w, r, err)
		return
	}
	p.Says = append(p.Says, h.tx.get("pass_good", int64(pass.GoodFor.Minutes())), h.tx.get("may_pass_"+string(roleOr(o.May))))
	if pass.Note != "" {
		p.Says = append(p.Says, pass.Note)
	}
	h.render(w, r, http.StatusOK, "pass", p)
}

func roleOr(may string) Role {
	if may == "" {
		return Write
	}
	return Role(may)
}

// passLink takes the way by which this phone came, since another one comes by it too; from the board itself the first that is likely.
func passLink(r *http.Request, links []string) string {
	if len(links) == 0 {
		return ""
	}
	host := r.Host
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	if ip := net.ParseIP(strings.Trim(host, "[]")); host == "localhost" || ip != nil && ip.IsLoopback() {
		return links[0]
	}
	scheme := "http://"
	if VisitorOf(r).Secure {
		scheme = "https://"
	}
	return scheme + r.Host + links[0][strings.LastIndex(links[0], "/pair/"):]
}

// drawQR draws a code for a camera: black on white whatever the page's colours are, with the four modules around it that ISO/IEC 18004 asks for.
func drawQR(text, title string) (template.HTML, error) {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return "", fmt.Errorf("dashboard: draw the code: %w", err)
	}
	const quiet = 4
	size := code.Size + 2*quiet
	var path strings.Builder
	for y := range code.Size {
		for x := 0; x < code.Size; x++ {
			from := x
			for x < code.Size && code.Black(x, y) {
				x++
			}
			if x > from {
				fmt.Fprintf(&path, "M%d %dh%dv1h-%dz", from+quiet, y+quiet, x-from, x-from)
			}
		}
	}
	return template.HTML(fmt.Sprintf(`<svg class="qr" role="img" aria-label="%s" viewBox="0 0 %d %d" shape-rendering="crispEdges"><path fill="#fff" d="M0 0h%dv%dH0z"/><path fill="#000" d="%s"/></svg>`, //nolint:gosec // numbers, and a text that is escaped
		template.HTMLEscapeString(title), size, size, size, size, path.String())), nil
}
