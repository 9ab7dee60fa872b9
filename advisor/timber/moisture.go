package timber

import (
	"fmt"
	"math"
	"slices"

	"tackline/advisor/trace"
	"tackline/advisor/units"
)

// Panel is a panel as moisture sees it. A coated face lets none through.
type Panel struct {
	Thickness   units.Metre // 0.0005..0.5 m
	Density12   float64     // kg/m3 at 12 % moisture content, 100..1100
	FrontSealed bool
	BackSealed  bool
}

// MeterReading is a moisture content that a person read off a meter: taken as the mean through the panel.
type MeterReading struct {
	At      float64       // Unix seconds
	Percent units.Percent // 0..30 % of oven-dry mass
	U       units.Percent // standard uncertainty, above 0: 1 to 2 % for a pin meter, corrected for the kind of timber (common practice, no source)
}

// Standard uncertainties of the estimate before anything is known. Ours: the spread of 1 to 2 % that the equilibrium equation has between
// kinds of timber, and a start that may be kiln-dry or rained on.
const (
	startU = 5.0 // % MC, of the moisture content at the log's beginning about that which its mean air would give
	emcU   = 1.5 // % MC, of the equilibrium at the faces; the same all along
)

// Moisture is what is known of a panel's moisture content at a moment.
type Moisture struct {
	Known bool          // false: the log is not long enough and no reading was entered; the rest is then a guess, not to be used
	Mean  units.Percent // through the panel
	Front units.Percent // in the outermost part under the front face
	Core  units.Percent // half-way through
	U     units.Percent // standard uncertainty of Mean
	From  string        // "meter" until a reading has been overtaken by as much log as it takes to know, then "log"; "" where not Known

	// LogShare is how much of the log that it takes is there, 0..1: the sum of D dt/L2 over the times with air readings, with L the way to
	// the middle, or to the other face where one is sealed. At 1 a wrong start has faded to 7 %.
	LogShare float64
	Wait     units.Second // how much longer the log must be, at today's speed; 0 where LogShare is 1
}

