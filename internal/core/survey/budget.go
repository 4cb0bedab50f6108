package survey

import "math"

// standard gives the standard uncertainty of a quantity; errors within limits are
// equally likely, a ÷ √3.
// Source: JCGM 100 (GUM) 4.3.7.
func (q Quantity) standard() float64 { return math.Hypot(q.Within/math.Sqrt(3), q.Standard) }

// BeforeEnergy gives the energy of the old system, kWh a year, with its combined
// standard uncertainty: the root of the sum of squares of what the standard
// uncertainty of each figure, taken by itself, changes in the result. Figures are
// independent; hours that loads share are one figure.
// Source: JCGM 100 (GUM) equation 10, with numerical sensitivities (5.1.3, note 2).
func (s Survey) BeforeEnergy() (kwh, standard float64) {
	energy := func(draw drawer) float64 {
		hours := draw(s.Hours)
		var sum float64
		for _, l := range s.Before.Loads {
			sum += l.energy(draw, hours)
		}
		return sum
	}
	figures := 0
	kwh = energy(func(q Quantity) float64 { figures++; return q.Value })
	for i := range figures {
		shifted := func(sign float64) float64 {
			at := -1
			return energy(func(q Quantity) float64 {
				if at++; at == i {
					return q.Value + sign*q.standard()
				}
				return q.Value
			})
		}
		standard = math.Hypot(standard, (shifted(1)-shifted(-1))/2)
	}
	return kwh, standard
}
