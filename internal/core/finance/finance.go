// Package finance judges an investment by its yearly cash flows: simple and
// discounted payback, net present value, internal rate of return,
// savings-to-investment ratio. Amounts are float64 in one currency; rates are
// fractions per year (0.07 is 7 %).
//
// Flows are given per year: element 0 is now and holds the investment as a negative
// amount, element t is the end of year t. Flows and rate must stand on one basis,
// both nominal or both real; nothing here can tell them apart.
//
// A figure that does not exist (no payback within the flows, no rate or more than
// one) is NaN, never 0, and the caller says so. All functions are pure.
//
// Source of the formulas: NIST Handbook 135 (1995), Life-Cycle Costing Manual, and
// 10 CFR 436 A. From memory.
package finance

import (
	"math"
	"slices"
)

// NPV is the net present value of flows at a rate above -1.
func NPV(rate float64, flows []float64) float64 {
	sum := 0.0
	for t, f := range flows {
		sum += f * PresentFactor(rate, t)
	}
	return sum
}

// PresentFactor is what one unit at the end of year t is worth now.
func PresentFactor(rate float64, t int) float64 { return math.Pow(1+rate, -float64(t)) }

// SimplePayback is the investment over the savings of the first year, in years:
// a measure for screening only. NaN when nothing is saved.
func SimplePayback(investment, yearly float64) float64 {
	if !(yearly > 0) {
		return math.NaN()
	}
	return max(investment, 0) / yearly
}

// Payback is the time in years at which the cumulative flows, discounted at the
// rate (0: not discounted), first are 0 or more, on a straight line within the year;
// NaN when they never are. It is the first such time: later flows, such as a
// replacement, may take the sum below 0 again.
func Payback(rate float64, flows []float64) float64 {
	sum := 0.0
	for t, f := range flows {
		pv := f * PresentFactor(rate, t)
		if sum+pv >= 0 {
			if t == 0 {
				return 0
			}
			return float64(t-1) - sum/pv
		}
		sum += pv
	}
	return math.NaN()
}

// highestRate bounds the search of rates: beyond 1000 % a year no case is in doubt.
const highestRate = 10.0

// IRR lists all internal rates of return above -0.99 and up to 1000 % a year, in
// rising order: the rates at which the net present value is 0. There may be none,
// and there are several where flows change their sign more than once; then no
// single rate describes the case.
func IRR(flows []float64) []float64 {
	f := func(r float64) float64 { // as NPV, after Horner
		v, x := 0.0, 1/(1+r)
		for _, c := range slices.Backward(flows) {
			v = v*x + c
		}
		return v
	}
	var roots []float64
	const steps = 2000
	// Steps are even in log(1+r), where present values are polynomials.
	low, high := math.Log(0.01), math.Log(1+highestRate)
	at := func(i int) float64 { return math.Expm1(low + (high-low)*float64(i)/steps) }
	a := at(0)
	fa := f(a)
	for i := 1; i <= steps; i++ {
		b := at(i)
		fb := f(b)
		switch {
		case fb == 0:
			roots = append(roots, b)
		case fa != 0 && (fa < 0) != (fb < 0):
			roots = append(roots, bisect(f, a, b))
		}
		a, fa = b, fb
	}
	return slices.Compact(roots)
}

// bisect finds the root of f between a and b, where it changes its sign.
func bisect(f func(float64) float64, a, b float64) float64 {
	below := f(a) < 0
	for range 200 {
		m := a + (b-a)/2
		if m <= a || m >= b {
			break
		}
		if (f(m) < 0) == below {
			a = m
		} else {
			b = m
		}
	}
	return a + (b-a)/2
}

// Plan is an investment as its parts, of which SavingsToInvestment needs the parts.
type Plan struct {
	// Investment is paid now.
	Investment float64
	// Savings are the operational savings of each year, less operational extra
	// cost; element 0 is year 1.
	Savings []float64
	// Capital are later investments by year, positive for a replacement, negative
	// for a residual value; element 0 is year 1. It may be shorter than Savings.
	Capital []float64
}

// Flows gives the cash flows of the plan from now on.
func (p Plan) Flows() []float64 {
	flows := make([]float64, 1+max(len(p.Savings), len(p.Capital)))
	flows[0] = -p.Investment
	for i, s := range p.Savings {
		flows[1+i] += s
	}
	for i, c := range p.Capital {
		flows[1+i] -= c
	}
	return flows
}

// SavingsToInvestment is the present value of the operational savings over that of
// all investments, replacements less residual value included; NaN when nothing is
// invested. It is above 1 exactly when the net present value is above 0.
func (p Plan) SavingsToInvestment(rate float64) float64 {
	invested, saved := p.Investment, 0.0
	for i, c := range p.Capital {
		invested += c * PresentFactor(rate, i+1)
	}
	for i, s := range p.Savings {
		saved += s * PresentFactor(rate, i+1)
	}
	if !(invested > 0) {
		return math.NaN()
	}
	return saved / invested
}

// AdjustedReturn is the yearly return over n years when savings are invested again
// at the rate; it is above the rate exactly when the ratio is above 1.
func AdjustedReturn(rate, savingsToInvestment float64, n int) float64 {
	if n <= 0 || !(savingsToInvestment >= 0) {
		return math.NaN()
	}
	return (1+rate)*math.Pow(savingsToInvestment, 1/float64(n)) - 1
}
