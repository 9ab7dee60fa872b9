package daemon

import (
	"math"
	"sort"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/daemon/alert"
	"tackline/sensors/shed"
)

// What a surface probe in steps of a sixteenth of a kelvin, with 0.02 K of noise, can be off when a minute of it is averaged, in K: the truth is
// taken within this band, and what the daemon says must be true of some film inside it: five hours after a coat at 13 C that is a minute of its
// marks. Air and humidity are finer.
const probeBand = 0.05

// late is the longest, in ms, that what the shed shows may go untold: a minute, which is how often the daemon looks. The simulated probes have no lag of
// their own, and are read every 20 s; that the last of a minute's readings is then up to 20 s old is not allowed for.
const late = minuteMs

// course is a coat's true cure along the true surface, in steps of ten seconds, worked out here by the rate law's own sources: Kamal and Sourour
// (1973) with the diffusion factor of Chern and Poehlein (1987), and DiBenedetto's Tg in the form of Pascault and Williams (1990). The resin is
// that of the system, exactly; nothing else is shared with the advisor.
type course struct {
	from    int64 // ms
	a       []float64
	tg      []float64
	film    []float64
	marks   [5]int64 // first passage, ms; 0: not reached
	lowest  float64
	enough  float64 // conversion below which a hard coat is not cured
	firm    float64 // Tg less film at firm, K
	reactor func(a, t float64) float64
}

const courseStep = 10_000 // ms

// trueCourse follows a coat from a time to another with the film off by some kelvin.
func (r *run) trueCourse(from, to int64, off float64) course {
	k, m := r.system.Kinetics, r.system.Marks
	require.NotNil(r.t, k)
	require.NotNil(r.t, m)
	tg := func(a float64) float64 { return k.Tg0C + (k.TgInfC-k.Tg0C)*k.Lambda*a/(1-(1-k.Lambda)*a) }
	arr := func(c float64) float64 {
		return math.Exp(k.ActivationKJMol * 1000 / 8.314462618 * (1/298.15 - 1/(c+273.15)))
	}
	rate := func(a, c float64) float64 {
		v := arr(c) * (k.K1PerS + k.K2PerS*math.Pow(math.Max(a, 0), k.M)) * math.Pow(math.Max(1-a, 0), k.N)
		if k.Diffusion {
			x := (c + k.VitrifyOffsetK - k.Tg0C) / (k.TgInfC - k.Tg0C)
			ac := x / (k.Lambda + (1-k.Lambda)*x)
			if x < 0 {
				ac = x / k.Lambda
			}
			v /= 1 + math.Exp(k.VitrifyC*(a-ac))
		}
		return v
	}
	runge := func(a, c0, c1, dt float64) float64 {
		mid := (c0 + c1) / 2
		p := rate(a, c0)
		q := rate(a+dt/2*p, mid)
		s := rate(a+dt/2*q, mid)
		return a + dt/6*(p+2*q+2*s+rate(a+dt*s, c1))
	}
	// The sheet's recoat time at 25 C, from its conversion there.
	sheet := 0.0
	for a := 0.0; a < m.RecoatCloses; sheet++ {
		a = runge(a, 25, 25, 1)
	}
	c := course{from: from, lowest: r.system.LowestC, enough: 0.9 * m.Sandable, firm: tg(m.Firm) - 25, reactor: rate}
	film := func(at int64) float64 { return r.truth(at).SurfaceC + off }
	a, reduced, temp := 0.0, 0.0, film(from)
	pass := func(i int, at int64) {
		if c.marks[i] == 0 {
			c.marks[i] = at
		}
	}
	for at := from; at <= to; at += courseStep {
		g := tg(a)
		c.a, c.tg, c.film = append(c.a, a), append(c.tg, g), append(c.film, temp)
		if a >= m.TackOpens {
			pass(0, at)
		}
		if a >= m.TackCloses {
			pass(1, at)
		}
		if g-temp >= tg(m.RecoatCloses)-25 || reduced >= sheet {
			pass(0, at)
			pass(1, at)
			pass(2, at)
		}
		if g-temp >= c.firm {
			pass(3, at)
		}
		if a >= c.enough && g-temp >= tg(m.Sandable)-25 {
			pass(4, at)
		}
		next := film(at + courseStep)
		a = runge(a, temp, next, courseStep/1000)
		reduced += courseStep / 1000 * (arr(temp) + arr(next)) / 2
		temp = next
	}
	return c
}

func (c *course) index(at int64) int64 {
	return min(max(0, (at-c.from)/courseStep), int64(len(c.a))-1)
}

// order gives the state at a time as its place: 0 wet to 5 sandable, 6 cured.
func (c *course) order(at int64) int {
	n := 0
	for i, m := range c.marks {
		if m != 0 && m <= at {
			n = i + 1
		}
	}
	i := c.index(at)
	if n == 5 && c.a[i] >= c.enough && c.reactor(c.a[i], c.film[i])*86400 < 0.01 {
		n = 6
	}
	return n
}

