package shed

import (
	"errors"
	"fmt"
	"math"
	"sync"
	"time"
)

// EventKind is something that happens in the shed.
type EventKind string

// The events. Times are in Unix seconds, [From, To).
const (
	HeaterOff EventKind = "heater off"  // whatever the thermostat says
	SunOnHull EventKind = "sun on hull" // through the open door or a rooflight; Size is watts per square metre on the panel
	DoorOpen  EventKind = "door open"   // Size is the air changes per hour meanwhile
	ColdSnap  EventKind = "cold snap"   // outdoors colder by Size kelvin
	Steam     EventKind = "steam"       // wet work: Size is grams of water vapour an hour
	ProbeDead EventKind = "probe dead"  // the probe named Probe does not answer; the shed itself does not notice
)

// Event is one of them.
type Event struct {
	Kind     EventKind
	From, To float64 // Unix seconds
	Size     float64 // see the kind
	Probe    string  // of ProbeDead
}

// Heater is a heater with a thermostat. It runs at SetC in the hours of work and at FrostC outside them.
type Heater struct {
	Watts          float64
	SetC, FrostC   float64
	FromHour       float64 // of the local day, 0..24
	ToHour         float64
	EveryDay       bool    // else not on Saturdays and Sundays
	VapourGramsKWh float64 // water from an unvented flame; 0 for electric heat
}

// Options describes the shed. Fill starts from Defaults.
type Options struct {
	Seed         uint64
	Start        int64   // Unix milliseconds; no time before it can be asked for
	ZoneSeconds  float64 // local time east of UTC, for working hours and the sun
	MeanOutdoors float64 // mean of the coldest month, C
	Heater       Heater
	LeakACH      float64 // air changes per hour with the door shut
	LossWK       float64 // heat loss through walls and roof, W/K
	VolumeM3     float64
	PanelMM      float64 // thickness of the panel of plywood
	TimberMM     float64 // thickness of the heavy timber
	Events       []Event
}

// Defaults gives an electrically heated shed of 150 m3 for a seed and a start in Unix milliseconds.
func Defaults(seed uint64, start int64) Options {
	return Options{Seed: seed, Start: start, MeanOutdoors: 3.2, LeakACH: 0.7, LossWK: 170, VolumeM3: 150, PanelMM: 9, TimberMM: 45,
		Heater: Heater{Watts: 6000, SetC: 17, FrostC: 6, FromHour: 7, ToHour: 19}}
}

// Truth is the state of the shed at one time, without the errors of probes.
type Truth struct {
	AirC, RHPct, VapourPa, PressureHPa float64
	SurfaceC                           float64 // of the panel
	CoreC                              float64 // of the panel's middle
	TimberC                            float64 // inside the heavy timber
	ResinC                             float64 // in the drums
	OutdoorsC, OutdoorsRHPct           float64
	FabricC                            float64 // walls and floor
	HeaterOn                           bool
}

// DewPointC gives the dew point of the air over water, by Sonntag's formula inverted.
func (t Truth) DewPointC() float64 { return dewPoint(t.VapourPa) }

// step is the step of the model in seconds; spin is how long the model runs before Start to forget its beginning.
const (
	step  = 60.0
	spin  = 8 * day
	daily = int64(day / step)
)

// state is what the model carries from step to step.
type state struct {
	n                                       int64 // steps since the beginning
	air, fabric, surface, core, deep, resin float64
	vapour, damp                            float64 // Pa; share of saturation that walls and timber hold
	heating                                 bool
	out                                     outdoors
}

// Shed is a running shed. It is safe for use by several goroutines.
type Shed struct {
	o     Options
	begin float64 // Unix seconds of step 0

	mu      sync.Mutex
	weather *weather
	now     state   // the newest state computed
	prev    state   // the one before it: what lies between is asked for most
	marks   []state // one a day, so that an earlier time is found quickly
}

