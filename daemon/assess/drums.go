package assess

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"tackline/advisor"
	"tackline/advisor/trace"
	"tackline/daemon/alert"
	"tackline/daemon/jobbook"
)

const (
	// filmStep is what a frozen film is thinned to: a coat cures over hours.
	filmStep = 600.0
	// filmGap is the longest step of a frozen film that is bridged by a straight line, s; by minutes, so that two lost ones are none.
	filmGap = 180.0
)

// film is what was frozen of a coat's surface. It never changes once it is in the book.
type film struct {
	surface  trace.Trace
	u        float64 // its standard uncertainty, K
	modelled bool
}

// earlier brings in the ended coats that were touched and no longer stand in the log's reach, by what was frozen of them: so a drum keeps what it
// was taught, whatever becomes of the readings. Younger ones come with their piece, from the readings.
func (a *Assessor) earlier(ctx context.Context, facts *jobbook.State, s *advisor.Situation, now int64) error {
	touched := map[int64]bool{}
	for i := range facts.Touches {
		touched[facts.Touches[i].Coat] = true
	}
	frozen := map[int64]*jobbook.FrozenInfo{}
	for i := range facts.Frozen {
		frozen[facts.Frozen[i].Coat] = &facts.Frozen[i]
	}
	for i := range facts.Coats {
		c := &facts.Coats[i]
		f := frozen[c.ID]
		if !touched[c.ID] || f == nil || f.Entered >= now || c.Ended.MS == 0 || c.Ended.MS > now || !pastReach(facts, c, now) {
			continue
		}
		kept, err := a.film(ctx, c.ID, f.ID)
		if err != nil {
			return err
		}
		system, err := systemOf(c.System)
		if err != nil {
			return err
		}
		s.Earlier = append(s.Earlier, advisor.Earlier{Coat: c.ID, Drum: facts.DrumOf(c), Kind: c.Kind, System: system, Started: instant(c.Started.MS),
			SurfaceC: kept.surface, U: kept.u, Modelled: kept.modelled, Touches: touchesOf(facts, c, now)})
	}
	return nil
}

// pastReach tells whether a coat's surface can't be had from the readings any more: it is too old, or its piece is no longer watched.
func pastReach(facts *jobbook.State, c *jobbook.Coat, now int64) bool {
	if float64(now-c.Started.MS)/1000 > advisor.Recent {
		return true
	}
	p, ok := facts.Piece(c.Piece)
	if !ok {
		return true
	}
	job, ok := facts.Job(p.Job)
	return ok && job.Closed
}

// touchesOf gives the touches on a coat until a moment, with those that were set aside marked.
func touchesOf(facts *jobbook.State, c *jobbook.Coat, now int64) []advisor.Touch {
	var out []advisor.Touch
	for i := range facts.Touches {
		if t := &facts.Touches[i]; t.Coat == c.ID && t.When.MS <= now {
			out = append(out, advisor.Touch{At: instant(t.When.MS), State: t.State, Witness: t.Witness, Forgotten: facts.Forgets(c, t, now)})
		}
	}
	return out
}

// film reads a frozen film, once.
func (a *Assessor) film(ctx context.Context, coat, entry int64) (film, error) {
	if f, ok := a.films[entry]; ok {
		return f, nil
	}
	frozen, err := a.o.Facts.Frozen(ctx, coat)
	if errors.Is(err, jobbook.ErrNotFound) {
		return film{}, nil
	} else if err != nil {
		return film{}, fmt.Errorf("assess: %w", err)
	}
	minutes, err := jobbook.DecodeMinutes(frozen.MinuteTrace)
	if err != nil {
		return film{}, fmt.Errorf("assess: coat %d: %w", coat, err)
	}
	f := film{modelled: true}
	var said *advisor.CoatAdvice
	if err := json.Unmarshal(frozen.Advice, &said); err == nil && said != nil {
		f.modelled = said.SurfaceModelled
	}
	f.surface, f.u = surfaceIn(minutes)
	a.films[entry] = f
	return f, nil
}

// surfaceIn gives the surface of a minute trace and the mean of its uncertainty.
func surfaceIn(m jobbook.MinuteTrace) (surface trace.Trace, u float64) {
	surface.MaxGap = filmGap
	values, _ := m.Column(jobbook.ColSurfaceC)
	us, _ := m.Column(jobbook.ColSurfaceU)
	n := 0.0
	for i, v := range values {
		if v == nil {
			continue
		}
		surface.At, surface.V = append(surface.At, float64(m.From+int64(i)*minuteMs+minuteMs/2)/1000), append(surface.V, *v)
		if i < len(us) && us[i] != nil {
			u += *us[i]
			n++
		}
	}
	return surface.Thin(filmStep), u / math.Max(n, 1)
}

// lag tells that a batch lies far behind all others from its drum.
func (t *teller) lag(c *advisor.CoatAdvice, key, link string, blind bool) {
	body := ""
	for _, r := range c.Reasons {
		if r.Rule == "lag" {
			body = capital(c.Name) + ": " + r.Text
		}
	}
	t.add(alert.Condition{Key: key + "lag", Severity: alert.Warning, Title: "Far behind: " + c.Name, Body: body, Link: link, Active: c.Lag != nil, Unknown: blind,
		Hold: 2 * time.Minute, ClearHold: 30 * time.Minute, Cleared: capital(c.Name) + " no longer lies far behind the other coats of its drum."})
}
