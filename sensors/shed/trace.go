package shed

import (
	"bufio"
	"fmt"
	"io"
	"time"
)

// TraceOptions says what of a winter goes into a trace.
type TraceOptions struct {
	From, To int64   // Unix milliseconds, [From, To)
	Share    float64 // of the rows that are kept, drawn at random from the seed of the house; 1 keeps all
}

// ZoneSeconds of the times in a trace: they carry no zone and are meant at +01:00.
const traceZone = 3600

// WriteTrace writes ten-minute means of two sheds that share one weather as CSV: "north_outside" is open, an unheated shed; "room8" is house,
// a heated one, "room9" the same building nearer the floor; "station" is the weather outdoors with its dew point over water and the
// barometer in mmHg. A random share of the rows is kept, so that the gaps are those of a logger that is often out of reach.
func WriteTrace(w io.Writer, open, house *Shed, o TraceOptions) error {
	b := bufio.NewWriter(w)
	fmt.Fprintln(b, "time,north_outside_c,north_outside_rh_pct,room8_c,room8_rh_pct,room9_c,room9_rh_pct,"+
		"station_c,station_rh_pct,station_dew_point_c,station_pressure_mmhg")
	r := mix(house.o.Seed, 9, 0)
	const row, sample = 600_000, 60_000 // milliseconds
	zone := time.FixedZone("", traceZone)
	for at := o.From; at < o.To; at += row {
		if r.Float64() >= o.Share {
			continue
		}
		var n float64
		var mean [10]float64
		for t := at; t < at+row; t += sample {
			x, y := open.Truth(t), house.Truth(t)
			low := Truth{AirC: (2*y.AirC + y.FabricC) / 3, VapourPa: y.VapourPa}
			for i, v := range [...]float64{x.AirC, x.RHPct, y.AirC, y.RHPct, low.AirC, 100 * low.VapourPa / saturation(low.AirC),
				x.OutdoorsC, x.OutdoorsRHPct, dewPoint(x.OutdoorsRHPct / 100 * saturation(x.OutdoorsC)), x.PressureHPa / 1.33322387415} {
				mean[i] += v
			}
			n++
		}
		fmt.Fprint(b, time.UnixMilli(at).In(zone).Format("2006-01-02T15:04:05"))
		for i := range mean {
			fmt.Fprintf(b, ",%.2f", min(mean[i]/n, limits[i]))
		}
		fmt.Fprintln(b)
	}
	return b.Flush()
}

// limits of the columns: humidity ends at 100 after rounding too.
var limits = [10]float64{100, 100, 100, 100, 100, 100, 100, 100, 100, 1000}
