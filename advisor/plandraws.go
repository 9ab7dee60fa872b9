package advisor

import (
	"math"
	"sort"
)

// planMembers is the number of ways the unknown is let go in a plan, which tells a chance in hundredths. Even: pairs of opposites, see draws.
const planMembers = 200

// planDraws gives a plan's members: pairs of opposites as in draws, each unknown taking every one of its evenly spaced values once. Which values
// go together follows the additive recurrence in as many dimensions as there are unknowns (M. Roberts, 2018, "The unreasonable
// effectiveness of quasirandom sequences", from memory): x_i = frac(1/2 + i/g^d), g the root of g^(dim+1) = g + 1. Then the two of a pair change
// places in an unknown where that leaves the unknowns going together less. No random number.
func planDraws() []draw {
	const dims, half = len(halves), planMembers / 2
	g := 1.5
	for range 60 {
		g = math.Pow(1+g, 1/float64(dims+1))
	}
	var at [dims][planMembers]int64 // of each unknown: the place of each member's value, 0 .. planMembers-1
	for d := range dims {
		alpha := math.Pow(g, -float64(d+1))
		x := make([]float64, planMembers)
		for i := range half {
			_, f := math.Modf(0.5 + float64(i+1)*alpha)
			x[2*i], x[2*i+1] = f, 1-f
		}
		order := make([]int64, planMembers)
		for i := range order {
			order[i] = int64(i)
		}
		sort.SliceStable(order, func(a, b int) bool { return x[order[a]] < x[order[b]] })
		for place, i := range order {
			at[d][i] = int64(place)
		}
	}
	var z [dims][half]float64
	for d := range dims {
		for i := range half {
			z[d][i] = normal((float64(at[d][2*i]) + 0.5) / planMembers)
		}
	}
	for range 4 {
		for d := 1; d < dims; d++ {
			together := [dims]float64{}
			for e := range dims {
				for i := range half {
					together[e] += z[d][i] * z[e][i]
				}
			}
			for i := range half {
				gain := 0.0
				for e := range dims {
					if e != d {
						x := 2 * z[d][i] * z[e][i]
						gain += x * (2*together[e] - x)
					}
				}
				if gain <= 1e-9 {
					continue
				}
				for e := range dims {
					together[e] -= 2 * z[d][i] * z[e][i]
				}
				z[d][i] = -z[d][i]
				at[d][2*i], at[d][2*i+1] = at[d][2*i+1], at[d][2*i]
			}
		}
	}
	all := make([]draw, planMembers)
	for n := range all {
		u := func(d int) float64 { return (float64(at[d][n]) + 0.5) / planMembers }
		all[n] = draw{speed: normal(u(0)), path: at[1][n], surface: normal(u(2)), gap: u(3), energy: normal(u(4)),
			marks: [4]float64{normal(u(5)), normal(u(6)), normal(u(7)), normal(u(8))}}
	}
	return all
}
