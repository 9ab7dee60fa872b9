package advisor

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor/cure"
	"tackline/advisor/plan"
	"tackline/advisor/trace"
	"tackline/advisor/units"
	"tackline/sensors/shed"
)

// backShed is a winter with its truth: what the log has is what came.
type backShed struct {
	name    string
	climate Climate
	surface trace.Trace // the truth of the piece, C; empty: by the heat model along the true air, and no probe is on it
	system  cure.System
	first   time.Time // first day on which there is something to coat
	days    int64
}

// backHours are when the builder works.
func backHours() Hours {
	return Hours{StartMin: 8 * 60, EndMin: 18 * 60, Days: [7]bool{false, true, true, true, true, true, true}}
}

// tallyOf counts what became of a way to decide.
type tallyOf struct {
	days, started, kept, missed, margin, cold, batch, nights int64
}

func (y *tallyOf) add(x tallyOf) {
	y.days, y.started, y.kept, y.missed = y.days+x.days, y.started+x.started, y.kept+x.kept, y.missed+x.missed
	y.margin, y.cold, y.batch, y.nights = y.margin+x.margin, y.cold+x.cold, y.batch+x.batch, y.nights+x.nights
}

// lost is how many days went by without a piece sheathed: one for each day of waiting, two where it went wrong, for a day of washing and
// sanding follows (ours; a hull that peels would be more).
func (y *tallyOf) lost() int64 { return y.days - y.started + 2*(y.started-y.kept) }

// situationAt is what is known at a moment.
func (b *backShed) situationAt(at time.Time) Situation {
	s := situation(1, 10, 1, 60)
	s.At, s.Hours, s.Climate = units.InstantOf(at), backHours(), b.climate
	s.Limits.StaleAfter = 7200
	system := b.system
	s.Pieces = []Piece{{ID: 2, Name: "port topside", Lie: LieUpright, ThicknessM: 0.009, DensityKgM3: 500, AreaM2: 4.4, NextSystem: &system,
		SurfaceC: Channel{Problem: "no probe is taped to this piece"}}}
	if b.surface.Len() > 0 {
		s.Pieces[0].SurfaceC = Channel{Trace: b.surface, U: 0.3}
	}
	return s
}

// truth gives the plan's own input with what came in place of the forecast, from a start on; ok is false where the log has holes there.
func (b *backShed) truth(d *drafted, from time.Time) (plan.Input, bool) {
	in := d.input
	in.Origin, in.Starts, in.Every = units.InstantOf(from), 1, 1
	in.Limits.MarginU = 0
	n := int64(48*3600/plan.Step) + 1
	get := func(tr trace.Trace) []float64 { return sampled(tr, in.Origin, n) }
	m := plan.Member{AirC: get(b.climate.AirC.Trace), VapourPa: get(vapourTrace(b.climate.AirC.Trace, b.climate.RHPct.Trace)), SurfaceC: get(b.surface)}
	if b.surface.Len() == 0 && m.AirC != nil {
		k := d.skin
		front, _, _, _, err := follow(k.panel, b.climate.AirC.Trace.Slice(float64(in.Origin)-86400, float64(in.Origin)+48*3600), 0)
		if err != nil {
			return in, false
		}
		m.SurfaceC = get(front)
	}
	for range in.Systems {
		m.Drums = append(m.Drums, cure.SweepDrum{Speed: 1})
	}
	in.Members = []plan.Member{m}
	return in, m.AirC != nil && m.VapourPa != nil && m.SurfaceC != nil
}

// judge lets the sequence begin at a time and go as the weather went. She takes each step in her hours where its window lets her, else at night.
func (b *backShed) judge(t testing.TB, in plan.Input) tallyOf {
	t.Helper()
	r, err := plan.Make(in)
	require.NoError(t, err)
	y := tallyOf{started: 1}
	if broke(r, plan.Hours) {
		in.Hours = plan.WorkingHours{}
		r, err = plan.Make(in)
		require.NoError(t, err)
		y.nights = max(1, r.Starts[0].Nights)
	}
	if broke(r, plan.Window) || broke(r, plan.Horizon) {
		y.missed = 1
	}
	if broke(r, plan.Margin) || broke(r, plan.SurfaceRH) {
		y.margin = 1
	}
	if broke(r, plan.Lowest) {
		y.cold = 1
	}
	if broke(r, plan.Batch) {
		y.batch = 1
	}
	if r.Starts[0].Chance == 1 && y.nights == 0 {
		y.kept = 1
	}
	return y
}

func broke(r plan.Result, rule plan.Rule) bool {
	for _, x := range r.Starts[0].Rules {
		if x.Rule == rule {
			return true
		}
	}
	return false
}

