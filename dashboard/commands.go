package dashboard

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"tackline/advisor"
	"tackline/advisor/units/quantity"
)

var (
	errMalformed = errors.New("dashboard: request not understood")
	errMedia     = errors.New("dashboard: content type")
	errReadOnly  = errors.New("dashboard: takes no entries")
)

// fields are the fields of a form or of a flat JSON object, as text.
type fields map[string]string

// readFields reads a form or a JSON object and refuses fields that nobody knows: a mistyped amount_g must not vanish.
func readFields(r *http.Request, known ...string) (fields, error) {
	kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	out := fields{}
	switch kind {
	case "application/x-www-form-urlencoded", "":
		if err := r.ParseForm(); err != nil {
			var tooLong *http.MaxBytesError
			if errors.As(err, &tooLong) {
				return nil, err
			}
			return nil, fmt.Errorf("%w: %v", errMalformed, err)
		}
		for k := range r.PostForm {
			out[k] = strings.TrimSpace(r.PostForm.Get(k))
		}
	case "application/json":
		if err := readJSON(r.Body, out); err != nil {
			return nil, err
		}
	default:
		return nil, fmt.Errorf("%w %q: want application/json or application/x-www-form-urlencoded", errMedia, kind)
	}
	for k := range out {
		if k != "key" && !slices.Contains(known, k) {
			return nil, &Refusal{Field: k, Sentence: fmt.Sprintf("no field %q is known here: there are key, %s", k, strings.Join(known, ", "))}
		}
	}
	if key := r.Header.Get("Idempotency-Key"); key != "" && out["key"] == "" {
		out["key"] = key
	}
	if len(out["key"]) > 100 {
		return nil, &Refusal{Field: "key", Sentence: "a key has at most 100 letters"}
	}
	return out, nil
}

func readJSON(body io.Reader, out fields) error {
	dec := json.NewDecoder(body)
	dec.UseNumber()
	var raw map[string]any
	if err := dec.Decode(&raw); err != nil {
		var tooLong *http.MaxBytesError
		if errors.As(err, &tooLong) {
			return err
		}
		return fmt.Errorf("%w: %v", errMalformed, err)
	}
	if _, err := dec.Token(); err != io.EOF {
		return fmt.Errorf("%w: more after the JSON object", errMalformed)
	}
	for k, v := range raw {
		switch v := v.(type) {
		case nil:
		case string:
			out[k] = strings.TrimSpace(v)
		case json.Number:
			out[k] = v.String()
		case bool:
			out[k] = strconv.FormatBool(v)
		default:
			return &Refusal{Field: k, Sentence: "a text, a number, true, false or null is wanted"}
		}
	}
	return nil
}

// amount reads an optional number of a unit of ours in [lo, hi]: with another unit, or in the one that the field of its name after "in." says.
func (f fields) amount(name string, q quantity.Quantity, lo, hi float64, outside string) (*float64, error) {
	if f[name] == "" {
		return nil, nil
	}
	typed, err := quantity.Point(f[name], f["decimal"] == "comma")
	if err == nil {
		if unit := f["in."+name]; unit != "" {
			q = q.Bare(unit)
		}
		var v float64
		if v, err = q.Parse(typed); err == nil && (v < lo || v > hi) {
			return nil, &Refusal{Field: name, Sentence: outside}
		} else if err == nil {
			v = quantity.Kept(v)
			return &v, nil
		}
	}
	return nil, &Refusal{Field: name, Sentence: err.Error()}
}

// text reads an optional text of limited length.
func (f fields) text(tx texts, name string, most int) (string, error) {
	if len([]rune(f[name])) > most {
		return "", &Refusal{Field: name, Sentence: tx.get("refuse_long", most)}
	}
	return f[name], nil
}

// at reads an optional time: RFC 3339, or local time of the shed without an offset. Where the clock is put back an hour comes twice: then
// the later that is not in the future is meant, because people enter what they have just done. The zero time means now.
func (f fields) at(tx texts, v View) (time.Time, error) {
	s := f["at"]
	if s == "" {
		return time.Time{}, nil
	}
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		if at, err = localTime(s, v.Zone, v.At); err != nil {
			if errors.Is(err, errNoSuchTime) {
				return time.Time{}, &Refusal{Field: "at", Sentence: tx.get("refuse_no_such_time")}
			}
			return time.Time{}, &Refusal{Field: "at", Sentence: tx.get("refuse_at")}
		}
	}
	if at.After(v.At.Add(2 * time.Minute)) {
		return time.Time{}, &Refusal{Field: "at", Sentence: tx.get("refuse_future", v.At.In(v.Zone).Format("15:04"))}
	}
	return at.UTC(), nil
}

