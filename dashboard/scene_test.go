package dashboard

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/advisor/cure"
	"tackline/advisor/sequence"
	"tackline/advisor/units"
	"tackline/daemon/config"
	"tackline/dashboard/record"
	"tackline/sensors"
)

// Everything in this scene is invented: the shed, the skiff, the people and the numbers.
var (
	sceneZone = time.FixedZone("CET", 3600)
	sceneNow  = time.Date(2026, 1, 14, 14, 6, 0, 0, sceneZone)
)

func ptr(v float64) *float64 { return &v }

func figure(v, u float64) advisor.Figure { return advisor.Figure{Value: &v, U: &u} }

func moment(early, likely, late float64) advisor.Moment {
	at := func(min float64) units.Instant {
		return units.InstantOf(sceneNow.Add(time.Duration(min * float64(time.Minute))))
	}
	return advisor.Moment{Early: at(early), Likely: at(likely), Late: at(late)}
}

func marginTrend(shift float64) []advisor.Point {
	var out []advisor.Point
	now := units.InstantOf(sceneNow)
	wave := func(h float64) float64 {
		return shift + 1.7*math.Sin(h/24*2*math.Pi+2.3) + 0.25*math.Sin(h/5*2*math.Pi)
	}
	for h := -24.0; h <= 24; h += 0.5 {
		if h > -15 && h < -12.2 {
			continue // the probe was unplugged in the night
		}
		p := advisor.Point{At: now.Add(units.Second(h * 3600)), Value: wave(h), Forecast: h > 0}
		if h > 0 {
			w := 0.3 + 0.05*h
			p.P10, p.P90 = ptr(p.Value-w), ptr(p.Value+w)
		}
		out = append(out, p)
	}
	return out
}

func pieceAdvice() []advisor.PieceAdvice {
	ok := func(rule, text string) advisor.Reason {
		return advisor.Reason{Rule: rule, Verdict: advisor.Clear, Text: text}
	}
	marginOK := advisor.Reason{Rule: "margin", Verdict: advisor.Clear, Value: ptr(4.6), Limit: ptr(3), Unit: "K", Source: "ISO 8502-4 practice",
		Text: "Surface 4.6 K over the dew point, 3.9 K less its uncertainty, and at least 3.1 K until 23:00."}
	lowest := advisor.Reason{Rule: "lowest", Verdict: advisor.Clear, Value: ptr(13.8), Limit: ptr(10), Unit: "C", Source: "the system medium",
		Text: "Surface at 13.8 C, above the lowest of the system, and by forecast until firm."}
	rh := advisor.Reason{Rule: "surface_rh", Verdict: advisor.Clear, Value: ptr(74), Limit: ptr(85), Unit: "%", Source: "the system medium",
		Text: "Humidity at the surface 74 %."}
	gas := advisor.Reason{Rule: "outgassing", Verdict: advisor.Wait, Value: ptr(1.011), Text: "Timber still warming, 0.8 K in the last hour. The air in it would grow by 1.1 % " +
		"before the coat gels, and blow bubbles. It turns about 15:40; from then it draws resin in."}
	moisture := advisor.Reason{Rule: "moisture", Verdict: advisor.Clear, Value: ptr(11.6), Limit: ptr(12), Unit: "%", Source: "common practice, no source",
		Text: "Moisture content 11.6 % by meter on 12 January."}
	damp := advisor.Reason{Rule: "moisture", Verdict: advisor.Stop, Value: ptr(17.4), Limit: ptr(16), Unit: "%", Source: "common practice, no source",
		Text: "Moisture content 17.4 %: let it dry under cover, with moving air, until it is below 12 %."}
	missing := advisor.Reason{Rule: "trust", Verdict: advisor.CantSay, Text: "No moisture content is known for this bare timber: measure it with a meter and enter it."}
	return []advisor.PieceAdvice{
		{Piece: 1, Name: "foredeck", Bare: true, Verdict: advisor.Wait, SurfaceC: figure(13.8, 0.5), MarginK: figure(4.6, 0.7), SurfaceRHPct: figure(74, 2),
			GasRatio: ptr(1.011), GasDirection: "out", MarginTrend: marginTrend(4.4), Reasons: []advisor.Reason{gas, marginOK, lowest, rh, moisture, ok("hours",
				"Working hours last until 18:00; the window of a coat put on at 15:40 falls within them.")}},
		{Piece: 2, Name: "port topside", Verdict: advisor.Clear, SurfaceC: figure(14.1, 1.0), SurfaceModelled: true, MarginK: figure(4.9, 1.1),
			SurfaceRHPct: figure(72, 4), MarginTrend: marginTrend(5.4), Reasons: []advisor.Reason{marginOK, lowest, rh}},
		{Piece: 3, Name: "transom", Bare: true, Verdict: advisor.Stop, SurfaceC: figure(12.9, 1.0), SurfaceModelled: true, MarginK: figure(3.7, 1.1),
			SurfaceRHPct: figure(78, 4), MarginTrend: marginTrend(4), Reasons: []advisor.Reason{damp, {Rule: "margin", Verdict: advisor.Wait, Value: ptr(3.7),
				Limit: ptr(3), Unit: "K", Source: "ISO 8502-4 practice", Text: "Surface 3.7 K over the dew point: 2.6 K less its uncertainty."}, lowest}},
		{Piece: 4, Name: "hatch coaming", Bare: true, Verdict: advisor.CantSay, SurfaceC: figure(13.1, 1.0), SurfaceModelled: true, MarginK: figure(3.9, 1.1),
			SurfaceRHPct: figure(77, 4), Reasons: []advisor.Reason{missing, marginOK}},
	}
}

