package advisor

import (
	"fmt"
	"strings"

	"tackline/advisor/building"
	"tackline/advisor/plan"
	"tackline/advisor/trace"
)

const (
	// outdoorU and outdoorVapourU are the standard uncertainties of an outdoor forecast a day ahead, K and Pa (1.5 K of dew point near 5 C):
	// common practice, no source.
	outdoorU       = 1.5
	outdoorVapourU = 90.0
	// outdoorNow is how old a reading of outdoors may be, s, and still be what an outdoor forecast is held against now.
	outdoorNow = 3600.0
)

// lessons is what the shed's own log says of the building.
type lessons struct {
	model building.Model
	fit   bool     // the model is good
	notes []string // what a reader must know of the outdoor forecast
}

// learnShed fits the building to indoors and outdoors, and draws the forecast of the shed's air and vapour towards the outdoor forecast, where there
// is one and the fit is good. What keeps it from that is noted.
func learnShed(s *Situation, w *weather, req *PlanRequest) lessons {
	var l lessons
	wanted := req.OutdoorC.Len() > 0
	not := func(why string) lessons {
		if wanted {
			l.notes = append(l.notes, "The outdoor forecast is not used: "+strings.TrimPrefix(why, "building: ")+".")
		}
		return l
	}
	outdoors := s.Climate.OutdoorC.Trace.Slice(0, w.at)
	if req.NoOutdoor != "" {
		wanted = true
		not(req.NoOutdoor)
		wanted = false
	}
	if outdoors.Len() == 0 {
		return not("no probe is outdoors, so how the shed follows the weather is not known")
	}
	m, err := building.Fit(building.Log{IndoorC: w.airC, OutdoorC: outdoors}, w.at)
	if err != nil {
		return not(err.Error())
	}
	if !m.Good() {
		return not(m.Why)
	}
	l.model, l.fit = m, true
	if !wanted {
		return l
	}
	if why := m.Couple(&w.future, met(req.OutdoorC, outdoors, w.at), outdoorU); why != "" {
		return not(why)
	}
	if req.OutdoorPa.Len() == 0 {
		return l
	}
	vapour := vapourTrace(outdoors, s.Climate.OutdoorRH.Trace.Slice(0, w.at))
	v, err := building.Ventilation(w.vapour, vapour, w.at)
	why := ""
	if err != nil {
		why = err.Error()
	} else {
		why = v.Couple(&w.future, met(req.OutdoorPa, vapour, w.at), outdoorVapourU)
	}
	if why != "" {
		l.notes = append(l.notes, "The outdoor forecast's humidity is not used: "+strings.TrimPrefix(why, "building: ")+".")
	}
	return l
}

// met gives an outdoor forecast that starts at what is measured, where that is fresh.
func met(forecast, measured trace.Trace, at float64) trace.Trace {
	if when, now, ok := measured.Last(); ok && at-when <= outdoorNow {
		return building.Meet(forecast, at, now)
	}
	return forecast
}

// into puts what is known of the building into what a what-if knows of the shed: its loss from its sizes, the memory of its air from the fit. What
// is not known stays assumed.
func (l *lessons) into(shed *plan.Shed, sizes *building.Sizes) error {
	if sizes != nil {
		m, err := l.model.WithSizes(*sizes)
		if err != nil {
			return err
		}
		wide := nineInTen * m.LossU
		shed.LossWK = plan.Range{Low: m.LossWK - wide, Likely: m.LossWK, High: m.LossWK + wide}
		shed.VolumeM3, shed.ChangesH = sizes.VolumeM3, sizes.AirChanges
		shed.MemoryS = plan.AssumedShed().MemoryS
		shed.Basis = fmt.Sprintf("from the shed's sizes: it loses %.0f W/K (%.0f to %.0f), %.0f m3, its air changed %.2g times an hour", m.LossWK, shed.LossWK.Low, shed.LossWK.High,
			sizes.VolumeM3, sizes.AirChanges)
	}
	if !l.fit {
		return nil
	}
	shed.MemoryS = l.model.Tau
	shed.Basis += fmt.Sprintf("; that it cools by 63 %% in %.1f h, give or take %.1f h, is fitted to its own log", l.model.Tau/3600, l.model.TauU/3600)
	return nil
}

// nineInTen is how many standard uncertainties either way hold nine in ten of a normal.
const nineInTen = 1.645
