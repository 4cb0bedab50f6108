package web

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/unit"
)

// Deference ends every list of cautions.
const Deference = "Follow your site's rules, the equipment manual and local law; ask a licensed person if unsure."

// pageView is the overview in words, ready to be set: the templates format
// nothing.
type pageView struct {
	Style     string
	Site      string
	Now       moment
	Zone      string
	DataUntil moment
	Glance    []glance
	Findings  []findingView
	Presses   []pressSection
	Tasks     []ticket
	Savings   []statement
	Meters    []meterRow
	Deference string
}

// Title is the document's title.
func (p pageView) Title() string { return p.Site }

// moment is an instant for people and for programs; the zero value is an
// instant that is not known.
type moment struct{ Text, Machine string }

// amount is a quantity with its unit apart, so that they can be set apart.
type amount struct{ Value, Unit string }

type glance struct {
	Label string
	amount
	Note string
}

type findingView struct {
	Kind, Subject, Text, Remedy string
	Since                       moment
}

type pressSection struct {
	Title    string
	Stations []stationRow
}

type stationRow struct {
	Title, Aside, State, Power, LitHours, Starts, Energy string
	Since                                                moment
	For                                                  string // how long, in words; empty when not known
	Lamp                                                 *lampCell
}

type lampCell struct {
	Serial, Kind, Hours, Used string
	Outlook                   string // in words; empty when nothing is known
	// Bar is the length of the life bar in hundredths of the rated life, at
	// most barEnd; empty when the kind has no rating.
	Bar    string
	Fitted moment
}

// barEnd is where the life bar stops: a quarter beyond the rated life.
const barEnd = 125

type ticket struct {
	Title, Subject, Status, When, Reason, Used, Minutes string
	Due                                                 moment
	Guess                                               bool
	Parts, Codes                                        []string
	Cautions                                            []Caution
	Deference                                           string
}

type statement struct {
	Title, Missing                                     string
	Saved, HalfWidth, Confidence, Percent              string
	Shown                                              bool
	Expected, Actual, Cost, Carbon, CarbonSource, Days string
	Notes                                              []string
	Baseline                                           string
	Frozen                                             moment
	Approver                                           string
	Months                                             []monthRow
	Plot, PlotNarrow                                   template.HTML
}

type monthRow struct {
	Month, Period, Days, Expected, Actual, Saved string
}

type meterRow struct {
	Title, Power, Energy string
	Heard                moment
	Silent               bool
	Trouble              string
	Estimated            bool
}

// clock words instants in the site's zone, seen from now.
type clock struct {
	now  time.Time
	zone *time.Location
}

const unknownText = "not known"

// at words an instant to the minute.
func (c clock) at(t time.Time) moment {
	if t.IsZero() {
		return moment{Text: unknownText}
	}
	local, now := t.In(c.zone), c.now.In(c.zone)
	layout := "Mon 2 Jan 2006, 15:04"
	if local.YearDay() == now.YearDay() && local.Year() == now.Year() {
		layout = "today, 15:04"
	}
	return moment{Text: local.Format(layout), Machine: local.Format(time.RFC3339)}
}

// day words the calendar day of an instant.
func (c clock) day(t time.Time) moment {
	if t.IsZero() {
		return moment{Text: unknownText}
	}
	local := t.In(c.zone)
	return moment{Text: local.Format("Mon 2 Jan 2006"), Machine: local.Format(time.DateOnly)}
}

// since words how long ago an instant is, with one or two units.
func (c clock) since(t time.Time) string {
	d := c.now.Sub(t)
	if t.IsZero() || d < 0 {
		return ""
	}
	minutes := int(d / time.Minute)
	switch {
	case minutes < 1:
		return "under a minute"
	case minutes < 60:
		return fmt.Sprintf("%d min", minutes)
	case minutes < 48*60:
		return fmt.Sprintf("%d h %02d min", minutes/60, minutes%60)
	default:
		return fmt.Sprintf("%d days", minutes/(24*60))
	}
}