// MoistureAt estimates the moisture content of a panel at a moment (Unix seconds) from the log of the air around it and from readings
// entered by hand.
//
// Moisture moves by one-dimensional diffusion with TransverseDiffusion; an open face is at the EMC of the air. The state is the whole
// profile with two unknowns on top, the error of its start and a lasting error of the EMC, for which the diffusion is solved along; each
// reading corrects both by its weight (a Kalman filter; the solve is repeated about the corrected state, for D changes with M). Where the
// log has a gap, the faces are taken between its ends, the gap does not count towards the log's length, and U grows.
//
// Traces in C and % over water; what lies after the moment is not looked at. Air outside -20..60 C or 0..100 % counts as the nearer end.
// Known is false until the log is long enough or a reading was entered. A panel that cannot be, bad samples and a bad reading are errors;
// no log and no reading is not. Accuracy: D is an order of magnitude, so days, not hours.
func (p Panel) MoistureAt(at float64, airC, rh trace.Trace, readings []MeterReading) (Moisture, error) {
	if err := p.check(airC, rh, readings); err != nil {
		return Moisture{}, err
	}
	g, err := Gravity(p.Density12)
	if err != nil {
		return Moisture{}, err
	}
	used := make([]MeterReading, 0, len(readings))
	for _, r := range readings {
		if r.At <= at {
			used = append(used, r)
		}
	}
	slices.SortStableFunc(used, func(a, b MeterReading) int { return compare(a.At, b.At) })
	log := climate{airC: airC, rh: rh}
	begin, ok := log.begin()
	if (!ok || begin > at) && len(used) == 0 {
		return Moisture{}, nil
	}
	if len(used) > 0 && (!ok || used[0].At < begin) {
		begin = used[0].At
	}
	log.fill(begin, at, used)
	e := estimate{panel: p, gravity: g, log: log, begin: begin, at: at, readings: used}
	return e.run(), nil
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func (p Panel) check(airC, rh trace.Trace, readings []MeterReading) error {
	if err := checkThickness(p.Thickness); err != nil {
		return err
	}
	if err := airC.Check(); err != nil {
		return fmt.Errorf("timber: air temperature: %w", err)
	}
	if err := rh.Check(); err != nil {
		return fmt.Errorf("timber: humidity: %w", err)
	}
	for i, r := range readings {
		if err := checkMoisture(r.Percent); err != nil {
			return fmt.Errorf("meter reading %d: %w", i+1, err)
		}
		if !(r.U > 0 && r.U <= 30) || math.IsNaN(r.At) || math.IsInf(r.At, 0) {
			return fmt.Errorf("timber: meter reading %d: want a time, and an uncertainty above 0 and up to 30 %%, not %g", i+1, float64(r.U))
		}
	}
	return nil
}

// path is how far moisture has to go, m; +Inf where both faces are sealed.
func (p Panel) path() float64 {
	switch {
	case p.FrontSealed && p.BackSealed:
		return math.Inf(1)
	case p.FrontSealed || p.BackSealed:
		return float64(p.Thickness)
	}
	return float64(p.Thickness) / 2
}

// estimate is one call of MoistureAt.
type estimate struct {
	panel     Panel
	gravity   float64
	log       climate
	begin, at float64
	readings  []MeterReading
}

// passes is how often the diffusion is solved at most about the corrected state, and settled how small a correction in % needs no other.
const (
	passes  = 4
	settled = 0.1
)

func (e estimate) run() Moisture {
	prior := e.log.mean // EMC of the mean air; the first reading where there is no log
	var start, bias float64
	n := 1
	if len(e.readings) > 0 {
		n = passes
	}
	var m Moisture
	for range n {
		start = clampMoisture(prior+start) - prior
		f := newField(e.panel, e.gravity, prior+start, bias)
		// The prior of both unknowns, relative to the values about which this pass is solved.
		k := kalman{a: -start, b: -bias, paa: startU * startU, pbb: emcU * emcU}
		m = e.pass(f, &k)
		start, bias = start+k.a, bias+k.b
		if math.Abs(k.a)+math.Abs(k.b) < settled {
			break
		}
	}
	return m
}

// pass runs the field from the beginning to the end, taking in the readings on its way.
func (e estimate) pass(f *field, k *kalman) Moisture {
	var logged, sinceReading, sinceLoss float64
	path := e.panel.path()
	next := 0
	now := e.begin
	take := func() {
		for next < len(e.readings) && e.readings[next].At <= now {
			r := e.readings[next]
			extra := fade(sinceLoss)
			s := f.meanShare()
			k.update(1-s, s, float64(r.Percent)-f.mean(), float64(r.U)*float64(r.U)+extra)
			sinceLoss, sinceReading = 0, 0
			next++
		}
	}
	take()
	for now < e.at {
		end := math.Min(e.at, now+moistureStep)
		if next < len(e.readings) {
			end = math.Min(end, e.readings[next].At)
		}
		temp, face, known := e.log.over(now, end)
		d := f.step(temp, face, end-now)
		fo := d * (end - now) / (path * path)
		if known {
			logged += fo
			sinceReading += fo
		} else {
			sinceLoss += fo
		}
		now = end
		take()
	}
	return e.result(f, k, logged, sinceReading, sinceLoss)
}

// fade is the variance that a stretch without air readings adds, by its length in D t/L2: the profile forgets, and towards what is unknown.
func fade(fo float64) float64 {
	u := startU * (1 - math.Exp(-math.Pi*math.Pi/4*fo))
	return u * u
}

func (e estimate) result(f *field, k *kalman, logged, sinceReading, sinceLoss float64) Moisture {
	s := f.meanShare()
	shift := func(share float64) float64 { return (1-share)*k.a + share*k.b }
	at := func(i int) units.Percent { return clampPercent(f.m[i] + shift(f.share[i])) }
	m := Moisture{
		Mean:  clampPercent(f.mean() + shift(s)),
		Front: at(0),
		Core:  (at(cells/2-1) + at(cells/2)) / 2,
		U:     units.Percent(math.Sqrt(k.variance(1-s, s) + fade(sinceLoss))),
	}
	m.LogShare = math.Min(1, logged)
	m.Known = logged >= 1 || len(e.readings) > 0
	if logged < 1 {
		path := e.panel.path()
		if d := f.speed; d > 0 && !math.IsInf(path, 0) {
			m.Wait = units.Second((1 - logged) * path * path / d)
		}
	}
	switch {
	case !m.Known:
	case len(e.readings) > 0 && sinceReading < 1:
		m.From = "meter"
	default:
		m.From = "log"
	}
	return m
}

func clampMoisture(m float64) float64 { return math.Max(0, math.Min(float64(MaxMoisture), m)) }

func clampPercent(m float64) units.Percent { return units.Percent(clampMoisture(m)) }

// kalman holds the two unknowns, a the shift of the start and b that of the EMC, with their covariance.
type kalman struct {
	a, b          float64
	paa, pab, pbb float64
}

func (k *kalman) variance(ha, hb float64) float64 {
	return math.Max(0, ha*ha*k.paa+2*ha*hb*k.pab+hb*hb*k.pbb)
}

// update takes in a reading that differs from the unshifted field by d and has the variance r; ha and hb are the parts that a and b have
// in the mean at its time.
func (k *kalman) update(ha, hb, d, r float64) {
	ga, gb := ha*k.paa+hb*k.pab, ha*k.pab+hb*k.pbb
	s := ha*ga + hb*gb + r
	innovation := d - ha*k.a - hb*k.b
	k.a += ga / s * innovation
	k.b += gb / s * innovation
	k.paa, k.pab, k.pbb = k.paa-ga*ga/s, k.pab-ga*gb/s, k.pbb-gb*gb/s
}
