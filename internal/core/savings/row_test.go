package savings_test

import (
	"encoding/json"
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/regression"
	"curetally/internal/core/savings"
	"curetally/internal/core/unit"
)

// hall is a project whose energy is 100 kWh a day and 8 kWh for each curing hour
// above 6, with days of arc to the end of 2025 and of LED with a quarter of it after.
func hall(t *testing.T, r *rand.Rand, noise float64) (plant.Project, []savings.Day) {
	t.Helper()
	var days []savings.Day
	for n := range 2 * 364 {
		day := time.Date(2025, 1, 6+n, 0, 0, 0, 0, time.UTC)
		hours := 12 * r.Float64()
		kwh, tech := 100+8*max(hours-6, 0)+noise*r.NormFloat64(), plant.TechnologyArc
		if n >= 364 {
			kwh, tech = kwh/4, plant.TechnologyLED
		}
		e, err := unit.EnergyFromKWh(kwh)
		if err != nil {
			t.Fatal(err)
		}
		days = append(days, savings.Day{Day: day, Energy: e, Drivers: []float64{hours}, Technology: tech})
	}
	return plant.Project{
		ID: "heron-led", Boundary: []plant.RegisterID{"heron-1-meter/import"}, Drivers: []plant.Driver{plant.DriverCuringHours},
		Baseline: plant.Selection{Technology: plant.TechnologyArc}, Reporting: plant.Selection{Technology: plant.TechnologyLED},
		Confidence: 0.9, Price: price(t, "0.168"), Model: "auto",
	}, days
}