func newPage(o Overview, style string) pageView {
	c := clock{now: o.Now, zone: o.zone()}
	p := pageView{
		Style: style, Site: o.SiteName, Now: c.at(o.Now), Zone: c.zoneName(), DataUntil: c.at(o.DataUntil),
		Glance: newGlance(o, c), Deference: Deference,
	}
	p.Now.Text = o.Now.In(c.zone).Format("Mon 2 Jan 2006, 15:04")
	for _, f := range o.Findings {
		p.Findings = append(p.Findings, findingView{f.Kind, f.Subject, f.Text, f.Remedy, c.at(f.Since)})
	}
	for _, pr := range o.Presses {
		section := pressSection{Title: pr.Title}
		for _, s := range pr.Stations {
			section.Stations = append(section.Stations, c.station(s))
		}
		p.Presses = append(p.Presses, section)
	}
	for _, t := range o.Tasks {
		p.Tasks = append(p.Tasks, c.ticket(t))
	}
	for _, s := range o.Savings {
		p.Savings = append(p.Savings, c.statement(s))
	}
	for _, m := range o.Meters {
		p.Meters = append(p.Meters, meterRow{
			Title: m.Title, Power: power(m.PowerWatts, m.PowerKnown), Energy: unit.Group(m.EnergyKWh, 1),
			Heard: c.at(m.Heard), Silent: m.Silent, Trouble: m.Trouble, Estimated: m.Estimated,
		})
	}
	return p
}

// zoneName is the zone's name with its abbreviation where that says more.
func (c clock) zoneName() string {
	name, short := c.zone.String(), c.now.In(c.zone).Format("MST")
	if short == name || strings.ContainsAny(short, "+-0123456789") {
		return name
	}
	return name + ", " + short
}

// nameBeside is a station's name where its title does not say it: tasks and
// commands call it so.
func nameBeside(name, title string) string {
	if name == title {
		return ""
	}
	return name
}

// joined puts what is there beside each other.
func joined(words ...string) string {
	return strings.Join(slices.DeleteFunc(words, func(w string) bool { return w == "" }), ", ")
}

// lightSource names a light source for people; empty when it is not known.
func lightSource(t plant.Technology) string {
	switch t {
	case plant.TechnologyLED:
		return "LED"
	case plant.TechnologyHotAir:
		return "hot air"
	default:
		return t.String()
	}
}

func (c clock) station(s StationView) stationRow {
	row := stationRow{
		Title: s.Title, Aside: joined(nameBeside(s.Name, s.Title), lightSource(s.Technology)), State: s.State.String(),
		Since: c.at(s.Since), For: c.since(s.Since), Power: power(s.PowerWatts, s.PowerKnown),
		LitHours: unit.Group(s.LitHours, 0), Starts: unit.Group(float64(s.Starts), 0), Energy: unit.Group(s.EnergyKWh, 0),
	}
	if s.State == plant.StateNone {
		row.State = plant.StateUnknown.String()
	}
	if l := s.Lamp; l != nil {
		row.Lamp = &lampCell{
			Serial: l.Serial, Kind: l.Kind, Hours: unit.Group(l.EquivalentHours, 0) + " h", Fitted: c.day(l.FittedSince),
			Outlook: outlookWords(l.Outlook),
		}
		if l.RatedHours > 0 && !math.IsNaN(l.UsedFraction) {
			row.Lamp.Hours = fmt.Sprintf("%s of %s h", unit.Group(l.EquivalentHours, 0), unit.Group(l.RatedHours, 0))
			row.Lamp.Used = percent(l.UsedFraction)
			row.Lamp.Bar = strconv.FormatFloat(min(max(100*l.UsedFraction, 0), barEnd), 'f', 1, 64)
		}
	}
	return row
}

// outlookWords says what is to be expected of a lamp.
func outlookWords(o *LampOutlook) string {
	if o == nil {
		return ""
	}
	least, most := "", ""
	if o.Bounds {
		least, most = "at least ", "at most "
	}
	words := fmt.Sprintf("half last another %s%s h", least, unit.Group(o.Remaining, 0))
	if !math.IsNaN(o.Fails) {
		words += fmt.Sprintf("; %s%.1f %% fail within %d days", most, 100*o.Fails, o.Days)
	}
	return words
}

func (c clock) ticket(t TaskView) ticket {
	out := ticket{
		Title: t.Title, Subject: t.Subject, Status: t.Status, Due: c.day(t.Due), Guess: t.Guess,
		Reason: t.Reason, Parts: t.Parts, Cautions: t.Cautions, Deference: Deference, When: "due",
	}
	if t.Status == "overdue" {
		out.When = "was due"
	}
	if t.UsedFraction > 0 {
		out.Used = percent(t.UsedFraction)
	}
	if t.Minutes > 0 {
		out.Minutes = strconv.Itoa(t.Minutes) + " min"
	}
	for _, k := range t.Cautions {
		out.Codes = append(out.Codes, k.Code)
	}
	return out
}