var stateOrder = map[advisor.State]int{advisor.StateWet: 0, advisor.StateTacky: 1, advisor.StateGreen: 2, advisor.StateSet: 3, advisor.StateFirm: 4,
	advisor.StateSandable: 5, advisor.StateCured: 6}

// figures are what a scene is summed up by.
type figures struct {
	minutes, states, blind int64
	worst                  time.Duration
	worstOf                string
	alerts                 int64
}

func (f *figures) lateBy(by int64, what string) {
	if d := time.Duration(by) * time.Millisecond; d > f.worst {
		f.worst, f.worstOf = d, what
	}
}

// hold is what the truth says of one thing over time: at each minute, whether it surely holds, surely does not, or lies within what the
// probes can tell.
type hold struct {
	on, off func(at int64) bool
	hold    int64 // ms before it is raised
	clear   int64 // ms before it is cleared
}

// follow checks a lasting alert's story against the truth: raised once for each time that it surely holds for longer than its hold, not later
// than allowed; never while it surely does not hold; cleared likewise. Tellings are raises and clears in order. It stops at until.
func (r *run) follow(f *figures, key string, told []telling, h hold, from, until int64) {
	raised := false
	next := 0
	var onSince, offSince int64 = -1, -1
	const step = courseStep
	for at := from; at < until; at += step {
		for next < len(told) && told[next].at <= at {
			m := told[next]
			next++
			switch m.Kind {
			case alert.Raise:
				if !raised {
					sure := false // that it was off all the while in which it could have been seen on
					for back := max(from, m.at-late-h.hold); back <= m.at; back += step {
						sure = sure || !h.off(back)
					}
					require.True(r.t, sure, "%s: raised %s at %s, and it never held", r.name, key, r.clock(m.at))
					if onSince >= 0 {
						f.lateBy(m.at-onSince-h.hold, key)
					}
				}
				raised = true
			case alert.Clear:
				sure := false
				for back := max(from, m.at-late-h.clear); back <= m.at; back += step {
					sure = sure || !h.on(back)
				}
				require.True(r.t, sure, "%s: cleared %s at %s, and it holds", r.name, key, r.clock(m.at))
				raised = false
			}
		}
		if h.on(at) {
			if onSince < 0 {
				onSince = at
			}
		} else {
			onSince = -1
		}
		if h.off(at) {
			if offSince < 0 {
				offSince = at
			}
		} else {
			offSince = -1
		}
		if onSince >= 0 && at-onSince > late+h.hold {
			require.True(r.t, raised, "%s: %s holds since %s and was not told by %s", r.name, key, r.clock(onSince), r.clock(at))
		}
		if offSince >= 0 && at-offSince > late+h.clear {
			require.False(r.t, raised, "%s: %s is over since %s and was not cleared by %s", r.name, key, r.clock(offSince), r.clock(at))
		}
	}
}

// event checks something that is told once: between the times at which the truth within the band has it.
func (r *run) event(f *figures, name string, early, likely, latest, until int64) {
	told := r.of(r.key(name))
	for _, b := range r.blind { // what came true meanwhile is told as soon as it can be seen
		if latest != 0 && latest+late >= b.from && early < b.to {
			early, latest, likely = min(early, b.from), max(latest, b.to), max(likely, b.to-late)
		}
	}
	if likely == 0 || latest == 0 || latest+late > until {
		require.LessOrEqual(r.t, len(told), 1, "%s: %s", r.name, name)
		return
	}
	require.Len(r.t, told, 1, "%s: %s, due at %s", r.name, name, r.clock(likely))
	at := told[0].at
	f.lateBy(at-likely, name)
	require.GreaterOrEqual(r.t, at, early-courseStep, "%s: %s told at %s, true from %s", r.name, name, r.clock(at), r.clock(early))
	require.LessOrEqual(r.t, at, latest+late, "%s: %s told at %s, true at %s", r.name, name, r.clock(at), r.clock(likely))
}

// truth gives the shed's truth on a grid of ten seconds. It is asked for up and down, and the shed itself likes to go forward only.
func (r *run) truth(at int64) shed.Truth {
	const before = 2 * 3_600_000
	if len(r.truths) == 0 {
		for ms := r.begun - before; ms <= r.board.true()+3_600_000; ms += courseStep {
			r.truths = append(r.truths, r.sim.Truth(ms))
		}
	}
	i := (at - r.begun + before) / courseStep
	return r.truths[min(max(0, i), int64(len(r.truths))-1)]
}

// sight is a stretch of true time without readings, to the moment at which the first new one can be seen.
type sight struct{ from, back, to int64 } // back: the probe, or the board, is there again

