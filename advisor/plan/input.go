// Package plan says when to start: it lets the rest of a piece's sequence begin at every quarter of an hour of the next days, each in every
// member of a forecast, and tells for each start how likely all its windows are met, which rule is the weakest, and at what times of the
// clock the steps would come.
//
// In each member the builder does what she would do in the shed: the next step is taken at the first moment of its window that lies in her
// hours. A member is met by a start where every rule holds for every coat of the sequence; the chance is the share of the members.
//
// The cost is linear in members and in starts: cures come from cure.Sweep, the lowest margin of a stretch from a table of minima, and
// memory is that of one member and of one number for each start, step and member. Everything is in arrays on one even grid of Step seconds.
package plan

import (
	"errors"
	"fmt"
	"math"
	"time"

	"tackline/advisor/cure"
	"tackline/advisor/units"
)

// Step is the grid of members and starts, s.
const Step = 900.0

// Wait is what a step waits for in the coat beneath.
type Wait string

// The waits.
const (
	Free   Wait = ""       // for nothing
	Wet    Wait = "wet"    // from when it goes on until it is tacky
	Tack   Wait = "tack"   // from tacky until fabric no longer sinks in
	Recoat Wait = "recoat" // from tacky until the end of green
)

// Rule is what a start can fail by.
type Rule string

// The rules, in the order in which equal ones are named.
const (
	Margin     Rule = "margin"     // surface over the dew point, less its uncertainty, until the end of green of each coat
	SurfaceRH  Rule = "surface_rh" // humidity at the surface, likewise
	Lowest     Rule = "lowest"     // surface at or above the system's lowest temperature until firm
	Outgassing Rule = "outgassing" // on bare timber: the gas in its pores does not grow until gel
	Moisture   Rule = "moisture"   // of bare timber: not above what is too wet to coat
	Window     Rule = "window"     // the window of the coat beneath has no room for the step
	Hours      Rule = "hours"      // it has, but none in working hours
	Batch      Rule = "batch"      // a batch goes off before it is used
	Horizon    Rule = "horizon"    // the forecast ends before the sequence
)

// Rules lists them.
func Rules() []Rule {
	return []Rule{Margin, SurfaceRH, Lowest, Outgassing, Moisture, Window, Hours, Batch, Horizon}
}

const (
	margin = iota
	surfaceRH
	lowest
	outgassing
	moisture
	window
	hours
	batch
	horizon
	rules
)

// Input is all that a plan may know. Sample k of every member is at Origin + k Step.
type Input struct {
	Origin  units.Instant // the first start
	Starts  int64         // how many, one each Every samples
	Every   int64         // samples from one start to the next; 0 is 1
	Members []Member
	Systems []System
	Steps   []Task            // what is left of the sequence, in order
	Beneath []cure.SweepMarks // of each member: the marks of the coat that is on, s from Origin, may be negative; nil: none is
	Zone    *time.Location    // for hours, nights and texts; nil is UTC
	Hours   WorkingHours
	Limits  Limits
	Shed    Shed    // for what-ifs; the zero Shed is AssumedShed
	AW      float64 // water activity in the pores of bare timber, 0..1
}

// Member is one way in which the days may go. All arrays are of one length; PressureHPa may be empty: no barometer.
type Member struct {
	AirC        []float64        // C
	VapourPa    []float64        // Pa
	SurfaceC    []float64        // C, of the piece
	PressureHPa []float64        // hPa
	Drums       []cure.SweepDrum // of each of the Systems: how the drum differs from its sheet
	FilmErrK    float64          // by how much the film is warmer than SurfaceC says, as far as curing goes: the error of the surface's measurement, K
}

// System is a resin system ready to be swept. One that serves for several kinds of coat may stand there for each, with drums of their own.
type System struct {
	Name                string
	Sweep               *cure.Sweep
	LowestC             float64 // C, of the surface
	HighestSurfaceRHPct float64 // %; 0: none is stated
}

// Task is one step of the sequence.
type Task struct {
	Name     string  // as people know it: "seal", "fabric", "fill"
	Coat     bool    // resin goes on, and the windows that follow are this coat's
	System   int64   // index in Systems, of a coat
	Wait     Wait    // for the coat beneath
	OnTimber bool    // it lies on bare timber
	AfterMin float64 // at least so long after the step before began, min
	WorkMin  float64 // it takes, min
	UseMin   float64 // mixing and using one batch takes, min; 0: not judged
	Pot      []Pot   // how long one batch can be worked, by the air's temperature, rising
	Own      []Own   // how the coat's own reaction warms the timber, by the surface's temperature, rising; empty: not counted
}