var errNoSuchTime = errors.New("dashboard: no such local time")

func localTime(s string, zone *time.Location, now time.Time) (time.Time, error) {
	s = strings.Replace(s, " ", "T", 1)
	layout := "2006-01-02T15:04"
	if strings.Count(s, ":") == 2 {
		layout = "2006-01-02T15:04:05"
	}
	at, err := time.ParseInLocation(layout, s, zone)
	if err != nil {
		return time.Time{}, err
	}
	if at.Format(layout) != s {
		return time.Time{}, errNoSuchTime
	}
	best := at
	for _, shift := range []time.Duration{-time.Hour, -30 * time.Minute, 30 * time.Minute, time.Hour} {
		twin := at.Add(shift)
		if twin.Format(layout) == s && (twin.After(best) || best.After(now)) && !twin.After(now) {
			best = twin
		}
	}
	return best, nil
}

// begin reads what every command needs.
func (h *Handler) begin(r *http.Request, known ...string) (fields, View, error) {
	if h.o.Commands == nil {
		return nil, View{}, errReadOnly
	}
	f, err := readFields(r, known...)
	if err != nil {
		return nil, View{}, err
	}
	v, err := h.o.Source.Now(r.Context())
	if err != nil {
		return nil, View{}, err
	}
	if v.Zone == nil {
		v.Zone = time.UTC
	}
	if f["key"] == "" {
		f["key"] = h.o.Key()
	}
	f["who"] = Who(r, f["who"])
	return f, v, nil
}

// Entries takes any command of the job book from a form. Errors are as those of Commands.
type Entries interface {
	Enter(ctx context.Context, e Entry) (Receipt, error)
}

// Entry is a form that was filled in.
type Entry struct {
	Kind     string // of the command, as in /api/v1/commands/{kind}
	Key, Who string
	Fields   url.Values // of the command, by the API's names; dotted within
}

// enter keeps a form that was sent without the script, and goes back to the page that its field back names.
func (h *Handler) enter(w http.ResponseWriter, r *http.Request) {
	err := errReadOnly
	back := "/"
	if h.o.Entries != nil {
		if err = r.ParseForm(); err == nil {
			e := Entry{Kind: r.PathValue("kind"), Key: r.PostForm.Get("key"), Who: Who(r, r.PostForm.Get("who")), Fields: url.Values{}}
			for name, v := range r.PostForm {
				if name != "key" && name != "who" && name != "back" {
					e.Fields[name] = v
				}
			}
			back = within(r.PostForm.Get("back"))
			_, err = h.o.Entries.Enter(r.Context(), e)
		}
	}
	if err == nil {
		http.Redirect(w, r, back, http.StatusSeeOther)
		return
	}
	status, field, why := h.explain(r, err)
	if field != "" {
		why = field + ": " + why
	}
	h.fail(w, r, status, back, h.tx.get("error_kept"), why, back, false)
}

// within lets a page of this shed pass, and nothing else.
func within(back string) string {
	u, err := url.Parse(back)
	if err != nil || u.Scheme != "" || u.Host != "" || !strings.HasPrefix(back, "/") || strings.HasPrefix(back, "//") || strings.Contains(back, "\\") {
		return "/"
	}
	return back
}

func pathID(r *http.Request) (int64, error) {
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	if err != nil {
		return 0, fmt.Errorf("no %q here: %w", r.PathValue("id"), ErrNotFound)
	}
	return id, nil
}

