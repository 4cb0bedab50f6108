package mvplan

import (
	"slices"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/readiness"
	"curetally/internal/core/regression"
	"curetally/internal/core/savings"
	"curetally/internal/core/stats"
	"curetally/internal/core/unit"
)

func day(m time.Month, d int) time.Time { return time.Date(2026, m, d, 0, 0, 0, 0, time.UTC) }

// site has a press with one station, whose meter is the boundary.
func site() (*plant.Plant, plant.Project) {
	pr := plant.Project{
		ID: "heron-led", Title: "Heron to LED", Press: "heron", Boundary: []plant.RegisterID{"m1/import"},
		Drivers:   []plant.Driver{plant.DriverCuringHours},
		Baseline:  plant.Selection{From: day(1, 5), To: day(7, 4), Technology: plant.TechnologyArc},
		Reporting: plant.Selection{Technology: plant.TechnologyLED}, Confidence: 0.9, EstimatedLimit: 0.05,
	}
	st := plant.Station{ID: "heron-1", Press: "heron", Technology: []plant.TechnologyFrom{
		{Technology: plant.TechnologyArc}, {From: day(7, 4), Technology: plant.TechnologyLED},
	}}
	p := &plant.Plant{
		Name: "Alder Lane Labels", TimeZone: time.UTC, Presses: []plant.Press{{ID: "heron", Title: "Heron", Stations: []plant.Station{st}}},
		Buses: []plant.Bus{{Meters: []plant.Meter{{ID: "m1", Station: "heron-1", Press: "heron", MaxPower: 9000, Period: time.Minute}}}},
		Registers: []plant.Register{
			{ID: "m1/import", Press: "heron", Quantity: plant.QuantityEnergy},
			{ID: "chiller/import", Press: "heron", Quantity: plant.QuantityEnergy},
		},
		Projects: []plant.Project{pr},
	}
	return p, pr
}

// agreed is a project about which everything was said.
func agreed() (*plant.Plant, plant.Project, Known) {
	p, pr := site()
	p.Buses[0].Meters[0].Accuracy = plant.Accuracy{Class: "1", Amperes: 100, Transformers: "0.5", Volts: 400, Phases: 3}
	price, err := unit.ParseMoney("0.168", "EUR")
	if err != nil {
		panic(err)
	}
	pr.Price, pr.Carbon, pr.CarbonSource, pr.Conversion = price, 0.461, "an example", day(7, 4)
	pr.Expected = []plant.DriverSpan{{Driver: plant.DriverCuringHours, High: 24}}
	pr.Factors = []plant.StaticFactor{{Name: "shifts per day", Value: "2"}, {Name: "shifts per day", Value: "3", From: day(9, 1)}}
	pr.Plan = plant.MVPlan{
		Option: plant.MVOptionAll, Facility: "labels", Intent: "LED for arc", Commissioning: "test of cure", Crosses: []string{"supply"},
		Interactive: []plant.MVEffect{{Effect: "less heat", Treatment: "stated beside"}}, Conditions: "usual jobs", Witness: "Ann", Calibration: "new",
		Responsibilities: []plant.MVDuty{{Task: "reading", Who: "Ann"}}, Budget: "small", Reports: "monthly", Quality: []string{"two people"},
		ApprovedBy: "Bea", ApprovedOn: day(1, 2),
	}
	b := savings.Baseline{
		Project: pr.ID, Version: 2, Drivers: pr.Drivers, Approver: "Ann", Frozen: day(7, 3), Form: regression.Cooling3, ChangePoints: []float64{6},
		Rows:   []savings.Row{{Day: day(1, 5), Energy: unit.KilowattHour}, {Day: day(7, 2), Energy: 2 * unit.KilowattHour}},
		Ranges: []savings.Range{{Driver: plant.DriverCuringHours, Min: 0, Max: 20}},
		Model:  stats.Fit{Names: []string{"intercept", "curing_hours above"}, Coefficients: []float64{5, 42.5}, StdErrors: []float64{0.5, 1.5}},
	}
	return p, pr, Known{
		Baseline: b, Frozen: true, Ready: readiness.Readiness{Smallest: 0.02, Half: 0.04, Conversion: pr.Conversion},
		Prices: []string{"grid"}, Software: "1.0",
	}
}

// statements are all that a plan says, each with the number of its item.
func statements(plan Plan) string {
	var t strings.Builder
	for _, i := range plan.Items {
		for _, s := range i.Statements {
			t.WriteString(i.Title + ": " + s + "\n")
		}
	}
	return t.String()
}

func missing(plan Plan) map[int][]string {
	out := map[int][]string{}
	for _, i := range plan.Items {
		if len(i.Missing) > 0 {
			out[i.Number] = i.Missing
		}
	}
	return out
}

