package dashboard

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/rand"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"
)

//go:embed templates/*.html
var templateFiles embed.FS

// Options are what a Handler is made of. Source is required.
type Options struct {
	Source   Source
	Commands Commands // nil: the page is for reading only and takes no entries
	Entries  Entries  // nil: forms for the job book are not taken without the script
	Photos   Photos   // nil: photos are not taken without the script
	Books    Books    // nil: there is no page of the job book
	Planner  Planner  // nil: there are no plans
	Bench    Bench    // nil: there is no page of the probes
	// Seal puts the shed's seal on a record: a PDF comes back with it after its end, of any other file it is a text beside. nil: records have none.
	Seal     func(ctx context.Context, job int64, form string, data []byte) (sealed, beside []byte, err error)
	Pairing  Pairing                     // nil: no phone can be paired
	Settings Settings                    // nil: there is no page of them
	Visitor  func(*http.Request) Visitor // tells who asks; nil: everyone may do everything
	Origins  []string                    // of our own page where a proxy gives it another name, such as https://shed.example
	Hosts    []string                    // names that the Host header may have, without port; IP addresses and localhost always may; none: any
	Live     func(context.Context) error // for /healthz: nil error while the process works; nil func: always
	Ready    func(context.Context) error // for /readyz: nil error once readings come and the store takes them; nil func: as Live
	Log      *slog.Logger                // nil: slog.Default
	Language string                      // of the texts; "" is en
	Key      func() string               // makes the keys of forms; nil: 128 random bits
	Beat     time.Duration               // between two beats of /events; 0 is 4 s
	Further  []Route                     // of the API, beside the page's own
	Phones   int64                       // streams of /events at once; 0 is 64
}

// Handler serves page, API and events. It may be used by many goroutines at once.
type Handler struct {
	o      Options
	tx     texts
	tpl    *template.Template // never carried out itself: it is copied for each Shows
	told   sync.Map           // *template.Template by Shows
	static map[string]asset
	nav    []navItem
	root   http.Handler
	mux    *http.ServeMux
	most   map[string]int64 // bytes of a body by pattern; 0 is bodyLimit
	roles  map[string]Role  // by pattern

	slots chan struct{} // one for each open stream of events
	done  chan struct{} // closed by Close
	once  sync.Once
}

var _ http.Handler = (*Handler)(nil)

// New checks the options and gives the handler. The error says what is missing.
func New(o Options) (*Handler, error) {
	if o.Source == nil {
		return nil, errors.New("dashboard: no Source given")
	}
	if o.Language == "" {
		o.Language = "en"
	}
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Key == nil {
		o.Key = randomKey
	}
	if o.Beat <= 0 {
		o.Beat = 4 * time.Second
	}
	if o.Phones <= 0 {
		o.Phones = 64
	}
	if o.Ready == nil {
		o.Ready = o.Live
	}
	tx, err := loadTexts(o.Language)
	if err != nil {
		return nil, err
	}
	static, err := loadAssets()
	if err != nil {
		return nil, err
	}
	h := &Handler{o: o, tx: tx, static: static, slots: make(chan struct{}, o.Phones), done: make(chan struct{})}
	h.tpl, err = template.New("").Funcs(Shows{}.funcs()).Funcs(template.FuncMap{"t": tx.get, "asset": h.assetURL, "key": o.Key}).ParseFS(templateFiles, "templates/*.html")
	if err != nil {
		return nil, fmt.Errorf("dashboard: templates: %w", err)
	}
	// One line makes a page appear in the navigation; nothing else knows the list.
	h.nav = []navItem{{URL: "/", Text: tx.get("nav_shed")}, {URL: "/coats", Text: tx.get("nav_coats")}, {URL: "/plan", Text: tx.get("nav_plan")}, {URL: "/book", Text: tx.get("nav_book")}, {URL: "/mix", Text: tx.get("nav_mix")}, {URL: "/probes", Text: tx.get("nav_probes")}, {URL: "/history", Text: tx.get("nav_history")}}
	if o.Settings != nil {
		h.nav = append(h.nav, navItem{URL: "/settings", Text: tx.get("nav_settings")})
	}
	inner, err := h.routes()
	if err != nil {
		return nil, err
	}
	origins := http.NewCrossOriginProtection()
	for _, o := range o.Origins {
		if err := origins.AddTrustedOrigin(o); err != nil {
			return nil, fmt.Errorf("dashboard: origin %q: %w", o, err)
		}
	}
	origins.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h.problem(w, r, http.StatusForbidden, "", "a page of another site sent this: nothing was done")
	}))
	h.root = h.guard(origins.Handler(inner))
	return h, nil
}

// ServeHTTP serves one request.
func (h *Handler) ServeHTTP(w http.ResponseWriter, r *http.Request) { h.root.ServeHTTP(w, r) }

// Close ends the streams of events, so that a server can be shut down without waiting for the phones. A second Close does nothing.
func (h *Handler) Close() { h.once.Do(func() { close(h.done) }) }

