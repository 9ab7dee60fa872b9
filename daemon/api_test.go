package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/png"
	"io"
	"net/http"
	"os"
	"reflect"
	"slices"
	"sort"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/jobbook"
)

// shedOnLoopback is a running demonstration, reached by HTTP as a phone does.
type shedOnLoopback struct {
	t    *testing.T
	d    *Daemon
	base string
	doc  object
	seen map[string]bool // method and path of the description that have answered
	comp *jsonschema.Compiler
}

func onLoopback(t *testing.T) *shedOnLoopback {
	t.Helper()
	d, err := NewDemo(t.Context(), DemoOptions{Seed: 1, Speed: 60, Folder: t.TempDir(), Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	t.Cleanup(func() { cancel(); require.NoError(t, <-done) })
	text, err := os.ReadFile(descriptionFile)
	require.NoError(t, err)
	s := &shedOnLoopback{t: t, d: d, base: "http://" + d.Addr(), seen: map[string]bool{}, comp: jsonschema.NewCompiler()}
	require.NoError(t, json.Unmarshal(text, &s.doc))
	whole, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	require.NoError(t, err)
	require.NoError(t, s.comp.AddResource("file:///openapi.json", whole))
	s.comp.AssertFormat()
	require.Eventually(t, func() bool { return d.latest.Load() != nil }, 20*time.Second, 20*time.Millisecond)
	return s
}

type reply struct {
	status int
	head   http.Header
	body   []byte
}

func (r reply) json(t *testing.T) object {
	t.Helper()
	var out object
	require.NoError(t, json.Unmarshal(r.body, &out), string(r.body))
	return out
}

// ask makes a request and, where the description has it, holds the answer against its schema.
func (s *shedOnLoopback) ask(method, path string, body any, head ...string) reply {
	s.t.Helper()
	var in io.Reader
	kind := "application/json"
	switch b := body.(type) {
	case nil:
	case []byte:
		in, kind = bytes.NewReader(b), "image/png"
	case string:
		in = strings.NewReader(b)
	default:
		enc, err := json.Marshal(b)
		require.NoError(s.t, err)
		in = bytes.NewReader(enc)
	}
	req, err := http.NewRequestWithContext(s.t.Context(), method, s.base+path, in)
	require.NoError(s.t, err)
	if body != nil {
		req.Header.Set("Content-Type", kind)
	}
	for i := 0; i+1 < len(head); i += 2 {
		req.Header.Set(head[i], head[i+1])
	}
	res, err := http.DefaultClient.Do(req)
	require.NoError(s.t, err)
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	require.NoError(s.t, err)
	out := reply{res.StatusCode, res.Header, b}
	s.hold(method, strings.SplitN(path, "?", 2)[0], out)
	return out
}

// hold validates an answer.
func (s *shedOnLoopback) hold(method, path string, r reply) {
	s.t.Helper()
	if r.status >= 400 {
		require.Equal(s.t, "application/problem+json", r.head.Get("Content-Type"), "%s %s", method, path)
		s.validate("#/components/schemas/DashboardProblem", r.body, method+" "+path)
		return
	}
	described := s.described(method, path)
	require.NotEmpty(s.t, described, "%s %s answers and is not described", method, path)
	s.seen[strings.ToLower(method)+" "+described] = true
	if r.status == http.StatusNotModified {
		return
	}
	responses := s.doc["paths"].(object)[described].(object)[strings.ToLower(method)].(object)["responses"].(object)
	require.Contains(s.t, responses, fmt.Sprint(r.status), "%s %s", method, path)
	if r.head.Get("Content-Type") == "application/json" {
		s.validate(fmt.Sprintf("#/paths/%s/%s/responses/%d/content/application~1json/schema", strings.NewReplacer("~", "~0", "/", "~1", "{", "%7B", "}", "%7D").Replace(described),
			strings.ToLower(method), r.status), r.body, method+" "+path)
	}
}

// described gives the path of the description that a request's path fits: the one with the fewest names in it.
func (s *shedOnLoopback) described(method, path string) string {
	best, holes := "", 99
	for p, at := range s.doc["paths"].(object) {
		if at.(object)[strings.ToLower(method)] == nil {
			continue
		}
		a, b := strings.Split(p, "/"), strings.Split(path, "/")
		n, ok := 0, len(a) == len(b)
		for i := 0; ok && i < len(a); i++ {
			if strings.HasPrefix(a[i], "{") {
				n++
			} else {
				ok = a[i] == b[i]
			}
		}
		if ok && n < holes {
			best, holes = p, n
		}
	}
	return best
}

func (s *shedOnLoopback) validate(pointer string, body []byte, what string) {
	s.t.Helper()
	schema, err := s.comp.Compile("file:///openapi.json" + pointer)
	require.NoError(s.t, err, what)
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(body))
	require.NoError(s.t, err, what)
	require.NoError(s.t, schema.Validate(v), "%s: %s", what, body)
}

// say has a command kept: the payload too is held against its schema.
func (s *shedOnLoopback) say(kind string, payload object, head ...string) reply {
	s.t.Helper()
	body, err := json.Marshal(object{"who": "Ida", "payload": payload})
	require.NoError(s.t, err)
	s.validate("#/paths/~1api~1v1~1commands~1"+kind+"/post/requestBody/content/application~1json/schema", body, kind)
	return s.ask("POST", "/api/v1/commands/"+kind, string(body), head...)
}

// made has a command kept that must be, and gives the number of what it made.
func (s *shedOnLoopback) made(kind string, payload object) int64 {
	s.t.Helper()
	r := s.say(kind, payload)
	require.Equal(s.t, http.StatusCreated, r.status, "%s: %s", kind, r.body)
	return int64(r.json(s.t)["id"].(float64))
}

func picture(t *testing.T) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, image.NewGray(image.Rect(0, 0, 4, 3))))
	return b.Bytes()
}