func coatAdvice() []advisor.CoatAdvice {
	mark := func(name string, m advisor.Moment, passed bool) advisor.MarkTime {
		return advisor.MarkTime{Mark: name, When: m, Passed: passed}
	}
	return []advisor.CoatAdvice{
		{Coat: 7, Piece: 2, PieceName: "port topside", Kind: advisor.Bedding, System: "medium", Started: units.InstantOf(sceneNow.Add(-54 * time.Minute)),
			State: advisor.StateWet, SurfaceC: figure(14.1, 1), SurfaceModelled: true,
			Windows: []advisor.Window{{Window: "tack", Opens: moment(12, 21, 32), Closes: moment(126, 151, 182), Phase: "before"},
				{Window: "recoat", Opens: moment(12, 21, 32), Closes: moment(214, 249, 296), Phase: "before"}},
			Marks: []advisor.MarkTime{mark("tack_opens", moment(12, 21, 32), false), mark("tack_closes", moment(126, 151, 182), false),
				mark("recoat_closes", moment(214, 249, 296), false), mark("firm", moment(330, 391, 470), false), mark("sandable", moment(1200, 1460, 1900), false)},
			MarginAhead: &advisor.Ahead{At: units.InstantOf(sceneNow.Add(8 * time.Hour)), MarginK: 3.4, UK: 0.8},
			Blush:       "some", BlushWhy: "The margin less its uncertainty falls to 2.6 K before the coat is firm.",
			Reasons: []advisor.Reason{{Rule: "window", Verdict: advisor.Wait, Text: "Cut the fabric now: the tack window is open for about two hours."}}},
		{Coat: 6, Piece: 5, PieceName: "keel batten", Kind: advisor.Fill, System: "slow", Started: units.InstantOf(sceneNow.Add(-5 * time.Hour)),
			State: advisor.StateGreen, SurfaceC: figure(13.2, 0.5),
			Windows: []advisor.Window{{Window: "tack", Opens: moment(-190, -180, -165), Closes: moment(-40, -20, -5), Phase: "closed"},
				{Window: "recoat", Opens: moment(-190, -180, -165), Closes: moment(47, 75, 120), Phase: "open"}},
			Marks:      []advisor.MarkTime{mark("tack_opens", moment(-190, -180, -165), true), mark("tack_closes", moment(-40, -20, -5), true), mark("recoat_closes", moment(47, 75, 120), false), mark("firm", moment(230, 290, 370), false), mark("sandable", advisor.Moment{}, false)},
			GapMinutes: 34},
	}
}