func TestOf_EverythingAgreed(t *testing.T) {
	plan := Of(agreed())
	if !plan.Complete || plan.Missing != 0 || len(plan.Items) != 15 {
		t.Fatalf("complete %v, %d items, missing %v", plan.Complete, len(plan.Items), missing(plan))
	}
	said := statements(plan)
	for _, want := range []string{
		"boundary: option B:", "inside: m1/import", "outside: chiller/import", "conversion: 4 Jul 2026", "station heron-1: arc, led from 4 Jul 2026",
		"from 5 Jan 2026, to 3 Jul 2026, with arc in use", "version 2 on 3 Jul 2026 by Ann, 2 days from 5 Jan 2026 to 2 Jul 2026", "use: 3 kWh",
		"shifts per day is 3 from 1 Sep 2026", "change point: curing_hours 6 per day", "term: curing_hours above 42.5 ± 1.5",
		"holds for: curing_hours -2 to 22 per day", "price: 0.168 EUR per kWh", "tariff: grid", "0.461 kg", "class 1, current transformers of class 0.5, 100 A, 400 V",
		"read every 1m0s, ratio 1, up to 9 kW", "more than 5 %", "confidence: 90 %", "saving that a year would show: 2.0 %", "approved by Bea on 2 Jan 2026",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("the plan does not say %q:\n%s", want, said)
		}
	}
}

// Each thing that is taken away is missing in the item where it belongs, and
// nowhere else.
func TestOf_NamesWhatIsMissing(t *testing.T) {
	for _, c := range []struct {
		what string
		item int
		take func(*plant.Plant, *plant.Project, *Known)
	}{
		{"what is made there", 1, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.Facility = " " }},
		{"intent", 2, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.Intent = "" }},
		{"conversion of the project", 2, func(_ *plant.Plant, pr *plant.Project, k *Known) {
			pr.Reporting.From, k.Ready.Conversion = day(7, 6), time.Time{}
		}},
		{"works as meant", 2, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.Commissioning = "" }},
		{"plan: option", 3, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.Option = "" }},
		{"what option A estimates", 3, func(_ *plant.Plant, pr *plant.Project, _ *Known) {
			pr.Plan.Option, pr.Plan.Reinspection = plant.MVOptionKey, "each year"
		}},
		{"inspected again", 3, func(_ *plant.Plant, pr *plant.Project, _ *Known) {
			pr.Plan.Option, pr.Plan.Estimates = plant.MVOptionKey, []plant.MVEstimate{{What: "hours", Value: "5000 h", Range: "4000 to 6000 h", Why: "no counter"}}
		}},
		{"crosses the boundary", 3, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.Crosses = nil }},
		{"outside the boundary", 3, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.Interactive = nil }},
		{"conditions", 4, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.Conditions = "" }},
		{"static factors", 4, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Factors = nil }},
		{"expected_year", 6, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Expected = nil }},
		{"price of energy", 8, func(_ *plant.Plant, pr *plant.Project, k *Known) { pr.Price, k.Prices = unit.Money{}, nil }},
		{"carbon_source", 8, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Carbon = 0 }},
		{"accuracy of m1", 9, func(p *plant.Plant, _ *plant.Project, _ *Known) { p.Buses[0].Meters[0].Accuracy = plant.Accuracy{} }},
		{"no longer in the configuration", 9, func(p *plant.Plant, _ *plant.Project, _ *Known) { p.Buses = nil }},
		{"calibration", 9, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.Calibration = "" }},
		{"witnessed", 9, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.Witness = "" }},
		{"responsibilities", 10, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.Responsibilities = nil }},
		{"smallest saving", 11, func(_ *plant.Plant, _ *plant.Project, k *Known) { k.Ready.Smallest = 0 }},
		{"not accepted", 11, func(_ *plant.Plant, _ *plant.Project, k *Known) {
			k.Baseline.Diagnosis.Reasons = []string{"CV(RMSE) 40 %"}
		}},
		{"budget", 12, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.Budget = "" }},
		{"reports", 13, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.Reports = "" }},
		{"quality", 14, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.Quality = nil }},
		{"approved_by", 15, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.ApprovedBy = "" }},
		{"deviation from the plan", 15, func(_ *plant.Plant, pr *plant.Project, _ *Known) { pr.Plan.ApprovedOn = day(7, 5) }},
	} {
		p, pr, known := agreed()
		c.take(p, &pr, &known)
		plan := Of(p, pr, known)
		got := missing(plan)
		if plan.Complete || plan.Missing != 1 || len(got[c.item]) != 1 || !strings.Contains(got[c.item][0], c.what) {
			t.Errorf("%s: missing %v, want it once in item %d", c.what, got, c.item)
		}
	}
}

// Before anything was agreed or measured every item but those that the
// configuration alone answers has something missing.
func TestOf_NothingAgreed(t *testing.T) {
	p, pr := site()
	plan := Of(p, pr, Known{Ready: readiness.Readiness{NeededRows: 10, Noun: plant.Daily, Conversion: day(7, 4)}})
	got := missing(plan)
	for _, n := range []int{1, 2, 3, 4, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15} {
		if len(got[n]) == 0 {
			t.Errorf("item %d lacks nothing", n)
		}
	}
	if len(got[5]) > 0 {
		t.Errorf("the reporting period begins with the conversion, missing %v", got[5])
	}
	if i := slices.IndexFunc(got[11], func(s string) bool { return strings.Contains(s, "10 days are on record") }); i < 0 {
		t.Errorf("item 11 lacks %v", got[11])
	}
}
