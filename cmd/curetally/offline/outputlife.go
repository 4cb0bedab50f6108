package offline

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/lamplife"
	"curetally/internal/link/sheet"
)

// OutputLife says how the output of a lamp falls and when it reaches a
// threshold, from a file.
type OutputLife struct {
	File       string  `arg:"" help:"CSV file with one row for each reading: hours (lit hours of the lamp), output (in any unit, such as W/cm²) and, if known, cleaned (1 for a reading right after the lens was cleaned, else 0 or empty); - for standard input."`
	Threshold  float64 `help:"Share of the initial output at which the lamp has done its service; 0.7 by default." default:"0.7" placeholder:"F"`
	DirtLimit  float64 `help:"Share of the output that dirt may take before the lens is cleaned; 0.1 by default." default:"0.1" placeholder:"F"`
	Confidence float64 `help:"Confidence of the two-sided limits, as a fraction between 0 and 1; 0.95 by default." default:"0.95" placeholder:"F"`
	JSON       bool    `help:"Print as JSON."`
}

// Validate refuses flags that make no sense.
func (c OutputLife) Validate() error {
	for _, f := range []struct {
		name    string
		value   float64
		example float64
	}{{"threshold", c.Threshold, 0.7}, {"dirt-limit", c.DirtLimit, 0.1}, {"confidence", c.Confidence, 0.95}} {
		if !(f.value > 0 && f.value < 1) {
			return fmt.Errorf("--%s %v: expected a fraction between 0 and 1, such as %v", f.name, f.value, f.example)
		}
	}
	return nil
}

// outputLifeJSON is the JSON contract of the command. Hours are lit hours, rates
// are shares per lit hour; what the readings do not tell is null.
type outputLifeJSON struct {
	Decay       number   `json:"decay_per_hour"`
	Initial     number   `json:"initial"`
	Hours       number   `json:"hours_to_threshold"`
	Limit       number   `json:"limit_hours"`
	Recoverable number   `json:"recoverable_loss"`
	Used        int      `json:"points_used"`
	LeftOut     int      `json:"points_left_out"`
	Threshold   float64  `json:"threshold"`
	Capped      bool     `json:"capped"`
	Seen        bool     `json:"threshold_seen"`
	Calculated  number   `json:"hours_calculated"`
	Low         number   `json:"hours_low"`
	High        number   `json:"hours_high"`
	Confidence  float64  `json:"confidence"`
	Observed    number   `json:"observed_hours"`
	Cleanings   int      `json:"cleanings"`
	Separated   bool     `json:"separated"`
	Dirt        number   `json:"dirt_per_hour"`
	Cleaning    number   `json:"cleaning_due_after_hours"`
	BeforeClean number   `json:"hours_to_threshold_dirty"`
	Notes       []string `json:"notes"`
}

// Run reads the readings and prints what they tell.
func (c OutputLife) Run(s desk.Surroundings) error {
	readings, err := c.read()
	if err != nil {
		return err
	}
	d, err := lamplife.FitDecline(readings)
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	at := d.To(c.Threshold, c.Confidence)
	out := outputLifeJSON{
		Decay: told(d.Decay), Initial: told(d.Initial), Hours: told(at.Hours), Limit: told(d.Limit()),
		Recoverable: told(d.Recoverable), Used: d.Used, LeftOut: d.Wild, Threshold: c.Threshold, Capped: at.Capped, Seen: at.Seen,
		Calculated: told(at.Calculated), Low: told(at.Low), High: told(at.High), Confidence: c.Confidence,
		Observed: told(d.Observed()), Cleanings: d.Cleanings, Separated: d.Separated, Dirt: told(d.Dirt),
		Cleaning: told(d.CleaningAfter(c.DirtLimit)), BeforeClean: told(min(d.WithDirt(c.Threshold, c.DirtLimit), d.Limit())), Notes: c.notes(d, at),
	}
	if c.JSON {
		return desk.WriteJSON(s.Stdout, out)
	}
	return c.print(s.Stdout, out)
}