// TestEveryRouteAnswersAsDescribed lives through a job by HTTP alone, an invented one, and then asks for everything that is described.
func TestEveryRouteAnswersAsDescribed(t *testing.T) {
	s := onLoopback(t)
	job := s.made("add-job", object{"name": "Dunlin (invented)", "begins": "2026-01-02T09:30:00+01:00"})
	require.Equal(t, "2026-01-02T08:30:00Z", s.ask("GET", fmt.Sprintf("/api/v1/jobs/%d", job), nil).json(t)["begins"])
	s.made("edit-job", object{"job": job, "saw_rev": 1, "name": "Dunlin (invented)", "boat": "a skiff", "closed": false})
	piece := s.made("add-piece", object{"job": job, "name": "keel", "lie": "upright", "bare": true, "thickness_mm": 20, "area_m2": 1.2})
	s.made("edit-piece", object{"piece": piece, "saw_rev": 1, "job": job, "name": "keel", "lie": "upright", "bare": true, "thickness_mm": 22, "sealed_face": "back"})
	s.made("set-steps", object{"piece": piece, "saw_rev": 2, "steps": []any{object{"work": "seal", "wait": "nothing"}, object{"work": "wash", "wait": "nothing", "note": "cold water"}}})
	person := s.made("add-person", object{"name": "Ida", "start_min": 480, "end_min": 1020, "days": []bool{false, true, true, true, true, true, false}, "pace_m2_h": 4})
	s.made("edit-person", object{"person": person, "saw_rev": 1, "name": "Ida", "start_min": 540, "end_min": 1020, "days": []bool{false, true, true, true, true, true, true}, "days_off": []string{"2026-02-02"}})
	s.made("set-units", object{"person": person, "saw_rev": 2, "temperature": "F", "mass": "oz", "area": "ft2", "length": "in", "pressure": "inHg", "decimal": "comma"})
	drum := s.made("add-stock", object{"what": "resin", "name": "resin drum", "system": "medium", "lot": "R12", "unit": "g", "amount": 5000, "opened": "2026-01-05T00:00:00Z", "expiry": "2027-01-01T00:00:00Z"})
	s.made("edit-stock", object{"stock": drum, "saw_rev": 1, "what": "resin", "name": "resin drum", "system": "medium", "lot": "R12", "unit": "g", "left": 4800})
	batch := s.made("start-batch", object{"system": "medium", "mass_g": 200, "resin_c": 18, "vessel": "pot", "diameter_mm": 90, "lots": []int64{drum}})
	s.made("move-batch", object{"batch": batch, "saw_rev": 1, "vessel": "tray", "tray_cm2": 900})
	require.Eventually(t, func() bool {
		for _, b := range s.ask("GET", "/api/v1/now", nil).json(t)["batches"].([]any) {
			if b.(object)["batch_id"] == float64(batch) {
				return b.(object)["vessel"] == "tray"
			}
		}
		return false
	}, 20*time.Second, 50*time.Millisecond)
	coat := s.made("start-coat", object{"piece": piece, "kind": "seal", "system": "medium", "resin_c": 18, "batch": batch})
	s.made("use-stock", object{"stock": drum, "amount": 150, "coat": coat})
	require.InDelta(t, 4650, s.ask("GET", fmt.Sprintf("/api/v1/stock/%d", drum), nil).json(t)["left"], 1e-9)
	s.made("end-batch", object{"batch": batch, "saw_rev": 2, "how": "used"})
	s.made("edit-coat", object{"coat": coat, "saw_rev": 1, "piece": piece, "kind": "seal", "system": s.ask("GET", fmt.Sprintf("/api/v1/coats/%d", coat), nil).json(t)["system"], "resin_c": 17.5})
	s.made("touch", object{"coat": coat, "state": "wet", "witness": true})
	note := s.made("note", object{"piece": piece, "text": "the sun came round at three"})
	s.made("did", object{"piece": piece, "what": "washed", "when": s.d.now().Format(time.RFC3339)})
	s.made("meter-reading", object{"piece": piece, "moisture_pct": 11.5})
	s.made("hand-reading", object{"quantity": "temp_c", "value": 17.2, "place": "surface", "piece": piece})
	s.made("place-probe", object{"probe": "surface", "piece": piece, "to": nil})
	s.made("calibrate", object{"probe": "bench", "quantity": "temp_c", "method": "ice water", "true_value": 0, "before": 0.3, "after": 0, "offset": -0.3, "gain": nil, "u": 0.1, "due": "2027-01-01T00:00:00Z"})
	s.made("set-limit", object{"name": "margin_k", "value": 3.5, "unit": "K", "source": "own choice", "saw_id": 0})
	left := s.made("start-batch", object{"system": "medium", "mass_g": 2000, "resin_c": 25, "vessel": "pot", "diameter_mm": 150, "when": s.d.now().Add(-time.Hour).Format(time.RFC3339)})
	key := fmt.Sprintf("batch/%d/heat", left)
	require.Eventually(t, func() bool {
		return slices.ContainsFunc(s.d.alerts.standing(), func(a alert.Standing) bool { return a.Key == key })
	}, 20*time.Second, 50*time.Millisecond, "a pot left standing for an hour")
	for _, a := range s.ask("GET", "/api/v1/now", nil).json(t)["alerts"].([]any) {
		require.Equal(t, http.StatusCreated, s.ask("POST", fmt.Sprintf("/api/v1/alerts/%d/acknowledge", int64(a.(object)["id"].(float64))), object{}).status)
	}
	s.made("acknowledge", object{"alert_key": key})
	require.Equal(t, http.StatusOK, s.ask("POST", "/api/v1/alerts/try", object{}).status)
	s.made("snooze", object{"alert_key": key, "until": s.d.now().Add(time.Hour).Format(time.RFC3339)})
	s.made("forget-drum", object{"system": "medium"})
	s.made("end-coat", object{"coat": coat, "saw_rev": 2})
	gone := s.made("note", object{"text": "on the wrong job"})
	s.say("undo", object{"seq": gone})
	require.Equal(t, http.StatusNotFound, s.ask("GET", fmt.Sprintf("/api/v1/notes/%d", gone), nil).status)
	photo := s.ask("POST", fmt.Sprintf("/api/v1/photos?piece=%d&caption=weave&when=2026-01-20T10:00:00Z&who=Ida", piece), picture(t))
	require.Equal(t, http.StatusCreated, photo.status, string(photo.body))
	id := int64(photo.json(t)["id"].(float64))
	for _, kept := range []int64{job, 2} { // one that is new, and the demonstration's with ended coats
		require.Equal(t, http.StatusOK, s.ask("GET", fmt.Sprintf("/api/v1/records/%d.json?workshop=moulding-shop", kept), nil).status)
	}
	archive := s.ask("GET", fmt.Sprintf("/api/v1/packs/%d", job), nil)
	require.Equal(t, http.StatusOK, archive.status)
	require.Equal(t, "PK", string(archive.body[:2]))
	require.Equal(t, http.StatusNotFound, s.ask("GET", "/api/v1/packs/9999", nil).status)
	image := s.ask("GET", fmt.Sprintf("/api/v1/photos/%d/image", id), nil)
	require.Equal(t, picture(t), image.body)
	require.Equal(t, "image/png", image.head.Get("Content-Type"))
	second := s.ask("POST", "/api/v1/coats", object{"piece": piece, "kind": "fill", "system": "medium", "amount_g": 200, "vessel": "pot"}).json(t)["id"]
	require.Equal(t, http.StatusCreated, s.ask("POST", fmt.Sprintf("/api/v1/coats/%v/touches", second), object{"state": "wet"}).status)
	require.Equal(t, http.StatusCreated, s.ask("POST", fmt.Sprintf("/api/v1/coats/%v/end", second), object{}).status)

	var beside ProbesReport
	var asked reply
	require.Eventually(t, func() bool { // once the log is a quarter of an hour long: an instrument beside a probe that is still, whichever is, shows what it shows
		require.NoError(t, json.Unmarshal(s.ask("GET", "/api/v1/probes", nil).body, &beside))
		for _, p := range beside.Probes {
			for _, l := range p.Latest {
				asked = s.ask("POST", "/api/v1/calibrations", object{"probe": p.Name, "method": "reference", "quantity": l.Quantity, "reference": l.Value})
				if asked.status == http.StatusCreated {
					return true
				}
			}
		}
		return false
	}, time.Minute, 200*time.Millisecond)
	require.Contains(t, string(asked.body), "It showed")
	code := s.ask("POST", "/api/v1/pairings", object{"person": "Ida", "may": "read"}).json(t)["code"].(string)
	phone, _, err := s.d.door.phones.Pair(code, "Ida's phone", 0, "")
	require.NoError(t, err)
	require.Equal(t, "Ida", s.ask("POST", fmt.Sprintf("/api/v1/phones/%d/revoke", phone.ID), object{}).json(t)["who"])

	numbers := map[string]int64{"jobs": job, "packs": job, "pieces": piece, "people": person, "stock": drum, "coats": coat, "batches": batch, "notes": note, "photos": id}
	paths := make([]string, 0, 90)
	for p, at := range s.doc["paths"].(object) {
		if at.(object)["get"] != nil {
			paths = append(paths, p)
		}
	}
	sort.Strings(paths)
	for _, p := range paths {
		at, class := p, strings.Split(p, "/")[3]
		if strings.Contains(p, "{id}") {
			n := numbers[class]
			if class == "history" {
				n = job
			} else if n == 0 {
				items := s.ask("GET", "/api/v1/"+class, nil).json(t)["items"].([]any)
				require.NotEmpty(t, items, class)
				n = int64(items[0].(object)["id"].(float64))
			}
			at = strings.Replace(p, "{id}", fmt.Sprint(n), 1)
		}
		at = strings.NewReplacer("{class}", "job", "{file}", fmt.Sprintf("%d.csv", job)).Replace(at)
		if class == "readings" {
			at += "?probe=bench&quantity=temp_c"
		}
		if class == "plan" {
			at += "?piece=keel&every=16"
		}
		r := s.ask("GET", at, nil)
		require.Equal(t, http.StatusOK, r.status, "%s: %s", at, r.body)
		if tag := r.head.Get("ETag"); tag != "" {
			require.Eventually(t, func() bool { // the daemon itself may add to the book in between: a frozen trace
				again := s.ask("GET", at, nil, "If-None-Match", tag)
				tag = again.head.Get("ETag")
				return again.status == http.StatusNotModified
			}, 10*time.Second, 10*time.Millisecond, at)
		}
	}
	elsewhere := map[string]bool{ // what a simulated shed has not got; the tests of each have their answers
		"post /api/v1/push": true, "post /api/v1/commands/bind-node": true, "post /api/v1/clock": true}
	for p, at := range s.doc["paths"].(object) {
		for method := range at.(object) {
			if elsewhere[method+" "+p] {
				continue
			}
			require.True(t, s.seen[method+" "+p], "%s %s is described and did not answer", method, p)
		}
	}
}

