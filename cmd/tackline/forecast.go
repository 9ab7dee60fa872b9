package main

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tackline/advisor/air"
	"tackline/advisor/forecast"
	"tackline/advisor/trace"
	"tackline/advisor/units"
	"tackline/sensors/tracefile"
)

type forecastOut struct {
	At        time.Time      `json:"at"`
	NewestRow time.Time      `json:"newest_row"` // the last one that was used
	Days      float64        `json:"days"`       // of log that was used
	Basis     string         `json:"basis"`      // in words, what the spread rests on
	Steps     []forecastStep `json:"steps"`
}

type forecastStep struct {
	At          time.Time `json:"at"`
	AirC        *float64  `json:"air_c"`
	AirCP10     *float64  `json:"air_c_p10"`
	AirCP90     *float64  `json:"air_c_p90"`
	RHPct       *float64  `json:"rh_pct"` // null: the trace has no present humidity
	RHPctP10    *float64  `json:"rh_pct_p10"`
	RHPctP90    *float64  `json:"rh_pct_p90"`
	VapourPa    *float64  `json:"vapour_pressure_pa"`
	SurfaceC    *float64  `json:"surface_c"`
	SurfaceCP10 *float64  `json:"surface_c_p10"`
	SurfaceCP90 *float64  `json:"surface_c_p90"`
	PressureHPa *float64  `json:"pressure_hpa"`
}

// forecastMembers is how many members the bands rest on.
const forecastMembers = 200

func newForecastCmd(e env) *cobra.Command {
	c := &cobra.Command{
		Use:   "forecast",
		Short: "How a shed's air may go on, from its own log",
		Long: "forecast reads a trace and says every 30 minutes how the air may go on after a moment: the likely line, and the band that holds it in\n" +
			"eight of ten. It knows the shape of the day, how today departs from it and how such departures fade, from the two weeks before that\n" +
			"moment and from nothing after it. Humidity is carried as vapour pressure. With less than about nine days of log the band is partly\n" +
			"assumed, and it says so. It is a forecast, not a promise: look at the probes before you coat.",
		Example: "  tackline forecast --trace shed.csv --at 2026-01-14T07:30:00Z\n" +
			"  tackline forecast --trace shed.csv --at 2026-01-14T08:30 --zone Europe/Lisbon --columns air_c=north_outside_c,rh_pct=north_outside_rh_pct --json",
		Args: cobra.NoArgs,
	}
	tf := addTraceFlags(c, e)
	at := c.Flags().String("at", "", "the moment to forecast from, 2026-01-14T07:30:00Z or without a zone as in the trace (default: just after its last row)")
	hours := c.Flags().Float64("hours", 48, "how far ahead, 0.5..96 h")
	show := outputFlags(c)
	c.RunE = func(*cobra.Command, []string) error {
		if tf.file == "" {
			return usagef("missing: --trace FILE.csv, the log to forecast from")
		}
		if !(*hours >= 0.5 && *hours <= 96) {
			return usagef("--hours: %g is outside 0.5..96 h", *hours)
		}
		out, err := calcForecast(tf, *at, *hours)
		if err != nil {
			return err
		}
		if show.asJSON {
			return printJSON(e.out, out)
		}
		return printForecast(e, *show, tf, out)
	}
	return c
}

// moment reads --at; an empty one is the millisecond after the trace's last row.
func (t *traceFlags) moment(s string, air trace.Trace) (float64, error) {
	first, _ := air.First()
	last, _, _ := air.Last()
	if s == "" {
		return last + 0.001, nil
	}
	zone, err := t.location()
	if err != nil {
		return 0, err
	}
	inside := func(at float64) (float64, error) {
		if !(at > first && at <= last+t.stale.Seconds()) {
			return 0, usagef("--at: %s is outside what the trace can tell of: after %s, and no more than %s after %s",
				s, stamp(first, zone), t.stale, stamp(last, zone))
		}
		return at, nil
	}
	if seconds, err := strconv.ParseFloat(s, 64); err == nil { // as in a trace with time_s
		return inside(seconds)
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04:05", "2006-01-02 15:04:05", "2006-01-02T15:04", "2006-01-02 15:04"} {
		when, err := time.ParseInLocation(layout, strings.TrimSpace(s), zone)
		if err == nil {
			return inside(float64(when.UnixMilli()) / 1000)
		}
	}
	return 0, usagef("--at: %q is no moment; want such as 2026-01-14T07:30:00Z or 2026-01-14T08:30", s)
}

func stamp(at float64, zone *time.Location) string {
	return time.UnixMilli(int64(at * 1000)).In(zone).Format(time.RFC3339)
}

