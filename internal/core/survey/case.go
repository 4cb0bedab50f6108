package survey

import (
	"math"
	"math/rand/v2"
	"slices"

	"curetally/internal/core/finance"
)

// Figure is one result with its uncertainty. What does not exist is NaN.
type Figure struct {
	Value    float64 // with every figure of the survey as stated
	Standard float64 // standard deviation over the draws
	// Low and High are the ends of the interval that holds the middle Confidence
	// of the draws. An infinite end says that in that share of the draws the
	// figure does not exist: a payback that never comes, a rate that is none.
	Low, High float64
}

// Change is a figure before and after, and what is saved, which is known better
// than the two where an error is common to both.
type Change struct{ Before, After, Saved Figure }

// Case is the case for a retrofit.
type Case struct {
	EnergyKWh   Change // kWh a year
	EnergyCost  Change // money a year, at the prices of the first year, as all cost
	CarbonKg    Change // kilograms of CO2-equivalent a year
	Lamps       Change // lamps a year
	LampCost    Change
	UpkeepHours Change // hours a year
	UpkeepCost  Change
	OtherCost   Change
	RunningCost Change // all cost together

	Investment        Figure
	SimplePayback     Figure // years, from the savings of the first year
	Payback           Figure // years, cumulative
	DiscountedPayback Figure // years
	NPV               Figure
	IRR               Figure // fraction per year
	Ratio             Figure // savings to investment
	AdjustedReturn    Figure // fraction per year
	// Rates are all internal rates of return as stated. With other than one, IRR
	// is NaN: no single rate describes the case.
	Rates []float64
}

// values is every figure of a case in one fixed order, as plain numbers.
type values [figures]float64

// The order of values: nine changes of three, then eight figures.
const (
	changes = 9
	singles = 8
	figures = 3*changes + singles
)

// Make works out a case with the given number of draws, at least 100.
func Make(s Survey, draws int, rng *rand.Rand) Case {
	stated, rates := s.once(asStated)
	draw := func(q Quantity) float64 {
		v := q.Value
		if q.Within > 0 {
			v += q.Within * (2*rng.Float64() - 1)
		}
		if q.Standard > 0 {
			v += q.Standard * rng.NormFloat64()
		}
		return v
	}
	draws = max(draws, 100)
	samples := make([][]float64, figures)
	for range draws {
		v, _ := s.once(draw)
		for i, one := range v {
			if math.IsNaN(one) {
				one = neverIs(i)
			}
			samples[i] = append(samples[i], one)
		}
	}
	var all [figures]Figure
	for i, v := range stated {
		all[i] = figure(v, samples[i], s.Confidence)
	}
	var c Case
	c.Rates = rates
	for i, change := range []*Change{
		&c.EnergyKWh, &c.EnergyCost, &c.CarbonKg, &c.Lamps, &c.LampCost, &c.UpkeepHours, &c.UpkeepCost, &c.OtherCost, &c.RunningCost,
	} {
		*change = Change{all[3*i], all[3*i+1], all[3*i+2]}
	}
	for i, f := range []*Figure{
		&c.Investment, &c.SimplePayback, &c.Payback, &c.DiscountedPayback, &c.NPV, &c.IRR, &c.Ratio, &c.AdjustedReturn,
	} {
		*f = all[3*changes+i]
	}
	return c
}

// once works out the case for one draw of all figures.
func (s Survey) once(draw drawer) (values, []float64) {
	hours := draw(s.Hours)
	before, after := s.Before.usage(draw, hours), s.After.usage(draw, hours)
	price, labour, carbon := draw(s.EnergyPrice), draw(s.LabourPrice), draw(s.Carbon)
	cost := func(u usage) float64 { return u.energy*price + u.lampCost + u.hours*labour + u.other }
	var v values
	i := 0
	change := func(a, b float64) {
		v[i], v[i+1], v[i+2] = a, b, a-b
		i += 3
	}
	change(before.energy, after.energy)
	change(before.energy*price, after.energy*price)
	change(before.energy*carbon, after.energy*carbon)
	change(before.lamps, after.lamps)
	change(before.lampCost, after.lampCost)
	change(before.hours, after.hours)
	change(before.hours*labour, after.hours*labour)
	change(before.other, after.other)
	change(cost(before), cost(after))

	plan := finance.Plan{Investment: draw(s.Investment), Savings: make([]float64, s.Years), Capital: make([]float64, s.Years)}
	energy := (before.energy - after.energy) * price
	rest := cost(before) - cost(after) - energy
	for y := range plan.Savings {
		plan.Savings[y] = energy*math.Pow(1+s.EnergyRise, float64(y)) + rest*math.Pow(1+s.CostRise, float64(y))
	}
	for y := 1; y <= s.Years; y++ { // in order, so that draws are repeatable
		if q, ok := s.Later[y]; ok {
			plan.Capital[y-1] = draw(q)
		}
	}
	flows := plan.Flows()
	rates, rate := finance.IRR(flows), math.NaN()
	if len(rates) == 1 {
		rate = rates[0]
	}
	ratio := plan.SavingsToInvestment(s.Rate)
	copy(v[i:], []float64{
		plan.Investment, finance.SimplePayback(plan.Investment, energy+rest), finance.Payback(0, flows), finance.Payback(s.Rate, flows),
		finance.NPV(s.Rate, flows), rate, ratio, finance.AdjustedReturn(s.Rate, ratio, s.Years),
	})
	return v, rates
}

// neverIs says where a figure of a draw stands that does not exist: a payback that
// never comes is later than all others, a rate or ratio that is none is below them.
func neverIs(i int) float64 {
	if i == 3*changes+1 || i == 3*changes+2 || i == 3*changes+3 {
		return math.Inf(1)
	}
	return math.Inf(-1)
}

// figure sums up the draws of one figure.
func figure(stated float64, draws []float64, confidence float64) Figure {
	f := Figure{Value: stated}
	var n, mean, squares float64
	for _, v := range draws {
		if math.IsInf(v, 0) {
			continue
		}
		n++
		d := v - mean
		mean += d / n
		squares += d * (v - mean)
	}
	f.Standard = math.NaN()
	if n > 1 {
		f.Standard = math.Sqrt(squares / (n - 1))
	}
	slices.Sort(draws)
	f.Low, f.High = quantile(draws, (1-confidence)/2), quantile(draws, (1+confidence)/2)
	return f
}

// quantile of sorted values, on a straight line between neighbours.
// Source: Hyndman and Fan (1996), type 7. From memory.
func quantile(sorted []float64, p float64) float64 {
	h := p * float64(len(sorted)-1)
	i := int(h)
	a, b := sorted[i], sorted[min(i+1, len(sorted)-1)]
	if a == b || math.IsInf(a, 0) || math.IsInf(b, 0) {
		return a
	}
	return a + (h-float64(i))*(b-a)
}