// TestProblemsOnEveryPath: whatever goes wrong is a problem of RFC 9457 that says what to do.
func TestProblemsOnEveryPath(t *testing.T) {
	s := onLoopback(t)
	for _, kind := range jsonKinds() {
		path := "/api/v1/commands/" + kind
		require.Equal(t, http.StatusMethodNotAllowed, s.ask("GET", path, nil).status)
		require.Equal(t, http.StatusUnsupportedMediaType, s.ask("POST", path, "a=b", "Content-Type", "text/plain").status)
		require.Equal(t, http.StatusBadRequest, s.ask("POST", path, `{"payload":`).status)
		require.Equal(t, http.StatusBadRequest, s.ask("POST", path, `{"payload":{}} {}`).status)
		require.Equal(t, http.StatusBadRequest, s.ask("POST", path, `{"pay":{}}`).status)
		r := s.ask("POST", path, object{"payload": object{"nonsense": 1}})
		require.Equal(t, http.StatusUnprocessableEntity, r.status)
		require.Equal(t, "nonsense", r.json(t)["errors"].([]any)[0].(object)["field"])
		require.Equal(t, http.StatusUnprocessableEntity, s.ask("POST", path, object{"payload": 7}).status)
		require.Equal(t, http.StatusRequestEntityTooLarge, s.ask("POST", path, `{"who":"`+strings.Repeat("x", entryLimit)+`"}`).status)
	}
	for _, c := range []struct {
		method, path string
		body         any
		status       int
		says         string
	}{
		{"GET", "/api/v1/nothing", nil, 404, "nothing at"},
		{"POST", "/api/v1/commands/mend", object{"payload": object{}}, 404, "add-job"},
		{"DELETE", "/api/v1/jobs", nil, 405, "GET"},
		{"POST", "/api/v1/now", object{}, 405, "GET"},
		{"GET", "/api/v1/jobs/9999", nil, 404, "no job 9999"},
		{"GET", "/api/v1/jobs/x", nil, 404, "no job x"},
		{"GET", "/api/v1/pieces/9999/steps", nil, 404, "no piece"},
		{"GET", "/api/v1/photos/9999/image", nil, 404, "not in the job book"},
		{"GET", "/api/v1/history/hat/1", nil, 404, "classes are"},
		{"GET", "/api/v1/jobs?limit=0", nil, 422, "1 to 1000"},
		{"GET", "/api/v1/coats?after=x", nil, 422, "no whole number"},
		{"GET", "/api/v1/pieces?jbo=1", nil, 422, "there are after, limit, job"},
		{"POST", "/api/v1/photos?piece=x", picture(t), 422, "no number"},
		{"POST", "/api/v1/photos", []byte("GIF89a"), 422, ""},
		{"POST", "/api/v1/photos", object{}, 415, "image/png"},
		{"POST", "/api/v1/photos", make([]byte, jobbook.MostPhotoBytes+1), 413, "8 MB"},
		{"POST", "/api/v1/commands/add-photo", object{"payload": object{}}, 422, "/api/v1/photos"},
		{"POST", "/api/v1/commands/start-batch", object{"payload": object{"system": "treacle"}}, 422, "treacle"},
		{"POST", "/api/v1/commands/touch", object{"payload": object{"coat": 1, "state": "wet", "when": "noon"}}, 422, "RFC 3339"},
		{"POST", "/api/v1/commands/add-piece", object{"payload": object{"job": "two"}}, 422, "does not fit"},
		{"POST", "/api/v1/alerts/77/acknowledge", object{}, 404, "alert 77"},
	} {
		r := s.ask(c.method, c.path, c.body)
		require.Equal(t, c.status, r.status, "%s %s: %s", c.method, c.path, r.body)
		require.Contains(t, r.json(t)["detail"], c.says, "%s %s", c.method, c.path)
	}
	r := s.ask("POST", "/api/v1/commands/add-piece", object{"payload": object{"job": 9999, "name": "", "lie": "askew", "thickness_mm": -3}})
	var fields []string
	for _, e := range r.json(t)["errors"].([]any) {
		fields = append(fields, e.(object)["field"].(string))
	}
	require.Subset(t, fields, []string{"job", "name", "lie", "thickness_mm"}, "everything that is wrong at once")
}