func (c clock) statement(s SavingsView) statement {
	if s.Missing != "" {
		return statement{Title: s.Title, Missing: s.Missing}
	}
	out := statement{
		Title: s.Title, Saved: unit.Group(s.Saved, 0), Shown: s.Shown,
		Expected: unit.Group(s.Expected, 0), Actual: unit.Group(s.Actual, 0),
		Carbon: unit.Group(s.CarbonKg, 0), CarbonSource: s.CarbonSource,
		Days: unit.Group(float64(s.Days), 0), Baseline: strconv.Itoa(s.BaselineVersion),
		Frozen: c.day(s.FrozenAt), Approver: s.Approver, Plot: s.Plot, PlotNarrow: s.PlotNarrow,
	}
	if s.Cost.Currency != "" {
		out.Cost = s.Cost.String()
	}
	if v := optional(s.HalfWidth, true); v != nil {
		out.HalfWidth, out.Confidence = unit.Group(*v, 0), percent(s.Confidence)
	}
	if v := optional(s.Fraction, true); v != nil {
		out.Percent = percent(*v)
	}
	if !s.From.IsZero() && !s.To.IsZero() {
		last := s.To.In(c.zone).AddDate(0, 0, -1)
		out.Notes = append(out.Notes, fmt.Sprintf("Reporting period %s to %s.", c.day(s.From).Text, c.day(last).Text))
	}
	if s.Adjustment != 0 {
		out.Notes = append(out.Notes, fmt.Sprintf("Adjustments on record change what was expected by %s kWh.", unit.Group(s.Adjustment, 0)))
	}
	if s.Uncertainty != "" {
		out.Notes = append(out.Notes, s.Uncertainty)
	}
	if s.ExcludedDays > 0 {
		out.Notes = append(out.Notes, count(s.ExcludedDays, "day was", "days were")+" left out because facts are missing or doubtful.")
	}
	if s.OutsideRange > 0 {
		out.Notes = append(out.Notes, count(s.OutsideRange, "day lies", "days lie")+" outside the production that the baseline saw; not counted, because the model would be stretched there.")
	}
	for _, m := range s.Months {
		row := monthRow{
			Month: m.Month.In(c.zone).Format("Jan 2006"), Period: m.Period, Days: unit.Group(float64(m.Days), 0),
			Expected: unit.Group(m.Expected, 0), Actual: unit.Group(m.Actual, 0),
		}
		if m.Period == "reporting" {
			row.Saved = unit.Group(m.Expected-m.Actual, 0)
		}
		out.Months = append(out.Months, row)
	}
	return out
}

// newGlance says in four lines what people ask first.
func newGlance(o Overview, c clock) []glance {
	counts := map[plant.State]int{}
	var watts float64
	var stations, heard int
	for _, p := range o.Presses {
		for _, s := range p.Stations {
			stations++
			counts[s.State]++
			if s.PowerKnown {
				heard++
				watts += s.PowerWatts
			}
		}
	}
	var states []string
	for _, st := range plant.States() {
		if n := counts[st]; n > 0 && st != plant.StateCuring {
			states = append(states, fmt.Sprintf("%d %s", n, st))
		}
	}
	lines := []glance{
		{Label: "Curing now", amount: amount{strconv.Itoa(counts[plant.StateCuring]), "of " + count(stations, "station", "stations")}, Note: strings.Join(states, ", ")},
		{Label: "Power at the stations", amount: amount{unit.Group(watts/1000, 1), "kW"}, Note: fmt.Sprintf("%d of %d known", heard, stations)},
	}
	next := glance{Label: "Next task", amount: amount{Value: "none", Unit: ""}}
	if len(o.Tasks) > 0 {
		t := c.ticket(o.Tasks[0])
		next.Value, next.Note = t.Due.Text, t.Title+", "+t.Subject
		if t.Status == "overdue" {
			next.Value, next.Unit = "overdue", ""
		}
	}
	lines = append(lines, next)
	for _, s := range o.Savings {
		line := glance{Label: "Saved, " + s.Title, amount: amount{Value: "no statement yet"}}
		if s.Missing == "" {
			st := c.statement(s)
			line.amount = amount{st.Saved, "kWh"}
			if st.HalfWidth != "" {
				line.Note = "± " + st.HalfWidth + " kWh at " + st.Confidence + " confidence"
			}
		}
		lines = append(lines, line)
	}
	return lines
}

func power(watts float64, known bool) string {
	if !known {
		return ""
	}
	return unit.Group(watts/1000, 2)
}

func percent(fraction float64) string { return unit.Group(100*fraction, 0) + " %" }

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return unit.Group(float64(n), 0) + " " + many
}