func batchAdvice() []advisor.BatchAdvice {
	return []advisor.BatchAdvice{{Batch: 12, System: "medium", MassG: 250, Vessel: "pot", Phase: advisor.BatchGood, Working: moment(6, 9, 13), Gel: moment(10, 14, 19), Runaway: true,
		Text: "Use it within 6 to 13 min. Left in the pot it runs away: smoke, charring, fire. Pour it into a tray."},
		{Batch: 11, System: "slow", Vessel: "pot", Phase: advisor.BatchHazard, Working: moment(-40, -30, -20), Text: "It is past, and hot: set it outdoors on bare ground, and keep your face away from the fume."}}
}

// shipped gives one of the invented systems that the program carries.
func shipped(name string) *cure.System {
	c := config.Default()
	all, err := c.LoadSystems()
	if err != nil {
		panic(err)
	}
	s, err := all.Find(name)
	if err != nil {
		panic(err)
	}
	return &s
}

func scene() View {
	at := func(ago time.Duration) time.Time { return sceneNow.Add(-ago) }
	last := func(q sensors.Quantity, v float64, ago time.Duration, s sensors.Status) Last {
		return Last{q, v, at(ago), s}
	}
	return View{
		At: sceneNow, Shed: "Long shed, Hollin Creek", Zone: sceneZone, ClockSet: true, Speed: 1, StaleAfter: 2 * time.Hour, MarginK: 3,
		Notice: "An invented shed and boat, simulated at 60 times real speed. Nothing here was measured.",
		Advice: advisor.Advice{At: units.InstantOf(sceneNow), Model: "1", Pieces: pieceAdvice(), Coats: coatAdvice(), Batches: batchAdvice(),
			Shed: advisor.ShedAdvice{AirC: figure(14.6, 0.3), RHPct: figure(69, 2), DewPointC: figure(9.0, 0.5), AbsHumidityGM3: figure(8.6, 0.3)},
			Notices: []advisor.Reason{{Rule: "trust", Verdict: advisor.Clear, Text: "No barometer: pressure is taken as steady, and the air in the timber is less sure."},
				{Rule: "trust", Verdict: advisor.Clear, Text: "The probe north wall is not calibrated: its uncertainty counts half as much again."}}},
		Probes: []Probe{
			{Name: "bench", Place: sensors.Air, Seen: at(20 * time.Second), Last: []Last{last(sensors.Temperature, 14.62, 20*time.Second, sensors.OK), last(sensors.Humidity, 69.3, 20*time.Second, sensors.OK)}},
			{Name: "foredeck tape", Place: sensors.Surface, Piece: "foredeck", Seen: at(20 * time.Second), Last: []Last{last(sensors.Temperature, 13.81, 20*time.Second, sensors.Flat)}},
			{Name: "north wall", Place: sensors.Air, Uncalibrated: true, Seen: at(20 * time.Second), Last: []Last{last(sensors.Temperature, 14.1, 20*time.Second, sensors.OK), last(sensors.Humidity, 99.9, 20*time.Second, sensors.Saturated)}},
			{Name: "drums", Place: sensors.Resin, Seen: at(191 * time.Minute), Problem: "Does not answer: look at the plug.", Last: []Last{last(sensors.Temperature, 16.4, 191*time.Minute, sensors.OK)}},
			{Name: "under the eaves", Place: sensors.Outdoors},
		},
		Jobs:    []Job{{1, "Lapwing"}, {2, "tender"}},
		Pieces:  []Piece{{1, 1, "foredeck", true}, {2, 1, "port topside", false}, {3, 1, "transom", true}, {4, 1, "hatch coaming", true}, {5, 2, "keel batten", false}},
		Systems: []System{{Name: "medium", Source: "invented for the examples", Full: shipped("medium")}, {Name: "slow", Source: "invented for the examples"}},
		Coats: []Coat{
			{ID: 7, Job: 1, Piece: 2, JobName: "Lapwing", PieceName: "port topside", Kind: advisor.Bedding, System: "medium", Started: at(54 * time.Minute), Who: "Ida",
				AmountG: ptr(620), ResinC: ptr(18.5), Vessel: "tray", Touches: []TouchMark{{at(20 * time.Minute), advisor.StateWet, false}}},
			{ID: 6, Job: 2, Piece: 5, JobName: "tender", PieceName: "keel batten", Kind: advisor.Fill, System: "slow", Started: at(5 * time.Hour),
				Touches: []TouchMark{{at(150 * time.Minute), advisor.StateTacky, true}, {at(10 * time.Minute), advisor.StateGreen, false}}},
			{ID: 5, Job: 1, Piece: 2, JobName: "Lapwing", PieceName: "port topside", Kind: advisor.Seal, System: "medium", Started: at(52 * time.Hour), Ended: at(20 * time.Hour)},
			{ID: 4, Job: 1, Piece: 6, JobName: "Lapwing", PieceName: "starboard topside", Kind: advisor.Seal, System: "medium", Started: at(8 * 24 * time.Hour), Ended: at(7 * 24 * time.Hour)},
		},
		Alerts: []Alert{{ID: 31, At: at(4 * time.Minute), Text: "Recoat window closing: fill on keel batten", Severity: "warning", Link: "/coats#coat-9",
			Body: "The recoat window of fill on keel batten may close from 14:53 on: put the next coat on before then, or wash and abrade first."},
			{ID: 32, At: at(40 * time.Minute), Text: "Resin too cold", Severity: "notice", Link: "/", Seen: true, Who: "Ida", Entry: 212}},
		Ways: []Way{{Name: "Ida's phone", LastOK: at(4 * time.Minute)}, {Name: "mail", LastOK: at(26 * time.Hour), LastFail: at(6 * time.Minute), LastError: "mail: connect: refused", Failing: 3, Waiting: 2}},
		Batches: []Batch{{ID: 12, Rev: 1, System: "medium", Mixed: at(8 * time.Minute), MassG: 250, Vessel: "pot"}, {ID: 11, Rev: 2, System: "slow", Mixed: at(70 * time.Minute), Vessel: "pot"},
			{ID: 13, Rev: 1, System: "medium", Mixed: at(10 * time.Second), MassG: 120, Vessel: "tray"}},
	}
}

