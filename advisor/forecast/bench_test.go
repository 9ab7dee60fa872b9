package forecast

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// invented is a log of minutes over some days with waves that do not repeat from day to day; every number is invented.
func invented(days, step float64) Log {
	var l Log
	l.AirC.MaxGap, l.VapourPa.MaxGap, l.HPa.MaxGap = 7200, 7200, 7200
	for t := at - days*86400; t <= at; t += step {
		d := t / 86400
		slow := math.Sin(2*math.Pi*d/5.3) + 0.6*math.Sin(2*math.Pi*d/2.2+1)
		l.AirC.At, l.AirC.V = append(l.AirC.At, t), append(l.AirC.V, 8+3*slow-2*math.Cos(2*math.Pi*(d-0.1))+0.3*math.Sin(40*d))
		l.VapourPa.At, l.VapourPa.V = append(l.VapourPa.At, t), append(l.VapourPa.V, 800+60*slow+20*math.Sin(9*d))
		l.HPa.At, l.HPa.V = append(l.HPa.At, t), append(l.HPa.V, 1010-8*slow)
	}
	return l
}

// at is a moment of an invented winter, Unix seconds.
const at = 1768400000.0

// BenchmarkAhead is one forecast of air, vapour and barometer from 14 days of minutes: 48 h ahead with 48 members, and with the plan's 200.
func BenchmarkAhead(b *testing.B) {
	log := invented(14, 60)
	for name, members := range map[string]int64{"48": 48, "200": 200} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				_, err := Ahead(log, at, Options{Horizon: 48 * 3600, Members: members})
				require.NoError(b, err)
			}
		})
	}
}
