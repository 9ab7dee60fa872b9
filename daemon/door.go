package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tackline/daemon/access"
	"tackline/daemon/jobbook"
	"tackline/dashboard"
)

// phonesFile is beside the databases, and in no backup.
const phonesFile = "phones.json"

const pushPath = "/api/v1/push"

// Names of a paired phone's cookie. That of a secure way can't be set or read by the other.
const (
	plainCookie  = "tackline"
	secureCookie = "__Host-tackline"
	cookieFor    = 400 * 24 * time.Hour // browsers keep none longer; the daemon forgets an unused phone before
)

// door tells who asks, and lets phones in.
type door struct {
	d      *Daemon
	phones *access.Phones
	key    access.Key

	requests, entries, guesses *access.Limiter
}

var _ dashboard.Pairing = (*door)(nil)

func newDoor(d *Daemon) (*door, error) {
	c := &d.o.Config
	o := &door{d: d, requests: access.NewLimiter(40, 400), entries: access.NewLimiter(4, 80), guesses: access.NewLimiter(0.2, 12)}
	var err error
	if o.key, err = access.OpenKey(filepath.Join(c.Shed.Data, access.KeyFile)); err != nil {
		return nil, err
	}
	var aside string
	if o.phones, aside, err = access.OpenPhones(filepath.Join(c.Shed.Data, phonesFile), c.Access.ForgetAfter, d.phoneTime); err != nil {
		return nil, err
	}
	if aside != "" {
		d.log.Error("the list of paired phones was damaged: it was set aside, and every phone has to be paired anew", "aside", aside)
	}
	return o, nil
}

// phoneTime is the time that phones live in: the wall's, also where that of the shed is simulated.
func (d *Daemon) phoneTime() (time.Time, bool) {
	if d.o.Clock != nil || d.o.Shed != nil || !d.o.Config.Clock.Real() {
		return time.Now(), true
	}
	stamp := d.clock.Now()
	return time.UnixMilli(stamp.Wall), stamp.State.Trusted()
}

func (o *door) caller(r *http.Request) access.Caller {
	return access.CallerOf(r, o.d.o.Config.Page.Proxies)
}

// visitor tells who asks: the board, a paired phone, or anyone.
func (o *door) visitor(r *http.Request) dashboard.Visitor {
	from := o.caller(r)
	v := dashboard.Visitor{May: dashboard.Read, Secure: from.Secure}
	if o.d.o.Config.Access.ReadingPaired {
		v.May = dashboard.Open
	}
	if ph, _, ok := o.phones.Of(tokenOf(r, from.Secure)); ok {
		v.May, v.Phone, v.Person = dashboard.Role(ph.May), ph.ID, ph.Person
		v.Name = cmp.Or(o.person(r.Context(), ph.Person), ph.Name)
	}
	v.Shows = o.shows(r, v.Person)
	if from.Local && !o.d.o.Config.Access.LocalKey || o.key.Opens(r) {
		v.May, v.Local = dashboard.Admin, true
	}
	return v
}

// person gives the name of a person of the job book, "" for nobody.
func (o *door) person(ctx context.Context, id int64) string {
	if id == 0 {
		return ""
	}
	facts, err := o.d.book.State(ctx)
	if err != nil {
		return ""
	}
	i := slices.IndexFunc(facts.People, func(p jobbook.Person) bool { return p.ID == id })
	if i < 0 {
		return ""
	}
	return facts.People[i].Name
}

func tokenOf(r *http.Request, secure bool) string {
	name := plainCookie
	if secure {
		name = secureCookie
	}
	if c, err := r.Cookie(name); err == nil {
		return c.Value
	}
	return ""
}

// cookie makes the cookie of a token; "" takes it away.
func cookie(token string, secure bool) *http.Cookie {
	c := &http.Cookie{Name: plainCookie, Value: token, Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: secure, MaxAge: int(cookieFor.Seconds())}
	if secure {
		c.Name = secureCookie
	}
	if token == "" {
		c.MaxAge = -1
	}
	return c
}

// admit stands before the page: it holds callers of the network to a rate, and keeps the cookies of phones in use alive.
func (o *door) admit(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		from := o.caller(r)
		if o.d.o.Config.Page.TLS() && !from.Secure && !from.Local {
			o.sendOn(w, r)
			return
		}
		if !from.Local && !o.key.Opens(r) {
			lim := o.requests
			if r.Method != http.MethodGet && r.Method != http.MethodHead && r.URL.Path != pushPath { // a gateway speaks for many nodes, and has bounds of its own
				lim = o.entries
			}
			if !lim.Allow(from.Addr) {
				w.Header().Set("Retry-After", "5")
				dashboard.Problem{Status: http.StatusTooManyRequests, Detail: "too much at once from one address: it is taken again in a few seconds"}.Write(w, r)
				return
			}
		}
		if token := tokenOf(r, from.Secure); token != "" {
			if _, again, ok := o.phones.Of(token); ok && again {
				http.SetCookie(w, cookie(token, from.Secure))
			}
		}
		next.ServeHTTP(w, r)
	})
}

// sendOn sends whoever came without TLS to the same place with it. What was sent along is not taken: it went over the network in the clear.
func (o *door) sendOn(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		dashboard.Problem{Status: http.StatusUpgradeRequired, Detail: "this shed takes entries by https alone"}.Write(w, r)
		return
	}
	w.Header().Set("Connection", "close")
	http.Redirect(w, r, "https://"+r.Host+r.URL.RequestURI(), http.StatusTemporaryRedirect)
}