func (h *Handler) startCoat(r *http.Request) (Receipt, error) {
	f, v, err := h.begin(r, "piece", "kind", "system", "at", "who", "lot", "amount_g", "in.amount_g", "resin_c", "in.resin_c", "decimal", "vessel")
	if err != nil {
		return Receipt{}, err
	}
	req := StartCoat{Key: f["key"], Kind: advisor.Kind(f["kind"]), System: f["system"], Vessel: f["vessel"]}
	if req.Piece, err = strconv.ParseInt(f["piece"], 10, 64); err != nil ||
		!slices.ContainsFunc(v.Pieces, func(p Piece) bool { return p.ID == req.Piece }) {
		return Receipt{}, &Refusal{Field: "piece", Sentence: h.tx.get("refuse_piece")}
	}
	if !slices.Contains(advisor.Kinds(), req.Kind) {
		return Receipt{}, &Refusal{Field: "kind", Sentence: h.tx.get("refuse_kind")}
	}
	if !slices.ContainsFunc(v.Systems, func(s System) bool { return s.goesBy(req.System) }) {
		return Receipt{}, &Refusal{Field: "system", Sentence: h.tx.get("refuse_system")}
	}
	if req.Vessel != "" && req.Vessel != "pot" && req.Vessel != "tray" {
		return Receipt{}, &Refusal{Field: "vessel", Sentence: h.tx.get("refuse_vessel")}
	}
	var errs [5]error
	req.At, errs[0] = f.at(h.tx, v)
	req.AmountG, errs[1] = f.amount("amount_g", quantity.Mass(), math.SmallestNonzeroFloat64, 100000, h.tx.get("refuse_amount"))
	req.ResinC, errs[2] = f.amount("resin_c", quantity.Temperature(), -20, 80, h.tx.get("refuse_resin"))
	req.Who, errs[3] = f.text(h.tx, "who", 80)
	req.Lot, errs[4] = f.text(h.tx, "lot", 120)
	for _, err := range errs {
		if err != nil {
			return Receipt{}, err
		}
	}
	return h.o.Commands.StartCoat(r.Context(), req)
}

// touchStates are the findings that a finger can make.
func touchStates() []advisor.State {
	return []advisor.State{advisor.StateWet, advisor.StateTacky, advisor.StateGreen, advisor.StateFirm, advisor.StateSandable}
}

func (h *Handler) touch(r *http.Request) (Receipt, error) {
	f, v, err := h.begin(r, "state", "at", "witness", "who")
	if err != nil {
		return Receipt{}, err
	}
	req := Touch{State: advisor.State(f["state"]), Witness: f["witness"] == "1" || f["witness"] == "true"}
	if req.Coat, err = pathID(r); err != nil {
		return Receipt{}, err
	}
	if !slices.Contains(touchStates(), req.State) {
		return Receipt{}, &Refusal{Field: "state", Sentence: h.tx.get("refuse_state")}
	}
	// The buttons of one form share its key: two findings made from it are two all the same.
	req.Key = f["key"] + "/" + string(req.State)
	if req.At, err = f.at(h.tx, v); err != nil {
		return Receipt{}, err
	}
	if req.Who, err = f.text(h.tx, "who", 80); err != nil {
		return Receipt{}, err
	}
	return h.o.Commands.Touch(r.Context(), req)
}

func (h *Handler) endCoat(r *http.Request) (Receipt, error) {
	f, v, err := h.begin(r, "at", "who")
	if err != nil {
		return Receipt{}, err
	}
	req := EndCoat{Key: f["key"]}
	if req.Coat, err = pathID(r); err != nil {
		return Receipt{}, err
	}
	if req.At, err = f.at(h.tx, v); err != nil {
		return Receipt{}, err
	}
	if req.Who, err = f.text(h.tx, "who", 80); err != nil {
		return Receipt{}, err
	}
	return h.o.Commands.EndCoat(r.Context(), req)
}

func (h *Handler) acknowledge(r *http.Request) (Receipt, error) {
	f, _, err := h.begin(r, "who", "at", "again_min")
	if err != nil {
		return Receipt{}, err
	}
	req := Acknowledge{Key: f["key"] + "/" + f["again_min"]} // the buttons of one form share its key
	if text := f["again_min"]; text != "" {
		minutes, err := strconv.ParseInt(text, 10, 64)
		if err != nil || minutes < 1 || minutes > 7*24*60 {
			return Receipt{}, &Refusal{Field: "again_min", Sentence: h.tx.get("refuse_again")}
		}
		req.Again = time.Duration(minutes) * time.Minute
	}
	if req.Alert, err = pathID(r); err != nil {
		return Receipt{}, err
	}
	if req.Who, err = f.text(h.tx, "who", 80); err != nil {
		return Receipt{}, err
	}
	return h.o.Commands.Acknowledge(r.Context(), req)
}
