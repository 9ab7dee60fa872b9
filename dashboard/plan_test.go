package dashboard

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/advisor/plan"
	"tackline/advisor/units"
)

// madePlan gives an invented plan, or an error.
type madePlan struct {
	asked PlanQuery
	err   error
}

func (p *madePlan) Plan(_ context.Context, q PlanQuery) (advisor.Plan, error) {
	p.asked = q
	at := units.InstantOf(sceneNow)
	return advisor.Plan{At: at, Name: "foredeck", Result: plan.Result{Starts: []plan.Start{
		{At: at, Chance: 0.75, Weakest: plan.Margin, Steps: []plan.StepTime{{Step: "seal", Early: at, Likely: at}}}}}}, p.err
}

func TestPlanByAPI(t *testing.T) {
	p := &madePlan{}
	h := handler(t, newFake(scene()), func(o *Options) { o.Planner = p })
	w := get(h, "/api/v1/plan?piece=foredeck&every=2&what_if=tent%3D5K&what_if=hold%3D18C+08:00-16:00")
	require.Equal(t, http.StatusOK, w.Code, w.Body)
	require.Equal(t, "foredeck", p.asked.Piece)
	require.EqualValues(t, 2, p.asked.Every)
	require.Len(t, p.asked.WhatIf, 2)
	start := decode(t, w)["starts"].([]any)[0].(map[string]any)
	require.Equal(t, "margin", start["weakest"])
	require.InDelta(t, 0.75, start["chance"], 1e-12)
	step := start["steps"].([]any)[0].(map[string]any)
	require.Equal(t, "seal", step["step"])
	require.Equal(t, "2026-01-14T13:06:00.000Z", step["likely"])
	require.Nil(t, step["late"])

	for path, want := range map[string]struct {
		status int
		field  string
	}{
		"/api/v1/plan?what_if=pray":  {http.StatusUnprocessableEntity, "what_if"},
		"/api/v1/plan?every=0":       {http.StatusUnprocessableEntity, "every"},
		"/api/v1/plan?every=quarter": {http.StatusUnprocessableEntity, "every"},
	} {
		w := get(h, path)
		require.Equal(t, want.status, w.Code, path)
		require.Equal(t, want.field, decode(t, w)["field"], path)
	}
	p.err = fmt.Errorf("piece rudder: %w", ErrNotFound)
	require.Equal(t, http.StatusNotFound, get(h, "/api/v1/plan?piece=rudder").Code)
	p.err = errors.New("broken")
	require.Equal(t, http.StatusInternalServerError, get(h, "/api/v1/plan").Code)
	h = handler(t, newFake(scene()), nil)
	require.Equal(t, http.StatusNotFound, get(h, "/api/v1/plan").Code)
}
