package dashboard

import (
	"context"
	"net/http"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
	"tackline/advisor/plan"
	"tackline/advisor/sequence"
	"tackline/advisor/units"
	"tackline/dashboard/chart"
)

// invented is a Planner whose plan is invented, with what was asked of it.
type invented struct {
	made  advisor.Plan
	err   error
	asked []PlanQuery
}

func (p *invented) Plan(_ context.Context, q PlanQuery) (advisor.Plan, error) {
	p.asked = append(p.asked, q)
	out := p.made
	if len(q.WhatIf) > 0 {
		if p.err != nil {
			return out, p.err
		}
		out.WhatIf = []plan.Gain{{WhatIf: plan.Join(q.WhatIf[0]), ChanceBefore: 0.31, ChanceAfter: 0.82, Text: "The best start goes from 31 % to 82 %, Thu 08:00. It takes about 14 kWh a day.",
			HeatBasis: "by the cooling of this shed in ten nights", Cautions: []string{"Heat a tent from outside it, and never leave a burner alone."}, Best: p.made.Starts[:1]}}
	}
	return out, nil
}

func inventedPlan() advisor.Plan {
	at := func(h float64) units.Instant {
		return units.InstantOf(sceneNow.Add(time.Duration(h * float64(time.Hour))))
	}
	chance := func(h float64) float64 { return map[bool]float64{true: 0.86, false: 0.12}[h > 16 && h < 24] }
	var starts []plan.Start
	for h := 0.0; h < 48; h += 0.5 {
		starts = append(starts, plan.Start{At: at(h), Chance: chance(h), Weakest: plan.Margin})
	}
	best := plan.Start{At: at(17.4), Chance: 0.86, Weakest: plan.Margin, WeakestStep: "fill", HoursInShed: 4.5, Nights: 1,
		Why: "In one of seven cases the margin over the dew point falls to about 2.6 K less doubt at Fri 03:15, before the end of green of the fill: want 3.0 K.",
		Steps: []plan.StepTime{{Step: "seal", Early: at(17.4), Likely: at(17.4), Late: at(17.4)}, {Step: "bedding", Early: at(19.8), Likely: at(20.2), Late: at(20.9)},
			{Step: "lay fabric", Early: at(21), Likely: at(21.5)}}}
	return advisor.Plan{At: units.InstantOf(sceneNow), Name: "foredeck", Zone: "CET", Basis: "errors of the same forecast at 60 moments of this shed's own last ten days",
		Cautions: []string{"A plan is a forecast, not a promise."},
		Work:     []advisor.PlanWork{{Step: "seal", WorkMin: 24, Batches: 2, BatchG: 180, UseMin: 12}, {Step: "lay fabric", WorkMin: 20}},
		Result: plan.Result{Members: 47, Steps: []string{"seal", "bedding", "lay fabric"}, Starts: starts, Best: []plan.Start{best},
			Others: []plan.Others{{From: at(0), To: at(3), Chance: 0.12, Weakest: plan.Hours, Why: "The seal at 18:10 is not within your hours."}, {From: at(30), To: at(30), Chance: 0.004, Why: "It gets too cold."}}}}
}

func TestPlanPageInEveryState(t *testing.T) {
	nothing := inventedPlan()
	nothing.Best, nothing.Nothing = nil, "No start within two days is more likely than not: at best 31 %, Thu 07:30."
	nothing.Changes = []plan.Change{{Text: "4 K warmer from 8:00 to 16:00", WhatIf: "tent=4K 08:00-16:00", Chance: 0.72}}
	cant := advisor.Plan{CantSay: "the log is 2 h long: three hours are wanted before a plan can be made. Ask again then."}
	withSteps := scene()
	withSteps.Advice.Pieces[1].Steps = []sequence.Place{{Step: 1, Work: sequence.Fill}}
	withSteps.Advice.Pieces[1].Next = &sequence.Next{Step: 1, Of: 1, Work: sequence.Fill}
	alone := scene()
	alone.Pieces = nil
	for name, c := range map[string]struct {
		view  View
		plan  *invented
		query string
		part  bool
	}{
		"working":  {withSteps, &invented{made: inventedPlan()}, "", false},
		"full":     {withSteps, &invented{made: inventedPlan()}, "", true},
		"nothing":  {scene(), &invented{made: nothing}, "?piece=1", true},
		"cant-say": {scene(), &invented{made: cant}, "?piece=1", true},
		"what-if":  {scene(), &invented{made: inventedPlan()}, "?piece=foredeck&deed=tent&value=5&from=08:00&to=16:00&burner=propane", true},
		"wrong":    {scene(), &invented{made: inventedPlan()}, "?piece=1&deed=tent&value=warm", true},
		"refused":  {scene(), &invented{made: inventedPlan(), err: &Refusal{Field: "what_if", Sentence: "no resin system is called treacle"}}, "?piece=1&what_if=system%3Dtreacle", true},
		"no-piece": {alone, &invented{}, "", false},
	} {
		t.Run(name, func(t *testing.T) {
			h := handler(t, newFake(c.view), func(o *Options) { o.Planner = c.plan })
			var head []string
			if c.part {
				head = []string{"X-Part", "main"}
			}
			w := get(h, "/plan"+c.query, head...)
			want := http.StatusOK
			if name == "wrong" || name == "refused" {
				want = http.StatusUnprocessableEntity
			}
			require.Equal(t, want, w.Code)
			require.NotContains(t, w.Body.String(), "ZgotmplZ")
			require.NotContains(t, w.Body.String(), "%!")
			golden(t, "plan-"+name+".html", flat(w.Body.String()))
			if name == "working" {
				require.Empty(t, c.plan.asked, "the page comes at once; what takes long comes after it")
				require.Equal(t, http.StatusOK, get(h, "/plan?whole=1").Code)
				require.Equal(t, "2", c.plan.asked[0].Piece, "the piece that has something left of its plan")
			}
		})
	}
}

func TestWhatIfsAreTypedByTheForm(t *testing.T) {
	for form, want := range map[string]string{
		"deed=hold&value=18&from=08:00&to=16:00":                "hold=18C 08:00-16:00",
		"deed=tent&value=5":                                     "tent=5K",
		"deed=tent&value=5,5&from=06:00&to=9:00&burner=propane": "tent=5.5K 06:00-9:00 burner=propane",
		"deed=dry&value=20&from=06:00&to=09:00":                 "dry=20%",
		"deed=thinner&value=0.5":                                "thinner=0.5",
		"deed=system&value=9&system=slow":                       "system=slow",
		"deed=hours&value=9&from=07:00&to=20:00":                "hours=07:00-20:00",
		"what_if=lamp%3D8K":                                     "lamp=8K",
		"":                                                      "",
	} {
		q, err := url.ParseQuery(form)
		require.NoError(t, err)
		require.Equal(t, want, typed(q, Shows{}))
		if want != "" {
			_, err := plan.ParseWhatIf(want)
			require.NoError(t, err, want)
		}
	}
}

func TestChanceIsNeverSaidToBeCertain(t *testing.T) {
	require.Equal(t, "over 99\u00a0%", percent(1))
	require.Equal(t, "under 1\u00a0%", percent(0))
	require.Equal(t, "86\u00a0%", percent(0.86))
	require.Empty(t, (&chart.ChanceChart{}).Best)
}
