package plan

import (
	"fmt"
	"math"

	"tackline/advisor/units"
)

// why says in a sentence how the weakest rule of a start stands.
func (r *runner) why(j, step, rule int64) string {
	c := r.cell(j, step, rule)
	name := r.in.Steps[step].Name
	if c.failed == 0 {
		return r.kept(c, step, rule)
	}
	n := float64(c.failed)
	value, when := c.value/n, c.at/n
	many := r.howMany(c.failed)
	switch rule {
	case margin:
		return fmt.Sprintf("%s the margin over the dew point falls to about %.1f K less doubt at %s, before the end of green of the %s: want %.1f K.",
			many, value+r.in.Limits.MarginK, r.clock(when), name, r.in.Limits.MarginK)
	case surfaceRH:
		return fmt.Sprintf("%s it gets to about %.0f %% at the surface at %s, before the end of green of the %s: %s wants it below %.0f %%.",
			many, value, r.clock(when), name, r.system(step).Name, r.system(step).HighestSurfaceRHPct)
	case lowest:
		return fmt.Sprintf("%s the surface falls to about %.1f C at %s, before the %s is firm: %s wants %.1f C or more.",
			many, value, r.clock(when), name, r.system(step).Name, r.system(step).LowestC)
	case outgassing:
		return fmt.Sprintf("%s the air in the bare timber grows by about %.1f %% until %s and blows bubbles into the %s.", many, 100*value, r.clock(when), name)
	case moisture:
		return fmt.Sprintf("The bare timber holds %.1f %% of water: above %.0f %% it is too wet to coat.", value, r.in.Limits.MoistureStopPct)
	case window:
		if step == 0 && value > float64(j*r.in.every()) {
			return fmt.Sprintf("%s the coat beneath does not take the %s before %s.", many, name, r.clock(value))
		}
		return fmt.Sprintf("%s the window for the %s closes about %s, before it can be put on.", many, name, r.clock(when))
	case hours:
		if step == 0 {
			return fmt.Sprintf("The %s at %s is not within your hours.", name, r.clock(value))
		}
		if when >= float64(r.n-1) {
			return fmt.Sprintf("%s no working hours lie in the window for the %s from about %s on.", many, name, r.clock(value))
		}
		return fmt.Sprintf("%s the window for the %s, about %s to %s, has no time for it in your hours.", many, name, r.clock(value), r.clock(when))
	case batch:
		return fmt.Sprintf("%s a batch for the %s must be used within about %.0f min and takes %.0f min: mix less, use a tray, or start when it is colder.",
			many, name, value, r.in.Steps[step].UseMin)
	}
	return fmt.Sprintf("%s the forecast ends before the %s is through: colder, and later, than can be told.", many, name)
}

// kept says how near its limit a rule comes that every member keeps.
func (r *runner) kept(c *cell, step, rule int64) string {
	name, near, when := r.in.Steps[step].Name, float64(c.near), float64(c.when)
	all := "Every rule is kept in all members; closest is "
	switch rule {
	case margin:
		return all + fmt.Sprintf("the margin over the dew point, %.1f K less doubt until the end of green of the %s (want %.1f K).",
			near+r.in.Limits.MarginK, name, r.in.Limits.MarginK)
	case surfaceRH:
		return all + fmt.Sprintf("the humidity at the surface, %.0f %% before the end of green of the %s (want below %.0f %%).", near, name, r.system(step).HighestSurfaceRHPct)
	case lowest:
		return all + fmt.Sprintf("the surface's temperature, %.1f C before the %s is firm (want %.1f C).", near, name, r.system(step).LowestC)
	case outgassing:
		return all + fmt.Sprintf("the air in the timber, which grows by %.2f %% under the %s.", 100*near, name)
	case moisture:
		return all + fmt.Sprintf("the moisture of the timber, %.1f %% (too wet above %.0f %%).", near, r.in.Limits.MoistureStopPct)
	case window:
		return all + fmt.Sprintf("the window for the %s, which closes at %s.", name, r.clock(when))
	case hours:
		return all + fmt.Sprintf("the end of your hours, at %s, after the %s.", r.clock(when+r.work[step]), name)
	case batch:
		return all + fmt.Sprintf("the batch for the %s, to be used within %.0f min, which takes %.0f min.", name, near, r.in.Steps[step].UseMin)
	}
	return "Every rule is kept in all members."
}

func (r *runner) system(step int64) *System { return &r.in.Systems[r.in.Steps[step].System] }

// howMany begins a sentence with a share of the members, in tenths.
func (r *runner) howMany(failed int32) string {
	if int64(failed) == r.nMembers {
		return "By every member of the forecast"
	}
	tenths := math.Round(10 * float64(failed) / float64(r.nMembers))
	switch {
	case tenths < 1:
		return "In fewer than one case in ten"
	case tenths > 9:
		return "In more than nine cases in ten"
	}
	return fmt.Sprintf("In %s of ten cases", [...]string{"", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"}[int64(tenths)])
}

// clock gives the time of day of a place in samples, to five minutes, with the day where it is not the plan's first.
func (r *runner) clock(x float64) string { return r.in.clock(r.instant(x)) }

func (in *Input) clock(at units.Instant) string {
	t := units.Instant(math.Round(float64(at)/300) * 300).Time().In(in.zone())
	first := in.Origin.Time().In(in.zone())
	if t.Year() == first.Year() && t.YearDay() == first.YearDay() {
		return t.Format("15:04")
	}
	return t.Format("Mon 15:04")
}

// nothing says that no start is more likely than not, and what the best one fails by.
func (r *runner) nothing(top *Start) string {
	h := float64(r.in.Starts*r.in.every()) * Step / 3600
	if top.Chance == 0 {
		return fmt.Sprintf("Nothing in the next %.0f h: no start keeps every rule in any member of the forecast.", h)
	}
	return fmt.Sprintf("Nothing in the next %.0f h: the best start, %s, holds in only %.0f %% of the forecast's members. %s", h, r.in.clock(top.At), 100*top.Chance, top.Why)
}