// fake is a Source and Commands over one View.
type fake struct {
	mu     sync.Mutex
	view   View
	err    error
	refuse error
	seen   map[string]bool
	log    []string
	subs   map[chan struct{}]bool
}

func newFake(v View) *fake {
	return &fake{view: v, seen: map[string]bool{}, subs: map[chan struct{}]bool{}}
}

func (f *fake) Now(context.Context) (View, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.view, f.err
}

func (f *fake) Series(_ context.Context, req SeriesRequest) (Series, error) {
	if req.Probe != "bench" {
		return Series{}, fmt.Errorf("no probe %q: %w", req.Probe, ErrNotFound)
	}
	if req.Points == historyPoints { // a winter wave, with a day on which the board had no power
		out := Series{MaxGap: 8 * time.Hour}
		mid, swing := map[sensors.Quantity]float64{sensors.Temperature: 11, sensors.Humidity: 72}[req.Quantity], 4.0
		for i := 0; mid > 0 && i < 124; i++ {
			if i > 60 && i < 66 {
				continue
			}
			x := mid + swing*math.Sin(float64(i)/4*2*math.Pi) + float64(i%7)/3
			out.Points = append(out.Points, SeriesPoint{req.From.Add(time.Duration(i) * 6 * time.Hour), x - 1, x, x + 1.5, 2160})
		}
		return out, nil
	}
	return Series{MaxGap: 2 * time.Hour, Points: []SeriesPoint{{req.From, 13.9, 14.2, 14.6, 60}, {req.From.Add(time.Hour), 14, 14.3, 14.7, 60}}}, nil
}

