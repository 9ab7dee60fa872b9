package cure

import (
	"fmt"
	"math"
)

// SurfaceLossWM2K is the heat that a surface of resin loses to still air by convection and radiation together, W/(m2 K). The usual
// textbook size for a warm surface in a room is 5..10; 8 is settled here.
const SurfaceLossWM2K = 8.0

// Mass is mixed resin that heats itself, taken as one temperature throughout.
type Mass struct {
	VolumePerSurfaceM float64 // volume over the surface that loses heat, m; 0 is a film that stays at RoomC
	RoomC             float64 // of the room, held, C
	StartC            float64 // of the resin when mixed, C
	LossWM2K          float64 // W/(m2 K); 0 is adiabatic
	DensityKgM3       float64
	Converted         float64 // conversion that it has when the minutes begin to count, 0..1: reached in another vessel
	ForMin            float64 // stop after so many minutes, with EndA and EndC of then; 0 goes on until all is known
}

// Exotherm is what a Mass does. Minutes count from mixing; nil is not reached within 14 days.
type Exotherm struct {
	WorkingMin *float64 // the working conversion is passed
	GelMin     *float64
	PeakC      float64  // highest temperature, C; above RateEndsC the number is fiction, the fact is not
	PeakMin    float64  // when
	HotMin     *float64 // RateEndsC is passed: a runaway
	EndA, EndC float64  // conversion and temperature where the solve stopped
}

// exothermEnds is how long a mass is watched, s.
const exothermEnds = 14 * 86400.0

// Exotherm solves the lumped heat balance
//
//	da/dt = rate(a, T),  dT/dt = (H/cp) da/dt - h (T - Troom) / (rho cp V/S)
//
// until its peak is past for good and the working conversion and gel are known, or 14 days. Shown against
// tables: gel within 1e-3, peak within 0.5 K, adiabatic times within 1e-5; temperature rise over conversion exact where no heat is lost.
// Source: the energy balance of a well-mixed body; as used by Semenov's theory of thermal explosion.
func (m Model) Exotherm(b Mass) (Exotherm, error) {
	return m.exotherm(b, m.WorkingConversion(), false)
}

// WorkingMinutes gives just the minutes until the working conversion is passed, for less than the whole Exotherm costs; ok is false where 14
// days do not reach it.
func (m Model) WorkingMinutes(b Mass) (minutes float64, ok bool, err error) {
	e, err := m.exotherm(b, m.WorkingConversion(), true)
	if err != nil || e.WorkingMin == nil {
		return 0, false, err
	}
	return *e.WorkingMin, true, nil
}

// heat is the solve of an Exotherm on its way.
type heat struct {
	law      law
	rise     float64 // H/cp, K
	loss     float64 // h/(rho cp V/S), 1/s
	room     float64
	isotherm bool

	converted, ends float64 // conversion at the start; when to stop, s
	timed           bool    // go on to ends, whatever is known
}

func (q *heat) slopes(a, t float64) (da, dt float64) {
	da, _ = q.law.eval(a, t)
	if q.isotherm {
		return da, 0
	}
	return da, q.rise*da - q.loss*(t-q.room)
}

// exotherm is Exotherm for a given working conversion; workingOnly stops there.
func (m *Model) exotherm(b Mass, working float64, workingOnly bool) (Exotherm, error) {
	if !finite(b.VolumePerSurfaceM, b.RoomC, b.StartC, b.LossWM2K, b.DensityKgM3) ||
		b.RoomC < lowestFilmC || b.RoomC > highestFilmC || b.StartC < lowestFilmC || b.StartC > highestFilmC ||
		b.VolumePerSurfaceM < 0 || b.LossWM2K < 0 || !(b.DensityKgM3 > 0) || !(b.Converted >= 0 && b.Converted <= 1) || !(b.ForMin >= 0) {
		return Exotherm{}, fmt.Errorf("cure: mass of resin %+v: want temperatures of %g to %g C, volume per surface, loss and minutes from 0 up, "+
			"density over 0, conversion of 0 to 1", b, lowestFilmC, highestFilmC)
	}
	q := heat{law: m.law, rise: m.kin.HeatJG / m.kin.CpJGK, room: b.RoomC, converted: b.Converted, ends: exothermEnds}
	if b.ForMin > 0 {
		q.ends, q.timed = min(60*b.ForMin, exothermEnds), true
	}
	t := b.StartC
	if lumped := b.DensityKgM3 * m.kin.CpJGK * 1000 * b.VolumePerSurfaceM; lumped*0 == 0 && b.LossWM2K > 0 {
		if q.loss = b.LossWM2K / lumped; !(q.loss < 20) { // thinner than a micrometre: it has the room's temperature
			q.isotherm, t = true, b.RoomC
		}
	}
	return q.solve(t, working, m.gel, workingOnly)
}

