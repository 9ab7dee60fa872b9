package advisor

import (
	"fmt"
	"strings"

	"tackline/advisor/building"
	"tackline/advisor/plan"
)

// outdoorU is the standard uncertainty of an outdoor forecast a day ahead, K: common practice, no source.
const outdoorU = 1.5

// lessons is what the shed's own log says of the building.
type lessons struct {
	model building.Model
	fit   bool   // the model is good
	note  string // "" or what a reader must know of the outdoor forecast
}

// learnShed fits the building to indoors and outdoors, and draws the forecast of the shed's air towards the outdoor forecast, where there is one and
// the fit is good. What keeps it from that is noted.
func learnShed(s *Situation, w *weather, req *PlanRequest) lessons {
	var l lessons
	wanted := req.OutdoorC.Len() > 0
	not := func(why string) lessons {
		if wanted {
			l.note = "The outdoor forecast is not used: " + why + "."
		}
		return l
	}
	outdoors := s.Climate.OutdoorC.Trace.Slice(0, w.at)
	if outdoors.Len() == 0 {
		return not("no probe is outdoors, so how the shed follows the weather is not known")
	}
	m, err := building.Fit(building.Log{IndoorC: w.airC, OutdoorC: outdoors}, w.at)
	if err != nil {
		return not(strings.TrimPrefix(err.Error(), "building: "))
	}
	if !m.Good() {
		return not(m.Why)
	}
	l.model, l.fit = m, true
	if !wanted {
		return l
	}
	_, now, _ := outdoors.Last()
	if why := m.Couple(&w.future, building.Meet(req.OutdoorC, w.at, now), outdoorU); why != "" {
		return not(why)
	}
	return l
}

// into puts the fitted memory into what a what-if knows of the shed. The loss stays assumed: no heater's power is in the log.
func (l *lessons) into(shed *plan.Shed) {
	if !l.fit {
		return
	}
	shed.MemoryS = l.model.Tau
	shed.Basis += fmt.Sprintf("; that it cools by 63 %% in %.1f h, give or take %.1f h, is fitted to its own log", l.model.Tau/3600, l.model.TauU/3600)
}