func (h *Handler) routes() (http.Handler, error) {
	h.mux, h.most, h.roles = http.NewServeMux(), map[string]int64{}, map[string]Role{}
	for _, r := range h.Routes() {
		pattern := r.Method + " " + r.Path
		if !r.Role.known() {
			return nil, fmt.Errorf("dashboard: route %s has no role: say who may use it", pattern)
		}
		h.most[pattern], h.roles[pattern] = r.Most, r.Role
		h.mux.HandleFunc(pattern, r.Handle)
	}
	return h.admit(h.lost(h.mux)), nil
}

// lost answers what the mux has no handler for in the way of the place: a problem under /api/, a page elsewhere. Allow stays as the mux set it.
func (h *Handler) lost(mux *http.ServeMux) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		missing, pattern := mux.Handler(r)
		if pattern != "" {
			mux.ServeHTTP(w, r)
			return
		}
		probe := statusOnly{head: w.Header(), status: http.StatusOK}
		missing.ServeHTTP(&probe, r)
		switch {
		case probe.status == http.StatusMethodNotAllowed:
			h.problem(w, r, probe.status, "", r.Method+" is not possible at "+r.URL.Path+": "+w.Header().Get("Allow")+" is")
		case strings.HasPrefix(r.URL.Path, "/api/"):
			h.problem(w, r, http.StatusNotFound, "", "there is nothing at "+r.URL.Path)
		default:
			h.getNothing(w, r)
		}
	})
}

// statusOnly takes an answer and keeps its status and its head.
type statusOnly struct {
	head   http.Header
	status int
}

func (s *statusOnly) Header() http.Header         { return s.head }
func (s *statusOnly) Write(b []byte) (int, error) { return len(b), nil }
func (s *statusOnly) WriteHeader(status int)      { s.status = status }

// bodyLimit is more than any form of ours needs.
const bodyLimit = 16 << 10

// guard sets the headers that keep a page to itself, refuses foreign host names, and limits what is read.
func (h *Handler) guard(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		head := w.Header()
		head.Set("Content-Security-Policy",
			"default-src 'self'; base-uri 'none'; object-src 'none'; frame-ancestors 'none'; form-action 'self'")
		head.Set("X-Content-Type-Options", "nosniff")
		head.Set("Referrer-Policy", "same-origin")
		if trustworthy(r) {
			head.Set("Cross-Origin-Opener-Policy", "same-origin") // elsewhere a browser ignores it, and complains
		}
		head.Set("Cross-Origin-Resource-Policy", "same-origin")
		head.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
		head.Set("Cache-Control", "no-store")
		if !h.hostAllowed(r.Host) {
			h.problem(w, r, http.StatusMisdirectedRequest, "", "this shed does not answer to the host name "+r.Host+
				": add it to names under [page] in the config if it is yours")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, h.bodyMost(r))
		next.ServeHTTP(w, r)
	})
}

// trustworthy tells whether a browser takes the origin of a request for a potentially trustworthy one (W3C Secure Contexts, section 3.1): by
// TLS, also where a proxy in front says so, or to this very machine.
func trustworthy(r *http.Request) bool {
	if r.TLS != nil || r.Header.Get("X-Forwarded-Proto") == "https" {
		return true
	}
	host := r.Host
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	ip := net.ParseIP(strings.Trim(host, "[]"))
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// hostAllowed shuts out pages that point a name of their own at this address (DNS rebinding). An address has no owner who could do that.
func (h *Handler) hostAllowed(host string) bool {
	if len(h.o.Hosts) == 0 {
		return true
	}
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	host = strings.TrimSuffix(strings.ToLower(strings.Trim(host, "[]")), ".")
	if host == "localhost" || net.ParseIP(host) != nil {
		return true
	}
	for _, name := range h.o.Hosts {
		if strings.EqualFold(strings.TrimSuffix(name, "."), host) {
			return true
		}
	}
	return false
}

func (h *Handler) health(check func(context.Context) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if check != nil {
			if err := check(r.Context()); err != nil {
				h.problem(w, r, http.StatusServiceUnavailable, "", err.Error())
				return
			}
		}
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		_, _ = w.Write([]byte("ok\n"))
	}
}

// Send writes a finished answer as the page does: for handlers of Further.
func Send(w http.ResponseWriter, r *http.Request, status int, kind string, body []byte) {
	send(w, r, status, kind, body)
}

// send writes a finished answer, packed where the other side can unpack it and it is worth it.
func send(w http.ResponseWriter, r *http.Request, status int, kind string, body []byte) {
	head := w.Header()
	head.Set("Content-Type", kind)
	head.Add("Vary", "Accept-Encoding")
	if len(body) > 1200 && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		head.Set("Content-Encoding", "gzip")
		z := packers.Get().(*gzip.Writer)
		body = pack(z, body)
		packers.Put(z)
	}
	w.WriteHeader(status)
	_, _ = w.Write(body)
}

// packers are the packers of pages. One takes most of a megabyte, so it is used again. Level 6 takes twice as long and saves 4 %.
var packers = sync.Pool{New: func() any {
	z, _ := gzip.NewWriterLevel(nil, 4) // a level that there is
	return z
}}

func pack(z *gzip.Writer, b []byte) []byte {
	var out bytes.Buffer
	z.Reset(&out)
	_, _ = z.Write(b) // a bytes.Buffer takes everything
	_ = z.Close()
	return out.Bytes()
}

func randomKey() string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // never fails: crypto/rand ends the program instead
	return hex.EncodeToString(b[:])
}