// New checks the options and gives the shed.
func New(o Options) (*Shed, error) {
	var wrong []error
	need := func(ok bool, format string, args ...any) {
		if !ok {
			wrong = append(wrong, fmt.Errorf("shed: "+format, args...))
		}
	}
	need(o.VolumeM3 > 0, "volume of %v m3 is not above 0", o.VolumeM3)
	need(o.LossWK > 0, "heat loss of %v W/K is not above 0", o.LossWK)
	need(o.LeakACH >= 0 && o.LeakACH <= 30, "leakage of %v changes per hour is not within 0..30", o.LeakACH)
	need(o.PanelMM >= 3 && o.PanelMM <= 40, "panel of %v mm is not within 3..40", o.PanelMM)
	need(o.TimberMM >= 15 && o.TimberMM <= 200, "timber of %v mm is not within 15..200", o.TimberMM)
	need(o.MeanOutdoors >= -30 && o.MeanOutdoors <= 30, "mean outdoors of %v C is not within -30..30", o.MeanOutdoors)
	need(o.Heater.Watts >= 0, "heater of %v W is below 0", o.Heater.Watts)
	for i, e := range o.Events {
		need(e.To > e.From, "event %d (%s) ends before it begins", i+1, e.Kind)
		switch e.Kind {
		case HeaterOff, SunOnHull, DoorOpen, ColdSnap, Steam, ProbeDead:
		default:
			need(false, "event %d: unknown kind %q", i+1, e.Kind)
		}
	}
	if len(wrong) > 0 {
		return nil, errors.Join(wrong...)
	}
	s := &Shed{o: o, weather: newWeather(o)}
	s.begin = math.Floor((float64(o.Start)/1000-spin)/step) * step
	out := s.weather.at(s.begin)
	t := out.tempC + 3
	s.now = state{air: t, fabric: t, surface: t, core: t, deep: t, resin: t, vapour: out.vapourPa, damp: 0.75, out: out}
	s.prev, s.marks = s.now, []state{s.now}
	return s, nil
}

// Truth gives the state at a time in Unix milliseconds. A time before Start gives that of Start.
func (s *Shed) Truth(at int64) Truth {
	s.mu.Lock()
	defer s.mu.Unlock()
	t := float64(max(at, s.o.Start)) / 1000
	n := int64(math.Floor((t - s.begin) / step))
	a := s.at(n)
	b := s.at(n + 1)
	w := (t-s.begin)/step - float64(n)
	mix := func(x, y float64) float64 { return x + w*(y-x) }
	tr := Truth{AirC: mix(a.air, b.air), VapourPa: mix(a.vapour, b.vapour), PressureHPa: mix(a.out.pressureHPa, b.out.pressureHPa),
		SurfaceC: mix(a.surface, b.surface), CoreC: mix(a.core, b.core), TimberC: mix(a.deep, b.deep), ResinC: mix(a.resin, b.resin), FabricC: mix(a.fabric, b.fabric),
		OutdoorsC: mix(a.out.tempC, b.out.tempC), OutdoorsRHPct: mix(a.out.rhPct, b.out.rhPct), HeaterOn: a.heating}
	tr.RHPct = math.Min(100, 100*tr.VapourPa/saturation(tr.AirC))
	return tr
}

// at gives the state after n steps.
func (s *Shed) at(n int64) state {
	if n == s.prev.n {
		return s.prev
	}
	if n < s.now.n {
		s.now = s.marks[n/daily]
	}
	for s.now.n < n {
		s.prev = s.now
		s.advance()
		if s.now.n%daily == 0 && s.now.n/daily == int64(len(s.marks)) {
			s.marks = append(s.marks, s.now)
		}
	}
	return s.now
}

// event gives the sum of the sizes of the events of a kind that are on, and whether any is.
func (s *Shed) event(kind EventKind, t float64) (size float64, on bool) {
	for _, e := range s.o.Events {
		if e.Kind == kind && t >= e.From && t < e.To {
			size, on = size+e.Size, true
		}
	}
	return size, on
}

// Properties of air and timber, rounded: air 1.2 kg/m3 and 1005 J/(kg K); plywood 520 kg/m3 and 1500 J/(kg K) at winter moisture (Wood
// Handbook, FPL-GTR-282, chapter 4, rounded); 7.7 W/(m2 K) between a surface indoors and the room (ISO 6946: 0.13 m2K/W).
const (
	airHeat    = 1.2 * 1005
	timberHeat = 520 * 1500
	film       = 7.7
	conduct    = 0.12 // W/(m K), across the grain
)

// toward moves a value toward a target with a time constant in seconds, exactly for one step of constant target.
func toward(v, target, tau float64) float64 { return target + (v-target)*math.Exp(-step/tau) }

