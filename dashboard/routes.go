package dashboard

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"encoding/json"
	"io"
	"net/http"
	"slices"
	"strings"

	"tackline/advisor"
	"tackline/dashboard/record"
)

// Route is one method of one path, with who may use it and, for those under /api/, what their description says: openapi.json is made from
// them, and a test holds the two together.
type Route struct {
	Method, Path string // as http.ServeMux has them, without blanks: "/api/v1/coats/{id}"
	Role         Role   // who may use it; none is refused by New
	Does         string // one line
	Query        []Param
	Body         any    // a sample of the JSON that is read; nil for none
	BodyMedia    string // of a body that is no JSON; "" for none
	Answers      any    // a sample of the JSON of a good answer; nil where it is something else
	Media        string // of an answer that is no JSON
	Status       int64  // of a good answer; 0 is 200
	Most         int64  // bytes of a body that are read; 0 is 16 kB
	Handle       http.HandlerFunc
}

// Param is a field of a query.
type Param struct {
	Name, Does string
	Type       string // string, integer, boolean, date-time
	Needed     bool
}

// packedAPI is openapi.json, packed: a tenth of the room. The test that writes the one writes the other.
//
//go:embed openapi.json.gz
var packedAPI []byte

// Receipts are the answers to commands of the page.
type receiptJSON struct {
	ID       int64    `json:"id"`
	Repeated bool     `json:"repeated"`        // the key had been obeyed before: nothing was done again
	Notes    []string `json:"notes,omitempty"` // what it did, in sentences
}

type startCoatJSON struct {
	Key     string       `json:"key,omitempty"` // made by the client, one for each thing said: the same is obeyed once. The header Idempotency-Key may carry it instead
	Piece   int64        `json:"piece"`
	Kind    advisor.Kind `json:"kind"`             // seal, bedding, wet-out, fill, fairing, glue, finish
	System  string       `json:"system"`           // name of the resin system
	At      *string      `json:"at,omitempty"`     // first wetting, RFC 3339; none is now
	Who     string       `json:"who,omitempty"`    // at most 80 letters
	Lot     string       `json:"lot,omitempty"`    // of resin and hardener, at most 120 letters
	AmountG *float64     `json:"amount_g"`         // mixed, g
	ResinC  *float64     `json:"resin_c"`          // when mixed, C
	Vessel  string       `json:"vessel,omitempty"` // pot or tray: a batch is begun with it
}

type touchBody struct {
	Key     string        `json:"key,omitempty"`
	State   advisor.State `json:"state"` // wet, tacky, green, firm, sandable
	At      *string       `json:"at,omitempty"`
	Witness bool          `json:"witness,omitempty"` // on a cup or scrap of the same batch
	Who     string        `json:"who,omitempty"`
}

type plainBody struct {
	Key string  `json:"key,omitempty"`
	At  *string `json:"at,omitempty"`
	Who string  `json:"who,omitempty"`
}

type ackBody struct {
	Key   string  `json:"key,omitempty"`
	At    *string `json:"at,omitempty"`
	Who   string  `json:"who,omitempty"`
	Again string  `json:"again_min,omitempty"` // minutes, 1 to 10080, in which to be told again
}

type coatsJSON struct {
	At    *string    `json:"at"`
	Stale bool       `json:"stale"`
	Coats []coatJSON `json:"coats"` // newest start first
	Next  *int64     `json:"next"`  // give it as after for what follows; null at the end
}

type pointJSON struct {
	At    *string `json:"at"`
	Min   float64 `json:"min"`
	Mean  float64 `json:"mean"`
	Max   float64 `json:"max"`
	Count int64   `json:"count"`
}

type seriesJSON struct {
	Probe    string      `json:"probe"`
	Quantity string      `json:"quantity"`
	From     *string     `json:"from"`
	To       *string     `json:"to"`
	MaxGapS  float64     `json:"max_gap_s"` // between two points further apart there is a gap
	Points   []pointJSON `json:"points"`
}