// ways are the ways to decide, in the order of the table.
var ways = []string{"the plan", "start at nine", "start at a margin of 3 K", "hindsight"}

// run goes through a winter day by day. Each day a sealed piece waits that is to be sheathed (bedding, fabric, wet-out and three fills, each in the
// window of the one before), and each day is decided by itself, at seven in the morning.
func (b *backShed) run(t testing.TB, every int64) []tallyOf {
	t.Helper()
	all := make([]tallyOf, len(ways))
	for n := range b.days {
		day := b.first.AddDate(0, 0, int(n*every))
		if !backHours().Days[day.Weekday()] {
			continue
		}
		at := func(min int64) time.Time { return day.Add(time.Duration(min) * time.Minute) }
		s := b.situationAt(at(7 * 60))
		req := PlanRequest{Piece: 2, Steps: hull()[1:], Every: 2}
		d, err := draft(s, req, "")
		if err != nil { // a hole in the log of open data: nobody can say anything
			continue
		}
		judge := func(min int64) (tallyOf, bool) {
			in, ok := b.truth(d, at(min))
			if !ok {
				return tallyOf{}, false
			}
			return b.judge(t, in), true
		}
		var starts [4]int64 // minutes after midnight; 0: none today
		starts[1] = 9 * 60
		in, ok := b.truth(d, at(8*60))
		if !ok {
			continue
		}
		best := tallyOf{}
		for k := int64(0); k < 40; k++ {
			min := 8*60 + 15*k
			m := in.Members[0]
			if starts[2] == 0 && m.SurfaceC[k]-dewOf(t, m.AirC[k], m.VapourPa[k]) >= 3 {
				starts[2] = min
			}
			if y, ok := judge(min); ok && best.kept == 0 && k%2 == 0 {
				if y.kept == 1 {
					starts[3], best = min, y
				}
			}
		}
		p, err := PlanFor(s, req)
		require.NoError(t, err)
		for _, x := range p.Starts { // best first
			when := x.At.Time()
			if m := int64(when.Sub(day).Minutes()); x.Chance >= plan.MoreLikely && m >= 8*60 && m < 18*60 {
				starts[0] = m
				break
			}
		}
		for w := range ways {
			all[w].days++
			if starts[w] == 0 {
				continue
			}
			if y, ok := judge(starts[w]); ok {
				all[w].add(y)
			}
		}
	}
	return all
}

func dewOf(t testing.TB, airC, vapour float64) float64 {
	t.Helper()
	x := math.Log(vapour / 611.2) // Magnus, WMO No. 8
	return 243.12 * x / (17.62 - x)
}

// backSheds are the winters.
func backSheds(t testing.TB, days int64) []backShed {
	t.Helper()
	var out []backShed
	for i, x := range []struct {
		name string
		set  func(*shed.Options)
	}{
		{"simulated: heated on working days", func(*shed.Options) {}},
		{"simulated: a weak heater, off at night", func(o *shed.Options) { o.Heater.Watts, o.Heater.FrostC, o.Heater.EveryDay = 4000, -40, true }},
		{"simulated: unheated, a mild coast", func(o *shed.Options) { o.Heater.Watts, o.MeanOutdoors = 0, 11 }},
	} {
		begin := time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)
		o := shed.Defaults(uint64(i)+11, begin.UnixMilli())
		x.set(&o)
		for d := 3.0; d < float64(days)+20; d += 4.5 + 2*math.Sin(d) {
			from := float64(begin.Unix()) + d*86400
			o.Events = append(o.Events, shed.Event{Kind: shed.ColdSnap, From: from, To: from + 86400, Size: 4 + 3*math.Sin(7*d)})
		}
		sim, err := shed.New(o)
		require.NoError(t, err)
		channel := func() Channel { return Channel{U: 0.3, Trace: trace.Trace{MaxGap: 3600}} }
		b := backShed{name: x.name, climate: Climate{AirC: channel(), RHPct: channel(), PressureHPa: channel()}, system: medium(), first: begin.AddDate(0, 0, 15), days: days}
		b.climate.RHPct.U = 2
		b.surface.MaxGap = 3600
		for at := begin; at.Before(b.first.AddDate(0, 0, int(days)+4)); at = at.Add(10 * time.Minute) {
			v := sim.Truth(at.UnixMilli())
			for _, c := range []struct {
				to *trace.Trace
				v  float64
			}{{&b.climate.AirC.Trace, v.AirC}, {&b.climate.RHPct.Trace, v.RHPct}, {&b.climate.PressureHPa.Trace, v.PressureHPa}, {&b.surface, v.SurfaceC}} {
				c.to.At, c.to.V = append(c.to.At, float64(at.Unix())), append(c.to.V, c.v)
			}
		}
		out = append(out, b)
	}
	return append(out, openSheds(t, days)...)
}

