package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"tackline/daemon/access"
	"tackline/daemon/jobbook"
	"tackline/dashboard"
)

// links are the addresses under which a phone may reach the page, the likeliest first.
func (d *Daemon) links() []string {
	if d.o.Config.Shed.Page != "" {
		return []string{d.o.Config.Shed.Page}
	}
	scheme := "http://"
	if d.o.Config.Page.TLS() {
		scheme = "https://"
	}
	host, port, _ := net.SplitHostPort(d.Addr())
	var out []string
	if d.o.Config.Page.TLS() {
		for _, n := range d.o.Config.Page.Names {
			out = append(out, scheme+net.JoinHostPort(n, port))
		}
	}
	if ip := net.ParseIP(host); ip != nil && !ip.IsUnspecified() {
		return append(out, scheme+d.Addr())
	}
	addrs, _ := net.InterfaceAddrs()
	var six []string
	for _, a := range addrs {
		n, ok := a.(*net.IPNet)
		if !ok || n.IP.IsLoopback() || n.IP.IsLinkLocalUnicast() {
			continue
		}
		link := scheme + net.JoinHostPort(n.IP.String(), port)
		if n.IP.To4() != nil {
			out = append(out, link)
		} else {
			six = append(six, link)
		}
	}
	if out = append(out, six...); len(out) == 0 {
		out = []string{scheme + net.JoinHostPort("127.0.0.1", port)}
	}
	return out
}

// offerJSON asks for a code.
type offerJSON struct {
	Phone  string `json:"phone,omitempty"`  // a name for it, at most 40 letters; none: whoever pairs gives it
	Person string `json:"person,omitempty"` // name or number in the job book; none: whoever pairs says who she is
	May    string `json:"may,omitempty"`    // read, write or admin; none is write
}

// offeredJSON is a code that pairs one phone.
type offeredJSON struct {
	Code     string   `json:"code"`
	Links    []string `json:"links"`      // that pair, the likeliest to reach first
	GoodForS int64    `json:"good_for_s"` // seconds
	Note     string   `json:"note,omitempty"`
}

// phoneJSON is a paired phone.
type phoneJSON struct {
	ID     int64      `json:"id"`
	Name   string     `json:"name"`
	Person *int64     `json:"person"` // number in the job book
	Who    string     `json:"who"`    // name of the person, "" where that is not known
	May    string     `json:"may"`    // read, write or admin
	Paired *time.Time `json:"paired"` // null where the clock was unset
	Seen   *time.Time `json:"seen"`   // last use
	This   bool       `json:"this"`   // it is the one that asks
}

type phonesJSON struct {
	Phones []phoneJSON `json:"phones"`
}

func (d *Daemon) doorRoutes() []dashboard.Route {
	return []dashboard.Route{
		{Method: "POST", Path: "/api/v1/pairings", Role: dashboard.Admin, Does: "Make a code that pairs one phone, once, within ten minutes.", Body: offerJSON{}, Answers: offeredJSON{}, Handle: d.offerPairing},
		{Method: "GET", Path: "/api/v1/phones", Role: dashboard.Write, Does: "The paired phones.", Answers: phonesJSON{}, Handle: d.listPhones},
		{Method: "POST", Path: "/api/v1/phones/{id}/revoke", Role: dashboard.Admin, Does: "Take a phone's rights away, at once.", Answers: phoneJSON{}, Handle: d.revokePhone},
	}
}

func (d *Daemon) offerPairing(w http.ResponseWriter, r *http.Request) {
	var in offerJSON
	if !readBody(w, r, &in, "{phone, person, may}") {
		return
	}
	offer := dashboard.PhoneOffer{Phone: in.Phone, May: in.May, Via: dashboard.VisitorOf(r).Name}
	if in.Person != "" {
		facts, ok := d.facts(w, r)
		if !ok {
			return
		}
		i := slices.IndexFunc(facts.People, func(p jobbook.Person) bool {
			return strings.EqualFold(p.Name, in.Person) || strconv.FormatInt(p.ID, 10) == in.Person
		})
		if i < 0 {
			dashboard.Problem{Status: http.StatusUnprocessableEntity, Field: "person", Detail: fmt.Sprintf("nobody is called %q in the job book: tackline people add", in.Person)}.Write(w, r)
			return
		}
		offer.Person = facts.People[i].ID
	}
	pass, err := d.pass(offer)
	if err != nil {
		dashboard.Problem{Status: http.StatusUnprocessableEntity, Detail: strings.TrimPrefix(err.Error(), "access: ")}.Write(w, r)
		return
	}
	d.reply(w, r, http.StatusOK, offeredJSON{Code: pass.Code, Links: pass.Links, GoodForS: int64(pass.GoodFor.Seconds()), Note: pass.Note})
}

// pass makes a code that pairs one phone.
func (d *Daemon) pass(o dashboard.PhoneOffer) (dashboard.PhonePass, error) {
	code, err := d.door.phones.Offer(access.Offer{Phone: o.Phone, Person: o.Person, May: o.May, Via: cmp.Or(o.Via, "the board")})
	if err != nil {
		return dashboard.PhonePass{}, err
	}
	out := dashboard.PhonePass{Code: code[:4] + "-" + code[4:8] + "-" + code[8:], GoodFor: access.CodeFor}
	for _, l := range d.links() {
		out.Links = append(out.Links, l+"/pair/"+code)
	}
	if host, _, _ := net.SplitHostPort(d.Addr()); d.o.Config.Shed.Page == "" && net.ParseIP(host).IsLoopback() {
		out.Note = `the page is open to this board alone, so no phone reaches it: listen = "0.0.0.0:8417" under [shed] in the config opens it to the network`
	}
	return out, nil
}

func (d *Daemon) phone(ctx context.Context, p access.Phone, asks int64) phoneJSON {
	out := phoneJSON{ID: p.ID, Name: p.Name, Who: d.door.person(ctx, p.Person), May: p.May, This: p.ID == asks}
	if p.Person != 0 {
		out.Person = &p.Person
	}
	for _, t := range []struct {
		ms int64
		to **time.Time
	}{{p.Paired, &out.Paired}, {p.Seen, &out.Seen}} {
		if t.ms != 0 {
			at := time.UnixMilli(t.ms).UTC()
			*t.to = &at
		}
	}
	return out
}

func (d *Daemon) listPhones(w http.ResponseWriter, r *http.Request) {
	out := phonesJSON{Phones: []phoneJSON{}}
	for _, p := range d.door.phones.List() {
		out.Phones = append(out.Phones, d.phone(r.Context(), p, dashboard.VisitorOf(r).Phone))
	}
	d.reply(w, r, http.StatusOK, out)
}

func (d *Daemon) revokePhone(w http.ResponseWriter, r *http.Request) {
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	if err != nil {
		id = 0
	}
	gone, err := d.door.phones.Revoke(id)
	switch {
	case errors.Is(err, access.ErrNoPhone):
		dashboard.Problem{Status: http.StatusNotFound, Detail: fmt.Sprintf("no phone %s is paired", r.PathValue("id"))}.Write(w, r)
	case err != nil:
		d.log.Error("a phone could not be revoked", "phone", id, "error", err)
		dashboard.Problem{Status: http.StatusInternalServerError, Detail: "its rights are gone until the next start, and that could not be written down: the log says why"}.Write(w, r)
	default:
		d.log.Info("a phone's rights were taken away", "phone", gone.Name, "number", gone.ID)
		d.reply(w, r, http.StatusOK, d.phone(r.Context(), gone, 0))
	}
}