func (q *heat) solve(temp, working, gel float64, workingOnly bool) (Exotherm, error) {
	const tol, maxSteps = 1e-8, 400000
	clock, a, h := 0.0, q.converted, 1.0
	e := Exotherm{PeakC: temp, EndC: temp, EndA: a}
	ka, kt := q.slopes(a, temp)
	for i := 0; clock < q.ends && i < maxSteps; i++ {
		h = math.Min(h, q.ends-clock)
		var sa, st stages
		sa.k1, st.k1 = ka, kt
		a2, t2 := q.slopes(a+h*a21*sa.k1, temp+h*a21*st.k1)
		sa.k3, st.k3 = q.slopes(a+h*(a31*sa.k1+a32*a2), temp+h*(a31*st.k1+a32*t2))
		sa.k4, st.k4 = q.slopes(a+h*(a41*sa.k1+a42*a2+a43*sa.k3), temp+h*(a41*st.k1+a42*t2+a43*st.k3))
		sa.k5, st.k5 = q.slopes(a+h*(a51*sa.k1+a52*a2+a53*sa.k3+a54*sa.k4), temp+h*(a51*st.k1+a52*t2+a53*st.k3+a54*st.k4))
		sa.k6, st.k6 = q.slopes(a+h*(a61*sa.k1+a62*a2+a63*sa.k3+a64*sa.k4+a65*sa.k5),
			temp+h*(a61*st.k1+a62*t2+a63*st.k3+a64*st.k4+a65*st.k5))
		da, dt := h*sa.increment(), h*st.increment()
		sa.k7, st.k7 = q.slopes(a+da, temp+dt)
		err := math.Max(math.Abs(h*sa.mismatch())/(tol*(absTol+math.Abs(a))), math.Abs(h*st.mismatch())/(tol*300))
		if !(err <= 1) {
			if h < 1e-9 {
				return e, fmt.Errorf("cure: heat balance does not converge at %g s, %g C, conversion %g", clock, temp, a)
			}
			h *= math.Min(0.9, grow(math.Min(err, 1e30)))
			continue
		}
		e.watch(clock, h, sa.dense(a, da, h), st.dense(temp, dt, h), working, gel, st.k7)
		clock, a, temp, ka, kt = clock+h, a+da, temp+dt, sa.k7, st.k7
		e.EndA, e.EndC = a, temp
		if !q.timed && e.WorkingMin != nil && (workingOnly || e.GelMin != nil && q.over(a, temp, kt, e.PeakC)) {
			break
		}
		h *= grow(err)
	}
	return e, nil
}

// watch notes what lies in a step.
func (e *Exotherm) watch(clock, h float64, a, t poly, working, gel, slopeEnd float64) {
	pass := func(p *poly, level float64, to **float64) {
		if *to == nil && p.end() >= level {
			x := 0.0
			if p.r1 < level {
				x = root(func(x float64) float64 { return p.at(x) - level }, 0, 1, p.r1-level, p.end()-level, 1e-6/h)
			}
			min := (clock + x*h) / 60
			*to = &min
		}
	}
	pass(&a, working, &e.WorkingMin)
	pass(&a, gel, &e.GelMin)
	top, x := t.end(), 1.0
	if slopeEnd < 0 && t.r2+t.r3 > 0 { // rises at first (r2 + r3 is the slope there), falls at last: the top lies inside
		lo, hi := 0.0, 1.0
		for hi-lo > 1e-6 {
			u, v := lo+(hi-lo)/3, hi-(hi-lo)/3
			if t.at(u) < t.at(v) {
				lo = u
			} else {
				hi = v
			}
		}
		x = (lo + hi) / 2
		top = t.at(x)
	}
	if top > e.PeakC {
		e.PeakC, e.PeakMin = top, (clock+x*h)/60
	}
	if e.HotMin == nil && top > RateEndsC {
		y := 0.0
		if t.r1 < RateEndsC {
			y = root(func(y float64) float64 { return t.at(y) - RateEndsC }, 0, x, t.r1-RateEndsC, top-RateEndsC, 1e-6/h)
		}
		min := (clock + y*h) / 60
		e.HotMin = &min
	}
}