func (f *fake) Record(_ context.Context, job int64, workshop string) (record.Job, error) {
	if workshop == "no such" {
		return record.Job{}, &Refusal{Field: "workshop", Sentence: "there is no shipped rule set \"no such\""}
	}
	if job != 1 {
		return record.Job{}, fmt.Errorf("no job %d: %w", job, ErrNotFound)
	}
	return record.Job{ID: 1, Name: "Lapwing", Zone: sceneZone, AsOf: sceneNow, Coats: []record.Coat{{ID: 5, PieceName: "port topside", Started: sceneNow.Add(-time.Hour)}}}, nil
}

func (f *fake) Subscribe(ctx context.Context) <-chan struct{} {
	c := make(chan struct{}, 1)
	f.mu.Lock()
	f.subs[c] = true
	f.mu.Unlock()
	context.AfterFunc(ctx, func() { f.mu.Lock(); delete(f.subs, c); f.mu.Unlock() })
	return c
}

// change alters the view and tells those who listen.
func (f *fake) change(alter func(*View)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	alter(&f.view)
	for c := range f.subs {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

func (f *fake) obey(key, what string, alter func(*View)) (Receipt, error) {
	f.mu.Lock()
	if f.refuse != nil {
		defer f.mu.Unlock()
		return Receipt{}, f.refuse
	}
	if f.seen[key] {
		defer f.mu.Unlock()
		return Receipt{ID: 1, Repeated: true}, nil
	}
	f.seen[key] = true
	f.log = append(f.log, what)
	f.mu.Unlock()
	f.change(alter)
	return Receipt{ID: 1}, nil
}

func (f *fake) done() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]string(nil), f.log...)
}

func (f *fake) StartCoat(_ context.Context, r StartCoat) (Receipt, error) {
	amount, resin := "-", "-"
	if r.AmountG != nil {
		amount = strconv.FormatFloat(*r.AmountG, 'f', -1, 64)
	}
	if r.ResinC != nil {
		resin = strconv.FormatFloat(*r.ResinC, 'f', -1, 64)
	}
	at := "now"
	if !r.At.IsZero() {
		at = r.At.Format(time.RFC3339)
	}
	what := fmt.Sprintf("start %d %s %s at %s, %s g, %s C, %q, who %q, lot %q", r.Piece, r.Kind, r.System, at, amount, resin, r.Vessel, r.Who, r.Lot)
	return f.obey(r.Key, what, func(v *View) {
		v.Coats = append([]Coat{{ID: 99, Job: 1, Piece: r.Piece, JobName: "Lapwing", PieceName: "foredeck", Kind: r.Kind, System: r.System, Started: v.At}}, v.Coats...)
	})
}

func (f *fake) Touch(_ context.Context, r Touch) (Receipt, error) {
	if r.Coat == 404 {
		return Receipt{}, fmt.Errorf("no coat 404: %w", ErrNotFound)
	}
	return f.obey(r.Key, fmt.Sprintf("touch %d %s witness %v", r.Coat, r.State, r.Witness), func(v *View) {
		v.Coats = append([]Coat(nil), v.Coats...)
		for i := range v.Coats {
			if v.Coats[i].ID == r.Coat {
				v.Coats[i].Touches = append(append([]TouchMark(nil), v.Coats[i].Touches...), TouchMark{v.At, r.State, r.Witness})
			}
		}
	})
}

