package learn

import (
	"fmt"
	"math"
	"testing"

	"tackline/advisor/cure"
)

// BenchmarkTeach is what teaching costs an advice: the tables of twelve earlier coats and of the present one, and the fit of them all. The number of
// touches on each hardly counts.
func BenchmarkTeach(b *testing.B) {
	model, err := cure.New(sheet())
	if err != nil {
		b.Fatal(err)
	}
	film := flat(15)
	film.At, film.V = nil, nil
	for at := 0.0; at <= 86400; at += 600 {
		film.At, film.V = append(film.At, at), append(film.V, 15+2*math.Sin(at/14000))
	}
	for _, touches := range []int64{5, 50} {
		b.Run(fmt.Sprintf("coats=12/touches=%d", touches), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				var coats []Coat
				for i := range 13 {
					r, err := Respond(model, film, 0)
					if err != nil {
						b.Fatal(err)
					}
					c := Coat{Kind: [...]string{"seal", "bedding", "fill"}[i%3], Response: r, Modelled: true, Now: i == 12}
					for n := range touches {
						c.Looks = append(c.Looks, Look{After: 1.1 * math.Exp(r.ln[n%2]) * (0.9 + 0.02*float64(n%10)), Past: cure.Mark(n%2) - 1, NotYet: cure.Mark(n % 2)})
					}
					coats = append(coats, c)
				}
				s := New(DefaultPrior(), coats)
				s.Spread(12)
			}
		})
	}
}
