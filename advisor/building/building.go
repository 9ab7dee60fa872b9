// Package building knows a shed as one store of heat behind one wall: C dT/dt = (T_outdoors - T)/R + heat + sun, with the time constant
// tau = R C. It is fitted to the shed's own log of indoors and outdoors by least squares over whole hours, in which that equation has the
// exact solution T' = E + (T - E) exp(-1 h/tau), E = T_outdoors + lift, where lift is how far sun, people and unmeasured heaters would hold
// the shed above outdoors if they went on (a first-order model of a room; P. Bacher, H. Madsen, 2011, "Identifying suitable models for the
// heat dynamics of buildings", Energy and Buildings 43, 1511-1522: the simplest of theirs; from memory). Lift is found for each hour of the
// day, drawn towards none where the log says little. The lesser faults of one store: the hour after a heater goes on is faster than it says,
// and the timber of a hull goes on giving back heat after it has forgotten.
package building

import (
	"errors"
	"fmt"
	"math"

	"tackline/advisor/internal/symmetric"
	"tackline/advisor/trace"
)

const (
	// step is the spacing in seconds on which the log is read.
	step = 3600.0
	// history is how far back in seconds it is read.
	history = 21 * 86400.0
	// fewest is how many hours with both sides known a fit needs: three days.
	fewest = 72
	// liftPrior is how strongly an hour's gain is drawn towards none: its standard deviation, K in the hour. Assumed.
	liftPrior = 1.0
	// robust is from how many standard deviations on a residual counts less (P. J. Huber, 1964; from memory): a door, a heater once.
	robust = 2.0
)

// ErrTooLittle says that the log is too short, or its two sides too seldom known together, for a fit.
var ErrTooLittle = errors.New("building: too little of the log has both indoors and outdoors")

// Log is what a fit reads. Temperatures in C; HeatW, in W, is the heaters' power where it is known, and may be empty.
type Log struct {
	IndoorC, OutdoorC, HeatW trace.Trace
}

// Model is a fitted shed. Times in seconds, U are standard uncertainties.
type Model struct {
	Tau, TauU     float64     // time constant, s
	Lift          [24]float64 // K above outdoors at which each hour of the day, UTC, would settle
	LossWK, LossU float64     // heat lost for each kelvin, W/K; 0: not known, because no heater's power is in the log
	Hours         int64       // of log that stood behind it
	CheckK        float64     // root mean square error of a free run over 24 h on days that were kept out of a first fit, outdoors known
	YesterdayK    float64     // the same of taking the day before
	Why           string      // "" or why nothing should be built on it
}

// Good tells whether the fit says more of the shed than its yesterday does.
func (m *Model) Good() bool { return m.Why == "" }

// Fit reads the log up to a moment (Unix seconds) and nothing after it. The error is ErrTooLittle; a fit that is there and poor says Why.
func Fit(log Log, at float64) (Model, error) {
	rows := hours(log, at)
	if int64(len(rows)) < fewest {
		return Model{}, fmt.Errorf("%w: %d hours, want %d", ErrTooLittle, len(rows), fewest)
	}
	m, err := solve(rows)
	if err != nil {
		return Model{}, err
	}
	early := len(rows) * 2 / 3
	if first, err := solve(rows[:early]); err == nil {
		m.CheckK, m.YesterdayK = check(first, rows[early:])
	}
	switch {
	case !(m.Tau > 0):
		m.Why = "indoors does not follow outdoors in this log"
	case m.TauU > 0.4*m.Tau:
		m.Why = fmt.Sprintf("the time constant is %.1f h give or take %.1f h: too unsure", m.Tau/3600, m.TauU/3600)
	case m.CheckK == 0:
		m.Why = "too few whole days to check it on"
	case m.CheckK > 0.8*m.YesterdayK:
		m.Why = fmt.Sprintf("over the days it was checked on it missed by %.1f K, and the day before by %.1f K", m.CheckK, m.YesterdayK)
	}
	return m, nil
}

// hour is one step of the log: what stood at its beginning and end.
type hour struct {
	at, from, to, out float64 // Unix seconds; indoors; mean of outdoors
	watt              float64
	heated            bool // whether watt is known
}

// hours lists the whole hours before a moment for which both sides are known, oldest first.
func hours(log Log, at float64) []hour {
	var all []hour
	end := math.Floor(at/step) * step
	for t := end - history; t+step <= end; t += step {
		a, ok1 := log.IndoorC.Value(t)
		b, ok2 := log.IndoorC.Value(t + step)
		h := hour{at: t, from: a, to: b}
		out, ok3 := mean(log.OutdoorC, t)
		if !ok1 || !ok2 || !ok3 {
			continue
		}
		h.out = out
		h.watt, h.heated = mean(log.HeatW, t)
		all = append(all, h)
	}
	return all
}

// mean gives a trace's mean over the step from a time on, by Simpson's rule on its ends and middle.
func mean(tr trace.Trace, t float64) (float64, bool) {
	a, ok1 := tr.Value(t)
	b, ok2 := tr.Value(t + step/2)
	c, ok3 := tr.Value(t + step)
	return (a + 4*b + c) / 6, ok1 && ok2 && ok3
}

