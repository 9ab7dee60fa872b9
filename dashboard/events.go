package dashboard

import (
	"fmt"
	"net/http"
	"time"
)

// calm is the shortest time between two events of change: at sixty times real speed a phone still gets only one page a second.
const calm = time.Second

// getEvents streams "change" whenever the shed's state is another, and "beat" in between. Both carry the daemon's now in Unix seconds, from
// which the page counts its ages. The script takes a silence of two beats for a lost link.
func (h *Handler) getEvents(w http.ResponseWriter, r *http.Request) {
	select {
	case h.slots <- struct{}{}:
		defer func() { <-h.slots }()
	default:
		w.Header().Set("Retry-After", "30")
		h.problem(w, r, http.StatusServiceUnavailable, "", "too many pages are open at once")
		return
	}
	out := http.NewResponseController(w)
	_ = out.SetWriteDeadline(time.Time{}) // the server's own deadline is for pages; where it can't be lifted the phone comes again
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no")
	changes := h.o.Source.Subscribe(r.Context())
	beat := time.NewTicker(h.o.Beat)
	defer beat.Stop()
	if h.tell(w, r, out, "beat") != nil {
		return
	}
	for {
		name := "beat"
		select {
		case <-r.Context().Done():
			return
		case <-h.done:
			return
		case _, open := <-changes:
			if !open {
				return
			}
			name = "change"
		case <-beat.C:
		}
		if h.tell(w, r, out, name) != nil {
			return
		}
		if name == "change" {
			select {
			case <-time.After(calm):
			case <-r.Context().Done():
				return
			case <-h.done:
				return
			}
		}
	}
}

func (h *Handler) tell(w http.ResponseWriter, r *http.Request, out *http.ResponseController, name string) error {
	at := ""
	if v, err := h.o.Source.Now(r.Context()); err == nil {
		at = unix(v.At)
	}
	_ = out.SetWriteDeadline(time.Now().Add(10 * time.Second))
	if _, err := fmt.Fprintf(w, "event: %s\ndata: %s\n\n", name, at); err != nil {
		return err
	}
	return out.Flush()
}
