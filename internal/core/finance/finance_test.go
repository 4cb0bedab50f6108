package finance

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.IsNaN(got) != math.IsNaN(want) || math.Abs(got-want) > tolerance {
		t.Errorf("%s is %.12g, expected %.12g", what, got, want)
	}
}

// Source: numpy-financial documentation, irr and npv.
func TestIRR_Published(t *testing.T) {
	for _, c := range []struct {
		flows []float64
		want  float64
	}{
		{[]float64{-100, 39, 59, 55, 20}, 0.2809484211599611},
		{[]float64{-100, 0, 0, 74}, -0.0954958303},
		{[]float64{-100, 100, 0, -7}, -0.0832996662},
		{[]float64{-100, 100, 0, 7}, 0.0620584856},
	} {
		all := IRR(c.flows)
		found := false
		for _, r := range all {
			found = found || math.Abs(r-c.want) < 1e-9
		}
		if !found {
			t.Errorf("%v: rates %v, expected %v among them", c.flows, all, c.want)
		}
	}
	near(t, "npv", NPV(0.281, []float64{-100, 39, 59, 55, 20}), -0.00847859163841, 1e-12)
	// From memory: the same documentation.
	near(t, "npv", NPV(0.08, []float64{-40000, 5000, 8000, 12000, 30000}), 3065.22266818, 1e-8)
}

// Flows that change their sign twice have two rates, here 10 % and 20 % by
// construction: (1.1·1.2 = 1.32, 1.1+1.2 = 2.3).
func TestIRR_NotUnique(t *testing.T) {
	all := IRR([]float64{-1000, 2300, -1320})
	if len(all) != 2 {
		t.Fatalf("rates %v, expected two", all)
	}
	near(t, "first rate", all[0], 0.1, 1e-12)
	near(t, "second rate", all[1], 0.2, 1e-12)
	if none := IRR([]float64{-100, -5}); len(none) != 0 {
		t.Errorf("a case that only costs has the rates %v", none)
	}
}

// From memory: discount factors of the NIST tables (Handbook 135, annual
// supplement).
func TestFactors(t *testing.T) {
	series := func(n int) []float64 {
		s := make([]float64, n+1)
		for i := 1; i <= n; i++ {
			s[i] = 1
		}
		return s
	}
	for _, c := range []struct {
		rate     float64
		years    int
		spv, upv float64
	}{
		{0.03, 10, 0.74409391, 8.5302028},
		{0.03, 25, 0.47760557, 17.413148},
		{0.07, 10, 0.50834929, 7.0235815},
		{0.05, 5, 0.78352617, 4.3294767},
	} {
		near(t, "single present value", PresentFactor(c.rate, c.years), c.spv, 5e-9)
		near(t, "uniform present value", NPV(c.rate, series(c.years)), c.upv, 5e-7)
	}
}

// An example worked in full with an independent program: investment 86 000, savings
// growing 2 %, upkeep growing 2.5 %, a replacement in year 6, a residual value in
// year 10, 7 % nominal. From memory: formulas of NIST Handbook 135.
func TestPlan_WorkedExample(t *testing.T) {
	p := Plan{Investment: 86000, Capital: []float64{0, 0, 0, 0, 0, 9500, 0, 0, 0, -4000}}
	for y := range 10 {
		p.Savings = append(p.Savings, (14200+6100)*math.Pow(1.02, float64(y))+(5200-900)*math.Pow(1.025, float64(y)))
	}
	flows := p.Flows()
	near(t, "flow of year 1", flows[1], 24600, 1e-9)
	near(t, "flow of year 6", flows[6], 17777.89562, 1e-5)
	near(t, "flow of year 10", flows[10], 33630.48991, 1e-5)
	near(t, "simple payback", SimplePayback(p.Investment, p.Savings[0]), 3.4959349593, 1e-10)
	near(t, "payback", Payback(0, flows), 3.4068555619, 1e-9)
	near(t, "discounted payback", Payback(0.07, flows), 4.0093844778, 1e-9)
	near(t, "net present value", NPV(0.07, flows), 97489.7981479858, 1e-6)
	sir := p.SavingsToInvestment(0.07)
	near(t, "savings to investment", sir, 2.0796588571, 1e-10)
	near(t, "adjusted return", AdjustedReturn(0.07, sir, 10), 0.1512853748, 1e-10)
	if r := IRR(flows); len(r) != 1 {
		t.Errorf("rates %v, expected one", r)
	} else {
		near(t, "internal rate", r[0], 0.2689374876, 1e-10)
	}
}

// From memory: the uniform series, 86 000 for 20 000 a year over 10 years at 7 %.
func TestUniformSeries(t *testing.T) {
	p := Plan{Investment: 86000}
	for range 10 {
		p.Savings = append(p.Savings, 20000)
	}
	flows := p.Flows()
	near(t, "simple payback", SimplePayback(86000, 20000), 4.3, 1e-12)
	near(t, "payback", Payback(0, flows), 4.3, 1e-12)
	near(t, "net present value", NPV(0.07, flows), 54471.6308187, 1e-6)
	near(t, "discounted payback", Payback(0.07, flows), 5.2998497723, 1e-9)
	near(t, "internal rate", IRR(flows)[0], 0.1926030114, 1e-10)
}

func TestWhatDoesNotExist(t *testing.T) {
	near(t, "payback of what saves nothing", SimplePayback(100, 0), math.NaN(), 0)
	near(t, "payback that is never reached", Payback(0, []float64{-100, 10, 10}), math.NaN(), 0)
	near(t, "payback of a gift", Payback(0.1, []float64{5, 1}), 0, 0)
	near(t, "ratio without investment", Plan{Savings: []float64{1}}.SavingsToInvestment(0.1), math.NaN(), 0)
	near(t, "return of a negative ratio", AdjustedReturn(0.1, -1, 5), math.NaN(), 0)
}

// The measures agree with each other: net present value above 0, ratio above 1 and
// adjusted return above the rate say the same.
// Source: 10 CFR 436.20-22 (acceptance of each measure). From memory.
func TestMeasuresAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Plan{Investment: rapid.Float64Range(1, 1e6).Draw(t, "investment")}
		for range rapid.IntRange(1, 30).Draw(t, "years") {
			p.Savings = append(p.Savings, rapid.Float64Range(0, 1e5).Draw(t, "saving"))
		}
		rate := rapid.Float64Range(0, 0.3).Draw(t, "rate")
		npv, sir := NPV(rate, p.Flows()), p.SavingsToInvestment(rate)
		if math.Abs(npv) < 1e-6*p.Investment {
			return // at the very edge rounding decides
		}
		airr := AdjustedReturn(rate, sir, len(p.Savings))
		if (npv > 0) != (sir > 1) || (npv > 0) != (airr > rate) {
			t.Fatalf("net present value %v, ratio %v, adjusted return %v at %v", npv, sir, airr, rate)
		}
		for _, r := range IRR(p.Flows()) {
			if v := NPV(r, p.Flows()); math.Abs(v) > 1e-6*p.Investment {
				t.Fatalf("at the rate %v the value is %v", r, v)
			}
		}
		// One change of sign: at most one rate, and discounted payback is never
		// earlier than the plain one.
		if all := IRR(p.Flows()); len(all) > 1 {
			t.Fatalf("rates %v", all)
		}
		if a, b := Payback(0, p.Flows()), Payback(rate, p.Flows()); b < a-1e-9 {
			t.Fatalf("discounted payback %v before %v", b, a)
		}
	})
}
