package offline

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"text/tabwriter"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/survey"
	"curetally/internal/core/unit"
	"curetally/internal/link/config/surveys"
)

// Case makes the case for a retrofit from a survey.
type Case struct {
	File string `arg:"" help:"YAML file with the survey: systems before and after, prices, investment; - for standard input. testdata/heron-case.yaml is an example."`
	JSON bool   `help:"Print as JSON."`
}

// figureJSON is a result with its uncertainty. An end of the interval is null where
// the figure does not exist in that share of the draws.
type figureJSON struct {
	Value    number `json:"value"`
	Standard number `json:"standard_uncertainty"`
	Low      number `json:"low"`
	High     number `json:"high"`
}

type savedJSON struct {
	Before figureJSON `json:"before"`
	After  figureJSON `json:"after"`
	Saved  figureJSON `json:"saved"`
}

// caseJSON is the JSON contract of the command: amounts of a year, money in the
// currency of the survey, rates as fractions per year.
type caseJSON struct {
	Title             string     `json:"title"`
	Currency          string     `json:"currency"`
	Confidence        float64    `json:"confidence"`
	Energy            savedJSON  `json:"energy_kwh"`
	EnergyCost        savedJSON  `json:"energy_cost"`
	Carbon            savedJSON  `json:"carbon_kg"`
	CarbonSource      string     `json:"carbon_source"`
	Lamps             savedJSON  `json:"lamps"`
	LampCost          savedJSON  `json:"lamp_cost"`
	UpkeepHours       savedJSON  `json:"upkeep_hours"`
	UpkeepCost        savedJSON  `json:"upkeep_cost"`
	OtherCost         savedJSON  `json:"other_cost"`
	Cost              savedJSON  `json:"cost"`
	Investment        figureJSON `json:"investment"`
	Years             int        `json:"years"`
	DiscountRate      float64    `json:"discount_rate"`
	Payback           figureJSON `json:"simple_payback_years"`
	CumulativePayback figureJSON `json:"payback_years"`
	DiscountedPayback figureJSON `json:"discounted_payback_years"`
	NPV               figureJSON `json:"npv"`
	IRR               figureJSON `json:"irr"`
	Ratio             figureJSON `json:"savings_to_investment"`
	AdjustedReturn    figureJSON `json:"adjusted_return"`
	Rates             []number   `json:"all_rates"`
	Notes             []string   `json:"notes"`
}

func finite(v float64) number {
	if math.IsInf(v, 0) {
		v = math.NaN()
	}
	return number(v)
}

func figureOf(f survey.Figure) figureJSON {
	return figureJSON{finite(f.Value), finite(f.Standard), finite(f.Low), finite(f.High)}
}

func changeOf(c survey.Change) savedJSON {
	return savedJSON{figureOf(c.Before), figureOf(c.After), figureOf(c.Saved)}
}

// Run works the case out and prints it.
func (c Case) Run(s desk.Surroundings) error {
	data, err := readAll(c.File)
	if err != nil {
		return err
	}
	v, problems := surveys.Read(c.File, data)
	if len(problems) > 0 {
		return problems
	}
	result := survey.Work(v)
	if !c.JSON {
		return printCase(s.Stdout, v, result)
	}
	out := caseJSON{
		Title: v.Title, Currency: v.Currency, Confidence: v.Confidence, Energy: changeOf(result.EnergyKWh), EnergyCost: changeOf(result.EnergyCost),
		Carbon: changeOf(result.CarbonKg), CarbonSource: v.CarbonSource, Lamps: changeOf(result.Lamps), LampCost: changeOf(result.LampCost),
		UpkeepHours: changeOf(result.UpkeepHours), UpkeepCost: changeOf(result.UpkeepCost), OtherCost: changeOf(result.OtherCost), Cost: changeOf(result.RunningCost),
		Investment: figureOf(result.Investment), Years: v.Years, DiscountRate: v.Rate, Payback: figureOf(result.SimplePayback),
		CumulativePayback: figureOf(result.Payback), DiscountedPayback: figureOf(result.DiscountedPayback), NPV: figureOf(result.NPV), IRR: figureOf(result.IRR),
		Ratio: figureOf(result.Ratio), AdjustedReturn: figureOf(result.AdjustedReturn), Rates: []number{}, Notes: notes(v, result),
	}
	for _, r := range result.Rates {
		out.Rates = append(out.Rates, number(r))
	}
	return desk.WriteJSON(s.Stdout, out)
}

// largestSurvey bounds what is read of a survey, which is a page of text.
const largestSurvey = 1 << 20

