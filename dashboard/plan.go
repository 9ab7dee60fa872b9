package dashboard

import (
	"context"
	"net/http"
	"strconv"
	"strings"

	"tackline/advisor"
	"tackline/advisor/plan"
)

// Planner makes plans: when to start on a piece. Making one takes a good part of a second on a small board.
type Planner interface {
	// Plan plans the rest of a piece's sequence. Where it can't be said, the Plan says why in CantSay and the error is nil. A *Refusal says
	// what of the query is wrong.
	Plan(ctx context.Context, q PlanQuery) (advisor.Plan, error)
}

// PlanQuery asks for a plan.
type PlanQuery struct {
	Piece  string          // its name or its number; "" is the only one there is
	Every  int64           // quarter hours from one start to the next; 0 is 1
	WhatIf [][]plan.WhatIf // each tried by itself; those of one go together
}

// mostWhatIfs is how many what-ifs one query may try.
const mostWhatIfs = 8

// apiPlan answers plan?piece=&what_if=&every=, what_if any number of times up to eight.
func (h *Handler) apiPlan(w http.ResponseWriter, r *http.Request) {
	if h.o.Planner == nil {
		h.problem(w, r, http.StatusNotFound, "", "this page makes no plans")
		return
	}
	q, err := planQuery(r)
	if err == nil {
		var p advisor.Plan
		if p, err = h.o.Planner.Plan(r.Context(), q); err == nil {
			h.json(w, r, http.StatusOK, p)
			return
		}
	}
	status, field, why := h.explain(r, err)
	h.problem(w, r, status, field, why)
}

func planQuery(r *http.Request) (PlanQuery, error) {
	values := r.URL.Query()
	q := PlanQuery{Piece: strings.TrimSpace(values.Get("piece"))}
	for _, text := range values["what_if"] {
		list, err := plan.ParseWhatIf(text)
		if err != nil {
			return q, &Refusal{Field: "what_if", Sentence: strings.TrimPrefix(err.Error(), "plan: ")}
		}
		q.WhatIf = append(q.WhatIf, list)
	}
	if len(q.WhatIf) > mostWhatIfs {
		return q, &Refusal{Field: "what_if", Sentence: "at most eight things can be tried at once"}
	}
	if s := values.Get("every"); s != "" {
		n, err := strconv.ParseInt(s, 10, 64)
		if err != nil || n < 1 || n > 16 {
			return q, &Refusal{Field: "every", Sentence: "a number of quarter hours from 1 to 16 is wanted"}
		}
		q.Every = n
	}
	return q, nil
}