// advance makes one step.
func (s *Shed) advance() {
	c := &s.now
	t := s.begin + float64(c.n)*step
	o := s.o
	c.out = s.weather.at(t)
	ach := o.LeakACH
	if extra, open := s.event(DoorOpen, t); open {
		ach += extra
	}
	s.thermostat(t)
	power := 0.0
	if c.heating {
		power = o.Heater.Watts
	}
	sun := 900 * c.out.sun * c.out.clear * o.VolumeM3 / 150

	// Air: quick, so its balance is solved exactly over the step with the rest held.
	vent := ach / hour * o.VolumeM3 * airHeat
	toFabric := 5 * o.VolumeM3 // W/K, about two thirds of the inner surface times the film
	toOut := 0.25*o.LossWK + vent
	capAir := 2.5 * o.VolumeM3 * airHeat // with the light things that stand about
	sumUA := toFabric + toOut
	balance := (toFabric*c.fabric + toOut*c.out.tempC + 0.75*power + 0.3*sun) / sumUA
	was := c.air
	c.air = toward(c.air, balance, capAir/sumUA)
	air := (was + c.air) / 2

	// Walls and floor: slow.
	capFabric := 60e3 * o.VolumeM3
	flow := toFabric*(air-c.fabric) + 0.75*o.LossWK*(c.out.tempC-c.fabric) + 0.25*power + 0.7*sun + 0.12*o.LossWK*(8-c.fabric)
	c.fabric += flow * step / capFabric

	s.timber(t, air)
	s.moisture(t, ach, power)
	c.n++
}

// thermostat switches the heater with half a kelvin of play.
func (s *Shed) thermostat(t float64) {
	h, c := s.o.Heater, &s.now
	local := t + s.o.ZoneSeconds
	clock := math.Mod(local, day) / hour
	weekday := (int64(math.Floor(local/day)) + 4) % 7 // 1 January 1970 was a Thursday
	set := h.FrostC
	if clock >= h.FromHour && clock < h.ToHour && (h.EveryDay || weekday >= 1 && weekday <= 5) {
		set = h.SetC
	}
	if c.air < set-0.5 {
		c.heating = true
	}
	if c.air > set+0.5 {
		c.heating = false
	}
	if _, off := s.event(HeaterOff, t); off || h.Watts == 0 {
		c.heating = false
	}
}

// timber carries panel, heavy timber and drums one step on: each a lump behind a surface film. The walls see the surfaces too, so what
// they follow is two parts of air to one of walls.
func (s *Shed) timber(t, air float64) {
	c := &s.now
	room := (2*air + c.fabric) / 3
	light, _ := s.event(SunOnHull, t)
	// One face of the panel: a skin to a quarter of its thickness under the film, and the rest to the middle plane, which passes no heat.
	thick := s.o.PanelMM / 1000
	capacity := timberHeat * thick / 4 // of either part
	inner := conduct / (thick / 4)
	parts := math.Ceil(2 * step * (inner + film) / capacity) // shorter steps, as the skin is quick
	for range int64(parts) {
		toSkin := inner * (c.core - c.surface)
		c.surface += (film*(room-c.surface) + 0.7*light + toSkin) * step / parts / capacity
		c.core -= toSkin * step / parts / capacity
	}
	half := s.o.TimberMM / 2000
	c.deep = toward(c.deep, room, timberHeat*half*(1/film+half/(2*conduct)))
	c.resin = toward(c.resin, room, 9*hour)
}

// moisture carries the vapour one step on: exchange with outdoors, with what walls and timber hold, and what is let in.
func (s *Shed) moisture(t, ach, power float64) {
	c := &s.now
	vent := ach / hour
	const hold = 1.2 / hour // exchange with the damp in walls and timber, as air changes
	grams := 8.0            // an hour, from the floor
	if extra, on := s.event(Steam, t); on {
		grams += extra
	}
	grams += power / 1000 * s.o.Heater.VapourGramsKWh
	// Ideal gas of water: 461.5 J/(kg K).
	source := grams / 1000 / hour * 461.5 * (c.air + 273.15) / s.o.VolumeM3
	held := c.damp * saturation(c.fabric)
	rate := vent + hold
	c.vapour = toward(c.vapour, (vent*c.out.vapourPa+hold*held+source)/rate, 1/rate)
	c.vapour = math.Min(c.vapour, math.Min(saturation(c.air), saturation(c.fabric)))
	c.damp += (c.vapour/saturation(c.fabric) - c.damp) * step / (60 * hour)
	c.damp = math.Min(1, math.Max(0.05, c.damp))
}

// Start gives the first time that can be asked for.
func (s *Shed) Start() time.Time { return time.UnixMilli(s.o.Start).UTC() }