func readAll(name string) (_ []byte, err error) {
	file := os.Stdin
	if name != standardInput {
		if file, err = os.Open(name); err != nil {
			return nil, err
		}
		defer func() { _ = file.Close() }() // only read
	}
	data, err := io.ReadAll(io.LimitReader(file, largestSurvey+1))
	if err == nil && len(data) > largestSurvey {
		err = fmt.Errorf("%s: longer than %d bytes: expected a survey in YAML", name, largestSurvey)
	}
	if err == nil && len(data) == 0 {
		err = errors.New(name + ": the file is empty: expected a survey such as testdata/heron-case.yaml")
	}
	return data, err
}

// notes says in words what the figures alone do not.
func notes(v survey.Survey, c survey.Case) []string {
	out := []string{
		"A case from a survey, before anything was measured; nameplates and assumed hours are often far off. Measure before and after.",
	}
	switch {
	case len(c.Rates) > 1:
		out = append(out, "The internal rate of return is not unique, because the flows change their sign more than once; go by the net present value.")
	case len(c.Rates) == 0:
		out = append(out, "There is no internal rate of return: the flows never pay the investment back, or there is none.")
	}
	if math.IsNaN(c.Payback.Value) {
		out = append(out, fmt.Sprintf("The investment is not paid back within %s.", desk.Count(v.Years, "year")))
	} else if math.IsInf(c.Payback.High, 1) {
		out = append(out, fmt.Sprintf("Within the stated errors it may be that the investment is not paid back within %s.", desk.Count(v.Years, "year")))
	}
	if c.NPV.Low < 0 && c.NPV.High > 0 {
		out = append(out, "The interval of the net present value holds zero: whether the case pays is not shown.")
	}
	if v.Carbon.Value == 0 {
		out = append(out, "No carbon factor is given, so no carbon is stated.")
	}
	return out
}

func printCase(w io.Writer, v survey.Survey, c survey.Case) error {
	title := v.Title
	if title == "" {
		title = "Case"
	}
	fmt.Fprintf(w, "%s: a year before and after, with %.0f %% intervals of what is saved\n\n", title, 100*v.Confidence)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "\tBEFORE\tAFTER\tSAVED\tFROM\tTO\t")
	line := func(name string, decimals int, x survey.Change) {
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t\n", name, shown(x.Before.Value, decimals), shown(x.After.Value, decimals),
			shown(x.Saved.Value, decimals), shown(x.Saved.Low, decimals), shown(x.Saved.High, decimals))
	}
	line("energy, kWh", 0, c.EnergyKWh)
	if v.Carbon.Value > 0 {
		line("carbon, kg CO2e", 0, c.CarbonKg)
	}
	line("lamps", 1, c.Lamps)
	line("upkeep, h", 1, c.UpkeepHours)
	line("energy cost, "+v.Currency, 0, c.EnergyCost)
	line("lamp cost, "+v.Currency, 0, c.LampCost)
	line("upkeep cost, "+v.Currency, 0, c.UpkeepCost)
	if c.OtherCost.Before.Value != 0 || c.OtherCost.After.Value != 0 {
		line("other cost, "+v.Currency, 0, c.OtherCost)
	}
	line("cost, "+v.Currency, 0, c.RunningCost)
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(w, "\nOver %s at %s a year\n\n", desk.Count(v.Years, "year"), percent(v.Rate))
	t = tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(t, "\tVALUE\tFROM\tTO\t")
	one := func(name string, f survey.Figure, text func(float64) string) {
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t\n", name, text(f.Value), text(f.Low), text(f.High))
	}
	money := func(x float64) string { return shown(x, 0) }
	years := func(x float64) string { return shown(x, 1) }
	one("investment, "+v.Currency, c.Investment, money)
	one("simple payback, years", c.SimplePayback, years)
	one("payback, years", c.Payback, years)
	one("discounted payback, years", c.DiscountedPayback, years)
	one("net present value, "+v.Currency, c.NPV, money)
	one("internal rate of return", c.IRR, func(x float64) string { return percent(float64(finite(x))) })
	one("savings to investment", c.Ratio, func(x float64) string { return shown(x, 2) })
	if err := t.Flush(); err != nil {
		return err
	}
	for _, n := range notes(v, c) {
		if _, err := fmt.Fprintln(w, "\n"+n); err != nil {
			return err
		}
	}
	return nil
}

// shown writes an amount for people; a dash for what does not exist.
func shown(v float64, decimals int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "-"
	}
	return unit.Group(v, decimals)
}