// A change-point model in the daemon: chosen, frozen, kept as JSON, applied.
func TestChangePointBaseline(t *testing.T) {
	pr, days := hall(t, rand.New(rand.NewPCG(1, 2)), 4)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	if b.Form != regression.Cooling3 || len(b.ChangePoints) != 1 || b.Parameters() != 3 || !b.Diagnosis.Accepted || len(b.Diagnosis.Considered) != 6 {
		t.Fatalf("model %s with %v, %d parameters, %+v", b.Form, b.ChangePoints, b.Parameters(), b.Diagnosis)
	}
	near(t, "change point", b.ChangePoints[0], 6, 0.05)
	near(t, "slope", b.Model.Coefficients[1], 8, 0.05)
	near(t, "at 10 h", b.Predict([]float64{10}), 132, 0.02)
	near(t, "at 2 h", b.Predict([]float64{2}), 100, 0.02)
	text, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	var kept savings.Baseline
	if err := json.Unmarshal(text, &kept); err != nil {
		t.Fatal(err)
	}
	s, err := savings.State(kept, pr, days, savings.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	// What the library's own comparison says of the same rows, but for rho.
	var saved float64
	for _, d := range days[364:] {
		saved += b.Predict(d.Drivers) - d.Energy.KWh()
	}
	near(t, "saved", s.SavedKWh, saved, 1e-12)
	if !s.Shown || s.Days != 364 {
		t.Errorf("shown %v over %d days", s.Shown, s.Days)
	}
	kept.ChangePoints[0] = 3
	if _, err := savings.State(kept, pr, days, savings.Terms{}); !errors.Is(err, savings.ErrAltered) {
		t.Errorf("a moved change point: %v", err)
	}
}

// Weeks and months as rows: means per day in the model, sums in the statement, and
// what a statement says is what the comparison of the library says of the rows.
func TestWeeksAndMonths(t *testing.T) {
	for g, rows := range map[plant.Granularity]int{plant.Weekly: 52, plant.Monthly: 11} {
		pr, days := hall(t, rand.New(rand.NewPCG(3, 4)), 4)
		pr.Granularity, pr.Model = g, "linear"
		b, err := savings.Freeze(pr, days, approved())
		if err != nil {
			t.Fatal(g, err)
		}
		if len(b.Rows) != rows {
			t.Fatalf("%s: %d rows, want %d", g, len(b.Rows), rows)
		}
		s, err := savings.State(b, pr, days, savings.Terms{})
		if err != nil {
			t.Fatal(g, err)
		}
		var actual float64
		for _, p := range s.Series {
			actual += p.ActualKWh
		}
		near(t, "actual", s.ActualKWh, actual, 1e-12)
		near(t, "saved", s.SavedKWh, s.ExpectedKWh-s.ActualKWh, 1e-12)
		// About three quarters are saved, with an interval that says so.
		near(t, "fraction", s.SavedFraction, 0.75, 0.02)
		if !s.Shown || s.Granularity != g || s.Days != len(s.Series) {
			t.Errorf("%s: shown %v, %d days in %d rows", g, s.Shown, s.Days, s.Rows)
		}
		if !strings.Contains(b.DataText(), "day days_"+string(g)+" energy_mwh curing_hours\n") {
			t.Errorf("%s: text %q", g, b.DataText()[:120])
		}
		pr.Granularity = plant.Daily
		if _, err := savings.State(b, pr, days, savings.Terms{}); err == nil || !strings.Contains(err.Error(), "granularity") {
			t.Errorf("%s: another granularity: %v", g, err)
		}
	}
}

// The half-width of weeks of seven days is that of the rows' sum, seven times the
// mean per day.
func TestHalfWidthOfWeeks(t *testing.T) {
	pr, days := hall(t, rand.New(rand.NewPCG(5, 6)), 4)
	pr.Granularity, pr.Model = plant.Weekly, "linear"
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	s, err := savings.State(b, pr, days, savings.Terms{})
	if err != nil {
		t.Fatal(err)
	}
	tab := func(days []savings.Day) regression.Table {
		out := regression.Table{Drivers: []string{"curing_hours"}}
		for i := 0; i+7 <= len(days); i += 7 {
			var x, e float64
			for _, d := range days[i : i+7] {
				x, e = x+d.Drivers[0]/7, e+d.Energy.KWh()/7
			}
			out.Rows, out.Energy = append(out.Rows, []float64{x}), append(out.Energy, e)
		}
		return out
	}
	m, err := regression.Fit(tab(days[:364]), regression.Linear)
	if err != nil {
		t.Fatal(err)
	}
	inside := tab(days[364:])
	for i := len(inside.Rows) - 1; i >= 0; i-- {
		if x := inside.Rows[i][0]; x < m.Ranges[0].Low() || x > m.Ranges[0].High() {
			inside.Rows = append(inside.Rows[:i], inside.Rows[i+1:]...)
			inside.Energy = append(inside.Energy[:i], inside.Energy[i+1:]...)
		}
	}
	want := m.Compare(inside, regression.Terms{Confidence: 0.9})
	near(t, "saved", s.SavedKWh, 7*want.Saved, 1e-10)
	near(t, "half-width", s.HalfWidthKWh, 7*want.HalfWidth, 1e-10)
	near(t, "guideline", s.Intervals[2].Guideline, want.Guideline, 1e-10)
}

// A week with two days missing is left out whole, with the reason at each day; with
// one it stands.
func TestShortWeekIsLeftOut(t *testing.T) {
	pr, days := hall(t, rand.New(rand.NewPCG(7, 8)), 4)
	pr.Granularity, pr.Model = plant.Weekly, "linear"
	days[10].Excluded, days[12].Excluded, days[22].Excluded = "a", "b", "c"
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	if len(b.Rows) != 51 || len(b.Excluded) != 8 || b.Rows[2].Days != 6 {
		t.Fatalf("%d rows, %d days left out, third row of %d days; want 51, 8 and 6", len(b.Rows), len(b.Excluded), b.Rows[2].Days)
	}
	if got := b.Excluded[0].Reason; got != "its week has 5 usable days of 7, at least 6 are needed" {
		t.Errorf("reason %q", got)
	}
	if !b.Covers(days[0].Day) || !b.Covers(days[22].Day) || b.Covers(days[10].Day) || b.Covers(days[500].Day) {
		t.Error("the days that the baseline covers are not those of its rows")
	}
}

// Statements of successive months add up to that of all, and one of a period to
// come has nothing to count.
func TestPeriodsAddUp(t *testing.T) {
	pr, days := hall(t, rand.New(rand.NewPCG(9, 10)), 4)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	site := plant.Plant{TimeZone: time.UTC}
	state := func(p savings.Period) savings.Statement {
		s, err := savings.State(b, pr, days, savings.Terms{Period: p})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	month := func(text string) savings.Period {
		p, err := savings.ParsePeriod(text, &site)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	var sum float64
	for _, text := range []string{"2026-01", "2026-02", "2026-03"} {
		s := state(month(text))
		sum += s.SavedKWh
		if s.Period != text || s.From.Format("2006-01") != text || s.To.Format("2006-01") != text {
			t.Errorf("%s: %s from %v to %v", text, s.Period, s.From, s.To)
		}
	}
	whole := state(savings.ToDate(time.Date(2026, 3, 31, 0, 0, 0, 0, time.UTC)))
	near(t, "three months", whole.SavedKWh, sum, 1e-12)
	if whole.Period != "to 2026-03-31" || state(savings.Period{}).Period != "to date" || state(month("2026-03-09")).Days != 1 {
		t.Errorf("periods %q and %q", whole.Period, state(savings.Period{}).Period)
	}
	if p := month("2026-03"); p.Over(time.Date(2026, 3, 31, 23, 0, 0, 0, time.UTC)) || !p.Over(time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)) {
		t.Error("March is over with the 31st")
	}
	if _, err := savings.ParsePeriod("March", &site); err == nil || !strings.Contains(err.Error(), "such as 2026-03") {
		t.Errorf("no period: %v", err)
	}
	if _, err := savings.State(b, pr, days, savings.Terms{Period: month("2031-01")}); !errors.Is(err, savings.ErrNoDays) {
		t.Errorf("a month to come: %v", err)
	}
}

// A further dryer inside the boundary used 1,150 kWh a month for four months: 4,600
// kWh are added to the adjusted baseline.
// Source: the same in own computation with R 4.2.2 and Python.
func TestAdjustmentIsALineOfItsOwn(t *testing.T) {
	pr, days := sheetsProject(t)
	b, err := savings.Freeze(pr, days, approved())
	if err != nil {
		t.Fatal(err)
	}
	dryer := plant.Adjustment{
		Number: 1, From: days[20].Day, To: days[20].Day.AddDate(0, 0, 4), Energy: 4600 * unit.KilowattHour,
		Event: "a further dryer", Evidence: "sub-meter readings", Approver: "A. Planner",
	}
	s, err := savings.State(b, pr, days, savings.Terms{Adjustments: []plant.Adjustment{dryer}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "saved", s.SavedKWh, 162076.50543278, 1e-13)
	near(t, "model", s.ExpectedKWh, 225038.50543278, 1e-13)
	near(t, "adjustment", s.AdjustmentKWh, 4600, 1e-13)
	if len(s.Adjustments) != 1 || s.Adjustments[0].CountedDays != 4 || s.Adjustments[0].Evidence != "sub-meter readings" {
		t.Errorf("adjustments %+v", s.Adjustments)
	}
	// Half of the event lies in the period; what is taken back counts no more.
	half, err := savings.State(b, pr, days, savings.Terms{Adjustments: []plant.Adjustment{dryer}, Period: savings.ToDate(days[21].Day)})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "half", half.AdjustmentKWh, 2300, 1e-13)
	smaller, gone := dryer, dryer
	smaller.Number, smaller.InsteadOf, smaller.Energy = 2, 1, 4000*unit.KilowattHour
	gone.Number, gone.InsteadOf, gone.Energy = 3, 2, 0
	for want, list := range map[float64][]plant.Adjustment{4000: {dryer, smaller}, 0: {dryer, smaller, gone}} {
		s, err := savings.State(b, pr, days, savings.Terms{Adjustments: list})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(s.AdjustmentKWh-want) > 1e-9 {
			t.Errorf("%d records: %v kWh, want %v", len(list), s.AdjustmentKWh, want)
		}
	}
}

func TestCheckAdjustment(t *testing.T) {
	day := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	good := plant.Adjustment{From: day, To: day.AddDate(0, 0, 7), Energy: -5, Event: "e", Evidence: "v", Approver: "a"}
	if err := savings.CheckAdjustment(good); err != nil {
		t.Error(err)
	}
	for want, change := range map[string]func(a *plant.Adjustment){
		"without evidence":     func(a *plant.Adjustment) { a.Evidence = " " },
		"has no approver":      func(a *plant.Adjustment) { a.Approver = "" },
		"what happened":        func(a *plant.Adjustment) { a.Event = "" },
		"later than its begin": func(a *plant.Adjustment) { a.To = a.From },
		"changes nothing":      func(a *plant.Adjustment) { a.Energy = 0 },
	} {
		bad := good
		change(&bad)
		if err := savings.CheckAdjustment(bad); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want %q", err, want)
		}
	}
}

// A frozen baseline stays: a new version says why.
func TestNewVersionNeedsAReason(t *testing.T) {
	pr, days := sheetsProject(t)
	info := approved()
	info.Previous = 1
	if _, err := savings.Freeze(pr, days, info); err == nil || !strings.Contains(err.Error(), "needs the reason") {
		t.Errorf("without a reason: %v", err)
	}
	info.Reason = "the meter's ratio was entered wrongly"
	b, err := savings.Freeze(pr, days, info)
	if err != nil || b.Reason != info.Reason {
		t.Errorf("reason %q, %v", b.Reason, err)
	}
}