// TestListsComeInPages walks a list page by page: nothing twice, nothing left out.
func TestListsComeInPages(t *testing.T) {
	s := onLoopback(t)
	for i := range 7 {
		s.made("note", object{"text": fmt.Sprintf("note %d", i)})
	}
	for _, path := range []string{"/api/v1/notes", "/api/v1/journal", "/api/v1/coats"} {
		whole := s.ask("GET", path+"?limit=1000", nil).json(t)
		key := "items"
		if whole[key] == nil {
			key = "coats"
		}
		var got []any
		for after := "0"; after != "<nil>"; {
			p := s.ask("GET", path+"?limit=2&after="+after, nil).json(t)
			require.LessOrEqual(t, len(p[key].([]any)), 2)
			got = append(got, p[key].([]any)...)
			after = fmt.Sprint(p["next"])
		}
		all := whole[key].([]any)
		require.GreaterOrEqual(t, len(got), len(all), path)
		if path != "/api/v1/coats" { // the advice in those moves on
			require.True(t, reflect.DeepEqual(all, got[:len(all)]), "%s: what the daemon adds meanwhile, a frozen trace, comes last", path)
		}
	}
}

// TestTwoPhones: two people look at the same piece and both change it. The first is kept, the second is told what the first changed and when, and
// nothing is lost; then the second looks again and says what is still right.
func TestTwoPhones(t *testing.T) {
	s := onLoopback(t)
	job := s.made("add-job", object{"name": "Whimbrel (invented)"})
	piece := s.made("add-piece", object{"job": job, "name": "keel", "lie": "flat", "bare": true, "thickness_mm": 20})
	look := func() (string, float64) {
		r := s.ask("GET", fmt.Sprintf("/api/v1/pieces/%d", piece), nil)
		return r.head.Get("ETag"), r.json(t)["rev"].(float64)
	}
	change := func(who, tag string, saw float64, thickness float64, lie string) reply {
		payload := object{"piece": piece, "job": job, "name": "keel", "lie": lie, "bare": true, "thickness_mm": thickness}
		if tag == "" {
			payload["saw_rev"] = saw
			return s.ask("POST", "/api/v1/commands/edit-piece", object{"who": who, "payload": payload})
		}
		return s.ask("POST", "/api/v1/commands/edit-piece", object{"who": who, "payload": payload}, "If-Match", tag)
	}
	tag, rev := look()
	require.Equal(t, http.StatusCreated, change("Ida", tag, 0, 22, "flat").status)
	for _, second := range []reply{change("Jon", tag, 0, 20, "upright"), change("Jon", "", rev, 20, "upright")} {
		require.Equal(t, http.StatusConflict, second.status)
		p := second.json(t)
		require.Contains(t, p["detail"], "Ida")
		require.Contains(t, p["detail"], "thickness_mm 20 -> 22")
		require.NotContains(t, p["detail"], "jobbook")
		c := p["conflict"].(object)
		require.EqualValues(t, 1, c["saw_rev"])
		require.EqualValues(t, 2, c["now_rev"])
		made := c["changes"].([]any)[0].(object)
		require.Equal(t, "Ida", made["who"])
		require.Equal(t, object{"field": "thickness_mm", "before": 20.0, "after": 22.0}, made["fields"].([]any)[0])
		_, err := time.Parse(time.RFC3339, made["at"].(object)["wall"].(string))
		require.NoError(t, err)
	}
	tag, _ = look()
	require.Equal(t, http.StatusCreated, change("Jon", tag, 0, 22, "upright").status)
	now := s.ask("GET", fmt.Sprintf("/api/v1/pieces/%d", piece), nil).json(t)
	require.Equal(t, "upright", now["lie"])
	require.InDelta(t, 22, now["thickness_mm"], 0)
	require.Equal(t, http.StatusUnprocessableEntity, change("Jon", `"pieces-x"`, 0, 1, "flat").status)
	require.Len(t, s.ask("GET", fmt.Sprintf("/api/v1/history/piece/%d", piece), nil).json(t)["items"], 3)
}

