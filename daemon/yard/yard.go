// Package yard reads what many sheds have mirrored to one InfluxDB, by Flux (1.8 and 2), and by nothing else: no shed is asked. The schema is
// that of package mirror. What is read is judged anew at each look against the present: a verdict, a window or a probe that nobody has
// renewed for a while is marked as old, and is never given as if it were of now.
package yard

import (
	"maps"
	"slices"
	"strings"
	"time"
)

// CantSay is the verdict of a piece whose last verdict is too old to hold.
const CantSay = "can't say"

// Yard is all sheds at a time, by name.
type Yard struct {
	At     time.Time `json:"at"`      // of the judgement, by the reader's clock
	ReadAt time.Time `json:"read_at"` // when InfluxDB last answered; zero before the first time
	Sheds  []Shed    `json:"sheds"`
}

// Shed is one shed as far as it has told.
type Shed struct {
	Name   string     `json:"shed"`
	Seen   *time.Time `json:"last_seen"` // of the newest reading of any probe; null where there are only verdicts
	Silent bool       `json:"silent"`    // no reading for longer than allowed
	Ahead  bool       `json:"ahead"`     // its newest reading lies in the future: one of the two clocks is wrong
	Probes []Probe    `json:"probes"`
	Pieces []Piece    `json:"pieces"`
}

// Probe is a probe with its newest values.
type Probe struct {
	Name   string    `json:"probe"`
	Place  string    `json:"place"`
	Seen   time.Time `json:"last_seen"`
	Silent bool      `json:"silent"`
	Values []Value   `json:"values"`
}

// Value is the newest good reading of a quantity, in the unit that its name ends in.
type Value struct {
	Quantity string    `json:"quantity"` // temp_c, rh_pct, pressure_hpa, moisture_pct
	Value    float64   `json:"value"`
	At       time.Time `json:"at"`
	Old      bool      `json:"old"`
}

// Piece is the newest verdict on a piece.
type Piece struct {
	Name    string    `json:"piece"`
	Verdict string    `json:"verdict"` // clear, wait, can't say, stop; can't say where Old, unless it was stop
	Told    string    `json:"told"`    // what the shed said last, however old
	At      time.Time `json:"at"`      // when it said so
	Old     bool      `json:"old"`
	Rule    string    `json:"rule"`
	Text    string    `json:"text"`
	Windows []Window  `json:"windows"` // of the coat that runs there; none where Old
}

// Window is a stretch of time in which something may be done on a piece. Times that the shed did not give are null.
type Window struct {
	Window      string     `json:"window"` // tack, recoat
	Opens       *time.Time `json:"opens_likely"`
	ClosesEarly *time.Time `json:"closes_early"`
	Closes      *time.Time `json:"closes_likely"`
	Open        bool       `json:"open"` // now, by the likely opening and the likely close
}

// series names what one point is the newest of.
type series struct {
	measurement, shed, member, field string // member is the probe or the piece
}

// point is the newest of a series.
type point struct {
	at    time.Time
	place string
	value any // float64 or string
}

// memory is the newest point of every series.
type memory map[series]point

// keep takes a point in where it is newer than what is there.
func (m memory) keep(s series, p point) {
	if old, ok := m[s]; !ok || p.at.After(old.at) {
		m[s] = p
	}
}

// ahead is how far a shed's clock may be in front of ours before it is said.
const ahead = 2 * time.Minute

// judge makes a yard of what is remembered, as it is to be seen at now. Nothing here reads a clock.
func (m memory) judge(now time.Time, silentAfter time.Duration) Yard {
	y := Yard{At: now, Sheds: []Shed{}}
	sheds := map[string]*shedPoints{}
	for s, p := range m {
		sh := sheds[s.shed]
		if sh == nil {
			sh = &shedPoints{probes: map[string]map[string]point{}, pieces: map[string]map[string]point{}}
			sheds[s.shed] = sh
		}
		members := sh.probes
		if s.measurement == "advice" {
			members = sh.pieces
		}
		if members[s.member] == nil {
			members[s.member] = map[string]point{}
		}
		members[s.member][s.field] = p
	}
	old := func(at time.Time) bool { return now.Sub(at) > silentAfter || at.Sub(now) > ahead }
	for _, name := range slices.SortedFunc(maps.Keys(sheds), byName) {
		y.Sheds = append(y.Sheds, sheds[name].shed(name, now, old))
	}
	return y
}