func (f *fake) EndCoat(_ context.Context, r EndCoat) (Receipt, error) {
	return f.obey(r.Key, fmt.Sprintf("end %d", r.Coat), func(*View) {})
}

func (f *fake) Acknowledge(_ context.Context, r Acknowledge) (Receipt, error) {
	return f.obey(r.Key, strings.TrimSuffix(fmt.Sprintf("acknowledge %d %s", r.Alert, r.Again), " 0s"), func(v *View) { v.Alerts = nil })
}

var (
	_ Source   = (*fake)(nil)
	_ Commands = (*fake)(nil)
)

// handler makes a Handler over f whose keys are key1, key2 ...
func handler(t testing.TB, f *fake, alter func(*Options)) *Handler {
	t.Helper()
	var mu sync.Mutex
	n := 0
	o := Options{Source: f, Commands: f, Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Key: func() string {
		mu.Lock()
		defer mu.Unlock()
		n++
		return "key" + strconv.Itoa(n)
	}}
	if alter != nil {
		alter(&o)
	}
	h, err := New(o)
	require.NoError(t, err)
	t.Cleanup(h.Close)
	return h
}

// scenes are the states that a page can be in.
func scenes() map[string]*fake {
	stale := scene()
	stale.Advice.At = units.InstantOf(sceneNow.Add(-3 * time.Hour))
	for i := range stale.Probes {
		stale.Probes[i].Seen = sceneNow.Add(-3 * time.Hour)
		for k := range stale.Probes[i].Last {
			stale.Probes[i].Last[k].At = sceneNow.Add(-3 * time.Hour)
		}
	}
	noClock := scene()
	noClock.ClockSet, noClock.Notice, noClock.Alerts = false, "", nil
	noClock.Advice.Coats[0].CantSay = "The clock is not set, and a window is a time of day."
	noProbe := scene()
	noProbe.Probes, noProbe.Notice, noProbe.Alerts, noProbe.Advice.Shed, noProbe.Coats = nil, "", nil, advisor.ShedAdvice{}, nil
	noProbe.Advice.Coats = nil
	noProbe.Advice.Pieces = []advisor.PieceAdvice{{Piece: 1, Name: "foredeck", Bare: true, Verdict: advisor.CantSay,
		Reasons: []advisor.Reason{{Rule: "trust", Verdict: advisor.CantSay, Text: "No air temperature and no humidity: nothing can be said about this piece."}}}}
	empty := View{At: sceneNow, Shed: "Long shed, Hollin Creek", Zone: sceneZone, ClockSet: true, StaleAfter: 2 * time.Hour, Advice: advisor.Advice{At: units.InstantOf(sceneNow)}}
	cold := scene()
	cold.Notice, cold.Simulated, cold.Speed, cold.Problem = "", true, 60, "The card is nearly full: 31 MB are left."
	cold.Advice.Coats[0].BelowLowest, cold.Advice.Coats[0].Stalled = true, true
	for i := range cold.Advice.Coats[1].Windows {
		cold.Advice.Coats[1].Windows[i].Phase = "closed"
	}
	cold.Advice.Coats[1].Marks[4].When = moment(900, 1100, 1500)
	broken := newFake(View{})
	broken.err = errors.New("store: disk I/O error")
	return map[string]*fake{"full": newFake(scene()), "stale": newFake(stale), "no-clock": newFake(noClock), "no-probe": newFake(noProbe),
		"empty": newFake(empty), "cold": newFake(cold), "error": broken}
}

// flat makes a text comparable: the content hashes of static files change with every change of a style.
func flat(s string) string {
	for _, name := range []string{"page.css?v=", "page.js?v=", "icon.svg?v=", "icon-192.png?v=", "app.webmanifest?v="} {
		if i := strings.Index(s, name); i >= 0 {
			i += len(name)
			s = s[:i] + "HASH" + s[i+12:]
		}
	}
	return s
}