// Pot is the working time of one batch at an air temperature.
type Pot struct{ AirC, WorkingMin float64 }

// Own is the rise in K by a coat's own reaction, a value each Step from when it goes on, where the surface is at SurfaceC.
type Own struct {
	SurfaceC float64
	RiseK    []float64
}

// WorkingHours are minutes after local midnight, [StartMin, EndMin), on the days that are marked. EndMin not after StartMin: any time.
type WorkingHours struct {
	StartMin, EndMin int64
	Days             [7]bool // time.Sunday first
}

// Limits are those of the rules.
type Limits struct {
	MarginK   float64 // smallest margin, K
	MarginU   float64 // standard uncertainty that is taken off each margin, K
	GasGrowth float64 // volume ratio above 1 that is let pass

	MoisturePct     *float64 // of bare timber, which moves in days: as now at every start; nil: not known, and not judged
	MoistureStopPct float64  // above this it is too wet to coat, %
}

// ErrNotEnough says that there is nothing to plan or nothing to plan with. What wraps it says what, and what to do.
var ErrNotEnough = errors.New("can't plan")

// check refuses what can't be planned.
func (in *Input) check() error {
	switch {
	case len(in.Steps) == 0:
		return fmt.Errorf("%w: no step of the sequence is left", ErrNotEnough)
	case len(in.Members) == 0:
		return fmt.Errorf("%w: the forecast has no member", ErrNotEnough)
	case in.Starts < 1:
		return fmt.Errorf("plan: %d starts: want 1 or more", in.Starts)
	case in.Beneath != nil && len(in.Beneath) != len(in.Members):
		return fmt.Errorf("plan: marks of the coat beneath for %d of %d members", len(in.Beneath), len(in.Members))
	case !(in.AW >= 0 && in.AW <= 1):
		return fmt.Errorf("plan: water activity %g: want 0 to 1", in.AW)
	}
	for i := range in.Steps {
		s := &in.Steps[i]
		if s.Coat && (s.System < 0 || s.System >= int64(len(in.Systems)) || in.Systems[s.System].Sweep == nil) {
			return fmt.Errorf("%w: no resin system is known for step %d, %s", ErrNotEnough, i+1, s.Name)
		}
		if !(s.WorkMin >= 0 && s.WorkMin < 7*1440) || !(s.UseMin >= 0 && s.UseMin < 7*1440) {
			return fmt.Errorf("plan: step %d, %s, takes %g min, a batch of it %g min: want 0 up to a week", i+1, s.Name, s.WorkMin, s.UseMin)
		}
		for _, o := range s.Own {
			if len(o.RiseK) == 0 {
				return fmt.Errorf("plan: step %d, %s: its own heat at %g C has no values", i+1, s.Name, o.SurfaceC)
			}
		}
	}
	n := len(in.Members[0].AirC)
	if int64(n) < (in.Starts-1)*in.every()+2 {
		return fmt.Errorf("%w: the forecast has %d quarter hours, and the last start is %d from now", ErrNotEnough, n, (in.Starts-1)*in.every())
	}
	for i := range in.Members {
		m := &in.Members[i]
		if len(m.Drums) != len(in.Systems) {
			return fmt.Errorf("plan: member %d has %d drums for %d systems", i, len(m.Drums), len(in.Systems))
		}
		if len(m.AirC) != n || len(m.VapourPa) != n || len(m.SurfaceC) != n || len(m.PressureHPa) != n && len(m.PressureHPa) != 0 {
			return fmt.Errorf("plan: member %d has arrays of different lengths", i)
		}
		for k := range n {
			if !within(m.AirC[k], -45, 60) || !within(m.SurfaceC[k], -45, 90) || !within(m.VapourPa[k], 1e-3, 20000) ||
				len(m.PressureHPa) > 0 && !within(m.PressureHPa[k], 400, 1100) {
				return fmt.Errorf("plan: member %d, sample %d is out of range: air %g C, surface %g C, vapour %g Pa", i, k, m.AirC[k], m.SurfaceC[k], m.VapourPa[k])
			}
		}
	}
	return nil
}

func within(v, low, high float64) bool { return v >= low && v <= high && !math.IsNaN(v) }

func (in *Input) every() int64 { return max(1, in.Every) }

func (in *Input) zone() *time.Location {
	if in.Zone == nil {
		return time.UTC
	}
	return in.Zone
}
