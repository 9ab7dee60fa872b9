package heat

import (
	"fmt"
	"math"
	"sort"

	"tackline/advisor/units"
)

// Layer is one layer of a panel: a wet coat, old coats, plywood, a strip plank.
type Layer struct {
	Thickness    units.Metre // 1e-5..0.5 m
	Conductivity float64     // W/(m K), 0.01..500
	Density      float64     // kg/m3, 1..20000
	HeatCapacity float64     // J/(kg K), 100..10000
}

// Panel is what conducts: its layers from the front (the face that is coated) to the back, and its two faces.
type Panel struct {
	Layers      []Layer
	Front, Back Face
	Cell        units.Metre // target thickness of a cell of the grid; 0 is 1 mm. Every layer has 2 cells at least and 200 at most
}

// Check tells whether the panel is possible; the error names the layer and the range.
func (p Panel) Check() error {
	if len(p.Layers) == 0 {
		return fmt.Errorf("heat: panel without layers")
	}
	for i, l := range p.Layers {
		for _, c := range []struct {
			name      string
			v, lo, hi float64
		}{
			{"thickness (m)", float64(l.Thickness), 1e-5, 0.5},
			{"conductivity (W/(m K))", l.Conductivity, 0.01, 500},
			{"density (kg/m3)", l.Density, 1, 20000},
			{"heat capacity (J/(kg K))", l.HeatCapacity, 100, 10000},
		} {
			if !(c.v >= c.lo && c.v <= c.hi) {
				return fmt.Errorf("heat: layer %d: %s %g: want %g..%g", i+1, c.name, c.v, c.lo, c.hi)
			}
		}
	}
	if !(p.Cell >= 0 && p.Cell <= 1) {
		return fmt.Errorf("heat: cell of %g m: want 0..1 m", float64(p.Cell))
	}
	if err := p.Front.check("front"); err != nil {
		return err
	}
	return p.Back.check("back")
}

// Lag gives about the time constant in s with which the whole panel follows the air: its heat capacity over the faces' coefficients, plus
// the slowest mode of its inside. Within 10 % for a panel of one material with like faces. +Inf where both faces are closed.
func (p Panel) Lag() units.Second {
	var capacity, resistance float64
	for _, l := range p.Layers {
		capacity += float64(l.Thickness) * l.Density * l.HeatCapacity
		resistance += float64(l.Thickness) / l.Conductivity
	}
	front, back := math.Min(p.Front.Warm, p.Front.Cool), math.Min(p.Back.Warm, p.Back.Cool)
	if front+back == 0 {
		return units.Second(math.Inf(1))
	}
	inside := 1 / (math.Pi * math.Pi) // slowest mode of a slab held at both faces
	if front == 0 || back == 0 {
		inside *= 4
	}
	return units.Second(capacity * (1/(front+back) + resistance*inside))
}

// Thickness gives the panel's whole thickness.
func (p Panel) Thickness() units.Metre {
	var sum units.Metre
	for _, l := range p.Layers {
		sum += l.Thickness
	}
	return sum
}

// Profile is the temperature through a panel: depths in m below its front, rising, with the temperature at each; linear between them and
// constant beyond the ends. The zero Profile stands for "not known".
type Profile struct {
	Depth []float64
	T     []units.Celsius
}

// Uniform gives the profile of a panel that has one temperature throughout.
func Uniform(t units.Celsius) Profile { return Profile{Depth: []float64{0}, T: []units.Celsius{t}} }

// Under gives the profile once a new layer of the given thickness and temperature has been laid on the front.
func (p Profile) Under(thickness units.Metre, t units.Celsius) Profile {
	d := float64(thickness)
	out := Profile{Depth: []float64{0, d}, T: []units.Celsius{t, t}}
	for i, x := range p.Depth {
		out.Depth = append(out.Depth, math.Nextafter(d, math.Inf(1))+x) // just below the step between the two
		out.T = append(out.T, p.T[i])
	}
	return out
}

// At gives the temperature at a depth in m; ok is false for the zero Profile.
func (p Profile) At(depth float64) (t units.Celsius, ok bool) {
	n := len(p.Depth)
	if n == 0 {
		return 0, false
	}
	i := sort.SearchFloat64s(p.Depth, depth)
	switch {
	case i == 0:
		return p.T[0], true
	case i == n:
		return p.T[n-1], true
	}
	w := (depth - p.Depth[i-1]) / (p.Depth[i] - p.Depth[i-1])
	return p.T[i-1] + units.Celsius(w)*(p.T[i]-p.T[i-1]), true
}

func (p Profile) check() error {
	if len(p.Depth) != len(p.T) {
		return fmt.Errorf("heat: profile of %d depths and %d temperatures", len(p.Depth), len(p.T))
	}
	for i, t := range p.T {
		if !(t >= -100 && t <= 400) || math.IsNaN(p.Depth[i]) || i > 0 && p.Depth[i] < p.Depth[i-1] {
			return fmt.Errorf("heat: profile, point %d: want depths that rise and temperatures of -100..400 C", i+1)
		}
	}
	return nil
}

// grid is the panel cut into cells, as conductances and capacities per m2.
type grid struct {
	capacity    []float64 // of each cell, J/(m2 K)
	link        []float64 // link[i] joins cells i and i+1, W/(m2 K)
	depth       []float64 // of the cells' middles, m
	width       []float64 // of the cells, m
	first, last float64   // from the outermost cells' middles to their faces, W/(m2 K)
	coat        int64     // number of cells of the first layer
}

func (p Panel) grid() grid {
	cell := float64(p.Cell)
	if cell == 0 {
		cell = 1e-3
	}
	var g grid
	var top float64
	var half []float64 // resistance of half of each cell, m2K/W
	for i, l := range p.Layers {
		n := int64(math.Max(2, math.Min(200, math.Ceil(float64(l.Thickness)/cell-1e-9))))
		w := float64(l.Thickness) / float64(n)
		for k := range n {
			g.capacity = append(g.capacity, w*l.Density*l.HeatCapacity)
			g.depth = append(g.depth, top+w*(float64(k)+0.5))
			g.width = append(g.width, w)
			half = append(half, w/(2*l.Conductivity))
		}
		top += float64(l.Thickness)
		if i == 0 {
			g.coat = n
		}
	}
	g.link = make([]float64, len(half))
	for i := range len(half) - 1 {
		g.link[i] = 1 / (half[i] + half[i+1])
	}
	g.first, g.last = 1/half[0], 1/half[len(half)-1]
	return g
}