func calcForecast(t *traceFlags, moment string, hours float64) (forecastOut, error) {
	table, err := t.read()
	if err != nil {
		return forecastOut{}, err
	}
	airC, _, err := t.column(table, "air_c")
	if err != nil {
		return forecastOut{}, err
	}
	at, err := t.moment(moment, airC)
	if err != nil {
		return forecastOut{}, err
	}
	before := func(tr trace.Trace) trace.Trace { return tr.Slice(0, math.Nextafter(at, 0)) } // nothing of the moment itself or after it
	airC = before(airC)
	newest, _, _ := airC.Last()
	log := forecast.Log{AirC: airC}
	if rh, ok, err := t.optional(table, "rh_pct"); err != nil {
		return forecastOut{}, err
	} else if ok {
		log.VapourPa = vapourOf(airC, before(rh))
	}
	if p, ok, err := t.optional(table, "pressure_hpa"); err != nil {
		return forecastOut{}, err
	} else if ok {
		log.HPa = before(p)
	}
	zone, err := t.location()
	if err != nil {
		return forecastOut{}, err
	}
	o := forecast.Options{Horizon: hours * 3600, Members: forecastMembers, Zone: zone}
	f, err := forecast.Ahead(log, at, o)
	if errors.Is(err, forecast.ErrNoPresent) {
		return forecastOut{}, fmt.Errorf("--at: the newest row before it is of %s, more than %s earlier: nothing can be said (--stale-after widens that)",
			stamp(newest, time.UTC), t.stale)
	} else if err != nil {
		return forecastOut{}, err
	}
	out := forecastOut{At: instant(at), NewestRow: instant(newest), Days: math.Round(f.Days*100) / 100, Basis: f.Basis, Steps: stepsOf(&f)}
	if s, ok, err := t.optional(table, "surface_c"); err != nil {
		return forecastOut{}, err
	} else if ok {
		out.surface(forecast.Log{AirC: before(s)}, at, o)
	}
	return out, nil
}

// optional gives a column that may be missing or empty.
func (t *traceFlags) optional(table *tracefile.Table, name string) (trace.Trace, bool, error) {
	tr, _, err := t.column(table, name)
	if errors.Is(err, errNoColumn) {
		return trace.Trace{}, false, nil
	}
	return tr, err == nil, err
}

// vapourOf joins air temperature and humidity, at the humidity's times, to vapour pressure in Pa.
func vapourOf(airC, rh trace.Trace) trace.Trace {
	out := trace.Trace{MaxGap: rh.MaxGap}
	for i, at := range rh.At {
		c, ok := airC.Value(at)
		if !ok {
			continue
		}
		if e, err := air.VapourPressure(units.Celsius(c), units.Percent(rh.V[i])); err == nil && e > 0 {
			out.At, out.V = append(out.At, at), append(out.V, float64(e))
		}
	}
	return out
}

func instant(at float64) time.Time { return time.UnixMilli(int64(math.Round(at * 1000))).UTC() }

// stepsOf writes an ensemble as steps, from the first after the moment on.
func stepsOf(f *forecast.Ensemble) []forecastStep {
	airOf := func(m *forecast.Member) []float64 { return m.AirC }
	lo, hi := f.Band(0.1, airOf), f.Band(0.9, airOf)
	rhLo, rhHi := f.Band(0.1, humidity), f.Band(0.9, humidity)
	rh := humidity(&f.Likely)
	steps := make([]forecastStep, 0, f.Len())
	for k := int64(1); k < f.Len(); k++ {
		s := forecastStep{At: instant(f.At + float64(k)*f.Step), AirC: rounded(f.Likely.AirC[k], 3), AirCP10: rounded(lo[k], 3), AirCP90: rounded(hi[k], 3)}
		if len(rh) > 0 {
			s.RHPct, s.RHPctP10, s.RHPctP90 = rounded(rh[k], 2), rounded(rhLo[k], 2), rounded(rhHi[k], 2)
			s.VapourPa = rounded(f.Likely.VapourPa[k], 1)
		}
		if len(f.Likely.HPa) > 0 {
			s.PressureHPa = rounded(f.Likely.HPa[k], 2)
		}
		steps = append(steps, s)
	}
	return steps
}

// humidity gives a member's relative humidity over water, %.
func humidity(m *forecast.Member) []float64 {
	var out []float64
	for k, e := range m.VapourPa {
		out = append(out, 100*e/float64(air.SaturationPressureWater(units.Celsius(m.AirC[k]))))
	}
	return out
}

func rounded(x float64, decimals int) *float64 {
	p := math.Pow(10, float64(decimals))
	return known(math.Round(x*p) / p)
}

// surface adds the surface's own forecast; where its log does not reach the moment there is none.
func (o *forecastOut) surface(log forecast.Log, at float64, options forecast.Options) {
	f, err := forecast.Ahead(log, at, options)
	if err != nil {
		return
	}
	of := func(m *forecast.Member) []float64 { return m.AirC }
	lo, hi := f.Band(0.1, of), f.Band(0.9, of)
	for i := range o.Steps {
		k := i + 1
		o.Steps[i].SurfaceC, o.Steps[i].SurfaceCP10, o.Steps[i].SurfaceCP90 = rounded(f.Likely.AirC[k], 3), rounded(lo[k], 3), rounded(hi[k], 3)
	}
}

func printForecast(e env, s shown, t *traceFlags, out forecastOut) error {
	zone, err := t.location()
	if err != nil {
		return err
	}
	fmt.Fprintf(e.out, "from %s, by rows up to %s\n", out.At.In(zone).Format(time.RFC3339), out.NewestRow.In(zone).Format(time.RFC3339))
	table := [][]string{{"", "air", "8 of 10 between", "humidity", "surface", "pressure"}}
	for i, x := range out.Steps {
		if i%2 == 0 { // people read whole hours ahead
			continue
		}
		table = append(table, []string{x.At.In(zone).Format("Mon 15:04"), s.temp(x.AirC), s.temp(x.AirCP10) + " and " + s.temp(x.AirCP90),
			num(x.RHPct, 0, "%"), s.temp(x.SurfaceC), num(x.PressureHPa, 0, "hPa")})
	}
	rows(e.out, table)
	fmt.Fprintf(e.out, "The band: %s.\n", out.Basis)
	return nil
}