// Offered does as dashboard.Pairing says.
func (o *door) Offered(r *http.Request, code string) (dashboard.Offered, error) {
	offer, err := o.look(r, code)
	if err != nil {
		return dashboard.Offered{}, err
	}
	out := dashboard.Offered{Shed: o.d.o.Config.Shed.Name, Phone: cmp.Or(offer.Phone, kindOfPhone(r.UserAgent())), Person: o.person(r.Context(), offer.Person)}
	facts, err := o.d.book.State(r.Context())
	if err != nil {
		return dashboard.Offered{}, err
	}
	for _, p := range facts.People {
		out.People = append(out.People, dashboard.PersonChoice{ID: p.ID, Name: p.Name})
	}
	return out, nil
}

// look finds a code, and counts wrong ones against the caller.
func (o *door) look(r *http.Request, code string) (access.Offer, error) {
	offer, err := o.phones.Look(code)
	if err == nil {
		return offer, nil
	}
	if !o.guesses.Allow(o.caller(r).Addr) {
		return access.Offer{}, dashboard.ErrSlowly
	}
	return access.Offer{}, fmt.Errorf("%w: %w", dashboard.ErrCode, err)
}

// kindOfPhone gives a first name for a phone, from what its browser says of it.
func kindOfPhone(agent string) string {
	for _, k := range []struct{ mark, name string }{{"iPhone", "iPhone"}, {"iPad", "iPad"}, {"Android", "Android phone"}, {"Windows", "Windows computer"}, {"Macintosh", "Mac"}, {"Linux", "Linux computer"}} {
		if strings.Contains(agent, k.mark) {
			return k.name
		}
	}
	return "phone"
}

// Pair does as dashboard.Pairing says.
func (o *door) Pair(w http.ResponseWriter, r *http.Request, p dashboard.PairRequest) error {
	offer, err := o.look(r, p.Code)
	if err != nil {
		return err
	}
	if n := len([]rune(p.Phone)); n == 0 || n > 40 {
		return &dashboard.Refusal{Field: "phone", Sentence: "give the phone a name of 1 to 40 letters"}
	}
	person := cmp.Or(offer.Person, p.Person)
	if offer.Person == 0 {
		if person, err = o.whose(r.Context(), p); err != nil {
			return err
		}
	}
	secure := o.caller(r).Secure
	ph, token, err := o.phones.Pair(p.Code, p.Phone, person, tokenOf(r, secure))
	if errors.Is(err, access.ErrCode) {
		return fmt.Errorf("%w: %w", dashboard.ErrCode, err)
	}
	if err != nil {
		return err
	}
	o.d.log.Info("a phone was paired", "phone", ph.Name, "number", ph.ID, "may", ph.May)
	http.SetCookie(w, cookie(token, secure))
	return nil
}

// whose gives the person who pairs, and adds somebody new to the job book.
func (o *door) whose(ctx context.Context, p dashboard.PairRequest) (int64, error) {
	facts, err := o.d.book.State(ctx)
	if err != nil {
		return 0, err
	}
	for _, one := range facts.People {
		if p.Person != 0 && one.ID == p.Person || p.Person == 0 && strings.EqualFold(one.Name, p.Name) {
			return one.ID, nil
		}
	}
	if p.Name == "" {
		return 0, &dashboard.Refusal{Field: "name", Sentence: "say whose phone it is"}
	}
	res, err := o.d.Do(ctx, "", p.Name, jobbook.AddPerson{PersonData: jobbook.PersonData{Name: p.Name, StartMin: o.d.o.Config.Shed.Hours.StartMin,
		EndMin: o.d.o.Config.Shed.Hours.EndMin, Days: o.d.o.Config.Shed.Hours.Days}})
	if err != nil {
		return 0, refusal(err)
	}
	return res.ID, nil
}

// Leave does as dashboard.Pairing says.
func (o *door) Leave(w http.ResponseWriter, r *http.Request) error {
	secure := o.caller(r).Secure
	if ph, _, ok := o.phones.Of(tokenOf(r, secure)); ok {
		if _, err := o.phones.Revoke(ph.ID); err != nil {
			return err
		}
	}
	http.SetCookie(w, cookie("", secure))
	return nil
}

// hosts are the names that the page answers to. An attacker can own none of them: the top-level names are given to nobody.
func (d *Daemon) hosts() []string {
	out := append([]string{"localhost"}, d.o.Config.Page.Names...)
	if h := hostOf(d.o.Config.Shed.Page); h != "" {
		out = append(out, h)
	}
	if name, err := os.Hostname(); err == nil && name != "" {
		short, _, _ := strings.Cut(name, ".")
		out = append(out, name)
		for _, top := range []string{"", ".local", ".lan", ".home", ".internal", ".home.arpa", ".localdomain"} {
			out = append(out, short+top)
		}
	}
	return out
}

func hostOf(link string) string {
	u, err := url.Parse(link)
	if err != nil {
		return ""
	}
	return u.Hostname()
}

// origins are those of our own page where a proxy gives it another name.
func (d *Daemon) origins() []string {
	if u, err := url.Parse(d.o.Config.Shed.Page); err == nil && u.Host != "" {
		return []string{u.Scheme + "://" + u.Host}
	}
	return nil
}