// over tells whether no later temperature can be higher: all that is left would not lift it there, or it falls while the rate has its top
// behind it, after which colder and more converted both only slow it.
func (q *heat) over(a, temp, slope, peak float64) bool {
	if q.isotherm || temp+q.rise*math.Max(0, q.law.limit-a) <= peak && temp >= q.room {
		return true
	}
	if q.loss == 0 { // adiabatic: the end is when nothing is left that counts
		return q.rise*(q.law.limit-a) < 1e-3
	}
	const d = 1e-5
	now, _ := q.law.eval(a, temp)
	then, _ := q.law.eval(a+d, temp)
	return slope < 0 && temp >= q.room && then < now
}

// PotVolumePerSurface gives the volume over the whole surface (bottom, wall and top) of a mass in g of a density in kg/m3 that stands in a
// round pot of a diameter in m: with depth d, V/S = r d / (2 (r + d)).
func PotVolumePerSurface(massG, densityKgM3, diameterM float64) float64 {
	r := diameterM / 2
	d := massG / 1000 / densityKgM3 / (math.Pi * r * r)
	return r * d / (2 * (r + d))
}

// potMass gives the Mass of a sheet's pot.
func (m *Model) potMass(p Pot) Mass {
	return Mass{
		VolumePerSurfaceM: PotVolumePerSurface(p.MassG, m.sys.DensityKgM3, p.DiameterMM/1000),
		RoomC:             p.AtC, StartC: p.AtC, LossWM2K: SurfaceLossWM2K, DensityKgM3: m.sys.DensityKgM3,
	}
}

// PotMinutes gives what the model makes of the sheet's pot: minutes to its working conversion. With a complete [kinetics] that is a check
// to show beside the sheet's own pot.minutes; where the speed was fitted they agree. ok is false without [pot], or where it is not reached.
func (m Model) PotMinutes() (minutes float64, ok bool) {
	p := m.sys.Pot
	if p == nil {
		return 0, false
	}
	e, err := m.exotherm(m.potMass(*p), p.WorkingConversion, true)
	if err != nil || e.WorkingMin == nil {
		return 0, false
	}
	return *e.WorkingMin, true
}

// fitPot gives the speed at which the sheet's pot lasts the sheet's minutes.
func (m *Model) fitPot(p Pot) (factor float64, err error) {
	const widest = 18.0 // natural log of a factor that no two resins differ by
	miss := func(ln float64) float64 {
		try := *m
		try.law.speed = math.Exp(ln)
		e, err := try.exotherm(m.potMass(p), p.WorkingConversion, true)
		if err != nil || e.WorkingMin == nil {
			return -widest
		}
		return math.Log(p.Minutes / *e.WorkingMin) // rises with speed
	}
	lo, hi := -1.0, 1.0
	flo, fhi := miss(lo), miss(hi)
	for flo >= 0 && lo > -widest {
		hi, fhi = lo, flo
		lo -= 2
		flo = miss(lo)
	}
	for fhi < 0 && hi < widest {
		lo, flo = hi, fhi
		hi += 2
		fhi = miss(hi)
	}
	if flo >= 0 || fhi < 0 {
		return 0, &FieldError{"pot.minutes", figure(p.Minutes), "a pot life that some speed of the reaction gives for this mass and temperature"}
	}
	return math.Exp(root(miss, lo, hi, flo, fhi, 1e-10)), nil
}