// check holds everything that was said against the truth.
func (r *run) check() figures {
	f := figures{}
	band := r.band
	if band == 0 {
		band = probeBand
	}
	defer func() {
		if r.t.Failed() {
			r.dump()
		}
	}()
	require.NotZero(r.t, r.coat, "the coat was never started")
	from := r.begun + r.coatAt.Milliseconds()
	until := r.minutes[len(r.minutes)-1].at
	cold, mid, warm := r.trueCourse(from, until, -band), r.trueCourse(from, until, 0), r.trueCourse(from, until, band)
	isBlind := func(at int64) bool {
		for _, b := range r.blind {
			if at >= b.from && at < b.to {
				return true
			}
		}
		return false
	}
	at := r.truth
	// State by state.
	for _, m := range r.minutes {
		f.minutes++
		if m.verdict == advisor.Clear {
			tr := at(m.at)
			require.GreaterOrEqual(r.t, tr.SurfaceC-tr.DewPointC(), 3.0, "%s: clear at %s", r.name, r.clock(m.at))
			require.GreaterOrEqual(r.t, tr.SurfaceC, r.system.LowestC-band, "%s: clear at %s", r.name, r.clock(m.at))
			for _, b := range r.blind {
				require.False(r.t, m.at > b.from+late && m.at < b.back, "%s: clear at %s without a reading", r.name, r.clock(m.at))
			}
		}
		if m.at < from+late || m.coat == nil {
			continue
		}
		if m.coat.CantSay != "" {
			f.blind++
		}
		if isBlind(m.at) {
			continue
		}
		low, high := math.Inf(1), math.Inf(-1)
		for back := m.at - late; back <= m.at; back += courseStep {
			s := at(back).SurfaceC
			low, high = math.Min(low, s), math.Max(high, s)
		}
		switch {
		case low-band >= r.system.LowestC:
			require.Empty(r.t, m.coat.CantSay, "%s at %s", r.name, r.clock(m.at))
		case high+band < r.system.LowestC:
			require.True(r.t, m.coat.BelowLowest, "%s at %s: the surface is at %.2f C", r.name, r.clock(m.at), high)
			require.NotEmpty(r.t, m.coat.CantSay)
			continue
		}
		if m.coat.State == "" {
			continue
		}
		f.states++
		said := stateOrder[m.coat.State]
		require.GreaterOrEqual(r.t, said, cold.order(m.at-late), "%s at %s: said %s", r.name, r.clock(m.at), m.coat.State)
		require.LessOrEqual(r.t, said, warm.order(m.at+courseStep), "%s at %s: said %s", r.name, r.clock(m.at), m.coat.State)
		require.InDelta(r.t, mid.a[mid.index(m.at)], *m.coat.Conversion, 0.003+0.05*band, "%s at %s", r.name, r.clock(m.at))
		require.True(r.t, low-band-0.1 <= *m.coat.SurfaceC.Value && *m.coat.SurfaceC.Value <= high+band+0.1, "%s at %s: surface said %.2f, is %.2f to %.2f", r.name, r.clock(m.at), *m.coat.SurfaceC.Value, low, high)
	}
	r.noDoubles()
	for _, m := range r.told {
		if m.Kind != alert.Repeat {
			f.alerts++
		}
	}
	r.checkEvents(&f, cold, mid, warm, isBlind, from, until)
	r.checkLasting(&f, mid, at, isBlind, from, until)
	r.t.Logf("%s: %d minutes assessed, %d states compared, %d without one, %d alerts, worst lateness %v (%s), in %v", r.name, f.minutes, f.states, f.blind,
		f.alerts, f.worst, f.worstOf, r.took.Round(100*time.Millisecond))
	return f
}

// checkEvents: the windows. Warnings ahead of them rest on the forecast: they must come before what they warn of.
func (r *run) checkEvents(f *figures, cold, mid, warm course, isBlind func(int64) bool, from, until int64) {
	for i, name := range []string{"tack_open", "tack_closed", "recoat_closed"} {
		if mid.marks[i] != 0 && r.coldAt(mid.marks[i]) {
			continue // no time is given, so none is told, while the surface is below the system's lowest
		}
		r.event(f, name, warm.marks[i], mid.marks[i], cold.marks[i], until)
	}
	for name, mark := range map[string]int{"tack_soon": 0, "tack_closing": 1, "recoat_closing": 2} {
		told, due := r.of(r.key(name)), mid.marks[mark]
		if due == 0 || due > until || r.coldAt(due) || r.coldAt(due-20*minuteMs) || isBlind(due) || isBlind(due-10*minuteMs) {
			require.LessOrEqual(r.t, len(told), 1)
			continue
		}
		require.Len(r.t, told, 1, "%s: %s before %s", r.name, name, r.clock(due))
		require.LessOrEqual(r.t, told[0].at, due, "%s: %s told at %s", r.name, name, r.clock(told[0].at))
		require.GreaterOrEqual(r.t, told[0].at, from)
		if name == "tack_soon" && !r.sudden { // ten minutes ahead a forecast of the shed's own air hardly errs
			require.InDelta(r.t, due-10*minuteMs, told[0].at, 3*minuteMs, "%s: %s told at %s", r.name, name, r.clock(told[0].at))
		}
	}
}

