package timberpins

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Point is one point of a curve: the resistance between the pins at a moisture content.
type Point struct {
	Ohm, Pct float64
}

// Curve is the resistance of a species by its moisture content, from dry to damp: resistance falls, moisture rises.
type Curve []Point

// ParseCurve reads a curve written as 120e6=12,2.1e6=20: ohms and per cent.
func ParseCurve(s string) (Curve, error) {
	var c Curve
	for _, item := range strings.Split(s, ",") {
		ohm, pct, ok := strings.Cut(item, "=")
		r, err1 := strconv.ParseFloat(strings.TrimSpace(ohm), 64)
		m, err2 := strconv.ParseFloat(strings.TrimSpace(pct), 64)
		if !ok || err1 != nil || err2 != nil {
			return nil, fmt.Errorf("timberpins: curve: %q: want ohms=per cent, such as 120e6=12", strings.TrimSpace(item))
		}
		c = append(c, Point{r, m})
	}
	return c, c.Check()
}

// Check tells whether it can be a curve: two points or more, from dry to damp, of 100 ohms to 1e13 and 4 to 60 %.
func (c Curve) Check() error {
	if len(c) < 2 {
		return errors.New("timberpins: curve: want two points or more")
	}
	for i, p := range c {
		switch {
		case !(p.Ohm >= 100 && p.Ohm <= 1e13):
			return fmt.Errorf("timberpins: curve: %g ohms: want 100 to 1e13", p.Ohm)
		case !(p.Pct >= 4 && p.Pct <= 60):
			return fmt.Errorf("timberpins: curve: %g %%: want 4 to 60", p.Pct)
		case i > 0 && !(p.Ohm < c[i-1].Ohm && p.Pct > c[i-1].Pct):
			return fmt.Errorf("timberpins: curve: %g ohms at %g %% after %g at %g: want falling ohms and rising moisture", p.Ohm, p.Pct, c[i-1].Ohm, c[i-1].Pct)
		}
	}
	return nil
}

// At gives the moisture content at a resistance, straight between the points by the logarithm of the resistance. Beyond the curve's ends ok is
// false: nothing is known there.
func (c Curve) At(ohm float64) (pct float64, ok bool) {
	if len(c) < 2 || !(ohm <= c[0].Ohm && ohm >= c[len(c)-1].Ohm) {
		return 0, false
	}
	for i := 1; i < len(c); i++ {
		if a, b := c[i-1], c[i]; ohm >= b.Ohm {
			f := math.Log(a.Ohm/ohm) / math.Log(a.Ohm/b.Ohm)
			return a.Pct + f*(b.Pct-a.Pct), true
		}
	}
	return 0, false
}

// perKelvin is how much of itself the moisture content read by resistance grows for each kelvin that the timber is colder than the curve. Fitted
// to the published correction by M. Y. Pfaff and H. L. C. Garrahan, Forest Products Journal 36(3), 1986 (from memory), within 0.35 % moisture at 8..20 % and 0..30 C.
const perKelvin = 0.0080

// toTimber carries a moisture content from the curve's temperature to that of the timber, both in C.
func toTimber(pct, curveC, timberC float64) float64 { return pct * (1 + perKelvin*(curveC-timberC)) }