// Routes lists every route there is, those of Options.Further among them. Nothing is served that is not in it.
func (h *Handler) Routes() []Route {
	own := []Route{
		{Method: "GET", Role: Read, Path: "/api/v1/now", Does: "The shed now: air, verdicts with their reasons, running coats and batches, probes, alerts.", Answers: nowJSON{}, Handle: h.apiNow},
		{Method: "GET", Role: Read, Path: "/api/v1/coats", Does: "The coats with their touches and, while they run, their advice; newest first.", Query: pageParams(), Answers: coatsJSON{}, Handle: h.apiCoats},
		{Method: "POST", Role: Write, Path: "/api/v1/coats", Does: "Say that a coat went on.", Body: startCoatJSON{}, Answers: receiptJSON{}, Status: 201, Handle: h.api(h.startCoat)},
		{Method: "POST", Role: Write, Path: "/api/v1/coats/{id}/touches", Does: "Say what a gloved finger found.", Body: touchBody{}, Answers: receiptJSON{}, Status: 201, Handle: h.api(h.touch)},
		{Method: "POST", Role: Write, Path: "/api/v1/coats/{id}/end", Does: "End a coat: its trace is kept with the job for good.", Body: plainBody{}, Answers: receiptJSON{}, Status: 201, Handle: h.api(h.endCoat)},
		{Method: "POST", Role: Write, Path: "/api/v1/alerts/{id}/acknowledge", Does: "Say that somebody has seen an alert: it is not repeated; with again_min it is told again then.", Body: ackBody{}, Answers: receiptJSON{}, Status: 201,
			Handle: h.api(h.acknowledge)},
		{Method: "POST", Role: Write, Path: "/api/v1/calibrations", Does: "Compare a probe with something known, by what its log says now, and keep the correction; 422 says what is to be waited for.", Body: calibrationBody{},
			Answers: receiptJSON{}, Status: 201, Handle: h.api(h.calibrate)},
		{Method: "GET", Role: Read, Path: "/api/v1/readings", Does: "Readings of one quantity of one probe, thinned to points with least, mean and most.", Answers: seriesJSON{}, Handle: h.apiReadings,
			Query: []Param{{"probe", "name of the probe", "string", true}, {"quantity", "temp_c, rh_pct, pressure_hpa ...", "string", true},
				{"from", "a day before to where it is not given", "date-time", false}, {"to", "now where it is not given", "date-time", false},
				{"points", "at most so many, 1 to 5000; 600 where it is not given", "integer", false}}},
		{Method: "GET", Role: Read, Path: "/api/v1/records/{file}", Does: "The record of a job: NUMBER.html, .pdf, .csv or .json.", Answers: record.JSONSample(), Media: "text/html", Handle: h.apiRecord,
			Query: []Param{{"sep", "of a CSV: a comma, a semicolon or tab", "string", false}, {"decimal", "of a CSV: a point or a comma", "string", false},
				{"paper", "of a PDF: letter; none is A4", "string", false},
				{"workshop", "a shipped rule set to hold the conditions against, or none; without it that of the config", "string", false}, {"bom", "1: a CSV begins with a byte order mark", "string", false}}},
		{Method: "GET", Role: Read, Path: "/api/v1/plan", Does: "A plan for the rest of a piece's sequence: when to start, and what would help.", Answers: advisor.Plan{}, Handle: h.apiPlan,
			Query: []Param{{"piece", "name or number; none where there is only one", "string", false}, {"every", "quarter hours from one start to the next, 1 to 16", "integer", false},
				{"what_if", "something to try; may be given up to eight times", "string", false}}},
		{Method: "GET", Role: Read, Path: "/api/v1/openapi.json", Does: "This description.", Answers: map[string]any{}, Handle: h.apiDescription},
	}
	return slices.Concat(h.pages(), h.pairingRoutes(), h.settingsRoutes(), own, h.o.Further)
}