// read takes the readings of the file in order of hours; at the same hours they
// keep the order of the file.
func (c OutputLife) read() (readings []lamplife.Reading, err error) {
	columns := sheet.Columns{Required: []string{"hours", "output"}, Optional: []string{"cleaned"}}
	err = eachRow(c.File, columns, func(r *sheet.Rows) {
		v := lamplife.Reading{Hours: r.Float("hours"), Output: r.Float("output")}
		unreadable := len(r.Problems()) > 0
		if v.Hours < 0 {
			r.Report("hours", fmt.Sprintf("%v is below 0: expected the lit hours of the lamp", v.Hours))
		}
		if v.Hours > maxHours {
			r.Report("hours", fmt.Sprintf("%v is more than a thousand years: expected the lit hours of the lamp", v.Hours))
		}
		if v.Output <= 0 && !unreadable {
			r.Report("output", fmt.Sprintf("%v is not above 0: leave out readings of a lamp that was off", v.Output))
		}
		switch cleaned := r.Text("cleaned"); cleaned {
		case "1":
			v.Cleaned = true
		case "", "0":
		default:
			r.Report("cleaned", fmt.Sprintf("%q: expected 1 right after the lens was cleaned, else 0 or nothing", cleaned))
		}
		readings = append(readings, v)
	})
	slices.SortStableFunc(readings, func(a, b lamplife.Reading) int { return cmp.Compare(a.Hours, b.Hours) })
	return readings, err
}

// notes say in words where the figures must be taken with care.
func (c OutputLife) notes(d lamplife.Decline, at lamplife.Threshold) []string {
	notes := []string{}
	note := func(format string, a ...any) { notes = append(notes, fmt.Sprintf(format, a...)) }
	switch d.Cleanings {
	case 0:
		note("no cleaning between the readings: dirt and ageing cannot be told apart, the decay holds both")
	case 1:
		note("one cleaning only: dirt and ageing cannot be told apart, the decay holds both; two are needed")
	}
	switch {
	case at.Seen:
		note("the readings passed the threshold: its hours are interpolated between two of them")
	case d.Decay <= 0:
		note("the output does not fall: nothing but the limit of the projection can be stated")
	case at.Capped:
		note("the threshold is beyond the limit of the projection: more than %s h is what can be stated", figure(d.Limit()))
	}
	if d.Wild > 0 {
		note("%s far from all others: left out", desk.Count(d.Wild, "reading"))
	}
	return notes
}

// print prints the figures for people.
func (c OutputLife) print(out io.Writer, o outputLifeJSON) error {
	fmt.Fprintf(out, "%s used over %s lit hours, %s\n", desk.Count(o.Used, "reading"), figure(float64(o.Observed)), desk.Count(o.Cleanings, "cleaning"))
	for _, n := range o.Notes {
		fmt.Fprintf(out, "note: %s\n", n)
	}
	kilo := func(rate number) string { return percent(-math.Expm1(-1000 * float64(rate))) }
	name := "ageing and dirt"
	if o.Separated {
		name = "ageing"
	}
	fmt.Fprintf(out, "\ninitial output with a clean lens  %s\n%s in 1,000 lit hours  %s\n", figure(float64(o.Initial)), name, kilo(o.Decay))
	if o.Separated {
		fmt.Fprintf(out, "dirt in 1,000 lit hours without cleaning  %s\n", kilo(o.Dirt))
		fmt.Fprintf(out, "cleaning would now bring back  %s of the clean output\n", percent(float64(o.Recoverable)))
		fmt.Fprintf(out, "dirt takes %s after  %s\n", share(c.DirtLimit), withUnit(o.Cleaning, " h"))
	}
	more := ""
	if o.Capped {
		more = "more than "
	}
	fmt.Fprintf(out, "%s of the initial output at  %s%s\n", share(c.Threshold), more, withUnit(o.Hours, " h"))
	if !o.Seen && !o.Capped {
		fmt.Fprintf(out, "  %s limits  %s\n", share(c.Confidence), between(o.Low, o.High, " h"))
	}
	if o.Separated && o.Decay > 0 {
		fmt.Fprintf(out, "  on a lens with that much dirt at  %s\n", withUnit(o.BeforeClean, " h"))
	}
	_, err := fmt.Fprintf(out, "nothing is projected beyond  %s\n", withUnit(o.Limit, " h"))
	return err
}
