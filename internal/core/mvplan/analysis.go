package mvplan

import (
	"cmp"
	"fmt"
	"strings"

	"curetally/internal/core/plant"
	"curetally/internal/core/regression"
	"curetally/internal/core/savings"
)

func (w writer) calculation(i *Item) {
	form := cmp.Or(w.pr.Model, string(regression.Linear))
	if form == string(regression.Auto) {
		form = "chosen by adequacy, then information criterion, then fewest parameters"
	}
	i.say("model: least squares, %s, one row per %s, energy per day", form, w.pr.Granularity.Noun())
	limits := regression.UsualLimits()
	if w.pr.Limits != nil {
		limits = regression.Limits(*w.pr.Limits)
	}
	i.say("accepted with CV(RMSE) up to %.3g %%, NMBE up to %.3g %%, R² above %.3g, |t| above %.3g, at least %d rows",
		100*limits.CVRMSE, 100*limits.NMBE, limits.R2, limits.T, limits.Rows)
	i.say("saving: adjusted baseline less energy used; the half-width is that of the sum, widened by the correlation of the residuals, with the error of the meters")
	i.say("a value of a driver more than a tenth of its range beyond the baseline's is counted apart and never claimed")
	i.say("software: curetally %s", w.known.Software)
	if !w.known.Frozen {
		i.miss("terms of the model and the range in which it holds: they come with the frozen baseline")
		return
	}
	b := w.known.Baseline
	for j, name := range b.Model.Names {
		i.say("term: %s %.6g ± %.3g kWh per day", name, b.Model.Coefficients[j], b.Model.StdErrors[j])
	}
	for _, c := range b.ChangePoints {
		i.say("change point: %s %.6g per day", b.Drivers[0], c)
	}
	for _, r := range b.Ranges {
		i.say("holds for: %s %.4g to %.4g per day", r.Driver, r.Low(), r.High())
	}
}

func (w writer) prices(i *Item) {
	if w.pr.Price.Currency == "" && len(w.known.Prices) == 0 {
		i.miss("price of energy: write price, or a tariff")
	}
	if w.pr.Price.Currency != "" {
		i.say("price: %s %s per kWh", w.pr.Price.Amount, w.pr.Price.Currency)
	}
	for _, name := range w.known.Prices {
		i.say("tariff: %s", name)
	}
	if w.pr.Carbon == 0 && len(w.known.Factors) == 0 {
		i.miss("carbon factor with its source: write carbon and carbon_source")
	}
	if w.pr.Carbon > 0 {
		i.say("carbon: %v kg CO2-equivalent per kWh, %s", w.pr.Carbon, w.pr.CarbonSource)
	}
	for _, name := range w.known.Factors {
		i.say("table of carbon factors: %s", name)
	}
}

func (w writer) meters(i *Item) {
	for _, id := range w.pr.Boundary {
		owner, _ := id.Split()
		m, ok := w.p.FindMeter(plant.MeterID(owner))
		if !ok {
			i.miss("meter of %s: it is no longer in the configuration", id)
			continue
		}
		at := "the press"
		if m.Station != "" {
			at = "station " + string(m.Station)
		}
		i.say("%s: measures %s, register map %s, read every %s, ratio %s, up to %.4g kW", id, at, m.Profile.Name, m.Period, cmp.Or(m.Multiplier, "1"), m.MaxPower/1000)
		if a := m.Accuracy; a.Class == "" {
			i.miss("accuracy of %s: write the classes from the plates under accuracy of the meter", m.ID)
		} else {
			with := "connected directly"
			if a.Transformers != "" {
				with = "current transformers of class " + a.Transformers
			}
			i.say("%s: class %s, %s, %v A, %v V", m.ID, a.Class, with, a.Amperes, a.Volts)
		}
	}
	i.text("calibration", w.pr.Plan.Calibration, "calibration")
	i.text("how readings are witnessed and checked", w.pr.Plan.Witness, "witness")
	i.say("lost data: registers count on through an outage; what they counted is spread over the gap and marked, and a day with more than %.3g %% "+
		"of its energy neither measured nor interpolated is left out on both sides", 100*w.pr.EstimatedLimit)
}

func (w writer) duties(i *Item) {
	if len(w.pr.Plan.Responsibilities) == 0 {
		i.miss("who reads, checks, maintains and reports: list task and who under plan: responsibilities")
	}
	for _, d := range w.pr.Plan.Responsibilities {
		i.say("%s: %s", d.Task, d.Who)
	}
}

func (w writer) accuracy(i *Item) {
	i.say("confidence: %.4g %%, with the interval at %s beside it", 100*w.pr.Confidence, levels())
	if r := w.known.Ready; r.Smallest > 0 {
		i.say("smallest saving that a year would show: %.1f %% of the adjusted baseline; from %.1f %% on the half-width is below half of the saving",
			100*r.Smallest, 100*r.Half)
	} else {
		i.miss("smallest saving that a year would show: it follows once %s", countOf(r.NeededRows, r.Noun.Noun())+" are on record")
	}
	if w.known.Frozen {
		d := w.known.Baseline.Diagnosis
		i.say("model: CV(RMSE) %.1f %%, lag-1 correlation %.2f", 100*d.CVRMSE, d.Rho)
		for _, why := range d.Reasons {
			i.miss("the model is not accepted: %s", why)
		}
	}
}

func levels() string {
	var words []string
	for _, l := range savings.Levels() {
		words = append(words, fmt.Sprintf("%.0f %%", 100*l))
	}
	return join(words)
}

func (w writer) quality(i *Item) {
	if len(w.pr.Plan.Quality) == 0 {
		i.miss("procedures that keep the figures right: list them under plan: quality")
	}
	for _, q := range w.pr.Plan.Quality {
		i.say("%s", q)
	}
	i.say("facts are only added, entries can be rebuilt from them and compared (curetally audit); a frozen baseline and a published statement never change")
}

func (w writer) approval(i *Item) {
	plan, conversion := w.pr.Plan, w.known.Ready.Conversion
	if plan.ApprovedBy == "" {
		i.miss("approval of the plan before the conversion: write approved_by and approved_on under plan")
		return
	}
	i.say("approved by %s on %s", plan.ApprovedBy, w.day(plan.ApprovedOn))
	if !conversion.IsZero() && plan.ApprovedOn.After(conversion) {
		i.miss("approval before the conversion: it came on %s, the conversion on %s; say so as a deviation from the plan in every report",
			w.day(plan.ApprovedOn), w.day(conversion))
	}
}

func count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return countOf(n, thing)
}

func countOf(n int, thing string) string { return fmt.Sprintf("%d %ss", n, thing) }

func join[T ~string](all []T) string {
	words := make([]string, len(all))
	for i, v := range all {
		words[i] = string(v)
	}
	return strings.Join(words, ", ")
}