// pages are the routes that people see, and what they need.
func (h *Handler) pages() []Route {
	return []Route{
		{Method: "GET", Path: "/{$}", Role: Read, Handle: h.getShed},
		{Method: "GET", Path: "/coats", Role: Read, Handle: h.getCoats},
		{Method: "GET", Path: "/coats/new", Role: Read, Handle: h.getNewCoat},
		{Method: "POST", Path: "/coats", Role: Write, Handle: h.page(h.startCoat, "/coats")},
		{Method: "POST", Path: "/coats/{id}/touches", Role: Write, Handle: h.page(h.touch, "/coats")},
		{Method: "POST", Path: "/coats/{id}/end", Role: Write, Handle: h.page(h.endCoat, "/coats")},
		{Method: "POST", Path: "/alerts/{id}/acknowledge", Role: Write, Handle: h.page(h.acknowledge, "/")},
		{Method: "POST", Path: "/do/{kind}", Role: Write, Handle: h.enter},
		{Method: "POST", Path: "/photos", Role: Write, Most: mostPhotoForm, Handle: h.postPhoto},
		{Method: "GET", Path: "/plan", Role: Read, Handle: h.getPlan},
		{Method: "GET", Path: "/book", Role: Read, Handle: h.getBook},
		{Method: "GET", Path: "/book/jobs/{id}", Role: Read, Handle: h.getBookJob},
		{Method: "GET", Path: "/book/pieces/{id}", Role: Read, Handle: h.getBookPiece},
		{Method: "GET", Path: "/book/past/{class}/{id}", Role: Read, Handle: h.getPast},
		{Method: "GET", Path: "/mix", Role: Read, Handle: h.getMix},
		{Method: "GET", Path: "/probes", Role: Read, Handle: h.getProbes},
		{Method: "GET", Path: "/probes/which", Role: Read, Handle: h.getWhich},
		{Method: "GET", Path: "/probes/calibrate", Role: Read, Handle: h.getCalibrate},
		{Method: "POST", Path: "/probes/calibrate", Role: Write, Handle: h.page(h.calibrate, "/probes")},
		{Method: "GET", Path: "/history", Role: Read, Handle: h.getHistory},
		{Method: "GET", Path: "/events", Role: Read, Handle: h.getEvents},
		{Method: "GET", Path: "/static/{name}", Role: Open, Handle: h.getStatic},
		{Method: "GET", Path: "/healthz", Role: Open, Handle: h.health(h.o.Live)},
		{Method: "GET", Path: "/readyz", Role: Open, Handle: h.health(h.o.Ready)},
	}
}

func pageParams() []Param {
	return []Param{{"after", "number of the last one of the page before", "integer", false}, {"limit", "at most so many, 1 to 1000; 200 where it is not given", "integer", false}}
}

func (h *Handler) apiDescription(w http.ResponseWriter, r *http.Request) {
	head := w.Header()
	head.Set("Content-Type", "application/vnd.oai.openapi+json;version=3.1")
	head.Add("Vary", "Accept-Encoding")
	if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		head.Set("Content-Encoding", "gzip")
		_, _ = w.Write(packedAPI)
		return
	}
	plain, err := gzip.NewReader(bytes.NewReader(packedAPI))
	if err != nil {
		h.problem(w, r, http.StatusInternalServerError, "", h.tx.get("error_internal"))
		return
	}
	_, _ = io.Copy(w, plain)
}

// bodyMost gives how much of a request's body is read.
func (h *Handler) bodyMost(r *http.Request) int64 {
	if r.Method == http.MethodPost {
		if _, pattern := h.mux.Handler(r); h.most[pattern] > 0 {
			return h.most[pattern]
		}
	}
	return bodyLimit
}

// FieldProblem is one thing that is wrong with a request.
type FieldProblem struct {
	Field   string `json:"field"`
	Problem string `json:"problem"` // with the value and with what would be right
}

// Problem is an error as RFC 9457 (2023) wants it.
type Problem struct {
	Type     string          `json:"type"`
	Title    string          `json:"title"`
	Status   int64           `json:"status"`
	Detail   string          `json:"detail,omitempty"`
	Field    string          `json:"field,omitempty"`    // the first one that is to be mended
	Errors   []FieldProblem  `json:"errors,omitempty"`   // of 422: everything that is wrong at once
	Conflict json.RawMessage `json:"conflict,omitempty"` // of 409: what was changed since, when and by whom
}

// Write sends the problem. Type and Title are filled in.
func (p Problem) Write(w http.ResponseWriter, r *http.Request) {
	p.Type, p.Title = "about:blank", http.StatusText(int(p.Status))
	b, err := json.Marshal(p)
	if err != nil {
		http.Error(w, p.Title, int(p.Status))
		return
	}
	send(w, r, int(p.Status), "application/problem+json", append(b, '\n'))
}
