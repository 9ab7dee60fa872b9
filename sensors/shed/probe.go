package shed

import (
	"context"
	"fmt"
	"hash/fnv"
	"math"
	"sync"

	"tackline/sensors"
)

// Probe reads the shed at one place, with the steps and the noise of a real chip.
type Probe struct {
	shed  *Shed
	place sensors.Place
	name  string
	now   func() int64
	bias  map[sensors.Quantity]float64

	mu     sync.Mutex
	closed bool
}

var _ sensors.Probe = (*Probe)(nil)

// Probe gives a probe. name is part of its noise, so that two probes at a place differ; now is the present in Unix milliseconds. bias, which
// may be nil, is added to what it measures, in the unit of the quantity: a probe in need of calibration.
//
// air has temperature, humidity and pressure; outdoors temperature and humidity; surface, timber and resin temperature.
func (s *Shed) Probe(place sensors.Place, name string, now func() int64, bias map[sensors.Quantity]float64) (*Probe, error) {
	if now == nil {
		return nil, fmt.Errorf("shed: no clock given")
	}
	switch place {
	case sensors.Air, sensors.Surface, sensors.Timber, sensors.Resin, sensors.Outdoors:
		return &Probe{shed: s, place: place, name: name, now: now, bias: bias}, nil
	}
	return nil, fmt.Errorf("shed: no place %q: want one of %v", place, sensors.Places())
}

// chip is the step and the noise (standard deviation) of a kind of measurement, assumed: of the order that common chips show.
type chip struct{ step, noise float64 }

var (
	airTemp  = chip{0.01, 0.02}
	humidity = chip{0.01, 0.08}
	pressure = chip{0.01, 0.03}
	wireTemp = chip{0.0625, 0.02}
)

// Read measures once.
func (p *Probe) Read(ctx context.Context) ([]sensors.Reading, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("shed: %w", err)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return nil, fmt.Errorf("shed: closed: %w", sensors.ErrAbsent)
	}
	at := p.now()
	for _, e := range p.shed.o.Events {
		if e.Kind == ProbeDead && e.Probe == p.name && float64(at)/1000 >= e.From && float64(at)/1000 < e.To {
			return nil, fmt.Errorf("shed: the cable is out: %w", sensors.ErrAbsent)
		}
	}
	t := p.shed.Truth(at)
	var out []sensors.Reading
	add := func(q sensors.Quantity, v float64, c chip) {
		out = append(out, sensors.Reading{Quantity: q, Value: p.measure(q, v, c, at)})
	}
	switch p.place {
	case sensors.Air:
		add(sensors.Temperature, t.AirC, airTemp)
		add(sensors.Humidity, t.RHPct, humidity)
		add(sensors.Pressure, t.PressureHPa, pressure)
	case sensors.Outdoors:
		add(sensors.Temperature, t.OutdoorsC, airTemp)
		add(sensors.Humidity, t.OutdoorsRHPct, humidity)
	case sensors.Surface:
		add(sensors.Temperature, t.SurfaceC, wireTemp)
	case sensors.Timber:
		add(sensors.Temperature, t.TimberC, wireTemp)
	case sensors.Resin:
		add(sensors.Temperature, t.ResinC, wireTemp)
	}
	return out, nil
}

// measure adds bias and noise and rounds to the chip's step. The noise depends on seed, probe, quantity and time alone.
func (p *Probe) measure(q sensors.Quantity, v float64, c chip, at int64) float64 {
	h := fnv.New64a()
	_, _ = h.Write([]byte(p.name)) // never fails
	r := mix(p.shed.o.Seed^h.Sum64(), 3+uint64(q), uint64(at))
	v += p.bias[q] + c.noise*r.NormFloat64()
	v = math.Round(v/c.step) * c.step
	if q == sensors.Humidity {
		v = math.Min(100, math.Max(0, v))
	}
	return v
}

// Close ends the probe.
func (p *Probe) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.closed = true
	return nil
}