// byName sorts without regard to case, and "Shed 9" before "Shed 10".
func byName(a, b string) int {
	x, y := strings.ToLower(a), strings.ToLower(b)
	for x != "" && y != "" {
		dx, dy := digits(x), digits(y)
		if dx > 0 && dy > 0 {
			nx, ny := strings.TrimLeft(x[:dx], "0"), strings.TrimLeft(y[:dy], "0")
			if len(nx) != len(ny) {
				return len(nx) - len(ny)
			}
			if c := strings.Compare(nx, ny); c != 0 {
				return c
			}
			x, y = x[dx:], y[dy:]
			continue
		}
		if x[0] != y[0] {
			return int(x[0]) - int(y[0])
		}
		x, y = x[1:], y[1:]
	}
	if len(x) != len(y) {
		return len(x) - len(y)
	}
	return strings.Compare(a, b)
}

func digits(s string) int {
	n := 0
	for n < len(s) && s[n] >= '0' && s[n] <= '9' {
		n++
	}
	return n
}

// shedPoints is the newest points of a shed: by probe or piece, then by field.
type shedPoints struct {
	probes, pieces map[string]map[string]point
}

func (s *shedPoints) shed(name string, now time.Time, old func(time.Time) bool) Shed {
	out := Shed{Name: name, Silent: true, Probes: []Probe{}, Pieces: []Piece{}}
	for _, p := range slices.SortedFunc(maps.Keys(s.probes), byName) {
		probe := probeOf(p, s.probes[p], old)
		if out.Seen == nil || probe.Seen.After(*out.Seen) {
			seen := probe.Seen
			out.Seen = &seen
		}
		out.Probes = append(out.Probes, probe)
	}
	if out.Seen != nil {
		out.Ahead = out.Seen.Sub(now) > ahead
		out.Silent = old(*out.Seen) && !out.Ahead
	}
	for _, p := range slices.SortedFunc(maps.Keys(s.pieces), byName) {
		if piece, ok := pieceOf(p, s.pieces[p], now, func(at time.Time) bool { return old(at) || out.Silent || out.Ahead }); ok {
			out.Pieces = append(out.Pieces, piece)
		}
	}
	return out
}

func probeOf(name string, fields map[string]point, old func(time.Time) bool) Probe {
	out := Probe{Name: name, Values: []Value{}}
	for _, q := range slices.Sorted(maps.Keys(fields)) {
		p := fields[q]
		v, ok := p.value.(float64)
		if !ok {
			continue // somebody else's field
		}
		if p.at.After(out.Seen) {
			out.Seen, out.Place = p.at, p.place
		}
		out.Values = append(out.Values, Value{Quantity: q, Value: v, At: p.at, Old: old(p.at)})
	}
	out.Silent = old(out.Seen)
	return out
}

// pieceOf puts the fields of the newest advice together. A field that the newest advice does not have, such as the window of a coat that has
// ended, has an older time than the verdict and is left out.
func pieceOf(name string, fields map[string]point, now time.Time, old func(time.Time) bool) (Piece, bool) {
	verdict, ok := fields["verdict"]
	told, isText := verdict.value.(string)
	if !ok || !isText || told == "" {
		return Piece{}, false
	}
	out := Piece{Name: name, Verdict: told, Told: told, At: verdict.at, Old: old(verdict.at), Windows: []Window{}}
	text := func(field string) string {
		p := fields[field]
		t, _ := p.value.(string)
		if !p.at.Equal(verdict.at) {
			return ""
		}
		return t
	}
	out.Rule, out.Text = text("rule"), text("text")
	if out.Old {
		if told != "stop" { // a stop holds until somebody takes it back
			out.Verdict = CantSay
		}
		return out, true
	}
	moment := func(field string) *time.Time {
		p := fields[field]
		v, ok := p.value.(float64)
		if !ok || !p.at.Equal(verdict.at) {
			return nil
		}
		t := time.UnixMilli(int64(v * 1000)).UTC()
		return &t
	}
	for _, w := range []string{"tack", "recoat"} {
		win := Window{Window: w, Opens: moment(w + "_opens_likely"), ClosesEarly: moment(w + "_closes_early"), Closes: moment(w + "_closes_likely")}
		if win.Opens == nil && win.Closes == nil {
			continue
		}
		win.Open = win.Opens != nil && !now.Before(*win.Opens) && (win.Closes == nil || now.Before(*win.Closes))
		if win.Closes != nil && !now.Before(*win.Closes) {
			continue // over
		}
		out.Windows = append(out.Windows, win)
	}
	return out, true
}

// Air gives the newest temperature and humidity of the air, of whichever probe there reported last: temp_c, then rh_pct; one that nobody
// measured is left out.
func (s *Shed) Air() []Value {
	var out []Value
	for _, q := range []string{"temp_c", "rh_pct"} {
		var best *Value
		for i := range s.Probes {
			for j := range s.Probes[i].Values {
				if v := &s.Probes[i].Values[j]; s.Probes[i].Place == "air" && v.Quantity == q && (best == nil || v.At.After(best.At)) {
					best = v
				}
			}
		}
		if best != nil {
			out = append(out, *best)
		}
	}
	return out
}