func (r *run) coldAt(at int64) bool {
	return r.truth(at).SurfaceC < r.system.LowestC+max(probeBand, r.band)
}

// checkLasting: what holds for a while.
func (r *run) checkLasting(f *figures, mid course, at func(int64) shed.Truth, isBlind func(int64) bool, from, until int64) {
	u := r.marginU()
	margin := func(ms int64) float64 {
		tr := at(ms)
		return tr.SurfaceC - tr.DewPointC()
	}
	minds := func(ms int64) bool { return ms > from && (mid.order(ms) < 3 || r.coldAt(ms)) }
	critical := filterTold(r.of(r.key("margin")), func(m telling) bool { return m.Kind == alert.Clear || m.Severity == alert.Critical })
	r.follow(f, "margin_now", critical, hold{
		on: func(ms int64) bool {
			return !isBlind(ms) && minds(ms) && mid.order(ms+minuteMs) < 3 && margin(ms)-u(ms) < 3-probeBand
		},
		off:   func(ms int64) bool { return !minds(ms) || margin(ms)-u(ms) >= 3+max(probeBand, r.band) },
		clear: 1 << 50, // the cause is over only with its forecast
	}, from, until)
	low := r.lowestAhead(&mid, margin, until)
	r.follow(f, "margin_ahead", r.of(r.key("margin")), hold{hold: 10 * minuteMs, clear: 30 * minuteMs,
		on:  func(ms int64) bool { return r.foreseen && ms > from && minds(ms) && low(ms)-u(ms) < 3-0.5 },
		off: func(ms int64) bool { return !minds(ms) || low(ms)-u(ms) >= 3+forecastSlack },
	}, from, until)
	r.checkGas(f, &mid, isBlind, from, until)
	r.follow(f, "lowest", r.of(r.key("lowest")), hold{hold: 5 * minuteMs, clear: 5 * minuteMs,
		on: func(ms int64) bool {
			return !isBlind(ms) && ms > from && at(ms).SurfaceC < r.system.LowestC-max(probeBand, r.band)
		},
		off: func(ms int64) bool { return !isBlind(ms) && at(ms).SurfaceC >= r.system.LowestC+max(probeBand, r.band) },
	}, from, until)
	r.follow(f, "stalled", r.of(r.key("stalled")), hold{hold: 10 * minuteMs, clear: 10 * minuteMs,
		on:  func(ms int64) bool { return !isBlind(ms) && ms > from && r.stall(&mid, ms, -1) && !r.coldAt(ms) },
		off: func(ms int64) bool { return !isBlind(ms) && !r.stall(&mid, ms, 1) },
	}, from, until)
}

// forecastSlack is by how much, in K, a tenth percentile of a forecast may lie under what then comes: a warning ahead is by nine of ten futures, and the
// truth is one of them.
const forecastSlack = 3.0

// lowestAhead gives the lowest true margin from a time to the true end of green, or to the scene's.
func (r *run) lowestAhead(c *course, margin func(int64) float64, until int64) func(int64) float64 {
	end := until
	if c.marks[2] != 0 {
		end = min(end, c.marks[2])
	}
	n := max(1, (end-c.from)/courseStep+1)
	low := make([]float64, n)
	for i := n - 1; i >= 0; i-- {
		low[i] = margin(c.from + i*courseStep)
		if i+1 < n {
			low[i] = math.Min(low[i], low[i+1])
		}
	}
	return func(ms int64) float64 { return low[min(max(0, (ms-c.from)/courseStep), n-1)] }
}

// stall tells whether a coat is stalled, with half a kelvin of Tg less film (side -1) or more (side 1) than the mark: what 0.005 of conversion
// and the probe can make of it.
func (r *run) stall(c *course, ms int64, side float64) bool {
	i := c.index(ms)
	return c.a[i] < c.enough+0.005*side && c.tg[i]-c.film[i] >= c.firm-0.5*side
}

// marginU gives the uncertainty that the daemon stated last before a time: it is a statement of doubt, not a truth to be known better.
func (r *run) marginU() func(int64) float64 {
	return func(ms int64) float64 {
		i := sort.Search(len(r.minutes), func(k int) bool { return r.minutes[k].at > ms+minuteMs })
		for i--; i >= 0; i-- {
			if u := r.minutes[i].piece.MarginK.U; u != nil {
				return *u
			}
		}
		return 0.7
	}
}