// book is an invented job book beside the scene.
type book struct{ empty bool }

func (b book) Book(context.Context) (Book, error) {
	if b.empty {
		return Book{}, nil
	}
	at := func(ago time.Duration) time.Time { return sceneNow.Add(-ago) }
	return Book{
		Jobs: []BookJob{{ID: 1, Rev: 2, Name: "Lapwing", Boat: "a skiff", Owner: "Ida", Begins: at(20 * 24 * time.Hour), Note: "Launch in May."}, {ID: 2, Rev: 1, Name: "tender"},
			{ID: 9, Rev: 3, Name: "oars", Closed: true}},
		Pieces: []BookPiece{{ID: 1, Rev: 4, Job: 1, Name: "foredeck", Timber: "okoume plywood", ThicknessMM: 6.5, AreaM2: 2.1, Faces: 1, Lie: "flat", Bare: true, BareNow: true,
			MoisturePct: ptr(11.6), MoistureAt: at(48 * time.Hour)},
			{ID: 2, Rev: 1, Job: 1, Name: "port topside", Lie: "upright", Steps: []sequence.Step{{Work: sequence.Bedding, Wait: sequence.RecoatWindow}, {Work: sequence.LayFabric, Wait: sequence.TackWindow, FabricGM2: 200}}},
			{ID: 5, Rev: 1, Job: 2, Name: "keel batten", Lie: "overhead"}},
		People: []BookPerson{{ID: 20, Rev: 1, Name: "Ida", StartMin: 510, EndMin: 1020, Days: [7]bool{false, true, true, true, true, true, false}, DaysOff: []string{"2026-01-19"}, PaceM2H: 9}},
		Stock: []BookStock{{ID: 30, Rev: 1, What: "resin", Name: "drum by the stove", System: "medium", Lot: "R-114", Unit: "g", Left: 2410, Opened: at(30 * 24 * time.Hour), Expiry: at(24 * time.Hour)},
			{ID: 31, Rev: 1, What: "fabric", Name: "twill", Unit: "m", Left: -1.5}},
		Notes:  []BookNote{{ID: 40, About: About{Piece: 1}, Text: "Edges rounded.\nSecond line.", At: at(time.Hour), Who: "Ida"}, {ID: 41, Text: "Stove swept.", At: at(30 * time.Hour)}, {ID: 42, About: About{Coat: 7}, Text: "Roller left lint by the stem.", At: at(30 * time.Minute), Who: "Ida"}, {ID: 43, About: About{Coat: 5}, Text: "Two runs sanded out.", At: at(21 * time.Hour)}},
		Photos: []BookPhoto{{ID: 50, About: About{Piece: 1}, Caption: "grain of the foredeck", At: at(2 * time.Hour), Width: 400, Height: 300}, {ID: 51, About: About{Job: 1}, At: at(time.Hour), Width: 300, Height: 400}},
	}, nil
}

func (b book) Lately(context.Context, int64) ([]Change, error) {
	if b.empty {
		return nil, nil
	}
	return []Change{{Seq: 61, At: sceneNow.Add(-time.Hour), Sure: true, Who: "Ida", Kind: "note", Fields: []FieldChange{{"text", "", "Edges rounded."}, {"piece", "", "foredeck"}}},
		{Seq: 60, At: sceneNow.Add(-2 * time.Hour), Who: "shed", Kind: "edit-piece", Undone: 62, Fields: []FieldChange{{"name", "fordeck", "foredeck"}, {"note", "x", ""}}},
		{Seq: 59, At: sceneNow.Add(-3 * time.Hour), Sure: true, Kind: "freeze-coat"}}, nil
}

func (b book) Past(ctx context.Context, class string, id int64) ([]Change, error) {
	if class != "piece" || id != 1 {
		return nil, fmt.Errorf("nothing was ever done to %s %d: %w", class, id, ErrNotFound)
	}
	return b.Lately(ctx, 3)
}