// TestManyPhonesLoseNothing: all change one piece at once, each trying again when it is told to look again: every change is in its history.
func TestManyPhonesLoseNothing(t *testing.T) {
	s := onLoopback(t)
	job := s.made("add-job", object{"name": "Godwit (invented)"})
	piece := s.made("add-piece", object{"job": job, "name": "keel", "lie": "flat", "bare": true, "thickness_mm": 20})
	const phones = 8
	var wg sync.WaitGroup
	for i := range phones {
		wg.Go(func() {
			client := &http.Client{}
			for {
				res, err := client.Get(fmt.Sprintf("%s/api/v1/pieces/%d", s.base, piece))
				if err != nil {
					t.Error(err)
					return
				}
				_ = res.Body.Close()
				body, _ := json.Marshal(object{"who": fmt.Sprintf("phone %d", i), "payload": object{"piece": piece, "job": job, "name": "keel", "lie": "flat", "bare": true, "thickness_mm": 30 + i}})
				req, _ := http.NewRequestWithContext(t.Context(), "POST", s.base+"/api/v1/commands/edit-piece", bytes.NewReader(body))
				req.Header.Set("Content-Type", "application/json")
				req.Header.Set("If-Match", res.Header.Get("ETag"))
				if res, err = client.Do(req); err != nil {
					t.Error(err)
					return
				}
				_ = res.Body.Close()
				if res.StatusCode == http.StatusCreated {
					return
				}
				if res.StatusCode != http.StatusConflict {
					t.Errorf("status %d", res.StatusCode)
					return
				}
			}
		})
	}
	wg.Wait()
	who := map[string]bool{}
	for _, c := range s.ask("GET", fmt.Sprintf("/api/v1/history/piece/%d", piece), nil).json(t)["items"].([]any) {
		who[c.(object)["who"].(string)] = true
	}
	require.Len(t, who, phones+1)
}

// TestTheSameKeyIsObeyedOnce: a phone that lost the answer sends the same again.
func TestTheSameKeyIsObeyedOnce(t *testing.T) {
	s := onLoopback(t)
	first := s.say("add-job", object{"name": "Curlew (invented)"}, "Idempotency-Key", "k1")
	require.Equal(t, http.StatusCreated, first.status)
	jobs := func() int { return len(s.ask("GET", "/api/v1/jobs", nil).json(t)["items"].([]any)) }
	before := jobs()
	again := s.say("add-job", object{"name": "Curlew (invented)"}, "Idempotency-Key", "k1")
	require.Equal(t, http.StatusOK, again.status)
	require.Equal(t, first.json(t)["id"], again.json(t)["id"])
	require.Equal(t, true, again.json(t)["repeat"])
	other := s.say("add-job", object{"name": "Another"}, "Idempotency-Key", "k1")
	require.Equal(t, http.StatusUnprocessableEntity, other.status)
	require.Equal(t, "key", other.json(t)["field"])
	require.Equal(t, before, jobs())
}