// openSheds are two rooms of the open data: L. Candanedo, V. Feldheim, D. Deramaix, Energy and Buildings 140 (2017) 81-97; UCI Machine Learning
// Repository, Appliances Energy Prediction, CC BY 4.0. No surface was measured: it follows from the true air by the heat model.
func openSheds(t testing.TB, days int64) []backShed {
	t.Helper()
	var f *os.File
	for _, dir := range []string{os.Getenv("TACKLINE_SHARED"), filepath.Join("..", "..", "shared")} {
		if dir != "" && f == nil {
			f, _ = os.Open(filepath.Join(dir, "data", "house-winter.csv"))
		}
	}
	if f == nil {
		require.NotEqual(t, "1", os.Getenv("TACKLINE_REQUIRE"), "the open data are not here: set TACKLINE_SHARED")
		t.Log("no open data: simulated winters alone")
		return nil
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	column := map[string]int{}
	for i, name := range rows[0] {
		column[name] = i
	}
	fast := medium() // for the cold: one that cures from 2 C on
	fast.Name, fast.LowestC = "cold (invented)", 2
	k := *fast.Kinetics
	k.K1PerS, k.K2PerS = 3*k.K1PerS, 3*k.K2PerS
	fast.Kinetics = &k
	var out []backShed
	for _, x := range []struct {
		name, of string
		system   cure.System
	}{{"open data: a heated room", "room8", medium()}, {"open data: under a north wall", "north_outside", fast}} {
		b := backShed{name: x.name, system: x.system, days: days}
		channel := func(name string, scale, u float64) Channel {
			c := Channel{U: u, Trace: trace.Trace{MaxGap: 4 * 3600}}
			for _, r := range rows[1:] {
				at, err := time.Parse("2006-01-02T15:04:05-07:00", r[column["time"]]+"+01:00")
				require.NoError(t, err)
				v, err := strconv.ParseFloat(r[column[name]], 64)
				require.NoError(t, err)
				c.Trace.At, c.Trace.V = append(c.Trace.At, float64(at.Unix())), append(c.Trace.V, v*scale)
			}
			return c
		}
		b.climate = Climate{AirC: channel(x.of+"_c", 1, 0.3), RHPct: channel(x.of+"_rh_pct", 1, 2), PressureHPa: channel("station_pressure_mmhg", 1.333224, 1)}
		b.first = time.Date(2016, 1, 27, 0, 0, 0, 0, time.UTC)
		out = append(out, b)
	}
	return out
}

// TestBackTest acts on the plan's advice each working day of simulated winters and of the open data, and counts what came of it beside two rules of
// thumb: start at nine; start as soon as the margin is 3 K. It must keep more of what it starts, and
// lose fewer days, than either. Truth is the simulator's surface, air and
// vapour, or what was measured; the resin is as its sheet says. TACKLINE_BENCH=1 (deploy/bench -backtest) goes through sixty days
// of each and prints the table of the README.
func TestBackTest(t *testing.T) {
	days, every, full := int64(5), int64(9), os.Getenv("TACKLINE_BENCH") == "1"
	if full {
		days, every = 60, 1
	}
	row := func(name string, y tallyOf) {
		fmt.Printf("| %s | %d | %d | %d | %d | %d | %d | %d | %d | %d |\n", name, y.days, y.started, y.kept, y.missed, y.margin, y.cold, y.batch, y.nights, y.lost())
	}
	head := func(name string) {
		fmt.Printf("\n%s\n\n| decided by | days | started | all kept | window missed | margin broken | too cold | batch gone off | nights worked | days lost |\n|---|---|---|---|---|---|---|---|---|---|\n", name)
	}
	sum := make([]tallyOf, len(ways))
	for _, b := range backSheds(t, days*every) {
		b.days = days
		if full {
			head(b.name)
		}
		for w, y := range b.run(t, every) {
			sum[w].add(y)
			t.Logf("%s, %s: %+v", b.name, ways[w], y)
			if full {
				row(ways[w], y)
			}
		}
	}
	if full {
		head("All winters")
		for w, y := range sum {
			row(ways[w], y)
		}
	}
	share := func(y tallyOf) float64 { return float64(y.kept) / math.Max(1, float64(y.started)) }
	require.Positive(t, sum[0].started)
	for w, thumb := range sum[1:3] {
		require.Less(t, sum[0].lost(), thumb.lost(), ways[w+1])
		require.Greater(t, share(sum[0]), share(thumb), ways[w+1])
		require.LessOrEqual(t, sum[0].margin, thumb.margin)
	}
}