// slot is the hour of the day, UTC, in which a step lies.
func slot(at float64) int64 { return int64(math.Mod(math.Floor(at/3600), 24)) }

// solve fits to - from = b (out - from) + gain of the hour + k watt by weighted least squares, b = 1 - exp(-1 h/tau), gain = b lift, k = b R.
func solve(rows []hour) (Model, error) {
	heated := false
	for _, h := range rows {
		heated = heated || h.heated && h.watt > 0
	}
	n := 25
	if heated {
		n = 26
	}
	weight := make([]float64, len(rows))
	for i := range weight {
		weight[i] = 1
	}
	sd := 0.5
	var x []float64
	var inverse [][]float64
	for range 6 {
		normal, right := symmetric.Zero(n), make([]float64, n)
		for k := 1; k <= 24; k++ {
			normal[k][k] = sd * sd / (liftPrior * liftPrior)
		}
		for i, h := range rows {
			if heated && !h.heated {
				continue
			}
			c, v := h.terms(heated)
			for p, a := range c {
				right[a] += weight[i] * v[p] * (h.to - h.from)
				for q, b := range c {
					normal[a][b] += weight[i] * v[p] * v[q]
				}
			}
		}
		var ok bool
		if inverse, ok = symmetric.Inverse(normal); !ok {
			return Model{}, fmt.Errorf("%w: indoors and outdoors do not differ enough", ErrTooLittle)
		}
		x = symmetric.Times(inverse, right)
		sd = reweigh(rows, weight, x, heated)
	}
	b := x[0]
	m := Model{Hours: int64(len(rows))}
	if !(b > 1e-3 && b < 0.999) {
		m.Why = "indoors does not follow outdoors in this log"
		return m, nil
	}
	bu := sd * math.Sqrt(inverse[0][0]) * serial(rows, x, heated)
	l := math.Log1p(-b)
	m.Tau, m.TauU = -step/l, step*bu/((1-b)*l*l)
	for k := range m.Lift {
		m.Lift[k] = x[k+1] / b
	}
	if heated {
		k := x[25]
		ku := sd * math.Sqrt(inverse[25][25]) * serial(rows, x, heated)
		if k > 0 {
			m.LossWK = b / k
			m.LossU = m.LossWK * math.Hypot(bu/b, ku/k)
		}
	}
	return m, nil
}

// terms gives the columns of an hour's row that are not 0, and their values.
func (h hour) terms(heated bool) (columns []int, values []float64) {
	columns, values = []int{0, int(1 + slot(h.at))}, []float64{h.out - h.from, 1}
	if heated {
		columns, values = append(columns, 25), append(values, h.watt)
	}
	return columns, values
}

func (h hour) residual(x []float64, heated bool) float64 {
	r := h.to - h.from
	c, v := h.terms(heated)
	for p, a := range c {
		r -= v[p] * x[a]
	}
	return r
}

// reweigh lets rows that are far off count less, and gives the spread of the rest.
func reweigh(rows []hour, weight, x []float64, heated bool) (sd float64) {
	sum, n := 0.0, 0.0
	for i, h := range rows {
		r := h.residual(x, heated)
		sum += weight[i] * r * r
		n += weight[i]
	}
	sd = math.Max(math.Sqrt(sum/math.Max(n-25, 1)), 1e-3)
	for i, h := range rows {
		weight[i] = math.Min(1, robust*sd/math.Max(math.Abs(h.residual(x, heated)), 1e-9))
	}
	return sd
}

// serial is the factor by which an uncertainty grows because neighbouring hours are wrong together: sqrt((1+r)/(1-r)), r from one hour to the next.
func serial(rows []hour, x []float64, heated bool) float64 {
	cross, square := 0.0, 0.0
	for i := 1; i < len(rows); i++ {
		a, b := rows[i-1].residual(x, heated), rows[i].residual(x, heated)
		square += b * b
		if rows[i].at-rows[i-1].at == step {
			cross += a * b
		}
	}
	if square == 0 {
		return 1
	}
	r := math.Min(math.Max(cross/square, 0), 0.9)
	return math.Sqrt((1 + r) / (1 - r))
}

// check runs a fit freely over 24 h from every sixth hour of rows that it has not seen, and compares with the day before.
func check(m Model, rows []hour) (run, yesterday float64) {
	var sum, past, n float64
	for i := 0; i+24 <= len(rows) && m.Tau > 0; i += 6 {
		if rows[i+23].at-rows[i].at != 23*step {
			continue
		}
		t := rows[i].from
		for k := i; k < i+24; k++ {
			h := rows[k]
			t = m.next(t, h.out, slot(h.at), h.watt, step)
			if j := k - 24; j >= 0 && rows[j].at == h.at-24*step {
				sum += (t - h.to) * (t - h.to)
				past += (rows[j].to - h.to) * (rows[j].to - h.to)
				n++
			}
		}
	}
	if n < 24 {
		return 0, 0
	}
	return math.Sqrt(sum / n), math.Sqrt(past / n)
}

// next is the temperature after seconds of steady conditions.
func (m *Model) next(t, out float64, slot int64, watt, seconds float64) float64 {
	settle := out + m.Lift[slot]
	if m.LossWK > 0 {
		settle += watt / m.LossWK
	}
	return settle + (t-settle)*math.Exp(-seconds/m.Tau)
}
